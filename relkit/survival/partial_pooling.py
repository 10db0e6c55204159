"""Shape and scale of strata that borrow both from their pool, in the measure it is uniform.

Layer: survival. numpy only.

The model: log shapes and log scales of one pool's strata are scattered normally about common
means. Means and scatters are estimated with the strata: uniform pools lend much, pools of
unlike strata little. Everything is summed on grids, nothing is drawn. Unlike the shared shape
of shape_posterior.py, strata in which little or nothing failed so tell that they last.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from relkit.checks import generator, share
from relkit.survival.limits import B10_HAZARD
from relkit.survival.observed import ObservedLives
from relkit.survival.pooling_levels import (
    LOG_SCALES,
    LOG_SHAPES,
    STEP,
    TILT,
    three_levels,
    two_levels,
)
from relkit.survival.shape_posterior import censoring_power
from relkit.survival.strata import sorted_strata
from relkit.survival.weibull import given_shape_fits, own_fits
from relkit.survival.weibull_likelihood import weibull_likelihood
from relkit.survival.weibull_result import WeibullFits, aged_lives

__all__ = ["PartialPooling", "drawn_cells", "partial_pooling"]

#: Least, middle and greatest shape at which the grid of scales is placed.
_USUAL = (0.8, 1.5, 3.0)
#: Failures above which a stratum is too narrow for the grid: it keeps its own fit and lends a
#: normal likelihood at least as wide as a step of the grid.
_NARROW = 60.0
_OWN_FIT = f"more than {_NARROW:g} failures: the own fit stands, with limits from it alone"
_UNKNOWN = "fewer than two failures in the whole pool: nothing is known of the scale"
#: Strata whose likelihoods are held at once.
_AT_ONCE = 600


@dataclass(frozen=True, slots=True, eq=False)
class PartialPooling:
    """Pooled estimates of each stratum, its own beside them; all arrays (n_strata,)."""

    lives: NDArray[np.float64]  #: of an age above 0 [1]
    failures: NDArray[np.float64]  #: among them, shares added up [1]
    shape: NDArray[np.float64]  #: posterior median [1]
    shape_lower: NDArray[np.float64]  #: [1]
    shape_upper: NDArray[np.float64]  #: [1]
    scale: NDArray[np.float64]  #: posterior median [clock]
    scale_lower: NDArray[np.float64]  #: [clock]
    scale_upper: NDArray[np.float64]  #: [clock]
    b10: NDArray[np.float64]  #: age by which 10 % have failed, posterior median [clock]
    b10_lower: NDArray[np.float64]  #: [clock]
    b10_upper: NDArray[np.float64]  #: [clock]
    own_shape: NDArray[np.float64]  #: from the stratum's own lives; NaN if there is none [1]
    own_scale: NDArray[np.float64]  #: [clock]
    pool_shape: NDArray[np.float64]  #: posterior mean of the pool's mean log shape, as a shape
    pool_scale: NDArray[np.float64]  #: the same of the log scale [clock]
    subpool_shape: NDArray[np.float64]  #: the same of the subpool; NaN without subpools [1]
    subpool_scale: NDArray[np.float64]  #: [clock]
    pull: NDArray[np.float64]  #: way of log scale from own to pool; NaN without own [1]
    shape_pull: NDArray[np.float64]  #: the same of the log shape [1]
    borrowed: NDArray[np.bool_]  #: False where the own fit stands, or nothing is known
    status: NDArray[np.str_]  #: of the own fit: a :class:`~relkit.survival.status.Status`
    reason: NDArray[np.object_]  #: why nothing was borrowed; empty where it was
    confidence_level: float  #: of the two-sided limits [1]
    posterior: NDArray[np.float32]  #: on the grid, (n_strata, shapes, scales)
    log_reference: NDArray[np.float64]  #: log scale at 0 of the grid [log clock]


def partial_pooling(
    lives: ObservedLives,
    pool: NDArray[np.intp],
    n_pools: int,
    *,
    subpool: NDArray[np.intp] | None = None,
    confidence_level: float = 0.95,
) -> PartialPooling:
    """Shape and scale of every stratum, borrowed from its pool as far as the pool is uniform.

    Assumes that, before the lives are seen, nothing tells the strata of one pool apart, and
    that scatters of log shape and log scale are unrelated.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    pool : ndarray of int, shape (n_strata,)
        Pool of each stratum, 0 to ``n_pools - 1``.
    n_pools : int
        Number of pools.
    subpool : ndarray of int, shape (n_strata,), optional
        Part of a pool, such as a location group, whose strata are more alike: they scatter
        about the mean of the subpool, and these means about that of the pool.
    confidence_level : float
        Probability between the limits, between 0 and 1. [1]

    Returns
    -------
    PartialPooling
        Strata with more than 60 failures keep their own fit with Fisher limits (``borrowed``
        False). In a pool without two failures nothing is known of the scale: NaN. Shape and
        scale move together, so that one ``pull`` may lie below 0 or above 1.

    Raises
    ------
    ValueError
        ``confidence_level`` is not between 0 and 1, or a subpool lies in several pools.

    Notes
    -----
    About 3 ms a stratum, and 32 kB are kept of each for :func:`drawn_cells`.

    References
    ----------
    .. [1] C. Lewis-Beck, Q. Tian and W. Q. Meeker, arXiv:2011.03140 (borrowing strength across
       groups of heavily censored field data); the form used here is our own algebra.
    """
    share("confidence_level", confidence_level)
    aged = aged_lives(lives)
    own = own_fits(aged, confidence_level=confidence_level)
    reference = _pool_scale(aged, pool, n_pools)
    n = len(own.failures)
    parts = np.zeros(n, dtype=np.intp) if subpool is None else _nested(subpool, pool)
    posterior = np.zeros((n, len(LOG_SHAPES), len(LOG_SCALES)), dtype=np.float32)
    means = np.full((4, n), np.nan)  # of pool and of subpool, log shape and log scale
    tilt = _tilts(own, pool, n_pools)
    for chunk in _chunks(pool, reference):
        grid = _grids(aged, chunk, own, reference[pool])
        for p in np.unique(pool[chunk]):
            mine, where = pool[chunk] == p, np.flatnonzero(pool == p)
            if subpool is None:
                posterior[where], middle = two_levels(grid[mine], tilt[p])
            else:
                part = np.unique(parts[where], return_inverse=True)[1]
                posterior[where], middle, inner = three_levels(grid[mine], part, tilt[p])
                means[2:, where] = inner[:, part]
            means[:2, where] = middle[:, None]
    known = np.isfinite(reference)[pool]
    means += np.array([[0], [1], [0], [1]]) * reference[pool]
    return _result(own, posterior, known, means, reference[pool])


def _nested(subpool: NDArray[np.intp], pool: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the subpools as given, if each lies in one pool.

    Raises
    ------
    ValueError
        One lies in several.
    """
    pairs = np.unique(np.column_stack([subpool, pool]), axis=0)
    twice = pairs[1:, 0][pairs[1:, 0] == pairs[:-1, 0]]
    if len(twice):
        raise ValueError(f"subpool {twice[0]} has strata of several pools: give each one pool")
    return subpool


