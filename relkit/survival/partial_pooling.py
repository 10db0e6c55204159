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
from relkit.survival.shape_posterior import PRIOR_MEAN
from relkit.survival.strata import sorted_strata
from relkit.survival.weibull import given_shape_fits, own_fits
from relkit.survival.weibull_likelihood import weibull_likelihood
from relkit.survival.weibull_result import WeibullFits, aged_lives

__all__ = ["PartialPooling", "drawn_cells", "partial_pooling"]

_STEP = 0.06
#: Least, middle and greatest shape at which the grid of scales is placed.
_USUAL = (0.8, 1.5, 3.0)
#: Log shapes of the grid, for shapes from 0.3 to 11.
_LOG_SHAPES: NDArray[np.float64] = np.arange(-1.2, 2.4 + _STEP / 2, _STEP)
#: Log scales of the grid, over the scale of the whole pool.
_LOG_SCALES: NDArray[np.float64] = np.arange(-3.6, 4.2 + _STEP / 2, _STEP)
_SHAPE_MEANS = np.arange(-0.5, 1.9, 0.1)
_SHAPE_SCATTERS = np.array([0.05, 0.12, 0.2, 0.3, 0.45, 0.7])
_SCALE_MEANS = np.arange(-1.8, 2.41, 0.12)
_SCALE_SCATTERS = np.array([0.06, 0.15, 0.25, 0.4, 0.6, 0.9, 1.3])
#: Stated priors: of a pool's mean log shape normal with this deviation about that of
#: shape_posterior.py (wide: it only counts in pools of a dozen failures), of the scatters
#: half-normal. Common practice: locations of a component differ by up to 2 times either way in
#: scale (0.5) and a third in shape (0.3) as a rule.
_MEAN_SD, _SHAPE_SCATTER_SD, _SCALE_SCATTER_SD = 0.8, 0.3, 0.5
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
        ``confidence_level`` is not between 0 and 1.

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
    posterior = np.zeros((n, len(_LOG_SHAPES), len(_LOG_SCALES)), dtype=np.float32)
    means = np.full((2, n_pools), np.nan)
    for chunk in _chunks(pool, reference):
        grid = _grids(aged, chunk, own, reference[pool])
        for p in np.unique(pool[chunk]):
            mine = pool[chunk] == p
            cells, means[:, p] = _pooled(grid[mine])
            posterior[np.flatnonzero(chunk)[mine]] = cells
    known = np.isfinite(reference)[pool]
    return _result(
        own, posterior, known, (means + [[0], [1]] * reference)[:, pool], reference[pool]
    )


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
    jitter = source.uniform(-_STEP / 2, _STEP / 2, (2, n, draws))
    point = source.random((n, draws))
    shape, scale = np.full((n, draws), np.nan), np.full((n, draws), np.nan)
    for i in np.flatnonzero(pooling.borrowed):
        total = np.cumsum(pooling.posterior[i].ravel(), dtype=np.float64)
        u, v = np.divmod(np.searchsorted(total, point[i] * total[-1]), len(_LOG_SCALES))
        shape[i] = np.exp(_LOG_SHAPES[u] + jitter[0, i])
        scale[i] = np.exp(pooling.log_reference[i] + _LOG_SCALES[v] + jitter[1, i])
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
    values = np.empty((likelihood.n_strata, len(_LOG_SHAPES), len(_LOG_SCALES)))
    for a, u in enumerate(_LOG_SHAPES):
        here = np.full(likelihood.n_strata, u)
        sums = likelihood.power_sums(here)
        for b, v in enumerate(_LOG_SCALES):
            values[:, a, b] = likelihood.slopes(here, -np.exp(u) * (v + offset), sums).value
    narrow = (own.failures[chunk] > _NARROW) & np.isfinite(own.log_scale_std_error[chunk])
    numbers = np.flatnonzero(chunk)
    for i in np.flatnonzero(narrow):
        k = numbers[i]
        off_u = (_LOG_SHAPES - np.log(own.shape[k])) / max(own.log_shape_std_error[k], _STEP)
        off_v = _LOG_SCALES + reference[k] - np.log(own.scale[k])
        off_v = off_v / max(own.log_scale_std_error[k], _STEP)
        values[i] = -(off_u[:, None] ** 2 + off_v**2) / 2
    values = np.where(np.isnan(values), -np.inf, values)  # beyond what exp can hold: impossible
    values -= values.max(axis=(1, 2), keepdims=True)
    grids: NDArray[np.float64] = np.exp(values)
    return grids


