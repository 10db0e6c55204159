"""Extra cost of doing tasks at given visits instead of at their best ages.

Layer: decisions. Arrays in, arrays out; numpy and scipy.special only.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma, gammainc

from relkit.checks import positive, within
from relkit.decisions.age_replacement import replacement_age
from relkit.decisions.lifetimes import hazard_gained, weibull_parameters

__all__ = ["interval_penalties", "replacement_penalties"]

Floats = NDArray[np.float64]

#: Relative rounding error that must not cost a visit: 1,000.0000001 h is 1,000 h.
ROUNDING = 1e-9


def replacement_penalties(
    visits: ArrayLike,
    *,
    horizon: float,
    age: ArrayLike,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
    maximum: ArrayLike = np.inf,
) -> Floats:
    """Extra cost of planned replacements at visits, over replacing at the best age.

    Assumes that a failed item is replaced at once, and its visits then planned anew.

    Parameters
    ----------
    visits : array_like of shape (n_visits,)
        Times of the visits from now, above 0, rising. [h, or any one unit]
    horizon : float
        End of the planned time, not before the last visit. [h]
    age : array_like of shape () or (n_tasks,)
        Present age of each item, 0 or more. [h]
    scale, shape : array_like of shape () or (n_tasks,)
        Weibull scale above 0 [h] and shape of at least 0.01 [1].
    cost_planned, cost_failure : array_like of shape () or (n_tasks,)
        Cost of one planned replacement without the visit's set-up, and of one failure, above
        0. [money]
    maximum : array_like of shape () or (n_tasks,)
        Age that a rule does not allow to be passed; inf: no rule. [h]

    Returns
    -------
    ndarray of shape (n_tasks, n_visits + 2, n_visits + 2)
        As ``grouped_visits`` takes it: P(T) = c_p + (c_f - c_p) F(T) - C* int R, the cost of
        a cycle less what the best policy pays in its time; 0 at the best age, where C(T) has
        its least value C*. For the item present, P over its chance of being alive, less the
        least that can still be had. An item that is left at the end of the horizon is charged
        as if replaced at its best age, or at once where that has passed.

    Raises
    ------
    ValueError
        A value is out of bounds (argument, position and value are named), or the visits do
        not rise.

    References
    ----------
    .. [1] R. E. Barlow and L. C. Hunter, Operations Research 8, 1960, 90-100 (cost rate).
    .. [2] R. Dekker, R. E. Wildeman and R. van Egmond, Joint replacement in an operational
       planning phase, European Journal of Operational Research 91, 1996 (penalty as the
       integral of marginal cost less C*, from memory).

    Examples
    --------
    >>> replacement_penalties(
    ...     [985.0, 1500.0], horizon=1500.0, age=0.0, scale=1700.0, shape=3.0,
    ...     cost_planned=355.0, cost_failure=1290.0,
    ... )[0, 0].round(1)
    array([  inf,   0. , 107.6, 107.6])
    """
    places = _places(visits, horizon)
    eta, beta, c_p, c_f, now, most = np.broadcast_arrays(
        *(np.atleast_1d(v) for v in weibull_parameters(scale, shape)),
        positive("cost_planned", cost_planned),
        positive("cost_failure", cost_failure),
        within("age", age, 0.0),
        _maximum(maximum),
    )
    best = replacement_age(scale=eta, shape=beta, cost_planned=c_p, cost_failure=c_f)
    law = tuple(v[:, None] for v in (eta, beta, c_p, c_f, best.cost_rate))
    wanted = np.minimum(best.age, most)
    start = np.broadcast_to(places, (len(eta), len(places))).copy()
    start[:, 0] = -now
    length = places[None, None, :] - start[:, :, None]
    flat = np.maximum(length.reshape(len(eta), -1), 0.0)
    cost = _cycle_penalty(flat, law).reshape(length.shape)
    at_end = np.maximum(length[:, :, -1], wanted[:, None])
    cost[:, :, -1] = _cycle_penalty(at_end, law)
    # the item present: conditional on its age, and its best is what can still be had
    least = _cycle_penalty(np.maximum(wanted, now)[:, None], law)
    fresh = _cycle_penalty(wanted[:, None], law)
    alive = np.exp(hazard_gained(now, np.zeros_like(now), eta, beta))[:, None]
    cost[:, 1:] -= fresh[:, :, None]
    cost[:, 0] = (cost[:, 0] - least) * alive
    return _ahead(cost, length, most)


def _cycle_penalty(age: Floats, law: tuple[Floats, ...]) -> Floats:
    eta, beta, c_p, c_f, best_rate = law
    with np.errstate(over="ignore"):  # inf is the right limit: all have failed
        gained = (age / eta) ** beta
    use = eta * gamma(1 + 1 / beta) * gammainc(1 / beta, gained)
    return np.asarray(c_p - (c_f - c_p) * np.expm1(-gained) - best_rate * use)


def interval_penalties(
    visits: ArrayLike,
    *,
    horizon: float,
    elapsed: ArrayLike,
    cost_rate: Callable[[Floats], Floats],
    best: ArrayLike,
    maximum: ArrayLike = np.inf,
) -> Floats:
    """Extra cost of recurring tasks at visits, over doing them at the best interval.

    For checks, looks and renewals whose cost does not depend on when items fail.

    Parameters
    ----------
    visits, horizon
        As in :func:`replacement_penalties`.
    elapsed : array_like of shape (n_tasks,)
        Time since each task was last done, 0 or more. [h]
    cost_rate : callable
        From intervals of shape (n_tasks, m), inf among them, to cost rates of that shape.
        [money per h]
    best : array_like of shape (n_tasks,)
        Interval of least cost rate, above 0; inf: never. [h]
    maximum : array_like of shape () or (n_tasks,)
        Interval that a rule or a target does not allow to be passed; inf: none. [h]

    Returns
    -------
    ndarray of shape (n_tasks, n_visits + 2, n_visits + 2)
        As ``grouped_visits`` takes it: (C(t) - C*) t for an interval t. A task left undone at
        the end of the horizon is charged as if done at its best interval, or at once where
        that has passed; the time before now less the least that can still be had.

    Raises
    ------
    ValueError
        A value is out of bounds (argument, position and value are named), or the visits do
        not rise.

    References
    ----------
    As in :func:`replacement_penalties`.

    Examples
    --------
    A check of 6 every 200 h at best, blind hours growing with the square of the interval:

    >>> interval_penalties(
    ...     [200.0, 400.0], horizon=400.0, elapsed=[0.0], best=[200.0],
    ...     cost_rate=lambda t: 6.0 / t + 1.5e-4 * t,
    ... )[0, 0].round(3)
    array([inf,  0.,  6.,  6.])
    """
    places = _places(visits, horizon)
    since, goal, most = np.broadcast_arrays(
        np.atleast_1d(within("elapsed", elapsed, 0.0)), _maximum(best, "best"), _maximum(maximum)
    )
    rows = len(since)
    start = np.broadcast_to(places, (rows, len(places))).copy()
    start[:, 0] = -since
    length = places[None, None, :] - start[:, :, None]
    wanted = np.minimum(goal, most)
    best_rate = np.asarray(cost_rate(goal[:, None]), dtype=np.float64)

    def excess(interval: Floats) -> Floats:
        """(C(t) - C*) t; at inf, where the best is never: 0."""
        rates = np.asarray(cost_rate(interval), dtype=np.float64)
        endless = np.isposinf(interval)
        return np.where(endless, 0.0, (rates - best_rate) * np.where(endless, 1.0, interval))

    usable = np.where(length > 0, length, 1.0)
    cost = excess(usable.reshape(rows, -1)).reshape(length.shape)
    cost[:, :, -1] = excess(np.maximum(np.maximum(length[:, :, -1], wanted[:, None]), 0.0))
    cost[:, 1:] -= excess(wanted[:, None])[:, :, None]
    cost[:, 0] -= excess(np.maximum(wanted, np.maximum(since, 1e-300))[:, None])
    return _ahead(cost, length, most)


def _maximum(values: ArrayLike, name: str = "maximum") -> Floats:
    most = np.atleast_1d(np.asarray(values, dtype=np.float64))
    positive(name, np.where(np.isposinf(most), 1.0, most))
    return most


def _places(visits: ArrayLike, horizon: float) -> Floats:
    """Now, the visits and the end of the horizon."""
    times = np.atleast_1d(positive("visits", visits))
    if times.ndim != 1 or (np.diff(times) <= 0).any():
        raise ValueError("visits do not rise: give their times from now in order, one dimension")
    if not times[-1] <= horizon < np.inf:
        raise ValueError(
            f"horizon is {horizon:g}: must be finite and not before the last visit ({times[-1]:g})"
        )
    return np.concatenate([[0.0], times, [float(horizon)]])


def _ahead(cost: Floats, length: Floats, most: Floats) -> Floats:
    """Close what lies behind or past a maximum; a maximum already passed allows no wait."""
    places = cost.shape[1]
    ahead = np.triu(np.ones((places, places), dtype=np.bool_), 1)
    allowed = ahead & (length <= most[:, None, None] * (1 + ROUNDING))
    return np.where(allowed, cost, np.inf)