def drawn_cells(
    pooling: PartialPooling, draws: int, rng: np.random.Generator | int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shapes and scales drawn from the posterior, each (n_strata, draws); NaN if not borrowed.

    Parameters
    ----------
    pooling : PartialPooling
        The strata.
    draws : int
        Draws of each, at least 1.
    rng : numpy.random.Generator or int
        Source of the draws.

    Raises
    ------
    ValueError
        ``draws`` is below 1.
    """
    if draws < 1:
        raise ValueError(f"draws is {draws}: must be at least 1")
    source = generator(rng)
    n = len(pooling.shape)
    jitter = source.uniform(-STEP / 2, STEP / 2, (2, n, draws))
    point = source.random((n, draws))
    shape, scale = np.full((n, draws), np.nan), np.full((n, draws), np.nan)
    for i in np.flatnonzero(pooling.borrowed):
        total = np.cumsum(pooling.posterior[i].ravel(), dtype=np.float64)
        u, v = np.divmod(np.searchsorted(total, point[i] * total[-1]), len(LOG_SCALES))
        shape[i] = np.exp(LOG_SHAPES[u] + jitter[0, i])
        scale[i] = np.exp(pooling.log_reference[i] + LOG_SCALES[v] + jitter[1, i])
    return shape, scale


def _pool_scale(lives: ObservedLives, pool: NDArray[np.intp], n_pools: int) -> NDArray[np.float64]:
    """Return the log of the scale that all lives of each pool would have together, or NaN.

    For the shape that they would have together, within the usual; it only places the grid.
    """
    strata = sorted_strata(pool[lives.strata.codes()], n_pools)

    def arranged(values: NDArray[np.float64] | None) -> NDArray[np.float64] | None:
        return None if values is None else strata.arranged(values)

    together = ObservedLives(
        strata,
        strata.arranged(lives.age),
        strata.arranged(lives.failures),
        arranged(lives.entry),
        arranged(lives.count),
        arranged(lives.age_lower),
    )
    shape = own_fits(together).shape
    shape = np.clip(np.where(np.isnan(shape), _USUAL[1], shape), _USUAL[0], _USUAL[2])
    fits = given_shape_fits(together, shape)
    return np.where(fits.failures >= 2, np.log(fits.scale), np.nan)


def _chunks(pool: NDArray[np.intp], reference: NDArray[np.float64]) -> list[NDArray[np.bool_]]:
    """Return sets of whole pools with a scale, of about ``_AT_ONCE`` strata or one pool each."""
    sizes = np.bincount(pool, minlength=len(reference))
    number = (np.cumsum(sizes) - sizes) // _AT_ONCE
    known = np.isfinite(reference)[pool]
    return [(number[pool] == k) & known for k in np.unique(number[pool][known])]


def _grids(
    lives: ObservedLives,
    chunk: NDArray[np.bool_],
    own: WeibullFits,
    reference: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the likelihood of the strata on the grid, at most 1, (n_strata, shapes, scales)."""
    likelihood = weibull_likelihood(lives.of_strata(chunk))
    offset = reference[chunk] - likelihood.log_reference
    values = np.empty((likelihood.n_strata, len(LOG_SHAPES), len(LOG_SCALES)))
    for a, u in enumerate(LOG_SHAPES):
        here = np.full(likelihood.n_strata, u)
        sums = likelihood.power_sums(here)
        for b, v in enumerate(LOG_SCALES):
            values[:, a, b] = likelihood.slopes(here, -np.exp(u) * (v + offset), sums).value
    narrow = (own.failures[chunk] > _NARROW) & np.isfinite(own.log_scale_std_error[chunk])
    numbers = np.flatnonzero(chunk)
    for i in np.flatnonzero(narrow):
        k = numbers[i]
        off_u = (LOG_SHAPES - np.log(own.shape[k])) / max(own.log_shape_std_error[k], STEP)
        off_v = LOG_SCALES + reference[k] - np.log(own.scale[k])
        off_v = off_v / max(own.log_scale_std_error[k], STEP)
        values[i] = -(off_u[:, None] ** 2 + off_v**2) / 2
    values = np.where(np.isnan(values), -np.inf, values)  # beyond what exp can hold: impossible
    values -= values.max(axis=(1, 2), keepdims=True)
    grids: NDArray[np.float64] = np.exp(values)
    return grids


def _tilts(own: WeibullFits, pool: NDArray[np.intp], n_pools: int) -> NDArray[np.float64]:
    """Return the power of the mean shape in the prior of each pool, by the share that failed."""
    lives = np.bincount(pool, own.lives, minlength=n_pools)
    failed = np.bincount(pool, own.failures, minlength=n_pools)
    share = np.minimum(failed / np.maximum(lives, 1.0), 1.0)
    return TILT * (1 - censoring_power(share))


def _result(
    own: WeibullFits,
    posterior: NDArray[np.float32],
    known: NDArray[np.bool_],
    means: NDArray[np.float64],
    reference: NDArray[np.float64],
) -> PartialPooling:
    tail = (1 - own.confidence_level) / 2
    borrowed = known & ((own.failures <= _NARROW) | np.isnan(own.scale))
    log_b10 = LOG_SCALES + np.log(B10_HAZARD) / np.exp(LOG_SHAPES)[:, None]
    columns: dict[str, Any] = {}
    for end, p in (("", 0.5), ("_lower", tail), ("_upper", 1 - tail)):
        shape, scale, b10 = (np.full(len(known), np.nan) for _ in range(3))
        for i in np.flatnonzero(borrowed):
            cell = posterior[i].astype(np.float64)
            shape[i] = _quantile(LOG_SHAPES, cell.sum(axis=1), p)
            scale[i] = _quantile(LOG_SCALES, cell.sum(axis=0), p)
            b10[i] = _quantile_of_points(log_b10, cell, p)
        for name, log_value, base in (
            ("shape", shape, 0.0), ("scale", scale, reference), ("b10", b10, reference),
        ):  # fmt: skip
            values = np.where(borrowed, np.exp(log_value + base), getattr(own, name + end))
            columns[name + end] = np.where(known, values, np.nan)
    pulls = []
    for name, mean in (("shape", means[0]), ("scale", means[1])):
        start = np.log(getattr(own, name))
        way = mean - start
        moved = np.log(columns[name]) - start
        pulls.append(np.where(np.abs(way) > STEP, moved / way, np.nan))
    reason = np.where(known, _OWN_FIT, _UNKNOWN).astype(object)
    return PartialPooling(
        lives=own.lives,
        failures=own.failures,
        **columns,
        own_shape=own.shape,
        own_scale=own.scale,
        pool_shape=np.exp(means[0]),
        pool_scale=np.exp(means[1]),
        subpool_shape=np.exp(means[2]),
        subpool_scale=np.exp(means[3]),
        pull=pulls[1],
        shape_pull=pulls[0],
        borrowed=borrowed,
        status=own.status,
        reason=np.where(borrowed, "", reason),
        confidence_level=own.confidence_level,
        posterior=posterior,
        log_reference=reference,
    )


def _quantile(grid: NDArray[np.float64], mass: NDArray[np.float64], p: float) -> float:
    """Return the point of an even grid below which a share ``p`` of the mass lies."""
    total = np.cumsum(mass) / mass.sum()
    return float(np.interp(p, total, grid + STEP / 2))


def _quantile_of_points(values: NDArray[np.float64], mass: NDArray[np.float64], p: float) -> float:
    order = np.argsort(values, axis=None)
    total = np.cumsum(mass.ravel()[order])
    total = (total - mass.ravel()[order] / 2) / total[-1]
    return float(np.interp(p, total, values.ravel()[order]))
