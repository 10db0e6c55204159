"""Looking for a defect that shows before the item fails: the delay-time model.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma

from relkit.checks import positive, within
from relkit.decisions.failure_finding import unavailability_share
from relkit.decisions.lifetimes import weibull_parameters

__all__ = [
    "ConditionInspection",
    "best_inspection_interval",
    "inspection_cost_rate",
    "missed_share",
]

Floats = NDArray[np.float64]

#: Looks after the first that are followed one by one before the rest counts as failed.
MOST_LOOKS = 400
#: Share of defects still unseen at which no further look matters.
LEAST_UNSEEN = 1e-16
#: Intervals tried first, evenly on a log scale, and rounds of golden section after that.
TRIALS, ROUNDS = 121, 60


@dataclass(frozen=True, slots=True, eq=False)
class ConditionInspection:
    """Best time between looks; all fields have one broadcast shape."""

    interval: Floats  #: time between looks of least cost; inf where looking does not pay [h]
    missed_share: Floats  #: share of defects that fail before they are seen, at it [1]
    cost_rate: Floats  #: cost of looks, mends and failures at ``interval`` [money per h]
    run_to_failure_cost_rate: Floats  #: every defect fails [money per h]
    saving: Floats  #: share of the run-to-failure cost that looking saves [1]
    status: NDArray[np.str_]  #: "ok" or "looking costs more than it saves"


def missed_share(
    interval: ArrayLike,
    *,
    mean_delay: ArrayLike,
    detection: ArrayLike = 1.0,
    delay_shape: ArrayLike = 1.0,
) -> Floats:
    """Share of defects that become failures before a look finds them.

    Assumes that defects arise at random times, that each look finds a visible defect with the
    same probability, independently of earlier looks, and that a found defect is mended.

    Parameters
    ----------
    interval : array_like of any shape
        Time between looks, above 0. [h, or any one unit shared with ``mean_delay``]
    mean_delay : array_like, broadcastable with ``interval``
        Mean time from a visible defect to the failure, above 0. [h]
    detection : array_like
        Probability that a look finds a visible defect, above 0 and at most 1. [1]
    delay_shape : array_like
        Weibull shape of the delay, at least 0.01; 1 for exponential delays. [1]

    Returns
    -------
    ndarray
        Share between 0 and 1. [1]

    Raises
    ------
    ValueError
        A value is not finite or out of bounds (argument, position and value are named), or
        the arguments do not broadcast.

    Notes
    -----
    After 400 looks an unseen defect counts as failed: at a detection of 0.05 that adds 1e-9.

    References
    ----------
    .. [1] A. H. Christer and W. M. Waller, Delay time models of industrial inspection
       maintenance problems, Journal of the Operational Research Society 35, 1984 (formula
       from memory). Imperfect looks and Weibull delays: own algebra.

    Examples
    --------
    Mean delay 400 h, a look every 250 h, perfect and at 70 % detection:

    >>> missed_share(250.0, mean_delay=400.0, detection=[1.0, 0.7]).round(3)
    array([0.256, 0.38 ])
    """
    tau, delay, found, beta = np.broadcast_arrays(
        positive("interval", interval),
        positive("mean_delay", mean_delay),
        within("detection", detection, float(np.finfo(np.float64).tiny), 1.0),
        weibull_parameters(1.0, delay_shape)[1],
    )
    flat = (np.ravel(values) for values in (tau, delay, found, beta))
    return _missed(*flat).reshape(tau.shape)


def _missed(tau: Floats, delay: Floats, found: Floats, beta: Floats) -> Floats:
    eta = delay / gamma(1 + 1 / beta)
    at_once = unavailability_share(tau, np.zeros_like(tau), eta, beta)  # [1]: failed by look 1
    share = at_once.copy()
    unseen = 1 - found
    plain = beta == 1  # the looks make a geometric series
    gone = -np.expm1(-tau[plain] / delay[plain])
    seen = found[plain] / (found[plain] + unseen[plain] * gone)
    share[plain] = at_once[plain] * seen + unseen[plain] * gone / (
        found[plain] + unseen[plain] * gone
    )
    rows = np.flatnonzero(~plain & (found < 1))
    left, before, total = unseen[rows], at_once[rows], tau[rows] * at_once[rows]
    for look in range(2, MOST_LOOKS + 1):
        if not len(rows):
            break
        # mean failed share at look n, by difference of the integrals up to n tau
        reach = look * tau[rows]
        upto = reach * unavailability_share(reach, np.zeros_like(reach), eta[rows], beta[rows])
        failed = (upto - total) / tau[rows]
        share[rows] += left * np.maximum(failed - before, 0.0)
        left, before, total = left * unseen[rows], failed, upto
        keep = (left > LEAST_UNSEEN) & (before < 1)
        rows, left, before, total = rows[keep], left[keep], before[keep], total[keep]
    share[rows] += left * (1 - before)
    return share


def inspection_cost_rate(
    interval: ArrayLike,
    *,
    defect_rate: ArrayLike,
    mean_delay: ArrayLike,
    cost_inspection: ArrayLike,
    cost_mend: ArrayLike,
    cost_failure: ArrayLike,
    detection: ArrayLike = 1.0,
    delay_shape: ArrayLike = 1.0,
) -> Floats:
    """Cost per unit of time of looking at an interval, mending in time, and failures missed.

    Parameters
    ----------
    interval : array_like of any shape
        Time between looks, above 0; inf means never. [h]
    defect_rate : array_like
        Defects per unit of time at the position, above 0; about one over the mean life. [1/h]
    cost_inspection, cost_mend, cost_failure : array_like
        Cost of one look, of one mend of a found defect and of one failure, above 0. [money]
    mean_delay, detection, delay_shape : array_like
        As in :func:`missed_share`.

    Returns
    -------
    ndarray
        [c_i + k tau (b c_f + (1 - b) c_r)] / tau, b from :func:`missed_share`. [money per h]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    As in :func:`missed_share`.

    Examples
    --------
    >>> float(inspection_cost_rate(
    ...     250.0, defect_rate=1 / 4870, mean_delay=400.0, detection=0.7,
    ...     cost_inspection=6.0, cost_mend=180.0, cost_failure=700.0,
    ... ).round(4))
    0.1015
    """
    tau = np.asarray(interval, dtype=np.float64)
    never = np.isposinf(tau)
    finite = np.where(never, 1.0, tau)
    missed = missed_share(
        finite, mean_delay=mean_delay, detection=detection, delay_shape=delay_shape
    )
    look = positive("cost_inspection", cost_inspection)
    mend, failure = positive("cost_mend", cost_mend), positive("cost_failure", cost_failure)
    rate = positive("defect_rate", defect_rate)
    looking = look / finite + rate * (mend + missed * (failure - mend))
    return np.asarray(np.where(never, rate * failure, looking))


def best_inspection_interval(
    *,
    defect_rate: ArrayLike,
    mean_delay: ArrayLike,
    cost_inspection: ArrayLike,
    cost_mend: ArrayLike,
    cost_failure: ArrayLike,
    detection: ArrayLike = 1.0,
    delay_shape: ArrayLike = 1.0,
) -> ConditionInspection:
    """Time between looks that costs least, and what looking saves over running to failure.

    Parameters
    ----------
    defect_rate, mean_delay, cost_inspection, cost_mend, cost_failure, detection, delay_shape
        As in :func:`inspection_cost_rate`, any broadcastable shapes.

    Returns
    -------
    ConditionInspection
        ``interval`` is inf, with the reason in ``status``, where no interval costs less than
        letting every defect fail.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    Notes
    -----
    Searched from a thousandth to a thousand mean delays, to seven digits.

    Examples
    --------
    >>> best = best_inspection_interval(
    ...     defect_rate=1 / 4870, mean_delay=400.0, detection=0.7,
    ...     cost_inspection=6.0, cost_mend=180.0, cost_failure=700.0,
    ... )
    >>> float(best.interval.round()), float(best.saving.round(2))
    (232.0, 0.29)
    """
    names = ("defect_rate", "mean_delay", "cost_inspection", "cost_mend", "cost_failure")
    given = (defect_rate, mean_delay, cost_inspection, cost_mend, cost_failure)
    checked = [positive(name, values) for name, values in zip(names, given, strict=True)]
    found = within("detection", detection, float(np.finfo(np.float64).tiny), 1.0)
    beta = weibull_parameters(1.0, delay_shape)[1]
    rate, delay, look, mend, failure, found, beta = np.broadcast_arrays(*checked, found, beta)
    flat = [np.ravel(values) for values in (rate, delay, look, mend, failure, found, beta)]

    def cost(log_unit: Floats) -> Floats:
        tau = flat[1] * np.exp(log_unit)
        missed = _missed(tau, flat[1], flat[5], flat[6])
        return np.asarray(flat[2] / tau + flat[0] * (flat[3] + missed * (flat[4] - flat[3])))

    tau = flat[1] * np.exp(_lowest(cost, len(flat[0])))
    endless = flat[0] * flat[4]
    least = cost(np.log(tau / flat[1]))
    pays = least < endless
    tau, least = np.where(pays, tau, np.inf), np.where(pays, least, endless)
    missed = np.where(pays, _missed(np.where(pays, tau, 1.0), flat[1], flat[5], flat[6]), 1.0)
    form = rate.shape
    return ConditionInspection(
        interval=tau.reshape(form),
        missed_share=missed.reshape(form),
        cost_rate=least.reshape(form),
        run_to_failure_cost_rate=endless.reshape(form),
        saving=(1 - least / endless).reshape(form),
        status=np.where(pays, "ok", "looking costs more than it saves").reshape(form),
    )


def _lowest(cost: Callable[[Floats], Floats], count: int) -> Floats:
    """Place of the lowest cost on -7 to 7 by trials and golden section, elementwise."""
    trials = np.linspace(-7.0, 7.0, TRIALS)
    tried = np.stack([cost(np.full(count, x)) for x in trials])
    place = np.clip(np.argmin(tried, axis=0), 1, TRIALS - 2)
    low, high = trials[place - 1], trials[place + 1]
    golden = (np.sqrt(5) - 1) / 2
    left, right = high - golden * (high - low), low + golden * (high - low)
    at_left, at_right = cost(left), cost(right)
    for _ in range(ROUNDS):
        down = at_left < at_right
        low, high = np.where(down, low, left), np.where(down, right, high)
        left, right = high - golden * (high - low), low + golden * (high - low)
        at_left, at_right = cost(left), cost(right)
    return np.asarray((low + high) / 2)
