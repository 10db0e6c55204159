"""Limits in hours, km and days brought to one clock: the first that is reached counts.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within

__all__ = ["FirstLimit", "days_of_the_year_gap", "first_limit"]

Floats = NDArray[np.float64]

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True, eq=False)
class FirstLimit:
    """Which of several limits is reached first; one row per vehicle or stratum."""

    in_clock: Floats  #: clock time until then; inf where no limit is ever reached
    days: Floats  #: calendar time until then [d]
    place: NDArray[np.int64]  #: column of the limit; -1 where no limit is ever reached


def first_limit(
    limits: ArrayLike, *, use_per_day: ArrayLike, clock_per_day: ArrayLike
) -> FirstLimit:
    """First of several limits to be reached, at steady use.

    Parameters
    ----------
    limits : array_like of shape (n, m) or (m,)
        Limits, each in its own unit, above 0; NaN where a row has fewer.
    use_per_day : array_like, broadcastable with ``limits``
        Use of each limit's unit per day, 0 or more; 1 for limits in days.
    clock_per_day : array_like of shape () or (n,)
        Use of the study's clock per day, above 0; 1 where the clock is days.

    Returns
    -------
    FirstLimit
        One row per row of ``limits``.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    Examples
    --------
    500 engine hours or 13 weeks, at 5 and at 8 hours a day:

    >>> first = first_limit(
    ...     [[500.0, 91.0], [500.0, 91.0]], use_per_day=[[5.0, 1.0], [8.0, 1.0]],
    ...     clock_per_day=[5.0, 8.0],
    ... )
    >>> first.in_clock.tolist(), first.place.tolist()
    ([455.0, 500.0], [1, 0])
    """
    given = np.atleast_2d(np.asarray(limits, dtype=np.float64))
    positive("limits", np.where(np.isnan(given), 1.0, given))
    given, rate = np.broadcast_arrays(given, within("use_per_day", use_per_day, 0.0))
    clock = np.broadcast_to(positive("clock_per_day", clock_per_day), (len(given),))
    days = np.divide(given, rate, out=np.full(given.shape, np.inf), where=rate > 0)
    days = np.where(np.isnan(given), np.inf, days)
    place = np.argmin(days, axis=1)
    first = days[np.arange(len(days)), place]
    return FirstLimit(
        in_clock=first * clock,
        days=first,
        place=np.where(np.isinf(first), -1, place).astype(np.int64),
    )


def days_of_the_year_gap(days_of_year: ArrayLike) -> float:
    """Longest gap between fixed days of the year, such as 1 October each year, in days.

    Parameters
    ----------
    days_of_year : array_like of shape (m,)
        Days of the year, 1 to 366.

    Raises
    ------
    ValueError
        No day is given, or one is outside 1 to 366.

    Examples
    --------
    >>> days_of_the_year_gap([274]), days_of_the_year_gap([91, 274])
    (365.25, 183.0)
    """
    days = np.unique(within("days_of_year", days_of_year, 1.0, 366.0))
    return float(np.max(np.diff(np.append(days, days[0] + DAYS_PER_YEAR))))
