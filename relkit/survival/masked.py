"""Which of several items replaced in one job had failed: shares of a failure, by EM.

Layer: survival. numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from relkit.survival.observed import ObservedLives
from relkit.survival.shape_posterior import LOG_SHAPES, PRIOR_MEAN, PRIOR_SD, at_log_shape
from relkit.survival.weibull_likelihood import weibull_likelihood
from relkit.survival.weibull_result import aged_lives

__all__ = ["MaskedShares", "masked_shares"]

#: Largest change of a share at which the iteration ends.
_CLOSE = 1e-8
_MOST_STEPS = 5000
#: Failures of a stratum that are as good as none.
_NONE = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class MaskedShares:
    """Share of a failure that each life stands for, in the order in which the rows were given."""

    share: NDArray[np.float64]  #: 1 for failures, 0 for unfailed, between for masked lives [1]
    groups: int  #: number of masked jobs
    iterations: int  #: steps taken
    largest_change: float  #: of a share in the last step; above 1e-8: not converged [1]


def masked_shares(lives: ObservedLives, group: NDArray[np.intp]) -> MaskedShares:
    """Share of the failure of each candidate of masked jobs.

    A masked job replaced several items of which one had failed, nobody knows which. The share
    of a candidate is the probability that it was the one, given the ages of all: in proportion
    to their hazards, each from the Weibull law of its stratum, which is fitted to failures and
    shares in turn until both agree (EM). The shape of each stratum has the stated prior, which
    only tells where failures are few.

    Holds if (1) the failed item is among the candidates, (2) which candidates a job names does
    not depend on which of them had failed, given their ages, and (3) the naming does not depend
    on the lives' parameters. If fitters replace the costlier item along with the cheaper, but
    not the other way round, (2) is broken and the shares are wrong; see what the extremes do.

    Failures that were found later count at the middle of their interval here.

    Parameters
    ----------
    lives : ObservedLives
        The lives; masked ones have no failure in them.
    group : ndarray of int, shape (n_lives,)
        Number of the masked job from 0, -1 for other lives, in the order in which the rows
        were given.

    Raises
    ------
    ValueError
        A masked life has age 0, count 0 or is a failure: position and number are named.

    References
    ----------
    .. [1] M. Miyakawa, Analysis of incomplete data in competing risks model, IEEE Transactions
       on Reliability R-33, 1984, 293-296 (masked causes by EM; from memory).
    """
    job = lives.strata.arranged(group)
    masked = job >= 0
    _require(lives, masked)
    share = np.where(masked, 0.0, lives.failures / np.maximum(lives.counts(), _NONE))
    jobs = int(job.max(initial=-1)) + 1
    if jobs == 0:
        return MaskedShares(lives.strata.given_order(share), 0, 0, 0.0)
    touched = lives.strata.sums(masked.astype(np.float64)) > 0
    model = _hazard_model(lives.of_strata(touched), masked[lives.strata.spread(touched)])
    job = job[masked]
    now = 1.0 / np.bincount(job, minlength=jobs)[job]
    change, step = np.inf, 0
    while change > _CLOSE and step < _MOST_STEPS:
        hazard = model.log_hazards(now)
        top = np.full(jobs, -np.inf)
        np.maximum.at(top, job, hazard)
        weight = np.exp(hazard - top[job])
        after = weight / np.bincount(job, weight, minlength=jobs)[job]
        change, now, step = float(np.abs(after - now).max()), after, step + 1
    share[masked] = now
    return MaskedShares(lives.strata.given_order(share), jobs, step, change)


def _require(lives: ObservedLives, masked: NDArray[np.bool_]) -> None:
    wrong = masked & ((lives.age == 0) | (lives.failures > 0) | (lives.counts() == 0))
    if wrong.any():
        place = np.flatnonzero(lives.strata.given_order(wrong))
        raise ValueError(
            f"masked life at row {place[0]} has age 0, count 0 or is a failure: must be none of "
            f"these ({len(place)} rows are)"
        )


@dataclass(frozen=True, slots=True, eq=False)
class _HazardModel:
    """Weibull laws of the strata that have masked lives, to be fitted for given shares."""

    log_power: NDArray[np.float64]  # log of the sum of powers for each shape, (n_strata, n_grid)
    failures: NDArray[np.float64]  # known ones, (n_strata,)
    log_ages: NDArray[np.float64]  # sum of x over them, (n_strata,)
    code: NDArray[np.intp]  # stratum of each masked life
    x: NDArray[np.float64]  # log of its age over the stratum's largest
    log_age: NDArray[np.float64]
    count: NDArray[np.float64]

    def log_hazards(self, share: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log hazard of each masked life at its end, its stratum fitted with these shares."""
        n = len(self.failures)
        failures = self.failures + np.bincount(self.code, self.count * share, minlength=n)
        log_ages = self.log_ages + np.bincount(self.code, self.count * share * self.x, minlength=n)
        shape = np.exp(LOG_SHAPES)
        log_posterior = (
            failures[:, None] * (LOG_SHAPES - self.log_power)
            + shape * log_ages[:, None]
            - ((LOG_SHAPES - PRIOR_MEAN) / PRIOR_SD) ** 2 / 2
        )
        best = np.clip(log_posterior.argmax(axis=1), 1, len(LOG_SHAPES) - 2)
        u = LOG_SHAPES[best] + (LOG_SHAPES[1] - LOG_SHAPES[0]) * _summit(log_posterior, best)
        # the others may explain every job of a stratum: its rate goes to 0
        y = np.log(np.maximum(failures, _NONE)) - at_log_shape(self.log_power, u)
        hazard: NDArray[np.float64] = (
            (u + y)[self.code] + np.exp(u)[self.code] * self.x - self.log_age
        )
        return hazard


def _hazard_model(lives: ObservedLives, masked: NDArray[np.bool_]) -> _HazardModel:
    age = lives.age
    if lives.age_lower is not None:
        age = np.where(lives.failures > 0, (age + lives.age_lower) / 2, age)
    exact = replace(lives, age=age, age_lower=None)
    likelihood = weibull_likelihood(aged_lives(exact))
    ones = np.ones(likelihood.n_strata)
    with np.errstate(divide="ignore"):
        grid = [np.log(likelihood.terms.sums(b * ones, 1)[0]) for b in np.exp(LOG_SHAPES)]
    code = lives.strata.codes()[masked]
    log_age = np.log(age[masked])
    return _HazardModel(
        log_power=np.stack(grid, axis=1),
        failures=likelihood.failures,
        log_ages=likelihood.log_ages,
        code=code,
        x=log_age - likelihood.log_reference[code],
        log_age=log_age,
        count=lives.counts()[masked],
    )


def _summit(values: NDArray[np.float64], middle: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return how many grid steps from the middle a parabola through three values is greatest."""
    row = np.arange(len(values))
    left, here, right = (values[row, middle + k] for k in (-1, 0, 1))
    steps: NDArray[np.float64] = np.clip((right - left) / 2 / (2 * here - left - right), -1.0, 1.0)
    return steps
