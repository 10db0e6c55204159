"""The plan of one study: every table that pages, workbooks and notebooks show.

Layer: plan. A result only; build.py makes it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import pandas as pd

from relkit.study.settings import Study

__all__ = ["Plan"]


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """All of one study: from the rows that were read to what should be done when."""

    study: Study
    intervals: pd.DataFrame  #: one row per stratum: evidence, task, interval, range, reason
    visits: pd.DataFrame  #: one row per vehicle class, service and stratum: what to do when
    due: pd.DataFrame  #: one row per position with an interval: next due, most urgent first
    spares: pd.DataFrame  #: one row per component type: expected use and proposed stock
    fits: pd.DataFrame  #: one row per stratum: Weibull parameters with limits and status
    curves: pd.DataFrame  #: Kaplan-Meier steps per stratum with limits and counts
    cost_curves: pd.DataFrame  #: planned replacement: cost rate by age, with limits, per stratum
    unavailability_curves: pd.DataFrame  #: failure-finding: mean unavailability by interval
    lives: pd.DataFrame  #: one row per life; column ``stratum_location`` is the planned place
    findings: pd.DataFrame  #: what was noticed in the data, how many rows, what was done
    set_aside: pd.DataFrame  #: every row that was not used, with its reason and mend
    row_classes: pd.DataFrame  #: every row that was read and the one class it ended in
    files: pd.DataFrame  #: every file that was read: rows, encoding, delimiter, date format
    observed_from: datetime  #: start of the observation window
    observed_until: datetime  #: end of the observation window
    version: str  #: of relkit
    warnings: tuple[str, ...] = field(default=())  #: plain sentences for the first page
    data_grade: str = ""  #: "good", "usable with care" or "limited", with the reason after a colon
    redo_after: datetime | None = None  #: date after which the plan should be made afresh
    noticed: pd.DataFrame = field(default_factory=pd.DataFrame)  #: batches, fixes, repairs, trends
    visit_groups: pd.DataFrame = field(default_factory=pd.DataFrame)  #: work put into one visit
    budget: pd.DataFrame = field(default_factory=pd.DataFrame)  #: failures, work, money by quarter
    warranty: pd.DataFrame = field(default_factory=pd.DataFrame)  #: claims missed and expected
    daily_checks: pd.DataFrame = field(default_factory=pd.DataFrame)  #: driver against workshop
    job_cards: pd.DataFrame = field(default_factory=pd.DataFrame)  #: what to do at a vehicle
    views: pd.DataFrame = field(default_factory=pd.DataFrame)  #: chains of items, dark unnoticed
    treatments_tried: pd.DataFrame = field(default_factory=pd.DataFrame)  #: does a problem matter
    changes: pd.DataFrame = field(default_factory=pd.DataFrame)  #: every value that a rule changed
    batch_items: pd.DataFrame = field(default_factory=pd.DataFrame)  #: still in service
    trends: pd.DataFrame = field(default_factory=pd.DataFrame)  #: trend tests, power law
    recurrence: pd.DataFrame = field(default_factory=pd.DataFrame)  #: mean cumulative failures
    incidence: pd.DataFrame = field(default_factory=pd.DataFrame)  #: share failed by mode
    clock_tests: pd.DataFrame = field(default_factory=pd.DataFrame)  #: which clock failures follow
    family_tests: pd.DataFrame = field(default_factory=pd.DataFrame)  #: families side by side
    place_tests: pd.DataFrame = field(default_factory=pd.DataFrame)  #: pairs of places compared
    candidates: pd.DataFrame = field(default_factory=pd.DataFrame)  #: of masked jobs
    finding_curves: pd.DataFrame = field(default_factory=pd.DataFrame)  #: behind noticed

    def __repr__(self) -> str:
        """Return one line: a notebook shows the tables one by one."""
        return (
            f"Plan({self.study.name!r}: {len(self.intervals)} strata, {len(self.lives)} lives, "
            f"{len(self.due)} positions in the due list)"
        )
