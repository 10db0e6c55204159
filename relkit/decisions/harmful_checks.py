"""Unavailability of a hidden function whose checks miss faults or cause them.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within
from relkit.decisions.failure_finding import unavailability_share
from relkit.decisions.lifetimes import hazard_gained, weibull_parameters

__all__ = [
    "CheckedFunction",
    "check_probabilities",
    "checked_function",
    "long_run_shares",
    "unavailability_over_checks",
]

Floats = NDArray[np.float64]

#: Checks of an item's life that are summed one by one; later ones by an integral.
SUMMED = 128
#: Points of that integral, and the decay (as hazard) after which nothing is left.
POINTS, GONE = 64, 45.0
#: Rows worked on at once.
CHUNK = 4096
#: Largest probability of harm: a check must leave some items good.
MOST_HARM = 1 - float(np.finfo(np.float64).epsneg)


@dataclass(frozen=True, slots=True, eq=False)
class CheckedFunction:
    """Long-run behaviour of a checked hidden function; all fields have one broadcast shape."""

    interval: Floats  #: time between checks, as given [h]
    unavailability: Floats  #: mean share of time in an unnoticed fault, 0 to 1 [1]
    least_unavailability: Floats  #: its limit at ever shorter intervals: harm sets it [1]
    faults_found: Floats  #: faults found, and new items fitted, per unit of time [1/h]
    share_from_checks: Floats  #: share of the faults that checks have caused [1]


def checked_function(
    interval: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    detection: ArrayLike = 1.0,
    harm: ArrayLike = 0.0,
) -> CheckedFunction:
    """Long-run unavailability when checks find only some faults and spoil some good items.

    Assumes that a check takes no time; that it finds a fault with the same probability each
    time, independently of earlier misses; that a found fault is mended at once by a new item;
    that good items stay in place and wear on; and that a check spoils a good item with the
    same probability each time, unnoticed until a later check finds it.

    Parameters
    ----------
    interval : array_like of any shape
        Time between checks, above 0. [h, or any one unit shared with ``scale``]
    scale, shape : array_like, broadcastable with ``interval``
        Weibull scale above 0 [h] and shape of at least 0.01 [1].
    detection : array_like
        Probability that a check finds a fault that is there, above 0 and at most 1. [1]
    harm : array_like
        Probability that a check spoils a good item, at least 0 and below 1. [1]

    Returns
    -------
    CheckedFunction
        ``least_unavailability`` is harm / (harm + detection): however short the interval,
        what checks spoil stays unnoticed for one interval at least.

    Raises
    ------
    ValueError
        A value is not finite or out of bounds (argument, position and value are named), or
        the arguments do not broadcast.

    Notes
    -----
    The first 128 checks of a life are summed one by one, the rest by an integral with the
    first term of the midpoint rule's error: right to about 1e-7 of the result.

    References
    ----------
    .. [1] Renewal-reward: mean time in a fault over mean time from one new item to the next
       (D. R. Cox, Renewal Theory, Methuen, 1962, from memory). The sums: own algebra.

    Examples
    --------
    Perfect checks; 70 % detection; the same where one check in a hundred spoils the item:

    >>> checked_function(
    ...     500.0, scale=9000.0, shape=1.0, detection=[1.0, 0.7, 0.7], harm=[0.0, 0.0, 0.01]
    ... ).unavailability.round(4)
    array([0.0273, 0.0493, 0.0617])
    """
    tau, eta, beta, found, spoilt = np.broadcast_arrays(
        positive("interval", interval),
        *weibull_parameters(scale, shape),
        *check_probabilities(detection, harm),
    )
    share, rate, natural = long_run_shares(
        *(np.ravel(v) for v in (tau / eta, beta, found, spoilt)),
    )
    return CheckedFunction(
        interval=tau.copy(),
        unavailability=share.reshape(tau.shape),
        least_unavailability=spoilt / (spoilt + found),
        faults_found=rate.reshape(tau.shape) / tau,
        share_from_checks=(1 - natural).reshape(tau.shape),
    )


def check_probabilities(detection: ArrayLike, harm: ArrayLike) -> tuple[Floats, Floats]:
    """Return detection above 0 and at most 1, and harm of at least 0 and below 1, checked.

    Raises
    ------
    ValueError
        A value is not finite or out of bounds: argument, position and value are named.
    """
    return (
        within("detection", detection, float(np.finfo(np.float64).tiny), 1.0),
        within("harm", harm, 0.0, MOST_HARM),
    )


def long_run_shares(
    tau: Floats, beta: Floats, found: Floats, spoilt: Floats
) -> tuple[Floats, Floats, Floats]:
    """Unavailability, finds per check and share of natural faults; flat, unchecked, in scales.

    With G_k the chance of being good after check k, f and u the chance of failing and the
    share of time failed in an interval that starts good, and N = sum of G f: a life from new
    item to found fault takes sum(G) + 1/d - N intervals and is down for sum(G u) + 1/d - N of
    them, since a natural fault waits (1 - d) / d and a caused one 1 / d whole intervals more.
    """
    sums = np.empty((3, len(tau)))
    for start in range(0, len(tau), CHUNK):
        part = slice(start, start + CHUNK)
        sums[:, part] = _life_sums(tau[part], beta[part], -np.log1p(-spoilt[part]))
    good, down, natural = sums
    natural = np.where(spoilt == 0, 1.0, np.minimum(natural, 1.0))
    extra = (1 - found) / found + (1 - natural)  # 1/d - N without losing digits
    length = good + extra
    return (down + extra) / length, 1 / length, natural


def _life_sums(tau: Floats, beta: Floats, loss: Floats) -> Floats:
    """Sum G, G u and G f over all intervals of a life: (3, n)."""
    first = np.arange(SUMMED, dtype=np.float64)
    terms = _terms(np.broadcast_to(first, (len(tau), SUMMED)), tau, beta, loss)
    sums = np.asarray(terms.sum(axis=2))
    # sum from k = 128 on: integral from 127.5, plus a 24th of the slope there (Euler-Maclaurin)
    start = SUMMED - 0.5
    with np.errstate(divide="ignore", over="ignore"):
        last = np.minimum(GONE ** (1 / beta) / tau, GONE / loss)
    rows = np.flatnonzero(last > start)
    if len(rows):
        nodes, weights = _quadrature()
        length = np.log(last[rows] / start)
        place = start * np.exp(length[:, None] * (nodes + 1) / 2)
        later = _terms(place, tau[rows], beta[rows], loss[rows])
        sums[:, rows] += (later * place * (length[:, None] / 2 * weights)).sum(axis=2)
        before, after = (
            _terms(np.full((len(rows), 1), k), tau[rows], beta[rows], loss[rows])[:, :, 0]
            for k in (SUMMED - 1.0, float(SUMMED))
        )
        sums[:, rows] += (after - before) / 24
    return sums


@cache
def _quadrature() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(POINTS)


def _terms(k: Floats, tau: Floats, beta: Floats, loss: Floats) -> Floats:
    """G, G u and G f of the interval that starts after check k: (3, n, m)."""
    step, b = (np.broadcast_to(v[:, None], k.shape) for v in (tau, beta))
    age, one = k * step, np.ones_like(k)
    with np.errstate(over="ignore"):
        decay = age**b + k * loss[:, None]
    good = np.exp(-decay)
    alive = np.flatnonzero(good > 0)
    out = np.zeros((3, k.size))
    flat = [np.ravel(v)[alive] for v in (step, age, one, b)]
    out[0] = good.ravel()
    out[1, alive] = out[0, alive] * unavailability_share(*flat)
    out[2, alive] = out[0, alive] * -np.expm1(-hazard_gained(*flat))
    return out.reshape(3, *k.shape)


def unavailability_over_checks(
    interval: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    checks: int,
    age: ArrayLike = 0.0,
    detection: ArrayLike = 1.0,
    harm: ArrayLike = 0.0,
) -> Floats:
    """Mean unavailability in each of the next intervals, from the present age of a good item.

    Assumptions as in :func:`checked_function`. The item is good now, just after a check.

    Parameters
    ----------
    interval, scale, shape, detection, harm
        As in :func:`checked_function`.
    checks : int
        Number of intervals ahead, at least 1.
    age : array_like
        Present age, 0 or more. [h]

    Returns
    -------
    ndarray of the broadcast shape, with one more axis of length ``checks``
        Mean share of each interval spent in an unnoticed fault. [1]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Own algebra: chances of every age of a good item, and of a fault, from check to check.

    Examples
    --------
    Faults that checks miss add up:

    >>> unavailability_over_checks(
    ...     500.0, scale=9000.0, shape=1.4, age=6000.0, detection=0.7, checks=4
    ... ).round(3)
    array([0.033, 0.051, 0.056, 0.057])
    """
    if checks < 1:
        raise ValueError(f"checks is {checks}: must be at least 1")
    tau, eta, beta, reached, found, spoilt = np.broadcast_arrays(
        positive("interval", interval),
        *weibull_parameters(scale, shape),
        within("age", age, 0.0),
        *check_probabilities(detection, harm),
    )
    step, b, a, d, q = (np.ravel(v) for v in (tau / eta, beta, reached / eta, found, spoilt))
    rows, places = len(step), np.arange(checks, dtype=np.float64)
    # the item of now, and those fitted later, by the number of checks since
    share, fails = np.empty((rows, 2, checks)), np.empty((rows, 2, checks))
    for which, start in enumerate((a, np.zeros(rows))):
        ages = start[:, None] + places * step[:, None]
        flat = [
            np.broadcast_to(v, ages.shape).ravel()
            for v in (step[:, None], ages, np.ones((1, 1)), b[:, None])
        ]
        share[:, which] = unavailability_share(*flat).reshape(ages.shape)
        fails[:, which] = -np.expm1(-hazard_gained(*flat)).reshape(ages.shape)
    good, faulty = np.zeros((rows, 2, checks)), np.zeros(rows)
    good[:, 0, 0] = 1.0
    answer = np.empty((rows, checks))
    for k in range(checks):
        answer[:, k] = faulty + (good * share).sum(axis=(1, 2))
        faulty = faulty + (good * fails).sum(axis=(1, 2))
        still = good * (1 - fails)
        fitted = faulty * d
        faulty = faulty * (1 - d) + still.sum(axis=(1, 2)) * q
        good = np.zeros_like(good)
        good[:, :, 1:] = still[:, :, :-1] * (1 - q)[:, None, None]
        good[:, 1, 0] = fitted
    return answer.reshape(*tau.shape, checks)
