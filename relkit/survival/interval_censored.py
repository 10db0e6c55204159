"""Survival without a model from failures known only to lie between two ages (Turnbull).

Layer: survival. Arrays in, one frozen result out; numpy and scipy.sparse only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.linalg import SuperLU, splu
from scipy.special import ndtri

from relkit.checks import share
from relkit.survival.interval_support import SupportProblem, spread_over, support_problem
from relkit.survival.risk_sets import spans, sums_by

__all__ = ["IntervalSurvival", "interval_survival_curve"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Largest breach of the Kuhn-Tucker conditions taken as met, as a share of all lives.
KUHN_TUCKER_TOLERANCE = 1e-9
#: Newton steps before the curve is called not converged.
_STEPS = 500
#: Times a step is halved before it is given up.
_HALVINGS = 40
#: Support intervals with hazard up to which standard errors are worked out in one block.
_BLOCK = 512


@dataclass(frozen=True, slots=True, eq=False)
class IntervalSurvival:
    """Where failures can lie, one row per interval that holds some, and what is left after."""

    age_lower: Floats  #: start of the interval, not in it; equal to ``age`` for an exact age
    age: Floats  #: end of the interval, in it [clock]
    probability: Floats  #: share failing in the interval [1]
    survival: Floats  #: share left at ``age`` [1]
    std_error: Floats  #: its standard error, NaN where nothing is left [1]
    lower: Floats  #: lower confidence limit [1]
    upper: Floats  #: upper confidence limit [1]
    starts_at: float  #: 0, or the age to which the curve takes survival as given [clock]
    log_likelihood: float  #: at the estimate [1]
    kuhn_tucker_breach: float  #: largest breach of the optimum's conditions, per life [1]
    lives: float  #: with their frequency weights [1]
    failures: float  #: with their frequency weights [1]
    status: str  #: "ok", "no failures" or "not converged"
    confidence_level: float


def interval_survival_curve(
    age_lower: ArrayLike,
    age: ArrayLike,
    failed: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> IntervalSurvival:
    """Non-parametric maximum likelihood survival of one stratum, in any mixture of censoring.

    Assumes that the ages of inspection tell nothing about the coming failure.

    Parameters
    ----------
    age_lower, age : array_like, shape (n_lives,)
        A failure lies in (age_lower, age], or at ``age`` where the two are equal;
        ``age_lower`` 0 is a failure at or before ``age``. Survivors end at ``age``, whatever
        their ``age_lower``. [clock]
    failed : array_like of bool
        Whether the life ended by failure.
    entry, count : array_like, optional
        Age at which observation began [clock] and frequency weight [1].
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    IntervalSurvival
        Rows in rising age. Between the ends of an interval the data do not say where its
        failures lie. Survivors' share beyond the last row is its ``survival``.

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    Notes
    -----
    Solved in the steps of the cumulative hazard, in which the log-likelihood is concave even
    with late entry, by projected Newton steps until the Kuhn-Tucker conditions hold to
    ``KUHN_TUCKER_TOLERANCE``. Standard errors come from the information matrix over the
    intervals with mass, as if these had been known: Greenwood's for exact ages; right for
    inspections at a few common ages, an approximation otherwise.

    References
    ----------
    .. [1] B. W. Turnbull, Journal of the Royal Statistical Society B 38, 1976, 290-295.
    .. [2] H. Frydman, Journal of the Royal Statistical Society B 56, 1994, 71-74: entries too
       bound the intervals of support.

    Examples
    --------
    >>> curve = interval_survival_curve([0.0, 1.0, 2.0], [1.0, 2.0, 2.0], [True, True, False])
    >>> curve.survival.round(3).tolist()
    [0.667, 0.333]
    """
    level = share("confidence_level", confidence_level)
    lives = spans(age, entry=entry, count=count)
    start = np.maximum(spans(age_lower).age, np.maximum(lives.entry, 0.0))
    ended = np.asarray(failed, bool)
    if start.shape != lives.age.shape or ended.shape != lives.age.shape:
        raise ValueError("age_lower, age and failed must have one length")
    late = np.flatnonzero(ended & (start > lives.age))
    if len(late):
        i = int(late[0])
        raise ValueError(f"age_lower at position {i} is {start[i]:g}, after age {lives.age[i]:g}")
    on = lives.seen
    lower, upper, problem = support_problem(
        start[on], lives.age[on], ended[on], lives.entry[on], lives.count[on]
    )
    return _curve(lower, upper, problem, level)


def _curve(lower: Floats, upper: Floats, problem: SupportProblem, level: float) -> IntervalSurvival:
    steps, breach = _hazard_steps(problem)
    # a certain failure before the last interval means that later lives entered after it: the
    # curve starts anew there, conditional on reaching that age
    ends = np.flatnonzero(problem.certain[:-1])
    first = int(ends[-1]) + 1 if len(ends) else 0
    certain = problem.certain[first:]
    left = np.where(certain, 0.0, np.exp(-np.cumsum(steps[first:])))
    probability = np.concatenate([[1.0], left[:-1]])[: len(left)] - left
    kept = (steps[first:] > 0) | certain
    survival = left[kept]
    error = np.where(certain, np.nan, _log_survival_error(problem, steps, first))[kept]
    low, high = _limits(survival, error, level)
    return IntervalSurvival(
        age_lower=lower[first:][kept],
        age=upper[first:][kept],
        probability=probability[kept],
        survival=survival,
        std_error=survival * error,
        lower=low,
        upper=high,
        starts_at=float(upper[first - 1]) if first else 0.0,
        log_likelihood=_log_likelihood(problem, steps),
        kuhn_tucker_breach=breach,
        lives=float(problem.weight.sum()),
        failures=float(problem.weight[problem.failed].sum()),
        status=_status(problem, breach),
        confidence_level=level,
    )


def _status(problem: SupportProblem, breach: float) -> str:
    if not problem.failed.any():
        return "no failures"
    return "ok" if breach <= KUHN_TUCKER_TOLERANCE else "not converged"


def _limits(survival: Floats, log_error: Floats, level: float) -> tuple[Floats, Floats]:
    """Limits on log(-log(survival))."""
    z = float(ndtri((1 + level) / 2))
    inside = (survival > 0) & (survival < 1)
    value = np.where(inside, survival, 0.5)
    stretch = np.exp(np.minimum(z * np.where(inside, log_error, 0.0) / -np.log(value), 700.0))
    with np.errstate(under="ignore"):  # 0 is the right limit
        lower, upper = value**stretch, value ** (1 / stretch)
    return np.where(inside, lower, np.nan), np.where(inside, upper, np.nan)


def _open_terms(problem: SupportProblem) -> tuple[Floats, Ints, Ints]:
    """Failures whose likelihood depends on hazard steps: weight and run of intervals."""
    sure = np.concatenate([[0], np.cumsum(problem.certain)])
    failed = np.flatnonzero(problem.failed)
    low, past = problem.low[failed], problem.high[failed] + 1
    held = sure[past] == sure[low]  # a run with a certain interval has probability 1
    return problem.weight[failed][held], low[held], past[held]


def _value(at_risk: Floats, terms: tuple[Floats, Ints, Ints], steps: Floats) -> float:
    weight, low, past = terms
    sums = np.concatenate([[0.0], np.cumsum(steps)])
    spent = sums[past] - sums[low]
    if (spent <= 0).any():
        return -np.inf
    return float(weight @ np.log(-np.expm1(-spent)) - at_risk @ steps)


def _log_likelihood(problem: SupportProblem, steps: Floats) -> float:
    return _value(problem.at_risk, _open_terms(problem), steps)


def _hazard_steps(problem: SupportProblem) -> tuple[Floats, float]:
    """Return the hazard steps at the optimum, and the breach of its conditions."""
    terms = _open_terms(problem)
    weight = terms[0]
    total = max(float(problem.weight.sum()), 1e-300)
    steps = _first_steps(problem.at_risk, terms)
    if not len(weight):
        return steps, 0.0
    value, damping = _value(problem.at_risk, terms, steps), 1e-8
    for _ in range(_STEPS):
        gradient, curvature = _slopes(problem.at_risk, terms, steps)
        breach = _breach(gradient, steps) / total
        if breach <= KUHN_TUCKER_TOLERANCE / 10:
            break
        free = _free(steps, gradient, breach)
        direction = -steps
        direction[free] = _newton(terms, curvature, free, gradient, damping)
        steps, gained, halved = _line_search(
            problem.at_risk, terms, steps, direction, gradient, value
        )
        damping = min(damping * 100, 1e6) if halved > 3 else max(damping / 10, 1e-13)
        if gained <= value and halved > _HALVINGS and damping >= 1e6:
            break
        value = max(value, gained)
    gradient, _ = _slopes(problem.at_risk, terms, steps)
    return steps, _breach(gradient, steps) / total


def _first_steps(at_risk: Floats, terms: tuple[Floats, Ints, Ints]) -> Floats:
    """Hazard steps at few intervals, such that every failure's run holds one of them."""
    weight, low, past = terms
    soonest = np.full(len(at_risk) + 1, len(at_risk) + 1)
    np.minimum.at(soonest, low, past)
    soonest = np.minimum.accumulate(soonest[::-1])[::-1]  # end of the first run from here on
    held, at = np.zeros(len(at_risk), bool), int(soonest[0])
    while at <= len(at_risk):
        held[at - 1] = True
        at = int(soonest[at])
    sums = np.concatenate([[0], np.cumsum(held)])
    each = spread_over(weight / (sums[past] - sums[low]), low, past, len(at_risk))
    return np.where(held, each / np.where(held, at_risk + each, 1.0), 0.0)


