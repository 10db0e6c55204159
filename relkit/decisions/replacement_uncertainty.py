"""Planned replacement when the Weibull parameters are only known as draws.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma, gammainc

from relkit.checks import positive, share
from relkit.decisions.age_replacement import SPAN_SHARE
from relkit.decisions.lifetimes import weibull_parameters

__all__ = [
    "ReplacementUnderUncertainty",
    "averaged_cost_rate",
    "replacement_under_uncertainty",
]

Floats = NDArray[np.float64]

#: Ages of the cost curve of each stratum, evenly spaced on a log scale.
CURVE_AGES = 48
#: Strata times draws worked on at once: the arrays of one step stay in the processor's cache.
CHUNK = 8192
#: Chunks from which two processors are used.
MANY_CHUNKS = 32
#: Extra cost of the wider span around the best age, 5 % [1].
WIDE_SPAN_SHARE = 0.05
#: A draw, or the average, runs to failure unless its best age saves more than this [1].
LEAST_SAVING = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class ReplacementUnderUncertainty:
    """Age with the least average cost; fields have one value per stratum unless stated."""

    age: Floats  #: age of the least average cost; inf: run to failure [h]
    cost_rate: Floats  #: average cost at ``age`` [money per h]
    cost_rate_lower: Floats  #: lower limit of the cost at ``age`` over the draws
    cost_rate_upper: Floats  #: upper limit
    run_to_failure_cost_rate: Floats  #: average cost of running to failure [money per h]
    saving: Floats  #: share of the average run-to-failure cost that ``age`` saves [1]
    saving_lower: Floats  #: lower limit of the saving over the draws; below 0: a loss [1]
    saving_upper: Floats  #: upper limit [1]
    probability_of_saving: Floats  #: share of draws where ``age`` costs less [1]
    age_lower: Floats  #: lower limit of the draws' own best ages [h]
    age_upper: Floats  #: upper limit, inf where that many draws run to failure [h]
    span_lower: Floats  #: lowest age that costs at most 2 % more; NaN: beyond the curve [h]
    span_upper: Floats  #: highest such age; inf where running to failure is one [h]
    wide_span_lower: Floats  #: lowest age that costs at most 5 % more; NaN: beyond the curve [h]
    wide_span_upper: Floats  #: highest such age; inf where running to failure is one [h]
    probability_of_wear: Floats  #: share of draws with a shape above 1 [1]
    regret: Floats  #: average extra cost at ``age`` over each draw's own best [1, of the best]
    regret_run_to_failure: Floats  #: the same for running to failure [1, of the best]
    curve_age: Floats  #: ages of the cost curve, (n_strata, 48) [h]
    curve_cost_rate: Floats  #: average cost at ``curve_age``, (n_strata, 48) [money per h]
    confidence_level: float  #: of all limits: the central share of the draws [1]
    draws: int  #: number of draws per stratum


def replacement_under_uncertainty(
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
    confidence_level: float = 0.9,
) -> ReplacementUnderUncertainty:
    """Age for planned replacement with the least cost averaged over draws of the parameters.

    The age that is best for the point estimate can be reckless where the data are few: the
    average over what the data allow weighs what a wrong age would cost.

    Parameters
    ----------
    scale, shape : array_like of shape (n_strata, n_draws)
        Draws of Weibull scale above 0 [h, or any one unit] and shape of at least 0.01 [1],
        in pairs; one stratum may be given as (n_draws,).
    cost_planned, cost_failure : array_like of shape () or (n_strata,)
        Cost of one planned replacement and of one failure, above 0, all in. [money]
    confidence_level : float
        Central share of the draws that the limits enclose. [1]

    Returns
    -------
    ReplacementUnderUncertainty
        Strata where a failure costs no more than a planned replacement get ``age`` inf.

    Raises
    ------
    ValueError
        A value is not finite or too small (argument, position and value are named), or the
        shapes do not fit together.

    Notes
    -----
    The integral of R is summed over 48 ages per stratum by a trapezoid rule with derivative
    correction: the curve is right to 1e-4 for shapes up to 10. The costs at ``age`` are then
    computed with incomplete gamma functions; the draws' own best ages, from parabolas through
    the curve, are right to about 1 %.

    References
    ----------
    .. [1] Cost rate: R. E. Barlow and L. C. Hunter, Operations Research 8, 1960, 90-100.
    .. [2] Least expected cost as the rule of choice: common practice of decision theory.

    Examples
    --------
    >>> known = replacement_under_uncertainty(
    ...     scale=[1700.0] * 3, shape=[3.0] * 3, cost_planned=355.0, cost_failure=1290.0
    ... )
    >>> known.age.round(-1), known.saving.round(3), known.probability_of_saving
    (array([980.]), array([0.348]), array([1.]))
    """
    eta, beta = (np.atleast_2d(values) for values in weibull_parameters(scale, shape))
    eta, beta = np.broadcast_arrays(eta, beta)
    c_p, c_f = _costs(cost_planned, cost_failure, len(eta))
    tail = (1 - share("confidence_level", confidence_level)) / 2
    rows = max(1, CHUNK // eta.shape[1])

    def chunk(i: int) -> dict[str, Floats]:
        part = slice(i, i + rows)
        return _one_chunk(eta[part], beta[part], c_p[part], c_f[part], tail)

    parts = _side_by_side(chunk, range(0, len(eta), rows))
    fields = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return ReplacementUnderUncertainty(
        **fields, confidence_level=float(confidence_level), draws=eta.shape[1]
    )


def averaged_cost_rate(
    age: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
) -> Floats:
    """Long-run cost per unit of time at given ages, averaged over draws of the parameters.

    Parameters
    ----------
    age : array_like of shape (n_strata, m), or (m,) for one stratum
        Ages at planned replacement, above 0; inf means running to failure. [h]
    scale, shape : array_like of shape (n_strata, n_draws), or (n_draws,) for one stratum
        Draws of Weibull scale [h] and shape [1], in pairs.
    cost_planned, cost_failure : array_like of shape () or (n_strata,)
        Cost of one planned replacement and of one failure, above 0, all in. [money]

    Returns
    -------
    ndarray of shape (n_strata, m)
        Average cost rates. [money per h]

    Raises
    ------
    ValueError
        A value is out of bounds (argument, position and value are named), or the shapes do
        not fit together.

    Examples
    --------
    >>> averaged_cost_rate(
    ...     [985.0, np.inf], scale=[1700.0], shape=[3.0], cost_planned=355.0, cost_failure=1290.0
    ... ).round(3)
    array([[0.554, 0.85 ]])
    """
    ages = np.atleast_2d(np.asarray(age, dtype=np.float64))
    positive("age", np.where(np.isposinf(ages), 1.0, ages))
    eta, beta = (np.atleast_2d(values) for values in weibull_parameters(scale, shape))
    eta, beta = np.broadcast_arrays(eta, beta)
    c_p, c_f = _costs(cost_planned, cost_failure, len(eta))
    ages = np.broadcast_to(ages, (len(eta), ages.shape[1]))
    mean_life = eta * gamma(1 + 1 / beta)
    rows = max(1, CHUNK // eta.shape[1])

    def chunk(i: int) -> Floats:
        part = slice(i, i + rows)
        law = eta[part], beta[part], mean_life[part], c_p[part, None], c_f[part, None]
        columns = [_exact_costs(column[:, None], *law).mean(axis=1) for column in ages[part].T]
        return np.stack(columns, axis=1)

    return np.concatenate(_side_by_side(chunk, range(0, len(eta), rows)))


_Part = TypeVar("_Part")


def _side_by_side(work: Callable[[int], _Part], starts: range) -> list[_Part]:
    """Work off chunks in their order; many of them on two processors, numpy letting go of both."""
    if len(starts) < MANY_CHUNKS:
        return [work(start) for start in starts]
    with ThreadPoolExecutor(max_workers=2) as pool:
        return list(pool.map(work, starts))


def _costs(planned: ArrayLike, failure: ArrayLike, count: int) -> tuple[Floats, Floats]:
    return (
        np.broadcast_to(positive("cost_planned", planned), (count,)),
        np.broadcast_to(positive("cost_failure", failure), (count,)),
    )


def _exact_costs(
    age: Floats, eta: Floats, beta: Floats, mean_life: Floats, c_p: Floats, c_f: Floats
) -> Floats:
    with np.errstate(over="ignore"):  # inf is the right limit: all have failed
        gained = (age / eta) ** beta
    return np.asarray(
        (c_p - (c_f - c_p) * np.expm1(-gained)) / (mean_life * gammainc(1 / beta, gained))
    )


def _one_chunk(
    eta: Floats, beta: Floats, c_p: Floats, c_f: Floats, tail: float
) -> dict[str, Floats]:
    mean_life = eta * gamma(1 + 1 / beta)
    endless = c_f[:, None] / mean_life
    curve_age = _curve_ages(eta, beta, c_f / c_p)
    costs = _curve_costs(curve_age, eta, beta, c_p[:, None], c_f[:, None])
    mean_cost, mean_endless = costs.mean(axis=2).T, endless.mean(axis=1)
    age = _curve_optimum(curve_age, mean_cost, mean_endless)
    at_age = _exact_costs(age[:, None], eta, beta, mean_life, c_p[:, None], c_f[:, None])
    own_age, own_cost = _own_best(curve_age, costs, endless)
    saving = 1 - at_age / endless
    limits = [tail, 1 - tail]
    best = at_age.mean(axis=1)
    own = np.minimum(own_cost, np.minimum(at_age, endless)).mean(axis=1)
    span = _span(curve_age, mean_cost, age, best, SPAN_SHARE)
    wide_span = _span(curve_age, mean_cost, age, best, WIDE_SPAN_SHARE)
    cost_limits = np.quantile(at_age, limits, axis=1)
    saving_limits = np.quantile(saving, limits, axis=1)
    age_limits = np.quantile(own_age, limits, axis=1, method="inverted_cdf")
    return {
        "age": age,
        "cost_rate": best,
        "cost_rate_lower": cost_limits[0],
        "cost_rate_upper": cost_limits[1],
        "run_to_failure_cost_rate": mean_endless,
        "saving": 1 - best / mean_endless,
        "saving_lower": saving_limits[0],
        "saving_upper": saving_limits[1],
        "probability_of_saving": (saving > 0).mean(axis=1),
        "age_lower": age_limits[0],
        "age_upper": age_limits[1],
        "span_lower": span[0],
        "span_upper": span[1],
        "wide_span_lower": wide_span[0],
        "wide_span_upper": wide_span[1],
        "probability_of_wear": (beta > 1).mean(axis=1),
        "regret": best / own - 1,
        "regret_run_to_failure": mean_endless / own - 1,
        "curve_age": curve_age,
        "curve_cost_rate": mean_cost,
    }


def _curve_ages(eta: Floats, beta: Floats, ratio: Floats) -> Floats:
    """From below the lowest of nearly all the draws' best ages to where nearly all failed."""
    gain = np.maximum(ratio - 1, 1e-3)[:, None]
    lowest = eta * (beta * gain) ** (-1 / beta)  # below each draw's best age: own algebra
    low = np.quantile(np.minimum(lowest, eta), 0.02, axis=1) / 1.5
    # where four hazards have gone by; early failures take long to get there
    high = np.quantile(eta * 4 ** np.clip(1 / beta, 1.0, 4.0), 0.98, axis=1)
    steps = np.linspace(0.0, 1.0, CURVE_AGES)
    return np.exp(np.log(low)[:, None] + steps * np.log(high / low)[:, None])


