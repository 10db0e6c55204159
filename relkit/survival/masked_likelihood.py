"""Likelihood of Weibull strata linked by jobs of unknown cause, and its maximum.

Layer: survival. numpy only. Coordinates u and y as in weibull_likelihood.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.survival.observed import ObservedLives
from relkit.survival.weibull_likelihood import WeibullLikelihood, weibull_likelihood

__all__ = [
    "Linked",
    "MaskedMaximum",
    "linked_components",
    "linked_likelihood",
    "masked_maximum",
]

#: Step in u and y at which the iteration ends.
_CLOSE = 1e-9
_MOST_STEPS = 200
_MOST_HALVINGS = 30
#: Longest step in one coordinate.
_LONGEST = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Linked:
    """Sets of strata that masked jobs link, all sets with the same number of strata."""

    likelihood: WeibullLikelihood  #: of known failures and all exposure
    strata: NDArray[np.intp]  #: number of each of its strata among all
    component: NDArray[np.intp]  #: set of each stratum, from 0
    place: NDArray[np.intp]  #: place of each stratum in its set, from 0
    code: NDArray[np.intp]  #: stratum of each masked life, among these
    job: NDArray[np.intp]  #: its job, from 0
    count: NDArray[np.float64]  #: jobs that its job stands for [1]
    x: NDArray[np.float64]  #: log of its age over the stratum's largest [1]
    log_age: NDArray[np.float64]  #: [log clock]
    first: NDArray[np.intp]  #: pairs of candidates of one job, each with itself too: the one
    second: NDArray[np.intp]  #: the other

    @property
    def shape(self) -> tuple[int, int]:
        """Number of sets, and of coordinates of each."""
        n_sets = int(self.component.max()) + 1
        return n_sets, 2 * (len(self.component) // n_sets)


@dataclass(frozen=True, slots=True, eq=False)
class MaskedMaximum:
    """Maximum of each set, and the covariance of each stratum's coordinates."""

    u: NDArray[np.float64]  #: (n_strata,)
    y: NDArray[np.float64]  #: (n_strata,)
    var_u: NDArray[np.float64]  #: (n_strata,)
    var_y: NDArray[np.float64]  #: (n_strata,)
    covariance: NDArray[np.float64]  #: of u and y, (n_strata,)
    probability: NDArray[np.float64]  #: of each masked life to have failed [1]
    value: NDArray[np.float64]  #: log-likelihood, (n_sets,)
    found: NDArray[np.bool_]  #: (n_sets,)
    steps: int


def linked_components(
    code: NDArray[np.intp], job: NDArray[np.intp], n_strata: int
) -> NDArray[np.intp]:
    """Return the number of each stratum's set: the same where masked jobs link them, however far.

    Examples
    --------
    >>> linked_components(np.array([0, 2, 2, 3]), np.array([0, 0, 1, 1]), 5).tolist()
    [0, 1, 0, 0, 4]
    """
    label = np.arange(n_strata, dtype=np.intp)
    least = np.full(int(job.max(initial=-1)) + 1, n_strata, dtype=np.intp)
    while True:
        np.minimum.at(least, job, label[code])
        after = label.copy()
        np.minimum.at(after, code, least[job])
        if (after == label).all():
            return label
        label = after


