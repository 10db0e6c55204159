"""Checks of hidden functions that are also noticed in use: unavailability, interval for a target.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within
from relkit.checks import share as checked_share
from relkit.decisions.failure_finding import OPEN_SHARE
from relkit.decisions.harmful_checks import check_probabilities
from relkit.decisions.lifetimes import hazard_gained, weibull_parameters

__all__ = [
    "CheckIntervalForAges",
    "check_interval_for_ages",
    "settling_checks",
    "unavailability_in_use_over_checks",
]

Floats = NDArray[np.float64]

#: Part of the faults of one interval that may still be missed when the checks have settled [1].
UNSETTLED = 0.05
#: Most checks ahead that are followed.
MOST_CHECKS = 60
#: Intervals tried first, in mean scales of a stratum, and halvings after that.
TRIED = np.exp(np.linspace(np.log(1e-5), np.log(20.0), 40))
HALVINGS = 26
#: Ages and draws per stratum that are worked with: groups of like age, evenly spaced draws.
AGE_GROUPS, MOST_DRAWS = 8, 48
#: Points of the integral over an interval, and reports after which nothing is left of a fault.
POINTS, GONE = 16, 36.0

OK = "ok"
NO_ITEMS = "no items"
TOO_HARMFUL = "no interval satisfies the target: the checks themselves cause too many faults"


@dataclass(frozen=True, slots=True, eq=False)
class CheckIntervalForAges:
    """Longest interval per stratum over its items' ages and the draws of its parameters."""

    interval: Floats  #: time between checks; NaN where none meets the target [h]
    lower: Floats  #: lower limit of the draws' own intervals [h]
    upper: Floats  #: upper limit [h]
    unavailability: Floats  #: the target, as given [1]
    items: NDArray[np.int64]  #: number of items behind the answer
    status: NDArray[np.str_]  #: "ok", or why there is no interval


def settling_checks(detection: ArrayLike) -> NDArray[np.int64]:
    """Return how many checks it takes until at most 5 % of old faults are still missed.

    At most 60: where a check finds less than 5 %, that many leave somewhat more than 5 % missed.

    >>> settling_checks([1.0, 0.7, 0.3]).tolist()
    [1, 3, 9]
    """
    found, _ = check_probabilities(detection, 0.0)
    with np.errstate(divide="ignore"):
        wanted = np.ceil(np.log(UNSETTLED) / np.log1p(-found) - 1e-9)
    return np.asarray(np.clip(wanted, 1, MOST_CHECKS), dtype=np.int64)


def unavailability_in_use_over_checks(
    interval: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    checks: int,
    age: ArrayLike = 0.0,
    detection: ArrayLike = 1.0,
    harm: ArrayLike = 0.0,
    report_rate: ArrayLike = 0.0,
) -> Floats:
    """Mean unavailability in each of the next intervals where users may report faults too.

    As ``unavailability_over_checks``, but a fault is reported in use at a constant rate while
    it is there, and mended then by a new item. Such an item is taken to be new at the next
    check and not to fail before it: its own faults in the rest of one interval are neglected.

    Parameters
    ----------
    interval, scale, shape, checks, age, detection, harm
        As in ``unavailability_over_checks``.
    report_rate : array_like
        Uses per unit of time that would show the fault, times the share of them that are
        reported; 0: only checks find it. [1/h]

    Returns
    -------
    ndarray of the broadcast shape, with one more axis of length ``checks``
        Mean share of each interval spent in a fault that nobody has reported. [1]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Own algebra: a fault at time s of an interval is still unknown at t with chance
    exp(-r (t - s)).

    Examples
    --------
    A test every 500 h, alone and with one report in 100 h of a dark view:

    >>> unavailability_in_use_over_checks(
    ...     500.0, scale=9000.0, shape=1.4, age=6000.0, report_rate=[0.0, 0.01], checks=1
    ... ).round(4).tolist()
    [[0.0327], [0.0104]]
    """
    if checks < 1:
        raise ValueError(f"checks is {checks}: must be at least 1")
    arrays = np.broadcast_arrays(
        positive("interval", interval),
        *weibull_parameters(scale, shape),
        within("age", age, 0.0),
        *check_probabilities(detection, harm),
        within("report_rate", report_rate, 0.0),
    )
    tau, eta, beta, reached, found, spoilt, rate = (np.ravel(v) for v in arrays)
    share = _over_checks(tau, eta, beta, reached, found, spoilt, rate, checks)
    return share.reshape(*arrays[0].shape, checks)


