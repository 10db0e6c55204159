"""What all strata of a pool together say about the shape of each, on a grid of log shapes.

Layer: survival. numpy and scipy.special only.

The model: log shapes of one pool's strata are scattered normally about a common mean; the
scatter is estimated with the mean, so that a pool of unlike strata lends little to each. Scales
are separate. Everything is summed on grids, nothing is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import exp1, gammaln

from relkit.survival.strata import of_wanted
from relkit.survival.weibull_likelihood import WeibullLikelihood

__all__ = [
    "LOG_SHAPES",
    "PRIOR_MEAN",
    "PRIOR_SD",
    "ShapePosterior",
    "ShapeTable",
    "at_log_shape",
    "censoring_power",
    "pooled_posterior",
    "shape_table",
    "stated_posterior",
]

#: Stated prior of a log shape: normal with this mean and standard deviation. Its values are
#: common practice for parts of vehicles: nine in ten shapes from 0.6 to 2.7.
PRIOR_MEAN, PRIOR_SD = float(np.log(1.3)), 0.45
#: The same prior split into that of a pool's mean and that of the scatter about it
#: (half-normal): together they have the standard deviation above, within 3 %.
_MEAN_SD, _SCATTER_SD = 0.35, 0.30
_STEP = 0.04
#: Grid of log shapes, for shapes from 0.08 to 33.
LOG_SHAPES: NDArray[np.float64] = np.arange(-2.5, 3.5 + _STEP / 2, _STEP)
_MEANS = np.arange(-1.5, 2.8, 0.05)
_SCATTERS = np.array([0.06, 0.09, 0.13, 0.18, 0.25, 0.33, 0.43, 0.56, 0.73, 0.95])
#: Failures above which a likelihood is too narrow for the grid.
_NARROW = 400.0
#: Standard deviation given to such narrow likelihoods where they inform the others.
_NARROW_SD = 0.04


@dataclass(frozen=True, slots=True, eq=False)
class ShapeTable:
    """What each stratum's own lives say for each log shape of the grid, (n_strata, n_grid)."""

    log_likelihood: NDArray[np.float64]  #: with the scale summed over; 0 without a failure
    log_power: NDArray[np.float64]  #: of sum of age^shape - entry^shape, over the largest age
    failures: NDArray[np.float64]  #: failures' worth of knowledge of the scale, at least 1
    log_reference: NDArray[np.float64]  #: log of the largest age, (n_strata,) [log clock]
    narrow: NDArray[np.bool_]  #: too many failures for the grid, (n_strata,)
    own: NDArray[np.float64]  #: own estimate of the log shape, for those, (n_strata,)
    own_error: NDArray[np.float64]  #: its standard error, (n_strata,)

    def of_strata(self, wanted: NDArray[np.bool_]) -> ShapeTable:
        """Return the table of the wanted strata only."""
        return of_wanted(self, wanted)


