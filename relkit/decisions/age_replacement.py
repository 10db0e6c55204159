"""Planned replacement at an age: the cost rate at any age, the best age, how flat the best is.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma, gammainc

from relkit.checks import positive
from relkit.decisions.lifetimes import weibull_parameters
from relkit.decisions.roots import increasing_roots

__all__ = ["SPAN_SHARE", "ReplacementAge", "cost_rate", "replacement_age"]

Floats = NDArray[np.float64]

#: Extra cost over the best that still counts as flat, 2 % [1].
SPAN_SHARE = 0.02
#: A saving below this is lost in the digits of a double: the best is to run to failure [1].
LEAST_VISIBLE_SAVING = 1e-14
#: Cumulative hazard at which every item has failed, as far as a double can tell.
ALL_FAILED = 745.0


@dataclass(frozen=True, slots=True, eq=False)
class ReplacementAge:
    """Best age for planned replacement; all fields have one broadcast shape."""

    age: Floats  #: replace at this age or at failure; inf where running to failure is best [h]
    cost_rate: Floats  #: long-run cost at ``age`` [money per h]
    run_to_failure_cost_rate: Floats  #: failure cost over mean life [money per h]
    saving: Floats  #: share of the cost of running to failure that the best age saves [1]
    span_lower: Floats  #: lowest age that costs at most 2 % more than the best [h]
    span_upper: Floats  #: highest such age; inf where running to failure is one [h]
    status: NDArray[np.str_]  #: "ok", or why there is no planned age


def cost_rate(
    age: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
) -> Floats:
    """Long-run cost per unit of time when items are replaced at an age or at failure.

    Parameters
    ----------
    age : array_like of any shape
        Age at planned replacement, above 0; inf means running to failure. [h, or any one unit]
    scale, shape : array_like, broadcastable with ``age``
        Weibull scale above 0 [h] and shape of at least 0.01 [1].
    cost_planned, cost_failure : array_like, broadcastable with ``age``
        Cost of one planned replacement and of one failure, above 0, all in. [money]

    Returns
    -------
    ndarray
        (c_p R(T) + c_f F(T)) / integral of R from 0 to T. [money per h]

    Raises
    ------
    ValueError
        A value is not finite (``age`` may be inf) or not above 0: argument, position and value
        are named.

    References
    ----------
    .. [1] R. E. Barlow and L. C. Hunter, Optimum preventive maintenance policies,
       Operations Research 8, 1960, 90-100 (policy I).

    Examples
    --------
    >>> cost_rate(
    ...     [985.0, np.inf], scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0
    ... ).round(3)
    array([0.554, 0.85 ])
    """
    ages = np.asarray(age, dtype=np.float64)
    endless = np.isposinf(ages)
    positive("age", np.where(endless, 1.0, ages))
    eta, beta = weibull_parameters(scale, shape)
    planned, failure = (
        positive("cost_planned", cost_planned),
        positive("cost_failure", cost_failure),
    )
    with np.errstate(over="ignore"):  # inf is the right limit: all have failed
        gained = (ages / eta) ** beta
    expected = planned + (failure - planned) * -np.expm1(-gained)
    return np.asarray(expected / _mean_use(gained, eta, beta))


def _mean_use(gained: Floats, eta: Floats | float, beta: Floats) -> Floats:
    """Integral of R(t) up to the age of this cumulative hazard."""
    return np.asarray(eta * gamma(1 + 1 / beta) * gammainc(1 / beta, gained))


def replacement_age(
    *, scale: ArrayLike, shape: ArrayLike, cost_planned: ArrayLike, cost_failure: ArrayLike
) -> ReplacementAge:
    """Age at which planned replacement costs least in the long run.

    Assumes that a replacement, planned or not, fits a new item of the same life distribution
    and takes no operating time. The parameters count as known: see
    ``replacement_under_uncertainty`` for estimates.

    Parameters
    ----------
    scale, shape : array_like of any broadcastable shapes
        Weibull scale above 0 [h, or any one unit] and shape of at least 0.01 [1].
    cost_planned, cost_failure : array_like
        Cost of one planned replacement and of one failure, above 0, all in. [money]

    Returns
    -------
    ReplacementAge
        ``age`` is inf, with the reason in ``status``, where the shape is at most 1, where a
        failure costs no more than a planned replacement, and where the best age saves less
        than 1e-14 of the cost.

    Raises
    ------
    ValueError
        A value is not finite or too small (argument, position and value are named), or the
        arguments do not broadcast.

    References
    ----------
    .. [1] R. E. Barlow and L. C. Hunter, Optimum preventive maintenance policies,
       Operations Research 8, 1960, 90-100: at the optimum h(T) times the integral of R, less
       F(T), equals c_p / (c_f - c_p). Bounds of the root: own algebra.

    Examples
    --------
    >>> best = replacement_age(scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0)
    >>> float(best.age.round(0)), float(best.saving.round(2))
    (985.0, 0.35)
    """
    eta, beta, planned, failure = np.broadcast_arrays(
        *weibull_parameters(scale, shape),
        positive("cost_planned", cost_planned),
        positive("cost_failure", cost_failure),
    )
    flat_eta, flat_beta, c_p, ratio = (np.ravel(v) for v in (eta, beta, planned, failure / planned))
    endless = ratio / _mean_use(np.full_like(flat_beta, np.inf), 1.0, flat_beta)
    unit, best = np.full_like(endless, np.inf), endless.copy()
    worth = np.flatnonzero((flat_beta > 1) & (ratio > 1))
    optimum = _best_unit_age(flat_beta[worth], ratio[worth])
    least = _unit_cost(optimum, flat_beta[worth], ratio[worth])
    seen = least < endless[worth] * (1 - LEAST_VISIBLE_SAVING)
    unit[worth[seen]], best[worth[seen]] = optimum[seen], least[seen]

    def shaped(values: Floats) -> Floats:
        return np.asarray(values).reshape(eta.shape)

    return ReplacementAge(
        age=shaped(unit * flat_eta),
        cost_rate=shaped(best * c_p / flat_eta),
        run_to_failure_cost_rate=shaped(endless * c_p / flat_eta),
        saving=shaped((endless - best) / endless),
        span_lower=shaped(_span_end(unit, best, flat_beta, ratio, -1.0) * flat_eta),
        span_upper=shaped(_span_end(unit, best, flat_beta, ratio, 1.0) * flat_eta),
        status=_status(beta, planned, failure, np.isfinite(shaped(unit))),
    )


def _status(
    beta: Floats, planned: Floats, failure: Floats, finite: NDArray[np.bool_]
) -> NDArray[np.str_]:
    return np.select(
        [finite, failure <= planned, beta <= 1],
        ["ok", "a failure costs no more than a planned replacement", "no wear: shape at most 1"],
        "no saving that can be told from nothing",
    )


# Below, ages are in units of the scale and costs in units of the planned cost: then only the
# shape and the ratio of the two costs are left.


def _unit_cost(unit: Floats, beta: Floats, ratio: Floats) -> Floats:
    with np.errstate(over="ignore"):
        gained = unit**beta
    return np.asarray((1 - (ratio - 1) * np.expm1(-gained)) / _mean_use(gained, 1.0, beta))


def _best_unit_age(beta: Floats, ratio: Floats) -> Floats:
    """Root of h(u) int R - F(u) = 1 / (ratio - 1), on log scales, for shapes above 1."""
    wanted = -np.log(ratio - 1)
    # h(u) u bounds h(u) int R from above and h(u) Gamma(1 + 1/beta) - 1 the whole from below
    lower = -np.log(beta * (ratio - 1)) / beta
    asymptote = np.log(ratio / (ratio - 1)) - np.log(beta * gamma(1 + 1 / beta))
    upper = np.maximum(asymptote / (beta - 1), lower) + 1e-9
    start = np.minimum(lower - np.log1p(-1 / beta) / beta, upper)
    roots = increasing_roots(
        _optimality, lower - 1e-9, upper, start=start, args=(wanted, beta), tolerance=1e-15
    )
    with np.errstate(over="ignore"):  # a shape just above 1: no age that matters
        return np.exp(roots)


def _optimality(log_unit: Floats, wanted: Floats, beta: Floats) -> tuple[Floats, Floats]:
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        gained = np.exp(beta * log_unit)
        product = beta * np.exp((beta - 1) * log_unit) * _mean_use(gained, 1.0, beta)
        left = product + np.expm1(-gained)
        value = np.where(left > 0, np.log(left), -np.inf) - wanted
        slope = (beta - 1) * product / left
    return value, np.nan_to_num(slope, nan=0.0, posinf=0.0)


def _span_end(unit: Floats, least: Floats, beta: Floats, ratio: Floats, sign: float) -> Floats:
    """Age on one side of the best where the cost is 2 % above it; inf where it never is."""
    level = least * (1 + SPAN_SHARE)
    last = np.log(ALL_FAILED) / beta  # beyond it nothing changes any more
    near = np.log(np.where(np.isinf(unit), 1.0, unit))
    near = np.where(np.isinf(unit), last, near)
    # over any u at least the lesser of the two costs falls due: a lower bound of the root
    far = np.log(np.minimum(1.0, ratio) / level) if sign < 0 else np.maximum(last, near)
    roots = increasing_roots(
        _cost_over_level,
        np.minimum(far, near),
        np.maximum(far, near),
        start=near + sign * 0.2 / np.sqrt(beta),
        args=(np.log(level), beta, ratio, np.full_like(beta, sign)),
    )
    never = (ratio / gamma(1 + 1 / beta) <= level) & (sign > 0)
    return np.where(never, np.inf, np.exp(roots))


def _cost_over_level(
    log_unit: Floats, log_level: Floats, beta: Floats, ratio: Floats, sign: Floats
) -> tuple[Floats, Floats]:
    gained = np.exp(beta * log_unit)
    use = _mean_use(gained, 1.0, beta)
    cost = 1 - (ratio - 1) * np.expm1(-gained)
    alive = np.exp(-gained)
    # d log C / d log u
    slope = (ratio - 1) * beta * gained * alive / cost - np.exp(log_unit) * alive / use
    return sign * (np.log(cost / use) - log_level), sign * slope
