"""How much each vehicle will be used, by season: last year's use, scaled by the last 90 days.

Layer: plan. A gritter that stands in summer is not due in summer by its hours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.instants import DAY
from relkit.lives.meters import Meters, meter_values

__all__ = ["UseAhead", "use_ahead"]

Floats = NDArray[np.float64]

#: Days of the year ahead at which its use is known: every 15 days or so.
STEPS = 24
_YEAR = 365.25
#: Days of recent use that are held against the same days a year before.
RECENT_DAYS = 90.0
#: Most that the recent use may scale last year's pattern, either way [1].
MOST_CHANGE = 1.5
#: Share of the mean use below which a season is too quiet to scale by [1].
QUIET = 0.25
#: Longest look ahead [years].
MOST_YEARS = 200.0


@dataclass(frozen=True, slots=True, eq=False)
class UseAhead:
    """Use of the study's clock over the year ahead of a day, vehicle by vehicle."""

    clock: str  #: the study's clock
    vehicles: pd.Index
    days: Floats  #: days ahead, from 0 to a year, (steps,)
    used: Floats  #: use until then, (n_vehicles, steps) [clock]
    seasonal: NDArray[np.bool_]  #: from last year's pattern; False: even, at the long mean

    def clock_after(self, vehicle: NDArray[np.intp], days: Floats) -> Floats:
        """Use of the vehicles at these places within some days ahead, in the clock."""
        years = np.floor(np.maximum(days, 0.0) / _YEAR)
        rest = np.maximum(days, 0.0) - years * _YEAR
        place = rest / _YEAR * (len(self.days) - 1)
        low = np.minimum(place.astype(np.int64), len(self.days) - 2)
        own = self.used[vehicle]
        rows = np.arange(len(vehicle))
        part = own[rows, low] + (place - low) * (own[rows, low + 1] - own[rows, low])
        return np.asarray(years * own[:, -1] + part)

    def days_until(self, vehicle: NDArray[np.intp], amount: Floats) -> Floats:
        """Days until the vehicles at these places have been used so much; inf: never."""
        own = self.used[vehicle]
        yearly = own[:, -1]
        runs = yearly > 0
        whole = np.where(runs, yearly, 1.0)
        years = np.floor(np.maximum(amount, 0.0) / whole)
        rest = np.maximum(amount, 0.0) - years * whole
        above = own > rest[:, None]
        place = np.where(above.any(axis=1), above.argmax(axis=1), own.shape[1] - 1)
        place = np.maximum(place, 1)
        rows = np.arange(len(own))
        before, after = own[rows, place - 1], own[rows, place]
        part = np.divide(
            rest - before, after - before, out=np.zeros(len(own)), where=after > before
        )
        step = self.days[1]
        days = years * _YEAR + (place - 1 + np.clip(part, 0.0, 1.0)) * step
        known = runs & np.isfinite(amount) & (years < MOST_YEARS)
        return np.where(known, days, np.where(np.isnan(amount), np.nan, np.inf))


def use_ahead(meters: Meters, rates: pd.DataFrame, clock: str, until: pd.Timestamp) -> UseAhead:
    """Use of each vehicle over the year ahead.

    Where the readings reach back more than a year, last year's use by season, scaled by the
    last 90 days over the same days of the year before (at most 1.5 either way, and only where
    that season is not quiet); elsewhere even use at the vehicle's mean rate.

    Parameters
    ----------
    meters : Meters
        Cleaned counters.
    rates : DataFrame
        Use per day by vehicle, with a column for the clock.
    clock : str
        The study's clock.
    until : Timestamp
        The day that is looked ahead from.
    """
    names = rates.index
    days = np.linspace(0.0, _YEAR, STEPS + 1)
    per_day = rates[clock].fillna(0.0).to_numpy(dtype=float) if clock in rates else np.zeros(0)
    even = np.outer(per_day, days)
    seasonal = np.zeros(len(names), dtype=np.bool_)
    knots = meters.knots[meters.knots["counter"] == clock].groupby("vehicle")["time"]
    if clock == "days" or not len(knots):
        return UseAhead(clock, names, days, even, seasonal)
    first, last = knots.min().reindex(names), knots.max().reindex(names)
    now = until.value if until.unit == "ns" else until.as_unit("ns").value
    since, to = (ends.fillna(now).to_numpy(dtype=np.float64) for ends in (first, last))
    back = (_YEAR + RECENT_DAYS) * DAY
    seasonal = (first.notna() & last.notna()).to_numpy() & (since <= now - back)
    seasonal &= to >= now - 2 * RECENT_DAYS * DAY
    rows = np.flatnonzero(seasonal)
    if not len(rows):
        return UseAhead(clock, names, days, even, seasonal)
    vehicles = names.to_numpy(dtype=object)[rows]

    def value(days_back: float | Floats) -> Floats:
        at = np.broadcast_to(now - np.asarray(days_back) * DAY, (len(rows),))
        return meter_values(meters, vehicles, at.astype(np.int64), counter=clock)[0]

    start = value(_YEAR)
    pattern = np.stack([value(_YEAR - d) - start for d in days], axis=1)
    recent = value(0.0) - value(RECENT_DAYS)
    before = start - value(_YEAR + RECENT_DAYS)
    busy = before > QUIET * RECENT_DAYS * per_day[rows]
    ratio = np.divide(recent, before, out=np.ones(len(rows)), where=busy)
    pattern = np.maximum.accumulate(np.maximum(pattern, 0.0), axis=1)
    scaled = pattern * np.clip(ratio, 1 / MOST_CHANGE, MOST_CHANGE)[:, None]
    usable = scaled[:, -1] > 0
    seasonal[rows[~usable]] = False
    used = even.copy()
    used[rows[usable]] = scaled[usable]
    return UseAhead(clock, names, days, used, seasonal)
