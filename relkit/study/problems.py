"""What is done about each problem of a log, and from which threshold on: one key per rule.

Layer: study. The first choice of each key is the default; relkit/lives/problems.py lists the rules.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

__all__ = ["ProblemSettings"]

Days = Annotated[float, Field(ge=0, allow_inf_nan=False)]


@dataclass(config=ConfigDict(extra="forbid"), frozen=True)
class ProblemSettings:
    """Treatments of problems in the data, with their thresholds."""

    # -- jobs -------------------------------------------------------------------------------
    split_jobs: Literal["join", "keep apart"] = "join"  #: rows of one job number at a position
    event_date: Literal["opened", "closed"] = "opened"  #: where a log has both dates
    deferred_days: Days = 28.0  #: done so long after the report: a deferred job [d]
    repeat_visits: Literal["count", "recurrence"] = "count"  #: same item again so soon
    repeat_days: Days = 14.0  #: so soon after a failure: not fixed the first time [d]
    guess_chains: Literal["last part cures", "masked", "as written"] = "last part cures"
    chain_days: Days = 14.0  #: so soon the second part of a view was replaced [d]
    test_swaps: Literal["decode", "as written"] = "decode"  #: "the fault followed the camera"
    undiagnosed: Literal["not known good", "interval", "as written"] = "not known good"
    undiagnosed_days: Days = 14.0  #: no fault found so shortly before a failure [d]
    dark_at_disposal: Literal["failure", "as written"] = "failure"
    dark_days: Days = 60.0  #: a fault reported so shortly before the vehicle left [d]
    hidden_failures: Literal["as stated", "interval"] = "as stated"  #: of functions not evident
    quantities: Literal["expand", "one"] = "expand"  #: a row that replaced several items
    verdicts: Literal["use", "ignore"] = "use"  #: what the supplier found of a returned item
    migrated_rows: Literal["set aside", "keep"] = "set aside"  #: a pile of rows on the first day
    migration_share: Annotated[float, Field(gt=0, le=1)] = 0.05  #: of all rows, on that day
    side_words: Literal["left-hand traffic", "right-hand traffic", "not stated"] = "not stated"

    # -- items ------------------------------------------------------------------------------
    transfers: Literal["follow serial", "new at each place"] = "follow serial"
    returned_items: Literal["own stratum", "as new"] = "own stratum"  #: failed, repaired, back
    #: serial numbers that stand for "not known"; numbers of one repeated digit always do
    no_serials: tuple[str, ...] = (
        *("n/a", "na", "none", "unknown", "not known", "?", "-", "x", "tba", "tbc"),
        *("illegible", "missing", "12345", "123456", "1234567", "see note", "no serial"),
    )
    batches: tuple[str, ...] = ()  #: beginnings of serial numbers that are a type of their own
    unknown_start: Literal["drop", "start of the log", "earliest on the vehicle"] = "drop"
    late_entry: Literal["enter late", "ignore"] = "enter late"
    import_dates: Literal["unknown", "keep"] = "unknown"  #: dates of when the log was set up

    # -- observation ------------------------------------------------------------------------
    silent_gaps: Literal["leave and come back", "ignore"] = "leave and come back"
    gap_jobs: Annotated[float, Field(gt=0)] = 8.0  #: jobs that a silent time should have had
    coverage_by: tuple[str, ...] = ("depot",)  #: covariates whose values may keep own logs
    silent_vehicles: Literal["left at last row", "ignore"] = "left at last row"
    silent_days: Days = 180.0  #: no row for so long at the end of the log [d]
    off_road: Literal["subtract", "count"] = "subtract"  #: clock "days": parked time
    off_road_days: Days = 60.0  #: a meter that stood so long: the vehicle was off the road [d]
    last_month: Literal["complete only", "to the last row"] = "complete only"
    only_failed: Literal["refuse", "warn"] = "refuse"  #: a register of failed vehicles only

    # -- meters -----------------------------------------------------------------------------
    meter_exchanges: Literal["chain", "vehicle unusable"] = "chain"
    meter_errors: Literal["interpolate", "keep"] = "interpolate"  #: contradicted by neighbours
    frozen_meters: Literal["interpolate", "keep"] = "interpolate"
    frozen_days: Days = 60.0  #: one value for longer than this may be a frozen meter [d]
    other_counter: Literal["move", "as typing error"] = "move"  #: km typed as hours
    other_unit: Literal["convert", "keep"] = "convert"  #: miles among kilometres
    estimated_days: Days = 31.0  #: farther from a reading an age counts as estimated [d]

    # -- columns ----------------------------------------------------------------------------
    not_persons: tuple[str, ...] = ()  #: headers that look like names of persons and are not
