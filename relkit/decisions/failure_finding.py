"""Mean unavailability of a hidden function that is only checked at intervals, and its inverse.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma, gammainc

from relkit.checks import positive, within
from relkit.decisions.lifetimes import (
    MOST_HAZARD,
    hazard,
    hazard_gained,
    weibull_parameters,
)
from relkit.decisions.roots import roots_from_guess

__all__ = [
    "FailureFindingInterval",
    "MeanUnavailability",
    "failure_finding_interval",
    "mean_unavailability",
    "practicable",
    "unavailability_share",
]

Floats = NDArray[np.float64]

#: Cumulative hazard at which failure counts as certain: exp(-40) is below a double's digits.
CERTAIN = 40.0
#: Cumulative hazard of the present age above which exp of it is kept out of the arithmetic.
OLD = 50.0
#: Shape from which 8 points of the integral give all digits while little hazard is gained.
FEW_POINTS_SHAPE = 0.3
#: A share strictly between 0 and 1, for the checks.
OPEN_SHARE = (float(np.finfo(np.float64).tiny), 1 - float(np.finfo(np.float64).epsneg))


@dataclass(frozen=True, slots=True, eq=False)
class MeanUnavailability:
    """Share of time spent in an undetected fault; all fields have one broadcast shape."""

    interval: Floats  #: time between checks, as given [h]
    exact: Floats  #: mean share under the Weibull model, 0 to 1 [1]
    constant_rate: Floats  #: half the interval over the mean life of new items [1]


@dataclass(frozen=True, slots=True, eq=False)
class FailureFindingInterval:
    """Longest time between checks that meets a target; all fields have one broadcast shape."""

    interval: Floats  #: time between checks; never clamped, see ``status`` [h]
    unavailability: Floats  #: mean share of time in an undetected fault: the target [1]
    constant_rate: Floats  #: twice the target times the mean life of new items [h]
    status: NDArray[np.str_]  #: "ok" or "no practicable interval satisfies the target"


def mean_unavailability(
    interval: ArrayLike, *, scale: ArrayLike, shape: ArrayLike, age: ArrayLike = 0.0
) -> MeanUnavailability:
    """Mean share of time that an item has failed and nobody has noticed.

    Assumes that each check is perfect and takes no time, that a failed item is replaced there,
    and that a good one stays in place: a check does not make it new. With ``age`` 0 the answer
    is for the first interval of a new item (or for items renewed at each check); with ``age``
    a it is for the interval that begins at age a.

    Parameters
    ----------
    interval : array_like of any shape
        Time between checks, above 0. [h, or any one unit shared with ``scale`` and ``age``]
    scale, shape : array_like, broadcastable with ``interval``
        Weibull scale above 0 [h] and shape parameter of at least 0.01 [1], one pair per
        stratum: pass ``interval[:, None]`` for a table of intervals by strata.
    age : array_like, broadcastable with ``interval``
        Age at the start of the interval of an item that was good then, 0 or more. [h]

    Returns
    -------
    MeanUnavailability
        ``constant_rate`` is the usual short form: close to ``exact`` where shape is 1 and
        the interval is short (4 % too high at 0.11 mean lives), wrong elsewhere.

    Raises
    ------
    ValueError
        A value is not finite or too small (argument, position and value are named), an
        argument is empty, or the arguments do not broadcast.

    References
    ----------
    .. [1] M. Rausand and A. Hoyland, System Reliability Theory, 2nd ed., Wiley, 2004,
       ch. 10: mean of 1 - R(t) over one interval (chapter number from memory). For used
       items R(t) becomes R(a + t) / R(a): own algebra.

    Examples
    --------
    Checked every 720 h, scale 9000 h: constant hazard, then wearing out.

    >>> mean_unavailability(720.0, scale=9000.0, shape=[1.0, 1.5]).exact.round(4).tolist()
    [0.039, 0.009]

    The same, on items that are 6000 h old:

    >>> mean_unavailability(720.0, scale=9000.0, shape=[1.0, 1.5], age=6000.0).exact.round(4)
    array([0.039 , 0.0483])
    """
    eta, beta = weibull_parameters(scale, shape)
    tau, reached, eta, beta = np.broadcast_arrays(
        positive("interval", interval), within("age", age, 0.0), eta, beta
    )
    exact = unavailability_share(tau.ravel(), reached.ravel(), eta.ravel(), beta.ravel())
    return MeanUnavailability(
        interval=tau.copy(),
        exact=exact.reshape(tau.shape),
        constant_rate=tau / (2 * eta * gamma(1 + 1 / beta)),
    )


def unavailability_share(tau: Floats, age: Floats, eta: Floats, beta: Floats) -> Floats:
    """Mean of 1 - R(age + t) / R(age) over 0 to tau; arguments of one flat shape, unchecked.

    Two forms, chosen so that neither subtracts nearly equal numbers: incomplete gamma
    functions where the hazard at least doubles over the interval, a Gauss-Legendre integral
    of 8 or 32 points where the item is old beside it.
    """
    with np.errstate(over="ignore"):  # inf is the right limit
        start = np.minimum((age / eta) ** beta, MOST_HAZARD)
        end = ((age + tau) / eta) ** beta
    doubles = (start <= end / 2) & (start <= OLD)
    share = np.empty_like(tau)
    part = np.flatnonzero(doubles)
    share[part] = _closed_form(tau[part], age[part], eta[part], beta[part], start[part], end[part])
    smooth = (end - start < 1) & (beta > FEW_POINTS_SHAPE)
    for old, points in ((~doubles & smooth, 8), (~doubles & ~smooth, 32)):
        part = np.flatnonzero(old)
        share[part] = _old_items(tau[part], age[part], beta[part], start[part], points)
    return share


def _closed_form(
    tau: Floats, age: Floats, eta: Floats, beta: Floats, start: Floats, end: Floats
) -> Floats:
    mean_life = eta * gamma(1 + 1 / beta)
    # [1] integrated by parts: both terms are of the size of the result, so rare faults
    # keep their digits; 1 - mean(R) would lose them.
    share = -np.expm1(-end) * (1 + age / tau) - mean_life * gammainc(1 + 1 / beta, end) / tau
    used = np.flatnonzero(age > 0)
    if not len(used):
        return share
    tau, age, beta, start, end, mean_life = (
        values[used] for values in (tau, age, beta, start, end, mean_life)
    )
    before = -np.expm1(-start) * age - mean_life * gammainc(1 + 1 / beta, start)
    survived = mean_life * (gammainc(1 / beta, end) - gammainc(1 / beta, start))
    share[used] -= (before + np.expm1(start) * survived) / tau
    return share


def _old_items(tau: Floats, age: Floats, beta: Floats, start: Floats, points: int) -> Floats:
    nodes, weights = _quadrature(points)
    # beyond a gained hazard of 40 the item has failed for certain: no integral is needed there
    certain = age * np.expm1(np.log1p(CERTAIN / start) / beta)
    length = np.log1p(np.minimum(tau, certain) / age)  # integral over log age: smooth for all
    logs = length[:, None] * ((nodes + 1) / 2)
    failed = -np.expm1(-start[:, None] * np.expm1(beta[:, None] * logs))
    uncertain = age * length * ((failed * np.exp(logs)) @ (weights / 2))
    return np.asarray((uncertain + np.maximum(tau - certain, 0.0)) / tau)


@cache
def _quadrature(points: int) -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(points)


def failure_finding_interval(
    unavailability: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    age: ArrayLike = 0.0,
    shortest_interval: ArrayLike = 0.0,
) -> FailureFindingInterval:
    """Longest time between checks that keeps the mean unavailability at a target.

    Assumptions as in :func:`mean_unavailability`, whose inverse this is. An item that is
    tested and not renewed wears on, so old items need shorter intervals than new ones.

    Parameters
    ----------
    unavailability : array_like of any shape
        Largest tolerable mean share of time in an undetected fault, between 0 and 1. [1]
    scale, shape : array_like, broadcastable with ``unavailability``
        Weibull scale above 0 [h] and shape of at least 0.01 [1].
    age : array_like
        Age at the start of the interval, 0 or more. [h]
    shortest_interval : array_like
        Shortest time between checks that can be worked, 0 or more: shorter answers stand as
        computed and say so in ``status``. [h]

    Returns
    -------
    FailureFindingInterval
        ``interval`` always meets the target in the model; whether it can be worked stands in
        ``status``.

    Raises
    ------
    ValueError
        A value is not finite or out of bounds (argument, position and value are named), or
        the arguments do not broadcast.

    References
    ----------
    As in :func:`mean_unavailability`; ``constant_rate`` is the short form of
    reliability-centred maintenance, 2 U MTTF (Nowlan and Heap 1978; formula from memory).

    Examples
    --------
    >>> result = failure_finding_interval(0.01, scale=9000.0, shape=1.4, age=[0.0, 6000.0])
    >>> result.interval.round(0).tolist()
    [630.0, 152.0]
    """
    eta, beta = weibull_parameters(scale, shape)
    target, reached, eta, beta, least = np.broadcast_arrays(
        within("unavailability", unavailability, *OPEN_SHARE),
        within("age", age, 0.0),
        eta,
        beta,
        within("shortest_interval", shortest_interval, 0.0),
    )
    flat = tuple(np.ravel(values) for values in (target, reached, eta, beta))
    interval = _interval(*flat).reshape(target.shape)
    return FailureFindingInterval(
        interval=interval,
        unavailability=target.copy(),
        constant_rate=2 * target * eta * gamma(1 + 1 / beta),
        status=practicable(interval, least),
    )


def practicable(interval: Floats, shortest_interval: Floats) -> NDArray[np.str_]:
    """Status of each interval: "ok", or that no practicable interval satisfies the target."""
    short = interval < shortest_interval
    return np.where(short, "no practicable interval satisfies the target", "ok")


def _interval(target: Floats, age: Floats, eta: Floats, beta: Floats) -> Floats:
    # Log odds of the share over log interval: nearly straight at both ends.
    wanted = np.log(target) - np.log1p(-target)
    guess = interval_guess(target, age, eta, beta)
    args = (wanted, age, eta, beta)
    return np.exp(roots_from_guess(_log_odds, guess, args=args, tolerance=1e-14))


def interval_guess(target: Floats, age: Floats, eta: Floats, beta: Floats) -> Floats:
    """Log of an interval near the answer: from the hazard of the present age, or from age 0."""
    with np.errstate(over="ignore", divide="ignore"):
        fresh = eta * ((beta + 1) * target) ** (1 / beta)
        steady = 2 * target / hazard(age, eta, beta)
    nearer = np.where(steady > 0, np.minimum(fresh, steady), fresh)
    return np.asarray(np.log(nearer) - np.log1p(-target))


def _log_odds(
    x: Floats, wanted: Floats, age: Floats, eta: Floats, beta: Floats
) -> tuple[Floats, Floats]:
    tau = np.exp(x)
    share = unavailability_share(tau, age, eta, beta)
    failed = -np.expm1(-hazard_gained(tau, age, eta, beta))
    return log_odds_and_slope(share, failed, wanted)


def log_odds_and_slope(share: Floats, failed: Floats, wanted: Floats) -> tuple[Floats, Floats]:
    """Log odds of a share less the wanted ones, and their slope over the log interval."""
    with np.errstate(divide="ignore", invalid="ignore"):  # share 0 or 1: slope unknown
        value = np.log(share) - np.log1p(-share) - wanted
        slope = (failed - share) / (share * (1 - share))
    return value, np.nan_to_num(slope, nan=0.0, posinf=0.0)
