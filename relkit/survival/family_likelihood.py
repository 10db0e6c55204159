"""Log-likelihood of any family in any mixture of censoring, and its climb, all strata at once.

Layer: survival. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.survival.families import Family
from relkit.survival.observed import ObservedLives
from relkit.survival.risk_sets import sums_by

__all__ = [
    "FamilyData",
    "climb",
    "covariance",
    "family_data",
    "log_likelihoods",
    "ran_off",
    "slopes",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Steps of the climb, and the gain that a further step must promise.
_STEPS = 200
_GAIN = 1e-12
#: Step of the differences, in parameters of size about 1 (logs and a skew).
_DIFFERENCE = 1e-4
#: Log of a spread or a shape beyond which the likelihood is taken to rise without end.
FARTHEST = 8.0
#: Skew of the generalised gamma beyond which the same holds.
MOST_SKEW = 20.0
#: Share of strata still climbing at which the others are put aside.
_COMPRESSED = 0.7
#: Longest step of any parameter: logs move by no more than a factor of e^2.
_LONGEST = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class FamilyData:
    """Lives as log ages, sorted by stratum; each kind of row once, so that none is guessed."""

    n_strata: int
    code: Ints  #: stratum of each life
    age: Floats  #: [clock]
    age_lower: Floats  #: equal to age where exact [clock]
    entry: Floats  #: [clock]
    failures: Floats  #: weight as a failure [1]
    survivors: Floats  #: weight as a survivor [1]

    def of_strata(self, kept: Bools) -> FamilyData:
        """Return the lives of the kept strata, which are numbered anew in their order."""
        rows = kept[self.code]
        number = np.cumsum(kept) - 1
        return FamilyData(
            int(kept.sum()), number[self.code[rows]], self.age[rows], self.age_lower[rows],
            self.entry[rows], self.failures[rows], self.survivors[rows],
        )  # fmt: skip


def family_data(lives: ObservedLives) -> FamilyData:
    """Lives of an age above 0 as the likelihood takes them."""
    aged = lives.age > 0
    zeros = np.zeros(len(lives.age))
    return FamilyData(
        n_strata=lives.strata.n_strata,
        code=lives.strata.codes().astype(np.int64)[aged],
        age=lives.age[aged],
        age_lower=(lives.age if lives.age_lower is None else lives.age_lower)[aged],
        entry=(zeros if lives.entry is None else lives.entry)[aged],
        failures=lives.failures[aged],
        survivors=(lives.counts() - lives.failures)[aged],
    )


def log_likelihoods(
    family: Family, data: FamilyData, theta: Floats, threshold: Floats | None = None
) -> Floats:
    """Log-likelihood of each stratum at its own parameters, (n_strata,).

    Exact failures give the density of the age, survivors their survival, failures between two
    ages the difference of survivals; each over the survival at entry.
    """
    shift = np.zeros(data.n_strata) if threshold is None else threshold
    off = shift[data.code]
    own = theta[data.code]
    exact: Bools = (data.failures > 0) & (data.age_lower == data.age)
    between: Bools = (data.failures > 0) & ~exact
    left: Bools = data.survivors > 0
    late: Bools = data.entry > off
    value = np.zeros(len(data.age))
    with np.errstate(over="ignore", under="ignore", invalid="ignore", divide="ignore"):
        # far-off parameters: -inf, or nan made -inf below; the climb turns back from them
        log_age = np.log(data.age - off)
        value[exact] += data.failures[exact] * (
            family.log_density(own[exact], log_age[exact]) - log_age[exact]
        )
        value[left] += data.survivors[left] * _log_survival(
            family, own[left], (data.age - off)[left]
        )
        high = _log_survival(family, own[between], (data.age - off)[between])
        low = _log_survival(family, own[between], (data.age_lower - off)[between])
        value[between] += data.failures[between] * (low + np.log(-np.expm1(high - low)))
        weight = data.failures + data.survivors
        value[late] -= weight[late] * _log_survival(family, own[late], (data.entry - off)[late])
    total = sums_by(data.code, np.where(np.isnan(value), -np.inf, value), data.n_strata)
    return total


def _log_survival(family: Family, theta: Floats, age: Floats) -> Floats:
    alive = age <= 0  # at or before the threshold, or at age 0: nothing has failed
    logs = family.log_survival(theta, np.log(np.where(alive, 1.0, age)))
    return np.where(alive, 0.0, logs)


def slopes(value: Callable[[Floats], Floats], theta: Floats) -> tuple[Floats, Floats]:
    """Gradient (n, k) and matrix of second slopes (n, k, k), by central differences."""
    n, k = theta.shape
    step = _DIFFERENCE * np.eye(k)
    here = value(theta)
    up = np.stack([value(theta + step[i]) for i in range(k)], axis=1)
    down = np.stack([value(theta - step[i]) for i in range(k)], axis=1)
    bend = np.empty((n, k, k))
    for i in range(k):
        bend[:, i, i] = (up[:, i] - 2 * here + down[:, i]) / _DIFFERENCE**2
        for j in range(i):
            both = value(theta + step[i] + step[j]) - up[:, i] - up[:, j] + 2 * here
            both += value(theta - step[i] - step[j]) - down[:, i] - down[:, j]
            bend[:, i, j] = bend[:, j, i] = both / (2 * _DIFFERENCE**2)
    return (up - down) / (2 * _DIFFERENCE), bend


def covariance(bend: Floats) -> Floats:
    """Inverse of the observed information, from second slopes; NaN where it is not positive."""
    values, vectors = np.linalg.eigh(-bend)
    good = (values > 0).all(axis=1)
    inverse = 1 / np.where(values > 0, values, 1.0)
    found: Floats = np.einsum("nik,nk,njk->nij", vectors, inverse, vectors)
    found[~good] = np.nan
    return found


def climb(
    family: Family, data: FamilyData, theta: Floats, threshold: Floats | None = None
) -> tuple[Floats, Floats, Bools]:
    """Highest point found from each start (n, k), its value, and whether the climb ended.

    Newton steps with damping of each stratum's own (Levenberg and Marquardt). Strata that
    have ended are put aside when they are many, so that a slow one costs only itself. One
    whose parameters run off beyond ``FARTHEST`` or ``MOST_SKEW`` has ended too.
    """
    theta = theta.copy()
    at, damping = log_likelihoods(family, data, theta, threshold), np.full(len(theta), 1e-3)
    done = ~np.isfinite(at)
    rows, part, shift = np.arange(len(theta)), data, threshold
    for _ in range(_STEPS):
        open_: Bools = ~done[rows]
        if not open_.any():
            break
        if open_.sum() <= _COMPRESSED * len(rows):
            part, rows = part.of_strata(open_), rows[open_]
            shift = None if shift is None else shift[open_]

        def value(
            at_theta: Floats, part: FamilyData = part, shift: Floats | None = shift
        ) -> Floats:
            return log_likelihoods(family, part, at_theta, shift)

        gradient, bend = slopes(value, theta[rows])
        usable: Bools = np.isfinite(gradient.sum(axis=1) + bend.sum(axis=(1, 2)))
        step, promise = _damped_steps(
            np.where(usable[:, None], gradient, 0.0),
            np.where(usable[:, None, None], bend, -np.eye(theta.shape[1])),
            damping[rows],
        )
        ended = done[rows] | (promise <= _GAIN * (1 + np.abs(at[rows]))) | ~usable
        trial = theta[rows] + np.where(ended[:, None], 0.0, step)
        reached = value(trial)
        better = ~ended & (reached > at[rows])
        theta[rows[better]], at[rows[better]] = trial[better], reached[better]
        damping[rows] = np.where(better, np.maximum(damping[rows] / 10, 1e-9), damping[rows] * 8)
        done[rows] = ended | (damping[rows] > 1e12) | ran_off(theta[rows])
    return theta, at, done & np.isfinite(at)


def ran_off(theta: Floats) -> Bools:
    """Whether parameters have left the range in which a fit means anything."""
    far: Bools = np.abs(theta[:, 1:2]).max(axis=1, initial=0.0) > FARTHEST
    skewed: Bools = np.abs(theta[:, 2:]).max(axis=1, initial=0.0) > MOST_SKEW
    return far | skewed


def _damped_steps(gradient: Floats, bend: Floats, damping: Floats) -> tuple[Floats, Floats]:
    """Return steps uphill, and twice the gain each promises."""
    size = np.abs(np.einsum("nii->ni", bend)).max(axis=1)
    values, vectors = np.linalg.eigh(-bend)
    floor = damping[:, None] * np.maximum(size, 1e-8)[:, None]
    curved = np.maximum(np.abs(values), 1e-10 * np.maximum(size, 1e-8)[:, None]) + floor
    along = np.einsum("nij,ni->nj", vectors, gradient)
    step = np.einsum("nij,nj->ni", vectors, along / curved)
    longest = np.abs(step).max(axis=1)
    step *= np.minimum(1.0, _LONGEST / np.maximum(longest, 1e-300))[:, None]
    return step, np.einsum("ni,ni->n", step, gradient)
