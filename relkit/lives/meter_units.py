"""Meter readings in another unit, or of another counter: miles among kilometres, km as hours.

Layer: lives. Arrays over all series at once, as in meter_rules.py.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.instants import DAY, Instants
from relkit.lives.meter_chains import interpolated
from relkit.lives.meter_rules import Codes, Flags, Floats, Readings, steps_too_fast

__all__ = ["MILE", "in_kilometres", "of_other_counters"]

#: Kilometres in a statute mile (exact: 1,609.344 m; International Yard and Pound, 1959).
MILE = 1.609344
#: A step by the ratio of mile and kilometre is met within this share.
_RATIO_SHARE = 0.02
#: Below this a reading is too small for its ratio to tell anything [km].
_LEAST_VALUE = 1000.0
#: A reading is of another counter where it agrees with that one's value within this share.
_OTHER_SHARE = 0.02


def in_kilometres(readings: Readings, distance: Flags) -> tuple[Readings, Flags]:
    """Return readings with stretches in miles made kilometres, and which ones were.

    A stretch in miles begins where a counter of distance falls to the share that a kilometre is of
    a mile, and ends where it rises again by the inverse, or not at all.

    Parameters
    ----------
    readings : Readings
        Sorted by series and time.
    distance : array of bool by series
        Counters of kilometres.
    """
    count = len(readings.value)
    none = np.zeros(count, dtype=bool)
    if count < 2 or not distance[readings.series].any():
        return readings, none
    value = readings.value
    same = (readings.series[1:] == readings.series[:-1]) & distance[readings.series[1:]]
    same &= (value[:-1] > _LEAST_VALUE) & (value[1:] > 0)
    driven = _usual_rates(readings)[readings.series[1:]] * (np.diff(readings.time) / DAY)
    before = np.where(same, value[:-1], 1.0)
    into = same & (value[1:] < before) & _is_about(value[1:] * MILE, before, driven)
    out = same & steps_too_fast(readings)[:-1] & _is_about(value[1:], before * MILE, driven)
    if not into.any():
        return readings, none
    step = np.zeros(count, dtype=np.int64)
    step[1:] = into.astype(np.int64) - out.astype(np.int64)
    start = np.searchsorted(readings.series, readings.series, side="left")
    level = np.cumsum(step)
    level = level - (level - step)[start]  # anew for each series
    miles = level == 1
    shown = np.where(miles, value * MILE, value)
    return Readings(
        readings.series, readings.time, shown, readings.most_per_day, readings.row
    ), miles


def _is_about(after: Floats, before: Floats, driven: Floats) -> Flags:
    """Whether values follow others by up to twice the usual use."""
    least = (1.0 - _RATIO_SHARE) * before
    about: Flags = (after >= least) & (after <= (1.0 + _RATIO_SHARE) * (before + 2.0 * driven))
    return about


def _usual_rates(readings: Readings) -> Floats:
    """Median use of each series from reading to reading [counter units / d]."""
    same = readings.series[1:] == readings.series[:-1]
    days = np.diff(readings.time)[same] / DAY
    rates = pd.Series(np.diff(readings.value)[same] / np.maximum(days, 1e-6))
    median = rates.groupby(readings.series[1:][same]).median()
    usual: Floats = median.reindex(range(int(readings.series.max()) + 1)).fillna(0.0).to_numpy()
    return np.maximum(usual, 0.0)


def of_other_counters(
    wrong: Readings,
    vehicle: Codes,
    series: Codes,
    time: Instants,
    value: Floats,
) -> NDArray[np.int64]:
    """Series of the same vehicle whose value each wrong reading has; -1 where there is none.

    Parameters
    ----------
    wrong : Readings
        Readings that contradict their own series.
    vehicle : array of int by series
        Whose counter it is.
    series, time, value : array
        Readings that were kept, sorted by series and time.
    """
    found = np.full(len(wrong.value), -1, dtype=np.int64)
    present = np.unique(series)
    table = pd.DataFrame({"owner": vehicle[present], "other": present})
    asked = pd.DataFrame(
        {"owner": vehicle[wrong.series], "own": wrong.series, "row": np.arange(len(found))}
    )
    pairs = asked.merge(table, on="owner")
    pairs = pairs[pairs["own"] != pairs["other"]]
    if pairs.empty:
        return found
    row, other = pairs["row"].to_numpy(), pairs["other"].to_numpy()
    there, _, _ = interpolated(other, wrong.time[row], series, time, value)
    near = np.abs(wrong.value[row] - there) <= _OTHER_SHARE * np.maximum(there, _LEAST_VALUE / 10)
    found[row[near]] = other[near]
    return found
