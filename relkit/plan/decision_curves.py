"""Curves behind the intervals: cost by replacement age, unavailability by test interval.

Layer: plan. Points for figures, with limits over the parameter draws.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.decisions.age_replacement import cost_rate
from relkit.decisions.failure_finding import mean_unavailability
from relkit.plan.choices import RANGE_LEVEL, Choices
from relkit.plan.evidence import Evidence

__all__ = ["cost_curves", "unavailability_curves"]

#: Draws behind the limits of a curve; a picture needs fewer than a decision.
CURVE_DRAWS = 100
#: Ages that stand for the items of a stratum, by quantile.
CURVE_AGES = 12
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
    for i in np.flatnonzero(chosen.triage.task == "planned replacement"):
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
    for i in np.flatnonzero((chosen.triage.task == "failure-finding") & (chosen.best > 0)):
        ages = items.loc[items["stratum"] == i, "age"].dropna().to_numpy(dtype=float)
        grouped = np.quantile(ages, (np.arange(CURVE_AGES) + 0.5) / CURVE_AGES)
        interval = np.linspace(0.05, 3.0, CURVE_POINTS) * chosen.best[i]
        each = mean_unavailability(
            interval[:, None, None],
            scale=found.scale[i, :CURVE_DRAWS],
            shape=found.shape[i, :CURVE_DRAWS],
            age=grouped[None, :, None],
        ).exact.mean(axis=1)
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


def _keyed(points: pd.DataFrame, key: pd.Series) -> pd.DataFrame:
    for place, (name, value) in enumerate(key.items()):
        points.insert(place, name, value)
    return points


def _joined(frames: list[pd.DataFrame], keys: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    if frames:
        return pd.concat(frames, ignore_index=True)
    return pd.DataFrame(columns=[*keys.columns, *columns])
