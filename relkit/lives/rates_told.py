"""What a log tells besides lives: reports without a fault by season, damage by use and by visit.

Layer: lives. Counts in plain words; nothing is changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pandas as pd

from relkit.lives.set_aside import with_noun
from relkit.logbook.findings import Finding, finding

if TYPE_CHECKING:
    from relkit.logbook.read import RepairLog

__all__ = ["damage_told", "reports_without_fault"]

#: Finding of relkit's own words that says that a report had no cause, and that work did it.
_NO_FAULT, _AT_WORK = "no fault found", "damaged at work"
#: Fewer reports than this tell nothing of a season.
_LEAST_REPORTS = 10
#: October to March.
_WINTER = (10, 11, 12, 1, 2, 3)


def reports_without_fault(jobs: pd.DataFrame) -> tuple[Finding, ...]:
    """Return how many reports had no fault, where most of them come from, and when.

    Parameters
    ----------
    jobs : DataFrame
        The repair log's ``jobs``. Only the finding of this name counts: what was cleaned or
        reseated had a cause.
    """
    own = jobs[(jobs["finding"] == _NO_FAULT).to_numpy()]
    if len(own) < _LEAST_REPORTS:
        return ()
    winter = own["date"].dt.month.isin(_WINTER).mean()
    place = own["location"].where(own["location"] != "", own["component"])
    most = place.value_counts()
    return (
        finding(
            "no fault found",
            f"{with_noun(len(own), 'report')} ({len(own) / len(jobs):.0%} of the job rows) had no "
            f"fault that could be found: most at {most.index[0]} ({most.iloc[0]:,}); {winter:.0%} "
            "from October to March",
            sources=own["source"],
            done="No life ended; the next failure counts when it is found",
        ),
    )


def damage_told(
    log: RepairLog, lives: pd.DataFrame, meanings: Mapping[str, str], clock: str
) -> tuple[Finding, ...]:
    """Return the rate of damage from outside, and of damage at work by visits.

    Parameters
    ----------
    log : RepairLog
        Jobs and inspections.
    lives : DataFrame
        The lives table.
    meanings : Mapping
        What each finding means.
    clock : str
        The study's clock.
    """
    damaged = lives[lives["ended_by"] == "external damage"]
    if damaged.empty:
        return ()
    names = [name for name, what in meanings.items() if what == "external damage"]
    at_work = int((log.jobs["finding"] == _AT_WORK).sum())
    exposure = float((lives["age"] - lives["entry"]).sum())
    visits = len(log.inspections[["vehicle", "date"]].drop_duplicates())
    rate = f"{1000 * len(damaged) / exposure:.2g} per 1,000 item-{_unit(clock)}"
    by_visit = ""
    if at_work and visits:
        by_visit = f"; {at_work:,} at work, {100 * at_work / visits:.2g} per 100 visits that looked"
    return (
        finding(
            "damage from outside",
            f"{with_noun(len(damaged), 'item')} ended by damage ({rate}){by_visit}",
            sources=damaged["closed_by"],
            done=f"Ended unfailed, apart from wear (treatments.findings: {', '.join(names)})",
        ),
    )


def _unit(clock: str) -> str:
    """Name of what the clock counts, for a rate."""
    return {"days": "days", "engine_hours": "hours"}.get(clock, clock)
