"""Days and use: how far a vehicle has run at a day, and on which day it has run so far.

Layer: whatif. numpy only. A year has twelve equal months, each with its own use.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DAYS_A_MONTH", "DAYS_A_QUARTER", "Calendar", "calendar_of", "days_run", "reached_on"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

DAYS_A_YEAR = 365.25
DAYS_A_MONTH = DAYS_A_YEAR / 12
DAYS_A_QUARTER = DAYS_A_YEAR / 4


@dataclass(frozen=True, slots=True, eq=False)
class Calendar:
    """Months ahead with their share of use; a day's use is measured in mean days."""

    before: float  #: days from the start of the first month to the start [d]
    factor: Floats  #: (n_seasons, n_months) use of a day over that of a mean day [1]
    reached: Floats  #: (n_seasons, n_months + 1) mean days run at the months' edges [d]
    horizon: float  #: [d]
    even: bool  #: every day is a mean day


def calendar_of(use_by_month: Floats, start_month: float, horizon: float) -> Calendar:
    """Return the calendar from a start, given in months since New Year, over a horizon [d]."""
    first = int(start_month)
    before = (start_month - first) * DAYS_A_MONTH
    count = int(np.ceil((before + horizon) / DAYS_A_MONTH)) + 1
    factor = use_by_month[:, (first + np.arange(count)) % 12]
    reached = np.zeros((len(factor), count + 1))
    reached[:, 1:] = np.cumsum(factor, axis=1) * DAYS_A_MONTH
    reached -= factor[:, :1] * before
    return Calendar(
        before=before,
        factor=factor,
        reached=reached,
        horizon=horizon,
        even=bool(np.all(use_by_month == 1)),
    )


def days_run(calendar: Calendar, season: Integers, day: Floats) -> Floats:
    """Mean days' worth of use from the start to some days within the horizon [d]."""
    if calendar.even:
        return day
    since = day + calendar.before
    month = np.clip((since / DAYS_A_MONTH).astype(np.int64), 0, calendar.factor.shape[1] - 1)
    left = since - month * DAYS_A_MONTH
    # the first month's knot stands ``before`` days ahead of the start
    return np.asarray(calendar.reached[season, month] + calendar.factor[season, month] * left)


def reached_on(calendar: Calendar, season: Integers, run: Floats) -> Floats:
    """Day on which so many mean days' worth of use are reached; inf beyond the horizon [d]."""
    if calendar.even:
        return run
    day = np.full(len(run), np.inf)
    for row in range(len(calendar.factor)):
        here = np.flatnonzero((season == row) & (run < calendar.reached[row, -1]))
        wanted = run[here]
        # the month whose end is beyond: months without use are stepped over
        month = np.searchsorted(calendar.reached[row], wanted, side="right") - 1
        rest = (wanted - calendar.reached[row, month]) / calendar.factor[row, month]
        day[here] = month * DAYS_A_MONTH + rest - calendar.before
    return day