def _curve_costs(ages: Floats, eta: Floats, beta: Floats, c_p: Floats, c_f: Floats) -> Floats:
    """Cost of each draw at each age of its stratum's curve: (48, n_strata, n_draws).

    With x = log t the integral of R is that of g(x) = t R(t); its slope g (1 - shape H) turns
    the trapezoid rule into one of fourth order (Euler-Maclaurin, from memory).
    """
    step = np.log(ages[:, 1:2] / ages[:, :1])
    factor = np.exp(step * beta)  # of the cumulative hazard from one age to the next
    gained = (ages[:, :1] / eta) ** beta
    alive = np.exp(-gained)
    use = eta * gamma(1 + 1 / beta) * gammainc(1 / beta, gained)
    value = ages[:, :1] * alive
    slope = value * (1 - beta * gained)
    costs = np.empty((CURVE_AGES, *eta.shape))
    costs[0] = (c_f - (c_f - c_p) * alive) / use
    with np.errstate(over="ignore", under="ignore", invalid="ignore"):
        for k in range(1, CURVE_AGES):
            gained = gained * factor
            alive = np.exp(-gained)
            next_value = ages[:, k : k + 1] * alive
            next_slope = next_value - beta * np.where(alive > 0, gained * next_value, 0.0)
            use = use + step / 2 * (value + next_value) + step**2 / 12 * (slope - next_slope)
            costs[k] = (c_f - (c_f - c_p) * alive) / use
            value, slope = next_value, next_slope
    return costs