def _over_checks(
    tau: Floats,
    eta: Floats,
    beta: Floats,
    age: Floats,
    found: Floats,
    spoilt: Floats,
    rate: Floats,
    checks: int,
) -> Floats:
    """Chances of each age of a good item, and of an unknown fault, from check to check."""
    rows = len(tau)
    starts = np.stack([age, np.zeros(rows)], axis=1)[:, :, None]  # the item of now; a later one
    ages = starts + np.arange(checks) * tau[:, None, None]
    dark, fails = _within_interval(tau, ages, eta, beta, rate)
    waits = rate * tau
    stays = np.exp(-waits)
    share_old = np.divide(-np.expm1(-waits), waits, out=np.ones(rows), where=waits > 0)
    good, faulty = np.zeros((rows, 2, checks)), np.zeros(rows)
    good[:, 0, 0] = 1.0
    answer = np.empty((rows, checks))
    for k in range(checks):
        lost = (good * dark).sum(axis=(1, 2))
        answer[:, k] = faulty * share_old + lost
        reported = faulty * (1 - stays) + waits * lost
        faulty = faulty * stays + (good * fails).sum(axis=(1, 2)) - waits * lost
        still = good * (1 - fails)
        fitted = faulty * found
        faulty = faulty * (1 - found) + (still.sum(axis=(1, 2)) + reported) * spoilt
        good = np.zeros_like(good)
        good[:, :, 1:] = still[:, :, :-1] * (1 - spoilt)[:, None, None]
        good[:, 1, 0] = fitted + reported * (1 - spoilt)
    return answer


def _within_interval(
    tau: Floats, ages: Floats, eta: Floats, beta: Floats, rate: Floats
) -> tuple[Floats, Floats]:
    """Share of an interval dark and unreported, and chance of failing in it, by starting age.

    With u the time back from the check: (1 / tau) integral of F(tau - u) exp(-r u) du.
    """
    nodes, weights = _quadrature()
    with np.errstate(divide="ignore"):
        reach = np.minimum(tau, GONE / rate)[:, None]
    back = reach * (nodes + 1) / 2
    spans = (tau[:, None] - back)[:, None, None, :]
    law = eta[:, None, None, None], beta[:, None, None, None]
    failed = -np.expm1(-hazard_gained(spans, ages[..., None], *law))
    heavy = weights * np.exp(-rate[:, None] * back) * reach / (2 * tau[:, None])
    dark = (failed * heavy[:, None, None, :]).sum(axis=-1)
    whole = hazard_gained(tau[:, None, None], ages, law[0][..., 0], law[1][..., 0])
    return dark, -np.expm1(-whole)


@cache
def _quadrature() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(POINTS)


