"""What the log shows beside the intervals: batches, repairs, fixes, causes, trends, verdicts.

Layer: plan. One row per question and group in ``Plan.noticed``, and the tables behind them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pandas as pd

from relkit.plan.noticed_batches import batches
from relkit.plan.noticed_curves import finding_curves
from relkit.plan.noticed_events import (
    campaigns,
    common_causes,
    covariates_of,
    failure_rows,
    recurrence,
    recurrence_rows,
    trend_rows,
    trends,
)
from relkit.plan.noticed_fixes import fixes
from relkit.plan.noticed_repairs import early_age, failing_vehicles, repairs, returns
from relkit.plan.noticed_rows import NOT_LOOKED, answer, noticed_frame
from relkit.plan.noticed_strata import (
    candidate_rows,
    candidates,
    clock_rows,
    clocks,
    families,
    family_rows,
    incidence,
    incidence_rows,
    place_pairs,
    place_rows,
    verdict_rows,
    verdicts,
)
from relkit.plan.parts import PlanParts
from relkit.plan.result import Plan

__all__ = ["with_noticed"]

_JOINED = ["verdict", "verdict_reason", "grade", "grade_reason", "trend", "trend_reason"]


def with_noticed(plan: Plan, parts: PlanParts, say: Callable[[str], None] | None = None) -> Plan:
    """Return the plan with what its log shows, and verdict and trend beside each fitted life.

    Adds ``noticed`` (rows), ``batch_items``, ``trends``, ``recurrence``, ``incidence``,
    ``clock_tests``, ``family_tests``, ``place_tests``, ``candidates``, ``finding_curves``;
    columns ``verdict``, ``grade``, ``trend``, each with its reason, in ``fits`` and
    ``intervals``, and a warning where a trend says that gaps are not one life distribution.
    """
    tell = say or (lambda _: None)
    study, lives = parts.study, parts.found.lives
    level, by = study.decision.confidence_level, list(study.by)
    start, until = pd.Timestamp(plan.observed_from), pd.Timestamp(plan.observed_until)
    if not lives["failed"].any():
        note = "The log holds no failure, so there is nothing to compare."
        return replace(
            plan, noticed=noticed_frame([answer("all", NOT_LOOKED, "no failures", note)])
        )
    strata = lives.assign(location=lives["stratum_location"])
    tell("testing for trends")
    failures = failure_rows(parts.log.jobs, parts.tables.row_classes, study)
    trend = trends(lives, failures, study, start, until)
    recurring = recurrence(lives, failures, covariates_of(lives, study), start, until, level)
    tell("looking for batches, repairs that fail and fixes")
    batch_rows, bad = batches(lives, level)
    rows = [
        *batch_rows,
        *repairs(lives, early_age(study, parts.grids), study),
        *fixes(lives, study, parts.tables.meters, start),
        *campaigns(lives, study),
        *common_causes(parts.log.jobs, lives, level),
        *returns(parts.log.jobs, study, until),
        *failing_vehicles(lives, level),
    ]
    tell("comparing modes, clocks, families and places")
    told = verdicts(strata, study)
    mixed = incidence(lives, study)
    clocked = clocks(lives, parts.tables.meters, study, start)
    compared = families(strata, parts.found.fits, study)
    places = place_pairs(lives)
    weighed = candidates(strata, study)
    rows += [
        *verdict_rows(told, by),
        *trend_rows(trend),
        *recurrence_rows(recurring),
        *incidence_rows(mixed, study),
        *clock_rows(clocked, study),
        *family_rows(compared, by, study),
        *place_rows(places, lives, level),
        *candidate_rows(strata, weighed),
    ]
    noticed = noticed_frame(rows)
    joined = _joined(told, trend, by)
    return replace(
        plan,
        noticed=noticed,
        batch_items=bad,
        trends=trend,
        recurrence=recurring,
        incidence=mixed,
        clock_tests=clocked,
        family_tests=compared,
        place_tests=places,
        candidates=weighed,
        finding_curves=finding_curves(noticed, lives, study, start),
        fits=_beside(plan.fits, joined, by),
        intervals=_warned(_beside(plan.intervals, joined, by)),
    )


def _joined(told: pd.DataFrame, trend: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return verdict and trend of each stratum; a trend belongs to a component's places."""
    table = told.copy()
    places = trend[trend["scope"].eq("positions, by age")]
    found = places.set_index(["component", "location"])[["verdict", "reason"]]
    if {"component", "location"} <= set(by):
        keys = pd.MultiIndex.from_frame(table[["component", "location"]].astype(str))
        at = found.reindex(keys)
        table["trend"] = at["verdict"].fillna("").to_numpy(object)
        table["trend_reason"] = at["reason"].fillna("").to_numpy(object)
    else:
        table = table.assign(trend="", trend_reason="")
    return table[[*by, *_JOINED]]


def _beside(table: pd.DataFrame, joined: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return the table with the verdict and trend of its stratum in further columns."""
    index = pd.MultiIndex.from_frame(joined[by].astype(str))
    keys = pd.MultiIndex.from_frame(table[by].astype(str))
    found = joined.set_index(index)[_JOINED].reindex(keys)
    return table.assign(**{name: found[name].fillna("").to_numpy(object) for name in _JOINED})


def _warned(intervals: pd.DataFrame) -> pd.DataFrame:
    """Warn where gaps grow shorter or longer: the fitted life does not carry that."""
    moved = intervals["trend"].isin(["worsening", "improving"])
    words = {"worsening": "shorter", "improving": "longer"}
    text = (
        "the gaps between failures grow "
        + intervals["trend"].map(words).fillna("")
        + " with each item at a position: the fitted life does not carry that trend"
    )
    old = intervals["warnings"].astype(str)
    new = old.where(old.eq(""), old + "; ") + text
    return intervals.assign(warnings=old.where(~moved, new))
