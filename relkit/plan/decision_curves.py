"""Curves behind the intervals: cost by replacement age, unavailability by test interval.

Layer: plan. Points for figures, with limits over the parameter draws.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.age_replacement import cost_rate
from relkit.decisions.checks_in_use import settling_checks, unavailability_in_use_over_checks
from relkit.decisions.failure_finding import mean_unavailability
from relkit.plan.choices import RANGE_LEVEL, Choices
from relkit.plan.evidence import Evidence
from relkit.plan.hidden import report_rates
from relkit.plan.stratum_settings import StratumSettings

__all__ = ["cost_curves", "unavailability_curves"]

Floats = NDArray[np.float64]

#: Draws behind the limits of a curve; a picture needs fewer than a decision.
CURVE_DRAWS = 100
#: The same where tests are followed one by one.
FEWER_DRAWS = 30
#: Ages that stand for the items of a stratum, by quantile.
CURVE_AGES = 12
#: Most strata that curves are drawn of, those with most failures.
MOST_CURVES = 120
#: Points of an unavailability curve.
CURVE_POINTS = 40
_TAILS = ((1 - RANGE_LEVEL) / 2, (1 + RANGE_LEVEL) / 2)


def cost_curves(found: Evidence, chosen: Choices, keys: pd.DataFrame) -> pd.DataFrame:
    """Cost rate by replacement age where planned replacement is chosen, in money per clock unit.

    Returns
    -------
    DataFrame
        Keys, ``age`` [clock], ``cost_rate``, ``cost_rate_lower``, ``cost_rate_upper``.
    """
    frames = []
    wanted = chosen.triage.task == "planned replacement"
    for i in _most_failures(found, wanted):
        row = chosen.replacement_row[i]
        if chosen.replacement is None or row < 0:
            continue
        age = chosen.replacement.curve_age[row]
        each = cost_rate(
            age[:, None],
            scale=found.scale[i, :CURVE_DRAWS],
            shape=found.shape[i, :CURVE_DRAWS],
            cost_planned=chosen.settings[i].cost_planned,
            cost_failure=chosen.settings[i].cost_failure,
        )
        lower, upper = np.quantile(each, _TAILS, axis=1)
        points = pd.DataFrame(
            {
                "age": age,
                "cost_rate": chosen.replacement.curve_cost_rate[row],
                "cost_rate_lower": lower,
                "cost_rate_upper": upper,
            }
        )
        frames.append(_keyed(points, keys.iloc[i]))
    columns = ["age", "cost_rate", "cost_rate_lower", "cost_rate_upper"]
    return _joined(frames, keys, columns)


def unavailability_curves(
    found: Evidence, chosen: Choices, items: pd.DataFrame, keys: pd.DataFrame
) -> pd.DataFrame:
    """Mean unavailability by test interval where failure-finding is chosen, over present ages.

    Returns
    -------
    DataFrame
        Keys, ``interval`` [clock], ``unavailability``, ``lower``, ``upper`` [1].
    """
    frames = []
    wanted = (chosen.triage.task == "failure-finding") & (chosen.best > 0)
    wanted &= np.isfinite(chosen.best)
    reports = report_rates(chosen.settings, items)
    for i in _most_failures(found, wanted):
        ages = items.loc[items["stratum"] == i, "age"].dropna().to_numpy(dtype=float)
        grouped = np.quantile(ages, (np.arange(CURVE_AGES) + 0.5) / CURVE_AGES)
        interval = np.linspace(0.05, 3.0, CURVE_POINTS) * chosen.best[i]
        each = _shares(interval, grouped, found, i, chosen.settings[i], float(reports[i]))
        lower, upper = np.quantile(each, _TAILS, axis=1)
        points = pd.DataFrame(
            {
                "interval": interval,
                "unavailability": each.mean(axis=1),
                "lower": lower,
                "upper": upper,
            }
        )
        frames.append(_keyed(points, keys.iloc[i]))
    return _joined(frames, keys, ["interval", "unavailability", "lower", "upper"])


def _shares(
    interval: Floats,
    ages: Floats,
    found: Evidence,
    i: int,
    one: StratumSettings,
    report_rate: float,
) -> Floats:
    """Unavailability at each interval by draw, mean over the ages: (n_intervals, n_draws)."""
    if one.test_detection == 1 and one.test_harm == 0 and report_rate == 0:
        perfect = mean_unavailability(
            interval[:, None, None],
            scale=found.scale[i, :CURVE_DRAWS],
            shape=found.shape[i, :CURVE_DRAWS],
            age=ages[None, :, None],
        )
        return np.asarray(perfect.exact.mean(axis=1))
    each = unavailability_in_use_over_checks(
        interval[:, None, None],
        scale=found.scale[i, :FEWER_DRAWS],
        shape=found.shape[i, :FEWER_DRAWS],
        age=ages[None, ::3, None],
        detection=one.test_detection,
        harm=one.test_harm,
        report_rate=report_rate,
        checks=int(settling_checks(one.test_detection)),
    ).mean(axis=1)  # (intervals, draws, checks)
    worst = each.mean(axis=1).argmax(axis=1)
    return np.asarray(each[np.arange(len(interval)), :, worst])


def _most_failures(found: Evidence, wanted: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Rows to draw curves of: those wanted, of many the ones with most failures."""
    rows = np.flatnonzero(wanted)
    failures = found.fits["failures"].to_numpy(dtype=float)[rows]
    return np.sort(rows[np.argsort(-failures, kind="stable")[:MOST_CURVES]])


def _keyed(points: pd.DataFrame, key: pd.Series) -> pd.DataFrame:
    for place, (name, value) in enumerate(key.items()):
        points.insert(place, name, value)
    return points


def _joined(frames: list[pd.DataFrame], keys: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    if frames:
        return pd.concat(frames, ignore_index=True)
    return pd.DataFrame(columns=[*keys.columns, *columns])