def check_interval_for_ages(
    unavailability: ArrayLike,
    ages: ArrayLike,
    stratum: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    detection: ArrayLike = 1.0,
    harm: ArrayLike = 0.0,
    report_rate: ArrayLike = 0.0,
    confidence_level: float = 0.9,
) -> CheckIntervalForAges:
    """Longest time between imperfect checks whose unavailability over a fleet meets a target.

    Missed faults add up from check to check: the target is held in each of the next intervals
    until they have settled (see :func:`settling_checks`), on average over items and draws.

    Parameters
    ----------
    unavailability : array_like of shape () or (n_strata,)
        Largest tolerable mean share of time in an unknown fault, between 0 and 1. [1]
    ages : array_like of shape (n_items,)
        Present age of each item, 0 or more. [h, or any one unit]
    stratum : array_like of int, shape (n_items,)
        Stratum of each item, 0 to n_strata - 1, in any order.
    scale, shape : array_like of shape (n_strata, n_draws)
        Draws of Weibull scale above 0 [h] and shape of at least 0.01 [1], in pairs.
    detection, harm, report_rate : array_like of shape () or (n_strata,)
        As in :func:`unavailability_in_use_over_checks`.
    confidence_level : float
        Central share of the draws that the limits enclose. [1]

    Returns
    -------
    CheckIntervalForAges
        ``interval`` is NaN, and ``status`` says why, where the harm that checks do is above
        the target however short the interval. No answer is above 20 mean scales.

    Raises
    ------
    ValueError
        A value is out of bounds, or the shapes do not fit: the message names the argument.

    Notes
    -----
    Worked with 8 groups of like age and 48 of the draws. The first interval at which the
    target is passed counts: a longer one that meets it again does so by chance.

    Examples
    --------
    >>> found = check_interval_for_ages(
    ...     0.02, [0.0, 3000.0], [0, 0], scale=[[9000.0]], shape=[[1.4]], detection=0.7
    ... )
    >>> found.interval.round(-1).tolist(), found.status.tolist()
    ([300.0], ['ok'])
    """
    eta, beta = (np.atleast_2d(v) for v in weibull_parameters(scale, shape))
    eta, beta = np.broadcast_arrays(eta, beta)
    count = len(eta)
    target, found, spoilt, rate = (
        np.broadcast_to(v, (count,))
        for v in (
            within("unavailability", unavailability, *OPEN_SHARE),
            *check_probabilities(detection, harm),
            within("report_rate", report_rate, 0.0),
        )
    )
    tail = (1 - checked_share("confidence_level", confidence_level)) / 2
    item_age, code = within("ages", ages, 0.0), np.asarray(stratum)
    if code.shape != item_age.shape or not np.issubdtype(code.dtype, np.integer):
        raise ValueError("stratum must hold one whole number per age")
    within("stratum", code, 0, count - 1)
    answers = np.full((3, count), np.nan)
    status = np.full(count, NO_ITEMS, dtype=object)
    for i in np.unique(code):
        mine = np.sort(item_age[code == i])
        parts = np.array_split(mine, min(len(mine), AGE_GROUPS))
        chosen = np.linspace(0, eta.shape[1] - 1, min(MOST_DRAWS, eta.shape[1])).astype(int)
        case = _Case(
            age=np.array([part.mean() for part in parts]),
            weight=np.array([len(part) for part in parts]) / len(mine),
            eta=eta[i, chosen],
            beta=beta[i, chosen],
            found=float(found[i]),
            spoilt=float(spoilt[i]),
            rate=float(rate[i]),
            checks=int(settling_checks(found[i])),
        )
        answers[:, i] = _limits(case, float(target[i]), tail)
        status[i] = OK if np.isfinite(answers[0, i]) else TOO_HARMFUL
    return CheckIntervalForAges(
        interval=answers[0],
        lower=answers[1],
        upper=answers[2],
        unavailability=target.copy(),
        items=np.bincount(code, minlength=count).astype(np.int64),
        status=status.astype(np.str_),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """One stratum: groups of like age, draws, and what checks and reports do."""

    age: Floats
    weight: Floats
    eta: Floats
    beta: Floats
    found: float
    spoilt: float
    rate: float
    checks: int

    def worst(self, tau: Floats) -> Floats:
        """Greatest unavailability of the next checks, by draw: (n_draws,); tau by draw."""
        shape = (len(self.eta), len(self.age))
        tau, eta, beta = (
            np.broadcast_to(v[:, None], shape).ravel() for v in (tau, self.eta, self.beta)
        )
        age = np.broadcast_to(self.age, shape).ravel()
        ones = np.ones(len(tau))
        share = _over_checks(
            tau, eta, beta, age, self.found * ones, self.spoilt * ones, self.rate * ones,
            self.checks,
        )  # fmt: skip
        by_draw = share.reshape(*shape, self.checks)
        return np.asarray((by_draw * self.weight[:, None]).sum(axis=1))


def _limits(case: _Case, target: float, tail: float) -> Floats:
    """Interval over all draws together, and limits of the draws' own."""
    unit = float(np.exp(np.log(case.eta).mean()))
    tried = TRIED * unit
    shares = np.stack([case.worst(np.full(len(case.eta), t)) for t in tried])  # (tried, draw, k)
    together = shares.mean(axis=1).max(axis=1)
    place = int(np.argmax(together > target)) if (together > target).any() else len(tried)
    if place == 0:
        return np.full(3, np.nan)
    if place == len(tried):
        return np.full(3, tried[-1])
    low, high = np.log(tried[place - 1]), np.log(tried[place])
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        mean = case.worst(np.full(len(case.eta), np.exp(middle))).mean(axis=0).max()
        low, high = (middle, high) if mean <= target else (low, middle)
    # the draws' own crossings by interpolation between the intervals tried
    worst = shares.max(axis=2).T
    own = worst > target
    first = np.where(own.any(axis=1), own.argmax(axis=1), len(tried) - 1)
    before = np.maximum(first - 1, 0)
    rows = np.arange(len(first))
    a, b = worst[rows, before], worst[rows, first]
    part = np.clip(np.divide(target - a, b - a, out=np.zeros_like(a), where=b > a), 0.0, 1.0)
    logs = np.log(tried)[before] + part * (np.log(tried)[first] - np.log(tried)[before])
    return np.array([np.exp(low), *np.exp(np.quantile(logs, [tail, 1 - tail]))])
