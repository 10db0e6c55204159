"""What building lives noticed: findings in plain words, with counts and places.

Layer: lives. Reads the results of the stages; changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import InputError
from relkit.lives.censoring import Departures, Observation, observed_in, observed_pieces
from relkit.lives.coverage import SILENT
from relkit.lives.events import OUTCOMES, PositionEvents
from relkit.lives.histories import History
from relkit.lives.instants import NOT_KNOWN, Instants, as_dates, days_between
from relkit.lives.life_rows import LIFE_COLUMNS
from relkit.lives.meters import Meters
from relkit.lives.observed import Clock, ObservedLives
from relkit.lives.rates_told import damage_told, reports_without_fault
from relkit.lives.register import Places, Register
from relkit.lives.rewrites import Rewritten
from relkit.lives.set_aside import with_noun
from relkit.logbook.findings import Finding, finding

if TYPE_CHECKING:
    from relkit.logbook.read import RepairLog

__all__ = ["Stages", "set_aside_findings", "stage_findings"]

_FOUND, _FAILURE = (OUTCOMES.index(name) for name in ("failure found at check", "failure"))

#: Fewer vehicles or positions than this say nothing of a register of failures only.
_LEAST_UNITS = 10
#: So improbable must it be that a full register shows a failure of every unit.
_IMPROBABLE = 0.05
#: So improbable, and no lives are built.
_IMPOSSIBLE = 0.001

_SET_ASIDE = {
    "unknown vehicle": "name a vehicle that is not in the register",
    "position not fitted": "name a position that is not in the register",
    "location not named": "name no location, and the vehicle has several for the component",
    "component not named": "replace something without naming the component",
    "unknown word": "have a finding or action that the study gives no meaning",
    "not fitted": "report a position that the vehicle never had",
    "outside boundary": "concern something that is no item of this study",
    "after the window": "are dated after the end of the observation window",
    "after the vehicle left": "are dated after the vehicle left the fleet",
    "before the item was fitted": "are dated before the position's item was fitted",
    "no usable meter reading": "concern a vehicle whose counter cannot be known",
    "dead on arrival": "report a failure on the day of fitting: dead on arrival, or the register "
    "holds the date of the replacement",
    "no running time observed": "report a failure of an item that did not run while observed",
}
_PLAIN = ("outside boundary", "after the window", "not fitted")


@dataclass(frozen=True, slots=True, eq=False)
class Stages:
    """Results of the stages from a repair log to observed lives."""

    register: Register
    window: Observation
    noticed: tuple[Finding, ...]  #: times in which the log is silent, vehicles off the road
    clock: Clock  #: values of the study's clock at positions and instants
    gone: Departures
    places: Places
    reasons: NDArray[np.object_]  #: by job row
    events: PositionEvents
    rewritten: Rewritten
    history: History
    meters: Meters
    observed: ObservedLives


def stage_findings(
    log: RepairLog,
    clock: str,
    stages: Stages,
    lives: pd.DataFrame,
    good: Instants,
    *,
    only_failed: str = "refuse",
    study_findings: Mapping[str, str],
) -> list[Finding]:
    """Return everything noticed between the log and its lives.

    Parameters
    ----------
    log : RepairLog
        The log as read.
    clock : str
        The study's clock.
    stages : Stages
        What the stages gave.
    lives : DataFrame
        The lives table.
    good : array by observed life
        When items found failed at a check were last known good.
    only_failed : str
        "refuse" or "warn": what to do where only failed vehicles were exported.
    study_findings : Mapping
        What each finding of the log means.

    Raises
    ------
    InputError
        All vehicles or positions of the register have failed, which no full register would show.
    """
    return [
        *stages.register.findings,
        *stages.noticed,
        *stages.gone.findings,
        *stages.rewritten.findings,
        *stages.history.findings,
        *(stages.meters.findings if clock != "days" else ()),
        *_window_findings(stages),
        *_start_findings(stages, lives),
        *_place_findings(log, stages),
        *_cause_findings(stages, lives),
        *_check_findings(stages, good),
        *reports_without_fault(log.jobs),
        *damage_told(log, lives, study_findings, clock),
        *_age_findings(clock, stages, lives),
        *_survivor_findings(stages, only_failed),
    ]


def set_aside_findings(aside: pd.DataFrame) -> list[Finding]:
    """Return one finding for each reason for which job rows were set aside."""
    found = []
    for reason, rows in aside[aside["kind"] == "log"].groupby("reason", sort=True):
        words = _SET_ASIDE.get(str(reason), f"cannot be used: {reason}")
        found.append(
            finding(
                str(reason),
                f"Job rows {words}",
                sources=rows["source"],
                done="Set aside",
                severity="information" if reason in _PLAIN else "look",
            )
        )
    return found


def _window_findings(stages: Stages) -> Iterator[Finding]:
    window, history = stages.window, stages.history
    first, end = as_dates(np.array([window.start, window.end]))
    shown = f"{pd.Timestamp(first):%Y-%m-%d %H:%M} to {pd.Timestamp(end):%Y-%m-%d %H:%M}"
    yield finding(
        "observation window",
        f"The log is taken as complete from {shown}; it ends {window.how_ended}",
        sources=(),
        rows=0,
        done="Nothing outside it counts as observed",
    )
    if len(window.periods) <= 1:
        return
    stays = history.stays[history.stays["start"] != NOT_KNOWN]
    whole = replace(
        window,
        periods=np.array([[window.start, window.end]], dtype=np.int64),
        period_group=None,
        group_of=None,
    )
    lost = _days_seen(stays, whole) - _days_seen(stays, window)
    times, position = history.events["time"].to_numpy(), history.events["position"].to_numpy()
    inside = observed_in(times, position, window) < 0
    inside &= observed_in(times, position, whole) >= 0
    inside &= (history.events["effect"] > 0).to_numpy()
    stated = [f"{a} to {b}" for a, b in window.gaps]
    silent = [place for one in stages.noticed if one.rule == SILENT for place in one.sources]
    yield finding(
        "gap in the log",
        f"The log does not cover {lost:,.0f} item days of its window (gaps and parts that the "
        f"study states, silent times); {with_noun(int(inside.sum()), 'event')} nevertheless "
        "changed an item in them",
        sources=[*stated, *silent],
        rows=max(len(stated) + len(silent), 1),
        done="These item days were removed: items leave observation and come back later. Changes "
        "in a gap that nobody wrote down would make the ages after it too high",
        severity="look",
    )


def _days_seen(stays: pd.DataFrame, window: Observation) -> float:
    start, end, position = (stays[name].to_numpy() for name in ("start", "end", "position"))
    cut = observed_pieces(start, end, position, window)
    return float(days_between(cut["seen_from"].to_numpy(), cut["seen_until"].to_numpy()).sum())


def _start_findings(stages: Stages, lives: pd.DataFrame) -> Iterator[Finding]:
    unknown = stages.observed.unknown
    if len(unknown):
        places = stages.register.positions.iloc[unknown["position"]]
        silent = int((unknown["closer"] < 0).sum())
        yield finding(
            "unknown start",
            f"The first item of {with_noun(len(unknown), 'position')} has no known date fitted; "
            f"{silent:,} of these positions saw no change and give no life at all",
            sources=_named(places),
            done=f"These first stays were dropped: {unknown['days'].sum():,.0f} item days lost",
            severity="look",
        )
    late = lives[lives["entry"] > 0]
    if len(late):
        yield finding(
            "late entry",
            f"{with_noun(len(late), 'life', 'lives')} already under way when observation began",
            sources=late["opened_by"],
            done="They enter at the age they had reached then",
        )
    clash = [name for name in stages.register.covariates if name in LIFE_COLUMNS]
    if clash:
        yield finding(
            "covariate renamed",
            "A covariate of the register has the name of a column of lives",
            sources=clash,
            done="It is called register_NAME in the lives",
        )


def _named(places: pd.DataFrame) -> pd.Series:
    """Positions in words."""
    names = places["vehicle"] + " / " + places["component"]
    where = places["location"]
    return names + np.where(where == "", "", " / " + where)


def _place_findings(log: RepairLog, stages: Stages) -> Iterator[Finding]:
    filled = stages.places.filled
    if filled.any():
        yield finding(
            "location filled",
            "The log or the register leaves the location blank, and the vehicle has the component "
            "at one place only",
            sources=log.jobs.loc[filled, "source"],
            done="Taken as that place",
        )
    if stages.events.aligned:
        yield finding(
            "time of day filled",
            "Job rows give a day only, and another row of the same position and day gives the time",
            sources=(),
            rows=stages.events.aligned,
            done="Taken as one event at that time",
        )
    events = stages.history.events
    empty = (stages.observed.detail == "the position was empty") & (
        events["outcome"] >= _FOUND
    ).to_numpy()
    if empty.any():
        yield finding(
            "failure at an empty position",
            "A failure is reported where the item had been taken out before",
            sources=events.loc[empty, "sources"],
            done="The event only opens a new life",
            severity="look",
        )


def _cause_findings(stages: Stages, lives: pd.DataFrame) -> Iterator[Finding]:
    events, candidates = stages.history.events, stages.history.candidates
    goes_on = (events["effect"] == 0) & events["stated"] & (events["outcome"] >= _FOUND)
    if goes_on.any():
        yield finding(
            "failure without a new item",
            "A failure is reported, but the action leaves the item where it is",
            sources=events.loc[goes_on, "sources"],
            done="No life ended; the item goes on",
            severity="look",
        )
    masked = lives[lives["masked_job"] != ""]
    if len(masked):
        ended = int(lives["failed"].sum()) + masked["masked_job"].nunique()
        jobs = masked["masked_job"].nunique()
        yield finding(
            "several replaced, cause unknown",
            f"{with_noun(jobs, 'job')} replaced several items without saying which had failed "
            f"({jobs / ended:.0%} of {with_noun(ended, 'failure')})",
            sources=masked["masked_job"].unique(),
            done="Each job is one failure shared by its candidates",
            severity="look",
        )
    explained = candidates.explained & (stages.observed.row_class == "censored")
    if explained.any():
        yield finding(
            "replaced beside a failed item",
            "An item was replaced, cause unknown, on a job that states the failure of another "
            "item at the place",
            sources=events.loc[explained, "sources"],
            done="Taken as removed unfailed",
        )


def _check_findings(stages: Stages, good: Instants) -> Iterator[Finding]:
    rows = stages.observed.rows
    bare = (rows["outcome"] == _FOUND).to_numpy() & (good == NOT_KNOWN)
    if bare.any():
        total = int((rows["outcome"] == _FOUND).sum())
        yield finding(
            "no pass record",
            f"{int(bare.sum()):,} of {with_noun(total, 'failure')} found at a check have no "
            "earlier pass since the item came under observation",
            sources=stages.history.events["sources"].to_numpy(dtype=object)[
                rows["closer"].to_numpy()[bare]
            ],
            done="The item is taken as good when its observation began; keep passed checks in "
            "the log to narrow this",
            severity="look",
        )


def _age_findings(clock: str, stages: Stages, lives: pd.DataFrame) -> Iterator[Finding]:
    guessed = lives["age_estimated"]
    if guessed.any():
        yield finding(
            "age estimated",
            f"{int(guessed.sum()):,} of {with_noun(len(lives), 'life', 'lives')} begin or end more "
            f"than {stages.meters.estimated_days:.0f} days from the nearest reading ({clock})",
            sources=lives.loc[guessed, "opened_by"],
            done="The counter was interpolated, or run on at the vehicle's mean rate",
            severity="look",
        )


def _survivor_findings(stages: Stages, only_failed: str) -> Iterator[Finding]:
    """Say so where a register of only what failed would make lives too short."""
    events, positions = stages.history.events, stages.register.positions
    failed = np.isin(stages.observed.row_class, ("failure", "interval", "masked"))
    at = events["position"].to_numpy()[failed]
    vehicle = positions["vehicle_code"].to_numpy()
    for noun, unit, count in (
        ("vehicle", vehicle[at], len(stages.register.vehicles)),
        ("position", at, len(positions)),
    ):
        failures = np.bincount(unit, minlength=count)
        chance = (1.0 - np.exp(-failures.mean())) ** count  # Poisson counts: own algebra
        if count < _LEAST_UNITS or not failures.all() or chance >= _IMPROBABLE:
            continue
        if only_failed == "refuse" and chance < _IMPOSSIBLE:
            raise InputError(
                f"every one of the {count} {noun}s of the register has a failure; a full register "
                f"would show that with probability {chance:.2g}: {noun}s that never failed are "
                "missing, and lives would come out far too short",
                mend=f"Give the register of all {noun}s; if it is complete, write "
                "only_failed = 'warn' under [treatments.problems]",
            )
        yield finding(
            f"only failed {noun}s",
            f"Every one of the {count} {noun}s of the register has a failure; with "
            f"{failures.mean():.1f} failures each on average a full register would show that with "
            f"probability {chance:.2g}",
            sources=(),
            rows=count,
            done=f"Nothing: {noun}s that never failed may be missing, and lives then come out too "
            "short. Give the register of all of them",
            severity="limits",
        )
        return