def _parabola(left: Floats, middle: Floats, right: Floats) -> Floats:
    """Place of the lowest point of a parabola through three even steps, from -1 to 1."""
    bend = left - 2 * middle + right
    shift = np.divide(left - right, 2 * bend, out=np.zeros_like(bend), where=bend > 0)
    return np.clip(shift, -1.0, 1.0)


def _curve_optimum(ages: Floats, mean_cost: Floats, mean_endless: Floats) -> Floats:
    row = np.arange(len(ages))
    place = np.argmin(mean_cost, axis=1)
    inner = np.clip(place, 1, CURVE_AGES - 2)
    left, middle, right = (mean_cost[row, inner + offset] for offset in (-1, 0, 1))
    step = np.log(ages[:, 1] / ages[:, 0])
    age = ages[row, inner] * np.exp(step * _parabola(left, middle, right))
    lowest = mean_cost[row, place]
    finite = (lowest < mean_endless * (1 - LEAST_SAVING)) & (place < CURVE_AGES - 1)
    return np.where(finite, age, np.inf)


def _own_best(ages: Floats, costs: Floats, endless: Floats) -> tuple[Floats, Floats]:
    """Each draw's own best age and its cost: (n_strata, n_draws)."""
    place = np.argmin(costs, axis=0)
    inner = np.clip(place, 1, CURVE_AGES - 2)
    left, middle, right = (
        np.take_along_axis(costs, (inner + offset)[None], axis=0)[0] for offset in (-1, 0, 1)
    )
    shift = _parabola(left, middle, right)
    step = np.log(ages[:, 1] / ages[:, 0])[:, None]
    age = np.take_along_axis(ages, inner, axis=1) * np.exp(step * shift)
    cost = middle - (left - right) * shift / 4
    cost = np.minimum(cost, np.take_along_axis(costs, place[None], axis=0)[0])
    worth = (cost < endless * (1 - LEAST_SAVING)) & (place < CURVE_AGES - 1)
    return np.where(worth, age, np.inf), np.where(worth, cost, endless)


