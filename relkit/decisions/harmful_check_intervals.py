"""Intervals between checks that miss faults or cause them: of least cost, and for a target.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within
from relkit.decisions.failure_finding import OPEN_SHARE
from relkit.decisions.harmful_checks import MOST_HARM, check_probabilities, long_run_shares
from relkit.decisions.lifetimes import weibull_parameters
from relkit.decisions.minima import lowest_places
from relkit.decisions.roots import increasing_roots

__all__ = [
    "BestCheckInterval",
    "CheckIntervalForTarget",
    "best_check_interval",
    "check_interval_for_target",
]

Floats = NDArray[np.float64]

#: Natural logs of the shortest and the longest interval tried, in scales.
SHORTEST, LONGEST = -14.0, 4.0
#: Log intervals at which a target is sought: in steps of 2 % where an item's life is one to ten
#: intervals long, since unavailability may swing there; and how far beyond them.
SOUGHT = np.concatenate([np.linspace(-14.0, -2.6, 57), np.linspace(-2.5, 1.5, 201), [2.0, 4.0]])
WIDEST = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class BestCheckInterval:
    """Interval between checks of least cost; all fields have one broadcast shape."""

    interval: Floats  #: time between checks; inf where never checking costs least [h]
    cost_rate: Floats  #: checks, new items and hours in unnoticed faults [money per h]
    unavailability: Floats  #: at ``interval`` [1]
    faults_found: Floats  #: at ``interval`` [1/h]
    status: NDArray[np.str_]  #: "ok", or why there is no interval between the bounds


@dataclass(frozen=True, slots=True, eq=False)
class CheckIntervalForTarget:
    """Longest interval that meets a target in the long run; one broadcast shape."""

    interval: Floats  #: time between checks; NaN where none meets the target [h]
    unavailability: Floats  #: the target, as given [1]
    least_unavailability: Floats  #: no interval does better than this [1]
    status: NDArray[np.str_]  #: "ok" or why no interval satisfies the target


def best_check_interval(
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_check: ArrayLike,
    cost_fault: ArrayLike,
    cost_per_undetected_hour: ArrayLike,
    detection: ArrayLike = 1.0,
    harm: ArrayLike = 0.0,
) -> BestCheckInterval:
    """Interval between checks that costs least when checks miss faults and cause some.

    Only a cost optimum: a safety target and every cap still bind.

    Parameters
    ----------
    scale, shape, detection, harm
        As in ``checked_function``, any broadcastable shapes.
    cost_check : array_like
        Cost of one check, 0 or more. [money]
    cost_fault : array_like
        Cost of mending one found fault, 0 or more, whether wear or a check has caused it.
    cost_per_undetected_hour : array_like
        Cost of one hour in an unnoticed fault, above 0. [money per h]

    Returns
    -------
    BestCheckInterval
        Where checks are free and do no harm (or their harm costs nothing to mend), ever
        shorter intervals cost less: ``interval`` is then NaN, and ``status`` says so.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Least value of (c_i + c_f faults per check) / tau + c_d U(tau), as in
    ``inspection_interval_by_cost``; harm and misses: own algebra.

    Notes
    -----
    Searched from 1e-6 to 50 scales, to six digits.

    Examples
    --------
    Free checks: one in 200 spoils the item, so that checking all the time is not best.

    >>> best = best_check_interval(
    ...     scale=9000.0, shape=1.4, cost_check=0.0, cost_fault=400.0,
    ...     cost_per_undetected_hour=2.0, harm=[0.005, 0.0],
    ... )
    >>> best.interval.round(-1)
    array([120.,  nan])
    """
    arrays = np.broadcast_arrays(
        *weibull_parameters(scale, shape),
        within("cost_check", cost_check, 0.0),
        within("cost_fault", cost_fault, 0.0),
        positive("cost_per_undetected_hour", cost_per_undetected_hour),
        *check_probabilities(detection, harm),
    )
    form = arrays[0].shape
    eta, beta, c_i, c_f, c_d, found, spoilt = (np.ravel(v) for v in arrays)

    def cost(log_unit: Floats) -> Floats:
        tau = np.exp(log_unit)
        share, finds, _ = long_run_shares(tau, beta, found, spoilt)
        return np.asarray((c_i + c_f * finds) / (tau * eta) + c_d * share)

    place = lowest_places(cost, np.full(len(eta), SHORTEST), np.full(len(eta), LONGEST))
    least = cost(place)
    share, finds, _ = long_run_shares(np.exp(place), beta, found, spoilt)
    free = (c_i == 0) & ((spoilt == 0) | (c_f == 0))
    pays = least < c_d  # never checking: failed for good
    interval = np.select([free, pays], [np.nan, np.exp(place) * eta], np.inf)
    status = np.select(
        [free, pays],
        ["checks that cost nothing and do no harm: the shorter the better", "ok"],
        "checking costs more than staying failed",
    )
    unchecked = ~free & ~pays
    return BestCheckInterval(
        interval=interval.reshape(form),
        cost_rate=np.select([free, pays], [np.nan, least], c_d).reshape(form),
        unavailability=np.select([free, unchecked], [np.nan, 1.0], share).reshape(form),
        faults_found=np.select(
            [free, unchecked], [np.nan, 0.0], finds / (np.exp(place) * eta)
        ).reshape(form),
        status=status.reshape(form),
    )


def check_interval_for_target(
    unavailability: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    detection: ArrayLike = 1.0,
    harm: ArrayLike = 0.0,
) -> CheckIntervalForTarget:
    """Longest interval between checks whose long-run unavailability meets a target.

    Parameters
    ----------
    unavailability : array_like of any shape
        Largest tolerable mean share of time in an unnoticed fault, between 0 and 1. [1]
    scale, shape, detection, harm
        As in ``checked_function``, broadcastable with ``unavailability``.

    Returns
    -------
    CheckIntervalForTarget
        Every interval shorter than ``interval`` meets the target too, as far as steps of 2 %
        show. It is NaN, and ``status`` says why, where the harm of the checks alone is above
        the target: then only a gentler check, a driver's look or another design helps.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    Examples
    --------
    >>> result = check_interval_for_target(
    ...     0.02, scale=9000.0, shape=1.4, detection=0.7, harm=[0.0, 0.005, 0.02]
    ... )
    >>> result.interval.round(-1)
    array([180., 130.,  nan])
    >>> print(result.status[2])
    no interval satisfies the target: the checks themselves cause too many faults
    """
    target, eta, beta, found, spoilt = np.broadcast_arrays(
        within("unavailability", unavailability, *OPEN_SHARE),
        *weibull_parameters(scale, shape),
        *check_probabilities(detection, harm),
    )
    least = np.asarray(spoilt / (spoilt + found))
    possible = np.flatnonzero((least < target).ravel())
    want, b, d, q = (np.ravel(v)[possible] for v in (target, beta, found, spoilt))

    def excess(x: Floats, w: Floats, b: Floats, d: Floats, q: Floats) -> tuple[Floats, Floats]:
        share, _, _ = long_run_shares(np.exp(x), b, d, q)
        with np.errstate(divide="ignore"):
            odds = np.log(share) - np.log1p(-np.minimum(share, MOST_HARM))
        return odds - np.log(w) + np.log1p(-w), np.ones_like(x)

    lower, upper = _first_crossing(want, b, d, q)
    roots = increasing_roots(
        excess, lower, upper, start=np.log(want), args=(want, b, d, q), tolerance=1e-12
    )
    interval = np.full(target.size, np.nan)
    interval[possible] = np.exp(roots) * np.ravel(eta)[possible]
    return CheckIntervalForTarget(
        interval=interval.reshape(target.shape),
        unavailability=target.copy(),
        least_unavailability=least,
        status=np.where(
            least < target,
            "ok",
            "no interval satisfies the target: the checks themselves cause too many faults",
        ),
    )


def _first_crossing(
    want: Floats, beta: Floats, found: Floats, spoilt: Floats
) -> tuple[Floats, Floats]:
    """Bounds of the log interval at which the unavailability first passes the target.

    Where nearly all items fail at one age, it swings once the interval is of that length: a
    longer interval might meet the target again, but by chance of the beat only.
    """
    lower, upper = np.full(len(want), -WIDEST), np.full(len(want), WIDEST)
    below = np.arange(len(want))
    for x in SOUGHT:
        tau = np.full(len(below), np.exp(x))
        share, _, _ = long_run_shares(tau, beta[below], found[below], spoilt[below])
        above = share >= want[below]
        upper[below[above]] = x
        below = below[~above]
        lower[below] = x
    return lower, upper
