"""Spares to hold: the smallest stock that covers the demand of a lead time.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import pdtr, pdtrc

from relkit.checks import share, within

__all__ = [
    "DemandLimits",
    "SparesNeeded",
    "demand_limits",
    "spares_needed",
    "spares_needed_over_draws",
]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class SparesNeeded:
    """Stock per item type; all fields have one shape."""

    expected: Floats  #: mean demand in the time to cover [items]
    stock: Integers  #: smallest stock that covers it with the service level [items]
    stock_out_probability: Floats  #: that the demand exceeds ``stock`` [1]
    service_level: Floats  #: least probability that the stock suffices, as given [1]


@dataclass(frozen=True, slots=True, eq=False)
class DemandLimits:
    """Prediction interval of a demand, counts and parameters both uncertain."""

    expected: Floats  #: mean demand [items]
    lower: Integers  #: lower limit: demand below it has at most half the rest of the level
    upper: Integers  #: upper limit: demand above it likewise
    confidence_level: float  #: least probability between the limits, both included [1]


def spares_needed(expected: ArrayLike, *, service_level: ArrayLike) -> SparesNeeded:
    """Smallest stock that covers a Poisson demand with a stated probability.

    Assumes independent demands of one mean, one spare each, and a stock that is full again
    before the next time to cover begins. Where a position can fail at most about once in the
    time, the true demand varies less than Poisson: the stock errs to the safe side.

    Parameters
    ----------
    expected : array_like of any shape
        Mean demand in the time to cover (usually the lead time), 0 or more. [items]
    service_level : array_like, broadcastable with ``expected``
        Least probability that the stock suffices, strictly between 0 and 1. [1]

    Returns
    -------
    SparesNeeded
        ``stock`` is the smallest s with P(D <= s) >= ``service_level``.

    Raises
    ------
    ValueError
        A value is not finite or out of bounds: argument, position and value are named.

    References
    ----------
    Poisson demand of a pool of many items: common practice (Palm's theorem, from memory).

    Examples
    --------
    20 items, one failure per 10,000 h each, 2,160 h to cover (Blanchard's example, from memory):

    >>> int(spares_needed(4.32, service_level=0.95).stock)
    8
    """
    mean, level = np.broadcast_arrays(
        within("expected", expected, 0.0), within("service_level", service_level, *_OPEN)
    )
    flat = mean.ravel()[:, None]
    stock, missed = _smallest(flat, level.ravel())
    return SparesNeeded(
        expected=mean.copy(),
        stock=stock.reshape(mean.shape),
        stock_out_probability=missed.reshape(mean.shape),
        service_level=level.copy(),
    )


def spares_needed_over_draws(expected: ArrayLike, *, service_level: ArrayLike) -> SparesNeeded:
    """Smallest stock where the mean demand itself is only known as draws.

    The demand is a mixture of Poisson demands, one per draw: it varies more than Poisson, and
    the stock grows with what is not known.

    Parameters
    ----------
    expected : array_like of shape (n, n_draws), or (n_draws,) for one item type
        Draws of the mean demand in the time to cover, 0 or more. [items]
    service_level : array_like of shape () or (n,)
        Least probability that the stock suffices, strictly between 0 and 1. [1]

    Returns
    -------
    SparesNeeded
        Fields of shape (n,); ``expected`` is the mean of the draws.

    Raises
    ------
    ValueError
        A value is not finite or out of bounds: argument, position and value are named.

    Examples
    --------
    >>> known = spares_needed_over_draws([2.0, 2.0], service_level=0.95)
    >>> doubtful = spares_needed_over_draws([0.5, 3.5], service_level=0.95)
    >>> int(known.stock[0]), int(doubtful.stock[0])
    (5, 6)
    """
    means = np.atleast_2d(within("expected", expected, 0.0))
    level = within("service_level", service_level, *_OPEN)
    level = np.broadcast_to(level, (len(means),))
    stock, missed = _smallest(means, level)
    return SparesNeeded(
        expected=means.mean(axis=1),
        stock=stock,
        stock_out_probability=missed,
        service_level=level.copy(),
    )


def demand_limits(expected: ArrayLike, *, confidence_level: float = 0.8) -> DemandLimits:
    """Prediction interval of the demand, from draws of its mean.

    Parameters
    ----------
    expected : array_like of shape (n, n_draws), or (n_draws,) for one item type
        Draws of the mean demand, 0 or more; a single draw gives plain Poisson limits. [items]
    confidence_level : float
        Least probability that the demand lies between the limits. [1]

    Returns
    -------
    DemandLimits
        Fields of shape (n,).

    Raises
    ------
    ValueError
        A value is not finite or out of bounds: argument, position and value are named.

    Examples
    --------
    >>> limits = demand_limits([[10.0]], confidence_level=0.8)
    >>> int(limits.lower[0]), int(limits.upper[0])
    (6, 14)
    """
    means = np.atleast_2d(within("expected", expected, 0.0))
    tail = (1 - share("confidence_level", confidence_level)) / 2
    lower, _ = _smallest(means, np.full(len(means), tail))
    upper, _ = _smallest(means, np.full(len(means), 1 - tail))
    return DemandLimits(
        expected=means.mean(axis=1),
        lower=lower,
        upper=upper,
        confidence_level=float(confidence_level),
    )


_OPEN = (float(np.finfo(np.float64).tiny), 1 - float(np.finfo(np.float64).epsneg))


def _smallest(means: Floats, level: Floats) -> tuple[Integers, Floats]:
    """Smallest s with mean over the draws of P(D <= s) at least the level, by halving."""
    low = np.full(len(means), -1, dtype=np.int64)  # never enough
    high = np.ones(len(means), dtype=np.int64)
    short = np.flatnonzero(_covered(high, means) < level)
    while len(short):
        low[short] = high[short]
        high[short] *= 2
        short = short[_covered(high[short], means[short]) < level[short]]
    open_rows = np.flatnonzero(high - low > 1)
    while len(open_rows):
        middle = (low[open_rows] + high[open_rows]) // 2
        enough = _covered(middle, means[open_rows]) >= level[open_rows]
        high[open_rows] = np.where(enough, middle, high[open_rows])
        low[open_rows] = np.where(enough, low[open_rows], middle)
        open_rows = open_rows[high[open_rows] - low[open_rows] > 1]
    return high, pdtrc(high[:, None], means).mean(axis=1)


def _covered(stock: Integers, means: Floats) -> Floats:
    return np.asarray(pdtr(stock[:, None], means).mean(axis=1))