def _kernel(
    grid: NDArray[np.float64], means: NDArray[np.float64], scatters: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return normal weights of the grid for each mean and scatter, (means * scatters, grid)."""
    mean, scatter = (values.ravel()[:, None] for values in np.meshgrid(means, scatters))
    weight = np.exp(-(((grid - mean) / scatter) ** 2) / 2)
    weights: NDArray[np.float64] = weight / weight.sum(axis=1, keepdims=True)
    return weights


def _log_prior(
    means: NDArray[np.float64], scatters: NDArray[np.float64], scatter_sd: float
) -> NDArray[np.float64]:
    scatter = np.meshgrid(means, scatters)[1].ravel()
    cells = np.meshgrid(means, np.gradient(scatters))[1].ravel()  # uneven steps
    prior: NDArray[np.float64] = np.log(cells) - (scatter / scatter_sd) ** 2 / 2
    return prior


def _pooled(likelihood: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the posterior of each stratum of one pool on the grid, and the pool's means."""
    of_shape = _kernel(_LOG_SHAPES, _SHAPE_MEANS, _SHAPE_SCATTERS)
    of_scale = _kernel(_LOG_SCALES, _SCALE_MEANS, _SCALE_SCATTERS)
    means = [np.tile(m, len(s)) for m, s in (
        (_SHAPE_MEANS, _SHAPE_SCATTERS), (_SCALE_MEANS, _SCALE_SCATTERS))]  # fmt: skip
    prior = _log_prior(_SHAPE_MEANS, _SHAPE_SCATTERS, _SHAPE_SCATTER_SD)
    prior = prior - ((means[0] - PRIOR_MEAN) / _MEAN_SD) ** 2 / 2
    together = prior[:, None] + _log_prior(_SCALE_MEANS, _SCALE_SCATTERS, _SCALE_SCATTER_SD)
    evidence = [of_shape @ cell @ of_scale.T for cell in likelihood]
    logs = [np.log(np.maximum(e, np.finfo(np.float64).tiny)) for e in evidence]
    for e in logs:
        together = together + e
    posterior = np.empty_like(likelihood)
    for i, cell in enumerate(likelihood):
        # a stratum's own evidence is taken out here, and put back with its likelihood
        others = together - logs[i]
        weight = np.exp(others - others.max())
        posterior[i] = (of_shape.T @ weight @ of_scale) * cell
    posterior /= posterior.sum(axis=(1, 2), keepdims=True)
    weight = np.exp(together - together.max())
    weight /= weight.sum()
    return posterior, np.array([weight.sum(axis=1) @ means[0], weight.sum(axis=0) @ means[1]])


def _result(
    own: WeibullFits,
    posterior: NDArray[np.float32],
    known: NDArray[np.bool_],
    means: NDArray[np.float64],
    reference: NDArray[np.float64],
) -> PartialPooling:
    tail = (1 - own.confidence_level) / 2
    borrowed = known & ((own.failures <= _NARROW) | np.isnan(own.scale))
    log_b10 = _LOG_SCALES + np.log(B10_HAZARD) / np.exp(_LOG_SHAPES)[:, None]
    columns: dict[str, Any] = {}
    for end, p in (("", 0.5), ("_lower", tail), ("_upper", 1 - tail)):
        shape, scale, b10 = (np.full(len(known), np.nan) for _ in range(3))
        for i in np.flatnonzero(borrowed):
            cell = posterior[i].astype(np.float64)
            shape[i] = _quantile(_LOG_SHAPES, cell.sum(axis=1), p)
            scale[i] = _quantile(_LOG_SCALES, cell.sum(axis=0), p)
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
        pulls.append(np.where(np.abs(way) > _STEP, moved / way, np.nan))
    reason = np.where(known, _OWN_FIT, _UNKNOWN).astype(object)
    return PartialPooling(
        lives=own.lives,
        failures=own.failures,
        **columns,
        own_shape=own.shape,
        own_scale=own.scale,
        pool_shape=np.exp(means[0]),
        pool_scale=np.exp(means[1]),
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
    return float(np.interp(p, total, grid + _STEP / 2))


def _quantile_of_points(values: NDArray[np.float64], mass: NDArray[np.float64], p: float) -> float:
    order = np.argsort(values, axis=None)
    total = np.cumsum(mass.ravel()[order])
    total = (total - mass.ravel()[order] / 2) / total[-1]
    return float(np.interp(p, total, values.ravel()[order]))