def _span(
    ages: Floats, mean_cost: Floats, age: Floats, best: Floats, more: float
) -> tuple[Floats, Floats]:
    """Ages on both sides of the best where the average cost is a share above it, interpolated."""
    level = (best * (1 + more))[:, None]
    above = mean_cost > level
    left = above & (ages < age[:, None])
    right = above & (ages > age[:, None])
    row = np.arange(len(ages))
    before = CURVE_AGES - 1 - np.argmax(left[:, ::-1], axis=1)  # last age above, left of the best
    lower = _crossing(ages, mean_cost, level[:, 0], np.minimum(before, CURVE_AGES - 2))
    after = np.argmax(right, axis=1)  # first age above, right of the best
    upper = _crossing(ages, mean_cost, level[:, 0], np.maximum(after - 1, 0))
    lower = np.where(left.any(axis=1), lower, ages[row, 0])
    lower = np.where(left[:, -1], np.nan, lower)
    return lower, np.where(right.any(axis=1), upper, np.inf)


def _crossing(ages: Floats, costs: Floats, level: Floats, place: NDArray[np.intp]) -> Floats:
    row = np.arange(len(ages))
    first, second = costs[row, place], costs[row, place + 1]
    part = np.divide(level - first, second - first, out=np.zeros_like(first), where=second != first)
    step = np.log(ages[row, place + 1] / ages[row, place])
    return np.asarray(ages[row, place] * np.exp(np.clip(part, 0.0, 1.0) * step))