def _free(steps: Floats, gradient: Floats, breach: float) -> Ints:
    """Return the steps to move: those above 0, and the most wanted one between each two of them."""
    kept = (steps > min(1e-6, breach)) | ((steps > 0) & (gradient > 0))
    wanted = np.flatnonzero((steps == 0) & (gradient > 0))
    gap = np.cumsum(steps > 0)[wanted]
    order = np.lexsort((-gradient[wanted], gap))
    best = np.append(True, np.diff(gap[order]) > 0)[: len(order)]
    kept[wanted[order[best]]] = True
    return np.flatnonzero(kept)


def _slopes(
    at_risk: Floats, terms: tuple[Floats, Ints, Ints], steps: Floats
) -> tuple[Floats, Floats]:
    """Gradient by hazard step, and curvature of each failure's term."""
    weight, low, past = terms
    sums = np.concatenate([[0.0], np.cumsum(steps)])
    with np.errstate(over="ignore"):  # a hazard beyond 700 leaves nothing to gain
        odds = 1 / np.expm1(sums[past] - sums[low])
    gradient = spread_over(weight * odds, low, past, len(steps)) - at_risk
    return gradient, weight * odds * (1 + odds)


def _breach(gradient: Floats, steps: Floats) -> float:
    falling = np.minimum(steps, 1.0) * -gradient
    return float(max(gradient.max(initial=0.0), falling.max(initial=0.0)))