@dataclass(frozen=True, slots=True, eq=False)
class ShapePosterior:
    """Probabilities of the log shapes of the grid; rows add up to 1, (n_strata, n_grid)."""

    probability: NDArray[np.float64]

    def quantile(self, p: float) -> NDArray[np.float64]:
        """Log shape below which a share ``p`` of the probability lies, for each stratum."""
        total = np.cumsum(self.probability, axis=1)
        above = np.minimum((total < p).sum(axis=1), len(LOG_SHAPES) - 1)
        row = np.arange(len(total))
        reached, mass = total[row, above], self.probability[row, above]
        # the mass of a grid point is spread evenly over its cell
        within = 0.5 - (reached - p) / np.where(mass > 0, mass, 1.0)
        quantiles: NDArray[np.float64] = LOG_SHAPES[above] + _STEP * within
        return quantiles

    def probability_above(self, u: float) -> NDArray[np.float64]:
        """Probability of a log shape above ``u``, for each stratum."""
        share = np.clip((LOG_SHAPES - u) / _STEP + 0.5, 0.0, 1.0)
        above: NDArray[np.float64] = self.probability @ share
        return above

    def mean(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean of values that depend on the log shape, for each stratum."""
        means: NDArray[np.float64] = (self.probability * values).sum(axis=1)
        return means


def shape_table(
    likelihood: WeibullLikelihood,
    lives: NDArray[np.float64],
    informative: NDArray[np.bool_],
    own: NDArray[np.float64],
    own_error: NDArray[np.float64],
) -> ShapeTable:
    """Table of each stratum's likelihood over the grid.

    Parameters
    ----------
    likelihood : WeibullLikelihood
        The strata.
    lives : ndarray, shape (n_strata,)
        Weighted number of lives. [1]
    informative : ndarray of bool, shape (n_strata,)
        False where the failures must not speak for the shape (none, or all at one age).
    own, own_error : ndarray, shape (n_strata,)
        Own estimate of the log shape and its standard error, NaN where there is none: they
        stand in for the likelihood of strata with more than 400 failures.

    Notes
    -----
    Given a shape b, the likelihood of the failure rate q = scale^-b is q^r exp(-q T), a gamma
    form, with r failures and T the sum of powers. Summed over log q it is the profile
    likelihood of b, right for lives that are mostly cut off at set ages; complete samples
    want it divided by b (summed over log scale). Between the two b is taken to the power that
    makes the scale's parameter orthogonal to the shape (Cox and Reid) if all lives are cut off
    at one age: see :func:`censoring_power`. Where failures were found later, r and T are those
    that give the same maximum and curvature: own algebra.

    References
    ----------
    .. [1] D. R. Cox and N. Reid, Parameter orthogonality and approximate conditional
       inference, Journal of the Royal Statistical Society B 49, 1987, 1-39.
    """
    n = likelihood.n_strata
    log_likelihood = np.zeros((n, len(LOG_SHAPES)))
    log_power, failures = np.empty_like(log_likelihood), np.ones_like(log_likelihood)
    some = likelihood.bounded & (likelihood.failures > 0)
    part = likelihood.of_strata(some)
    for k, u in enumerate(LOG_SHAPES):
        sums = likelihood.power_sums(np.full(n, u))
        known = likelihood.bounded & (sums[0] > 0)
        log_power[:, k] = np.log(np.where(known, sums[0], np.nan))
        if not some.any():
            continue
        part_sums, here = [values[some] for values in sums], np.full(len(part.failures), u)
        y = part.log_rates(here, part_sums)
        at = part.slopes(here, y, part_sums)
        worth = -at.yy
        log_likelihood[some, k] = at.value + gammaln(worth) + worth - worth * np.log(worth)
        log_power[some, k] = np.log(worth) - y
        failures[some, k] = np.maximum(worth, 1.0)
    share = np.where(lives > 0, likelihood.failures / np.where(lives > 0, lives, 1.0), 0.0)
    log_likelihood -= censoring_power(share)[:, None] * LOG_SHAPES
    log_likelihood -= log_likelihood.max(axis=1, keepdims=True)
    log_likelihood[~(informative & some)] = 0.0
    narrow = informative & some & (likelihood.failures > _NARROW) & np.isfinite(own)
    sd = np.maximum(own_error[narrow], _NARROW_SD)[:, None]
    log_likelihood[narrow] = -(((LOG_SHAPES - own[narrow, None]) / sd) ** 2) / 2
    return ShapeTable(
        log_likelihood=log_likelihood,
        log_power=log_power,
        failures=failures,
        log_reference=likelihood.log_reference,
        narrow=narrow,
        own=own,
        own_error=own_error,
    )


def censoring_power(failed_share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power of the shape by which its profile likelihood must be divided, 0 to 1.

    With H the cumulative hazard at one common cut-off age, p = 1 - exp(-H) the share failed
    and m = 1 - Ein(H) / p the mean of log age times shape, weighted by hazard, it is minus the
    slope of m in log H: 0 if next to nothing failed, 1 if everything did. Own algebra, from
    the condition of Cox and Reid (1987), eq. 4.

    Examples
    --------
    >>> censoring_power(np.array([0.0, 0.1, 0.5, 0.9, 1.0])).round(3).tolist()
    [0.0, 0.027, 0.183, 0.59, 1.0]
    """
    p = np.clip(failed_share, 1e-6, 1 - 1e-12)
    hazard = -np.log1p(-p)
    ein = exp1(hazard) + np.log(hazard) + np.euler_gamma
    alive = 1 - p
    power = (1 - alive * (1 + hazard) + hazard * alive * (1 - ein / p)) / p
    clipped: NDArray[np.float64] = np.where(failed_share < 1e-4, failed_share / 4, power)
    return clipped


def at_log_shape(values: NDArray[np.float64], u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return values on the grid, (n_strata, n_grid), at one log shape each, by parabolas."""
    place = (u - LOG_SHAPES[0]) / _STEP
    middle = np.clip(np.rint(place).astype(np.intp), 1, len(LOG_SHAPES) - 2)
    row, off = np.arange(len(u)), place - middle
    left, here, right = (values[row, middle + k] for k in (-1, 0, 1))
    read: NDArray[np.float64] = (
        here + off * (right - left) / 2 + off**2 * (left - 2 * here + right) / 2
    )
    return read


def stated_posterior(table: ShapeTable) -> ShapePosterior:
    """Return each stratum's shape from the stated prior and its own lives."""
    log_prior = -(((LOG_SHAPES - PRIOR_MEAN) / PRIOR_SD) ** 2) / 2
    return ShapePosterior(_normalised(np.exp(log_prior + table.log_likelihood)))


def pooled_posterior(table: ShapeTable, pool: NDArray[np.intp], n_pools: int) -> ShapePosterior:
    """Return each stratum's shape from its own lives and from those of its pool.

    Parameters
    ----------
    table : ShapeTable
        The strata.
    pool : ndarray of int, shape (n_strata,)
        Pool of each stratum, 0 to ``n_pools - 1``.
    n_pools : int
        Number of pools.
    """
    kernel, log_prior = _kernel()
    likelihood = np.exp(table.log_likelihood)
    evidence = likelihood @ kernel.T  # of each stratum for each mean and scatter
    log_evidence = np.log(np.maximum(evidence, np.finfo(np.float64).tiny))
    of_pool = np.tile(log_prior, (n_pools, 1))
    np.add.at(of_pool, pool, log_evidence)
    # a stratum's own evidence is in its pool's: taken out here, put back with its likelihood
    others = of_pool[pool] - log_evidence
    others = np.exp(others - others.max(axis=1, keepdims=True))
    return ShapePosterior(_normalised((others @ kernel) * likelihood))


def _kernel() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the normal weights of the grid for each mean and scatter, and their log prior."""
    mean, scatter = (grid.ravel() for grid in np.meshgrid(_MEANS, _SCATTERS, indexing="ij"))
    z = (LOG_SHAPES - mean[:, None]) / scatter[:, None]
    cells = np.gradient(_SCATTERS)  # uneven steps of the scatter
    log_prior = -(((mean - PRIOR_MEAN) / _MEAN_SD) ** 2) / 2 - (scatter / _SCATTER_SD) ** 2 / 2
    log_prior += np.tile(np.log(cells), len(_MEANS))
    return _normalised(np.exp(-(z**2) / 2)), log_prior


def _normalised(weights: NDArray[np.float64]) -> NDArray[np.float64]:
    probabilities: NDArray[np.float64] = weights / weights.sum(axis=1, keepdims=True)
    return probabilities