def linked_likelihood(
    lives: ObservedLives,
    job: NDArray[np.intp],
    component: NDArray[np.intp],
    wanted: NDArray[np.bool_],
) -> Linked:
    """Likelihood of the wanted strata, whose sets have the same number of strata.

    Parameters
    ----------
    lives : ObservedLives
        Lives of ages above 0; masked ones have no failure in them.
    job : ndarray of int, shape (n_lives,)
        Masked job of each life as arranged, -1 where there is none.
    component : ndarray of int, shape (n_strata,)
        From :func:`linked_components`.
    wanted : ndarray of bool, shape (n_strata,)
        Strata to take; whole sets.
    """
    job = job[lives.strata.spread(wanted)]
    part = lives.of_strata(wanted)
    likelihood = weibull_likelihood(part)
    sets = np.unique(component[wanted], return_inverse=True)[1]
    by_set = np.argsort(sets, kind="stable")
    place = np.empty_like(by_set)
    place[by_set] = np.arange(len(sets)) % (len(sets) // (sets.max() + 1))
    masked = job >= 0
    code = part.strata.codes()[masked]
    numbers = np.unique(job[masked], return_inverse=True)[1]
    first, second = _pairs(numbers)
    log_age = np.log(part.age[masked])
    return Linked(
        likelihood=likelihood,
        strata=np.flatnonzero(wanted),
        component=sets,
        place=place,
        code=code,
        job=numbers,
        count=part.counts()[masked],
        x=log_age - likelihood.log_reference[code],
        log_age=log_age,
        first=first,
        second=second,
    )


def _pairs(job: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return all ordered pairs of rows of one job, each row with itself too."""
    order = np.argsort(job, kind="stable")
    sizes = np.bincount(job)
    begins = np.cumsum(sizes) - sizes
    partners = sizes[job[order]]
    first = np.repeat(order, partners)
    within = np.arange(len(first)) - np.repeat(np.cumsum(partners) - partners, partners)
    second = order[np.repeat(begins[job[order]], partners) + within]
    return first, second


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    value: NDArray[np.float64]  # of each set
    gradient: NDArray[np.float64]  # (n_sets, 2 strata)
    complete: NDArray[np.float64]  # information if the causes were known, (n_sets, 2k, 2k)
    information: NDArray[np.float64]  # observed, (n_sets, 2k, 2k)


def _job_terms(
    linked: Linked, u: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log of the sum of hazards of each job, and each candidate's part of the sum."""
    log_hazard = (u + y)[linked.code] + np.exp(u)[linked.code] * linked.x - linked.log_age
    jobs = int(linked.job.max()) + 1
    top = np.full(jobs, -np.inf)
    np.maximum.at(top, linked.job, log_hazard)
    part = np.exp(log_hazard - top[linked.job])
    total = np.bincount(linked.job, part, jobs)
    return top + np.log(total), part / total[linked.job]


def _values(linked: Linked, u: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    n_sets = linked.shape[0]
    known = linked.likelihood.slopes(u, y).value
    # written on one candidate of each job
    first = np.unique(linked.job, return_index=True)[1]
    jobs = linked.count[first] * _job_terms(linked, u, y)[0]
    value: NDArray[np.float64] = np.zeros(n_sets)
    np.add.at(value, linked.component, known)
    np.add.at(value, linked.component[linked.code[first]], jobs)
    return value


def _slopes(linked: Linked, u: NDArray[np.float64], y: NDArray[np.float64]) -> _Slopes:
    """Return value, score and information; the latter by Louis (1982), eq. 3.1."""
    at = linked.likelihood.slopes(u, y)
    probability = _job_terms(linked, u, y)[1]
    n, (n_sets, width) = len(u), linked.shape
    weight = linked.count * probability
    rise = np.exp(u)[linked.code] * linked.x  # slope of u in the log hazard, less 1
    gradient = np.empty((n_sets, width))
    row, column = linked.component, 2 * linked.place
    gradient[row, column] = at.u + np.bincount(linked.code, weight * (1 + rise), n)
    gradient[row, column + 1] = at.y + np.bincount(linked.code, weight, n)
    complete = np.zeros((n_sets, width, width))
    complete[row, column, column] = -at.uu - np.bincount(linked.code, weight * rise, n)
    complete[row, column, column + 1] = -at.uy
    complete[row, column + 1, column] = -at.uy
    complete[row, column + 1, column + 1] = -at.yy
    # missing information: the variance of the score over which candidate had failed
    one, other = linked.first, linked.second
    spread = linked.count[one] * probability[one] * ((one == other) - probability[other])
    missing = np.zeros((n_sets, width, width))
    score = np.stack([1 + rise, np.ones_like(rise)])
    sets = linked.component[linked.code[one]]
    for a in (0, 1):
        for b in (0, 1):
            i, j = column[linked.code[one]] + a, column[linked.code[other]] + b
            np.add.at(missing, (sets, i, j), spread * score[a][one] * score[b][other])
    return _Slopes(_values(linked, u, y), gradient, complete, complete - missing)


def masked_maximum(linked: Linked, u: NDArray[np.float64], y: NDArray[np.float64]) -> MaskedMaximum:
    """Maximum of each set by Newton's method from a start near it, with halved steps.

    Where the observed information is not positive definite, the information of known causes
    gives the direction, which is uphill as in the EM algorithm.
    """
    n_sets, width = linked.shape
    row, column = linked.component, 2 * linked.place
    found, step = np.zeros(n_sets, dtype=np.bool_), 0
    at = _slopes(linked, u, y)
    while not found.all() and step < _MOST_STEPS:
        move = np.clip(_direction(at), -_LONGEST, _LONGEST)
        move[found] = 0.0
        near = np.abs(move).max(axis=1) < _CLOSE
        for _ in range(_MOST_HALVINGS):
            value = _values(linked, u + move[row, column], y + move[row, column + 1])
            lower = ~(value >= at.value - 1e-10 * np.abs(at.value))
            if not lower.any():
                break
            move[lower] /= 2
        move[lower] = 0.0
        u, y = u + move[row, column], y + move[row, column + 1]
        at, step, found = _slopes(linked, u, y), step + 1, found | near
    proper = np.linalg.eigvalsh(at.information).min(axis=1) > 0
    inverse = np.full((n_sets, width, width), np.nan)
    inverse[proper] = np.linalg.inv(at.information[proper])
    return MaskedMaximum(
        u=u,
        y=y,
        var_u=inverse[row, column, column],
        var_y=inverse[row, column + 1, column + 1],
        covariance=inverse[row, column, column + 1],
        probability=_job_terms(linked, u, y)[1],
        value=at.value,
        found=found & proper,
        steps=step,
    )


def _direction(at: _Slopes) -> NDArray[np.float64]:
    """Return the step of each set that its information suggests."""
    proper = np.linalg.eigvalsh(at.information).min(axis=1) > 0
    matrix = np.where(proper[:, None, None], at.information, at.complete)
    step = np.linalg.solve(matrix, at.gradient[:, :, None])[:, :, 0]
    return np.asarray(step, dtype=np.float64)