def _newton(
    terms: tuple[Floats, Ints, Ints],
    curvature: Floats,
    free: Ints,
    gradient: Floats,
    damping: float,
) -> Floats:
    """Newton step of the free hazard steps, solved in their running sums, which is sparse."""
    _, low, past = terms
    place = np.searchsorted(free, np.arange(len(gradient) + 1))
    matrix = _information(place[low], place[past], curvature, len(free), damping)
    slope = gradient[free]
    sums: Floats = splu(matrix.tocsc()).solve(slope - np.append(slope[1:], 0.0))
    return np.diff(sums, prepend=0.0)


def _information(low: Ints, past: Ints, curvature: Floats, size: int, damping: float) -> coo_array:
    """Information on the running sums of hazard: each failure joins the ends of its run."""
    ridge = np.full(size, damping * float(curvature.mean()))
    start = np.concatenate([low, np.arange(size)])
    end = np.concatenate([past, np.arange(1, size + 1)])
    value = np.concatenate([np.where(low == past, 0.0, curvature), ridge])
    inner = start > 0  # the sum before the first step is 0, and known
    row = np.concatenate([end, start[inner], start[inner], end[inner]]) - 1
    column = np.concatenate([end, start[inner], end[inner], start[inner]]) - 1
    data = np.concatenate([value, value[inner], -value[inner], -value[inner]])
    held = (row >= 0) & (column >= 0)
    return coo_array((data[held], (row[held], column[held])), shape=(size, size))


def _line_search(
    at_risk: Floats,
    terms: tuple[Floats, Ints, Ints],
    steps: Floats,
    direction: Floats,
    gradient: Floats,
    value: float,
) -> tuple[Floats, float, int]:
    """Longest halved step, held at or above 0, that raises the log-likelihood enough."""
    length = 1.0
    for halved in range(_HALVINGS):
        trial = np.maximum(steps + length * direction, 0.0)
        reached = _value(at_risk, terms, trial)
        if reached >= value + 1e-4 * float(gradient @ (trial - steps)) - 1e-13 * abs(value):
            return trial, reached, halved
        length /= 2
    return steps, value, _HALVINGS + 1


def _log_survival_error(problem: SupportProblem, steps: Floats, first: int) -> Floats:
    """Return the standard error of log survival after each interval from ``first`` on."""
    weight, low, past = _open_terms(problem)
    later = low >= first
    terms = weight[later], low[later] - first, past[later] - first
    steps = steps[first:]
    error = np.zeros(len(steps))
    free = np.flatnonzero(steps > 0)
    if not len(free):
        return error
    _, curvature = _slopes(np.zeros(len(steps)), terms, steps)
    place = np.searchsorted(free, np.arange(len(steps) + 1))
    low, past = place[terms[1]], place[terms[2]]
    if (past - low == 1).all():
        variance = np.cumsum(1 / sums_by(low, curvature, len(free)))
    else:
        solver = splu(_information(low, past, curvature, len(free), 1e-12).tocsc())
        variance = np.concatenate(
            [_inverse_diagonal(solver, at, len(free)) for at in range(0, len(free), _BLOCK)]
        )
    error[free] = np.sqrt(np.maximum(variance, 0.0))
    return np.where(place[1:] > 0, error[free][np.maximum(place[1:] - 1, 0)], 0.0)


def _inverse_diagonal(solver: SuperLU, at: int, size: int) -> Floats:
    width = min(_BLOCK, size - at)
    unit = np.zeros((size, width))
    unit[np.arange(at, at + width), np.arange(width)] = 1.0
    solved: Floats = solver.solve(unit)
    return solved[np.arange(at, at + width), np.arange(width)]
