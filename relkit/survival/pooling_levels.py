"""Posterior of the strata of one pool, on a grid, with one or two levels of scattered means.

Layer: survival. numpy only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from relkit.survival.shape_posterior import PRIOR_MEAN

__all__ = ["LOG_SCALES", "LOG_SHAPES", "STEP", "TILT", "three_levels", "two_levels"]

Floats = NDArray[np.float64]

STEP = 0.06
#: Log shapes of the grid, for shapes from 0.3 to 11.
LOG_SHAPES: NDArray[np.float64] = np.arange(-1.2, 2.4 + STEP / 2, STEP)
#: Log scales of the grid, over the scale of the whole pool.
LOG_SCALES: NDArray[np.float64] = np.arange(-3.6, 4.2 + STEP / 2, STEP)
_SHAPE_MEANS = np.arange(-0.5, 1.9, 0.1)
_SHAPE_SCATTERS = np.array([0.05, 0.12, 0.2, 0.3, 0.45, 0.7])
_SCALE_MEANS = np.arange(-1.8, 2.41, 0.12)
_SCALE_SCATTERS = np.array([0.06, 0.15, 0.25, 0.4, 0.6, 0.9, 1.3])
#: Stated priors: of a pool's mean log shape normal with this deviation about that of
#: shape_posterior.py (wide: it only counts in pools of a dozen failures), of the scatters
#: half-normal. Common practice: locations of a component differ by up to 2 times either way in
#: scale (0.5) and a third in shape (0.3) as a rule.
_MEAN_SD, _SHAPE_SCATTER_SD, _SCALE_SCATTER_SD = 0.8, 0.3, 0.5
#: Power of a pool's mean shape in its prior where next to nothing has failed; 0 where all has.
#: Lives that are cut off early tell the failure rate at those ages, not the scale: a prior flat in
#: the log of that rate is one flat in the log scale times the shape. The half above 1 makes up
#: for the long tail of scales, and was set by simulation of pools of 24 failures (own choice).
TILT = 1.5
_TINY = float(np.finfo(np.float64).tiny)


def two_levels(likelihood: Floats, tilt: float) -> tuple[Floats, Floats]:
    """Return the posterior of each stratum of one pool on the grid, and the pool's means.

    Parameters
    ----------
    likelihood : ndarray, shape (n_strata, shapes, scales)
        Of each stratum on the grid.
    tilt : float
        Power of the mean shape in its prior. [1]

    Returns
    -------
    posterior : ndarray, shape (n_strata, shapes, scales)
        Adds up to 1 in each stratum.
    means : ndarray, shape (2,)
        Posterior means of the mean log shape and of the mean log scale, over the reference.
    """
    of_shape, of_scale = _kernels()
    together = _prior_of_means(tilt)
    logs = [np.log(np.maximum(_means_of(cell, of_shape, of_scale), _TINY)) for cell in likelihood]
    for e in logs:
        together = together + e
    posterior = np.empty_like(likelihood)
    for i, cell in enumerate(likelihood):
        # a stratum's own evidence is taken out here, and put back with its likelihood
        posterior[i] = _grid_of(_weights(together - logs[i]), of_shape, of_scale) * cell
    posterior /= posterior.sum(axis=(1, 2), keepdims=True)
    weight = _weights(together)
    means = [np.tile(m, len(s)) for m, s in (
        (_SHAPE_MEANS, _SHAPE_SCATTERS), (_SCALE_MEANS, _SCALE_SCATTERS))]  # fmt: skip
    return posterior, np.array([weight.sum(axis=1) @ means[0], weight.sum(axis=0) @ means[1]])


def three_levels(
    likelihood: Floats, subpool: NDArray[np.intp], tilt: float
) -> tuple[Floats, Floats, Floats]:
    """Return the same where the strata of a pool stand in subpools that are more alike.

    Strata scatter about the mean of their subpool, and these means about that of the pool. How
    much strata scatter is common to the subpools; both scatters have the same priors.

    Parameters
    ----------
    likelihood : ndarray, shape (n_strata, shapes, scales)
        Of each stratum on the grid.
    subpool : ndarray of int, shape (n_strata,)
        Subpool of each stratum, 0 to n - 1.
    tilt : float
        Power of the pool's mean shape in its prior. [1]

    Returns
    -------
    posterior : ndarray, shape (n_strata, shapes, scales)
    means : ndarray, shape (2,)
        Of the pool, as from :func:`two_levels`.
    subpool_means : ndarray, shape (2, n)
        The same of each subpool.
    """
    of_shape, of_scale = _kernels()
    evidence = np.stack([_means_of(cell, of_shape, of_scale) for cell in likelihood])
    logs = np.log(np.maximum(evidence, _TINY))
    n_sub = int(subpool.max()) + 1
    own = np.stack([logs[subpool == g].sum(axis=0) for g in range(n_sub)])
    upper = (
        _kernel(_SHAPE_MEANS, _SHAPE_MEANS, _SHAPE_SCATTERS),
        _kernel(_SCALE_MEANS, _SCALE_MEANS, _SCALE_SCATTERS),
    )
    lent, pool_means = _lent(own, upper, tilt)
    posterior = np.empty_like(likelihood)
    sub_means = np.empty((2, n_sub))
    shape_of, scale_of = (
        np.tile(m, len(s))
        for m, s in ((_SHAPE_MEANS, _SHAPE_SCATTERS), (_SCALE_MEANS, _SCALE_SCATTERS))
    )
    for g in range(n_sub):
        weight = _weights(lent[g] + own[g])
        sub_means[:, g] = weight.sum(axis=1) @ shape_of, weight.sum(axis=0) @ scale_of
        for i in np.flatnonzero(subpool == g):
            others = _weights(lent[g] + own[g] - logs[i])
            posterior[i] = _grid_of(others, of_shape, of_scale) * likelihood[i]
    posterior /= posterior.sum(axis=(1, 2), keepdims=True)
    return posterior, pool_means, sub_means


def _lent(own: Floats, upper: tuple[Floats, Floats], tilt: float) -> tuple[Floats, Floats]:
    """Return what the other subpools lend each one, as log prior of its mean and scatter.

    Also the posterior means of the pool's means.
    """
    n_sub = len(own)
    shapes, scales = len(_SHAPE_SCATTERS), len(_SCALE_SCATTERS)
    # rows are (scatter, mean) of shape, columns (scatter, mean) of scale
    blocks = own.reshape(n_sub, shapes, len(_SHAPE_MEANS), scales, len(_SCALE_MEANS))
    above = _prior_of_means(tilt)
    scatter = _log_scatter_prior(_SHAPE_SCATTERS, _SHAPE_SCATTER_SD)[:, None]
    scatter = scatter + _log_scatter_prior(_SCALE_SCATTERS, _SCALE_SCATTER_SD)
    lent = np.empty_like(blocks)
    mass, moments = np.empty((shapes, scales)), np.empty((2, shapes, scales))
    means = [np.tile(m, len(s)) for m, s in (
        (_SHAPE_MEANS, _SHAPE_SCATTERS), (_SCALE_MEANS, _SCALE_SCATTERS))]  # fmt: skip
    for a in range(shapes):
        for b in range(scales):
            part = blocks[:, a, :, b, :]
            top = part.max(axis=(1, 2), keepdims=True)
            evidence = np.stack([_means_of(e, *upper) for e in np.exp(part - top)])
            log_evidence = np.log(np.maximum(evidence, _TINY)) + top
            together = above + log_evidence.sum(axis=0)
            for g in range(n_sub):
                others = together - log_evidence[g]
                peak = others.max()
                prior = _grid_of(np.exp(others - peak), *upper)
                lent[g, a, :, b, :] = np.log(np.maximum(prior, _TINY)) + peak + scatter[a, b]
            peak = together.max()
            weight = np.exp(together - peak)
            mass[a, b] = np.log(weight.sum()) + peak + scatter[a, b]
            weight /= weight.sum()
            moments[:, a, b] = weight.sum(axis=1) @ means[0], weight.sum(axis=0) @ means[1]
    share = _weights(mass)
    return lent.reshape(own.shape), (moments * share).sum(axis=(1, 2))


def _weights(logs: Floats) -> Floats:
    weight = np.exp(logs - logs.max())
    weights: Floats = weight / weight.sum()
    return weights


def _kernels() -> tuple[Floats, Floats]:
    return (
        _kernel(LOG_SHAPES, _SHAPE_MEANS, _SHAPE_SCATTERS),
        _kernel(LOG_SCALES, _SCALE_MEANS, _SCALE_SCATTERS),
    )


def _prior_of_means(tilt: float) -> Floats:
    """Return the log prior of mean and scatter of log shape (rows) and log scale (columns)."""
    mean = np.tile(_SHAPE_MEANS, len(_SHAPE_SCATTERS))
    shape = np.repeat(_log_scatter_prior(_SHAPE_SCATTERS, _SHAPE_SCATTER_SD), len(_SHAPE_MEANS))
    shape = shape - ((mean - PRIOR_MEAN) / _MEAN_SD) ** 2 / 2 + tilt * mean
    scale = np.repeat(_log_scatter_prior(_SCALE_SCATTERS, _SCALE_SCATTER_SD), len(_SCALE_MEANS))
    prior: Floats = shape[:, None] + scale
    return prior


def _log_scatter_prior(scatters: Floats, sd: float) -> Floats:
    prior: Floats = np.log(np.gradient(scatters)) - (scatters / sd) ** 2 / 2  # uneven steps
    return prior


def _kernel(grid: Floats, means: Floats, scatters: Floats) -> Floats:
    """Return normal weights of the grid for each scatter and mean, (scatters, means, grid)."""
    off = (grid - means[:, None]) / scatters[:, None, None]
    weight = np.exp(-(off**2) / 2)
    weights: Floats = weight / weight.sum(axis=2, keepdims=True)
    return weights


def _means_of(cell: Floats, of_shape: Floats, of_scale: Floats) -> Floats:
    """Return the evidence of a grid (shapes, scales) for each (scatter, mean) of both.

    In small products: large ones are shared among threads, which on a busy machine cost tens
    of times what they save.
    """
    rows = []
    for shape in of_shape:
        part = shape @ cell
        rows.append(np.concatenate([part @ scale.T for scale in of_scale], axis=1))
    return np.concatenate(rows)


def _grid_of(weight: Floats, of_shape: Floats, of_scale: Floats) -> Floats:
    """Return the way back: weights of each (scatter, mean) of both, spread over the grid."""
    blocks = weight.reshape(*of_shape.shape[:2], *of_scale.shape[:2])
    grid = np.zeros((of_shape.shape[2], of_scale.shape[2]))
    for shape, block in zip(of_shape, blocks, strict=True):
        part = np.zeros((block.shape[0], of_scale.shape[2]))
        for t, scale in enumerate(of_scale):
            part += block[:, t] @ scale
        grid += shape.T @ part
    return grid
