"""Intervals of hidden functions: perfect tests exactly, others with misses, harm and reports.

Layer: plan. One call per kind of check; the formulas are those of decisions.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.check_costs import check_interval_by_cost
from relkit.decisions.checks_in_use import check_interval_for_ages
from relkit.decisions.failure_finding_fleet import (
    FleetIntervalRange,
    failure_finding_interval_over_draws,
)
from relkit.plan.evidence import Evidence
from relkit.plan.stratum_settings import StratumSettings

__all__ = ["NOT_PRACTICABLE", "finding_intervals", "intervals_by_cost", "report_rates"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: What is said where the longest interval that meets a target is shorter than a day of use.
NOT_PRACTICABLE = "no interval of a day's use or more satisfies the target"
#: Strata from which fewer draws are worked with, and how many then.
MANY_STRATA, FEWER_DRAWS = 300, 80
#: Shortest interval that anybody can work: one day's use [d].
SHORTEST_DAYS = 1.0


def report_rates(settings: tuple[StratumSettings, ...], items: pd.DataFrame) -> Floats:
    """Return reports of a fault per unit of the clock, by stratum, at the mean use of its items."""
    reported = np.array([s.reported_per_day for s in settings])
    use = items[items["stratum"] >= 0].groupby("stratum")["rate"].mean()
    per_day = use.reindex(range(len(settings))).to_numpy(dtype=float)
    rates = np.zeros(len(settings))
    np.divide(reported, per_day, out=rates, where=per_day > 0)
    return rates


def finding_intervals(
    found: Evidence,
    items: pd.DataFrame,
    settings: tuple[StratumSettings, ...],
    wanted: Bools,
    *,
    confidence_level: float,
) -> tuple[FleetIntervalRange | None, NDArray[np.int64]]:
    """Longest interval that meets each hidden stratum's target, and its row by stratum.

    Parameters
    ----------
    found : Evidence
        Draws of the parameters.
    items : DataFrame
        Positions in service, with ``stratum``, ``age`` and ``rate``.
    settings : tuple of StratumSettings
        Targets, detection, harm and reports, by stratum.
    wanted : ndarray of bool
        Strata that are hidden and have a target and draws.
    confidence_level : float
        Central share of the draws that the limits enclose.
    """
    known = items[items["age"].notna() & (items["stratum"] >= 0)]
    stratum = known["stratum"].to_numpy(dtype=np.int64)
    here = wanted & np.isin(np.arange(len(wanted)), stratum)
    row = np.where(here, np.cumsum(here) - 1, -1).astype(np.int64)
    if not here.any():
        return None, row
    chosen = here[stratum]
    drawn = slice(None, None, -(-found.shape.shape[1] // FEWER_DRAWS))
    found = (
        replace(found, shape=found.shape[:, drawn], scale=found.scale[:, drawn])
        if (here.sum() > MANY_STRATA)
        else found
    )
    target = np.array([s.target_unavailability for s in settings])[here]
    age, code = known["age"].to_numpy(dtype=float)[chosen], row[stratum[chosen]]
    result = failure_finding_interval_over_draws(
        target,
        age,
        code,
        scale=found.scale[here],
        shape=found.shape[here],
        confidence_level=confidence_level,
    )
    detection, harm = (
        np.array([getattr(s, name) for s in settings])[here]
        for name in ("test_detection", "test_harm")
    )
    reports = report_rates(settings, items)[here]
    other = (detection < 1) | (harm > 0) | (reports > 0)
    if other.any():
        result = _with_imperfect(
            result, found, here, other, (target, age, code), (detection, harm, reports)
        )
    use = known.groupby("stratum")["rate"].mean().reindex(np.flatnonzero(here))
    short = result.interval < SHORTEST_DAYS * use.to_numpy(dtype=float)
    status = np.where(short & (result.status == "ok"), NOT_PRACTICABLE, result.status)
    return replace(result, status=status), row


def intervals_by_cost(
    found: Evidence, settings: tuple[StratumSettings, ...], drawn: Bools
) -> tuple[Floats, Floats, Floats]:
    """Interval between tests by cost alone, and its range; NaN where it is not asked for.

    For hidden functions without a target whose check and unnoticed time have a cost.
    """
    asked = drawn & np.array(
        [
            not s.evident
            and np.isnan(s.target_unavailability)
            and s.cost_check > 0
            and s.cost_undetected > 0
            for s in settings
        ],
        dtype=np.bool_,
    )
    answers = np.full((3, len(settings)), np.nan)
    if asked.any():
        chosen = [s for s, wanted in zip(settings, asked, strict=True) if wanted]
        result = check_interval_by_cost(
            scale=found.scale[asked],
            shape=found.shape[asked],
            cost_check=[s.cost_check for s in chosen],
            cost_fault=[np.nan_to_num(s.cost_planned, nan=0.0) for s in chosen],
            cost_per_undetected_hour=[s.cost_undetected for s in chosen],
            detection=[s.test_detection for s in chosen],
            harm=[s.test_harm for s in chosen],
        )
        answers[:, asked] = result.interval, result.lower, result.upper
    return answers[0], answers[1], answers[2]


def _with_imperfect(
    result: FleetIntervalRange,
    found: Evidence,
    here: Bools,
    other: Bools,
    fleet: tuple[Floats, Floats, NDArray[np.int64]],
    checks: tuple[Floats, Floats, Floats],
) -> FleetIntervalRange:
    """Put in the intervals of strata whose checks miss or harm, or whose faults are reported."""
    target, age, code = fleet
    detection, harm, reports = checks
    place = np.where(other, np.cumsum(other) - 1, -1)
    mine = other[code]
    imperfect = check_interval_for_ages(
        target[other],
        age[mine],
        place[code[mine]],
        scale=found.scale[here][other],
        shape=found.shape[here][other],
        detection=detection[other],
        harm=harm[other],
        report_rate=reports[other],
        confidence_level=result.confidence_level,
    )
    fields = {name: getattr(result, name).copy() for name in ("interval", "lower", "upper")}
    for name, values in fields.items():
        values[other] = getattr(imperfect, name)
    status = result.status.astype(object)
    status[other] = imperfect.status
    return replace(result, **fields, status=status.astype(np.str_))
