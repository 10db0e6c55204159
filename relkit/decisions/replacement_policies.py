"""Other ways to plan replacement: all at once, repairs between renewals, now or next visit.

Layer: decisions. Arrays in, arrays or one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within
from relkit.decisions.failure_finding import unavailability_share
from relkit.decisions.lifetimes import hazard, hazard_gained, weibull_parameters
from relkit.decisions.renewal import renewals

__all__ = [
    "MinimalRepairInterval",
    "ReplaceNow",
    "block_replacement_cost_rate",
    "minimal_repair_interval",
    "replace_at_this_visit",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class MinimalRepairInterval:
    """Best time between renewals with minimal repairs between; one broadcast shape."""

    interval: Floats  #: time between renewals; inf where the shape is at most 1 [h]
    cost_rate: Floats  #: long-run cost at ``interval``; at inf: its limit [money per h]


@dataclass(frozen=True, slots=True, eq=False)
class ReplaceNow:
    """Whether to replace a working item at this visit; all fields have one broadcast shape."""

    replace: NDArray[np.bool_]  #: True: waiting costs more than the new item's long-run rate
    waiting_cost_rate: Floats  #: extra cost of failing before the next visit [money per h]
    renewed_cost_rate: Floats  #: long-run cost rate of the planned policy, as given [money/h]


def block_replacement_cost_rate(
    interval: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
) -> Floats:
    """Long-run cost per unit of time when every item is replaced at fixed times and at failure.

    Wasteful beside replacement at an age, since nearly new items go too; for campaigns.

    Parameters
    ----------
    interval : array_like of any shape
        Time between block replacements, above 0. [h, or any one unit]
    scale, shape : array_like, broadcastable with ``interval``
        Weibull scale above 0 [h] and shape of at least 0.01 [1].
    cost_planned, cost_failure : array_like
        Cost of one planned replacement and of one failure, above 0. [money]

    Returns
    -------
    ndarray
        (c_p + c_f M(T)) / T with the renewal function M. [money per h]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    .. [1] R. E. Barlow and F. Proschan, Mathematical Theory of Reliability, Wiley, 1965,
       ch. 4 (from memory).

    Examples
    --------
    >>> block_replacement_cost_rate(
    ...     [500.0, 900.0], scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0
    ... ).round(3)
    array([0.775, 0.594])
    """
    tau = positive("interval", interval)
    planned = positive("cost_planned", cost_planned)
    failure = positive("cost_failure", cost_failure)
    expected = renewals(tau, scale=scale, shape=shape).expected
    return np.asarray((planned + failure * expected) / tau)


def minimal_repair_interval(
    *, scale: ArrayLike, shape: ArrayLike, cost_planned: ArrayLike, cost_repair: ArrayLike
) -> MinimalRepairInterval:
    """Time between renewals that costs least when failures are only repaired to as-old.

    Parameters
    ----------
    scale, shape : array_like of any broadcastable shapes
        Weibull scale above 0 [h] and shape of at least 0.01 [1] of the first failure.
    cost_planned, cost_repair : array_like
        Cost of one renewal and of one minimal repair, above 0. [money]

    Returns
    -------
    MinimalRepairInterval
        scale (c_p / (c_m (shape - 1)))^(1/shape) [h]; for shape 1 the cost rate falls towards
        c_m / scale, below 1 towards 0.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    .. [1] R. E. Barlow and L. C. Hunter, Optimum preventive maintenance policies,
       Operations Research 8, 1960, 90-100 (policy II).

    Examples
    --------
    >>> best = minimal_repair_interval(
    ...     scale=1000.0, shape=2.0, cost_planned=400.0, cost_repair=100.0
    ... )
    >>> float(best.interval), float(best.cost_rate)
    (2000.0, 0.4)
    """
    eta, beta, planned, repair = np.broadcast_arrays(
        *weibull_parameters(scale, shape),
        positive("cost_planned", cost_planned),
        positive("cost_repair", cost_repair),
    )
    wears = beta > 1
    above = np.where(wears, beta - 1, 1.0)
    tau = np.where(wears, eta * (planned / (repair * above)) ** (1 / beta), np.inf)
    # at the optimum the repairs cost c_p / (shape - 1): no power of the interval is needed
    limit = np.where(beta == 1, repair / eta, 0.0)
    rate = np.where(wears, planned * beta / above / np.where(wears, tau, 1.0), limit)
    return MinimalRepairInterval(interval=tau, cost_rate=rate)


def replace_at_this_visit(
    age: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
    renewed_cost_rate: ArrayLike,
    next_visit: ArrayLike = 0.0,
) -> ReplaceNow:
    """Whether a working item should be replaced at this visit or kept until the next.

    Parameters
    ----------
    age : array_like of any shape
        Present age of the item, above 0. [h, or any one unit]
    scale, shape : array_like, broadcastable with ``age``
        Weibull scale above 0 [h] and shape of at least 0.01 [1].
    cost_planned, cost_failure : array_like
        Cost of replacing at a visit, without the set-up that this visit has paid already, and
        of one failure, above 0. [money]
    renewed_cost_rate : array_like
        Long-run cost rate with a new item: the best of ``replacement_age``. [money per h]
    next_visit : array_like
        Time until the next visit, 0 or more; 0 compares the present hazard. [h]

    Returns
    -------
    ReplaceNow
        ``replace`` where h(a) (c_f - c_p) > C*; with a next visit at D, the hazard is
        F_a(D) over the mean time in use until D. False where c_f <= c_p.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Marginal form of the optimum of Barlow and Hunter 1960; with a next visit: own algebra.

    Examples
    --------
    >>> replace_at_this_visit(
    ...     [900.0, 1100.0], scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0,
    ...     renewed_cost_rate=0.5537,
    ... ).replace
    array([False,  True])
    """
    eta, beta = weibull_parameters(scale, shape)
    reached, ahead, eta, beta, planned, failure, renewed = np.broadcast_arrays(
        positive("age", age),
        within("next_visit", next_visit, 0.0),
        eta,
        beta,
        positive("cost_planned", cost_planned),
        positive("cost_failure", cost_failure),
        positive("renewed_cost_rate", renewed_cost_rate),
    )
    later = ahead > 0
    span = np.where(later, ahead, 1.0)
    failed = -np.expm1(-hazard_gained(span, reached, eta, beta))
    flat = (np.ravel(values) for values in (span, reached, eta, beta))
    in_use = span * (1 - unavailability_share(*flat).reshape(span.shape))
    at_once = hazard(reached, eta, beta)  # also where no time in use is left to a double
    ahead_rate = np.divide(failed, in_use, out=at_once.copy(), where=later & (in_use > 0))
    waiting = ahead_rate * (failure - planned)
    return ReplaceNow(
        replace=waiting > renewed,
        waiting_cost_rate=waiting,
        renewed_cost_rate=renewed.copy(),
    )
