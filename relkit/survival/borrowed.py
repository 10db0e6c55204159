"""Estimates and limits of strata whose shape is borrowed: averages over the shape's posterior.

Layer: survival. numpy and scipy.special only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, gammainccinv, gammaln, ndtri

from relkit.survival.limits import B10_HAZARD
from relkit.survival.shape_posterior import LOG_SHAPES, ShapePosterior, ShapeTable, at_log_shape

__all__ = ["borrowed_columns"]

#: Probability of a log shape below which it is left out of an average.
_NEGLIGIBLE = 1e-10
#: Log of a cumulative hazard that is certain to have been passed; exp fails at 709.
_CERTAIN = 700.0
#: Change of a log life at which the search for it ends.
_CLOSE = 1e-9
_MOST_STEPS = 60


def borrowed_columns(
    posterior: ShapePosterior,
    table: ShapeTable,
    failures: NDArray[np.float64],
    confidence_level: float,
) -> dict[str, NDArray[np.float64]]:
    """Columns of the result, by name, of strata that borrow their shape.

    The shape is its posterior median, the scale the best one for that shape. Limits of scale
    and B10 life average the chi-square limits for a known shape over the posterior.

    Parameters
    ----------
    posterior : ShapePosterior
        Of each stratum's log shape.
    table : ShapeTable
        Of the same strata.
    failures : ndarray, shape (n_strata,)
        Weighted failures; 0 leaves a one-sided lower bound. [1]
    confidence_level : float
        Of the two-sided limits. [1]
    """
    none = failures == 0
    u = posterior.quantile(0.5)
    shape = np.exp(u)
    some = np.where(none, np.nan, failures)
    reference = table.log_reference
    log_scale = reference + (at_log_shape(table.log_power, u) - np.log(some)) / shape
    tail = (1 - confidence_level) / 2
    columns = {
        "shape": shape,
        "shape_lower": np.exp(posterior.quantile(tail)),
        "shape_upper": np.exp(posterior.quantile(1 - tail)),
        "scale": np.exp(log_scale),
        "b10": np.exp(log_scale + np.log(B10_HAZARD) / shape),
        "log_likelihood": np.full(len(u), np.nan),
        "probability_of_wear": posterior.probability_above(0.0),
    }
    lower = np.where(none, 1 - confidence_level, tail)
    degrees = np.where(none[:, None], 1.0, table.failures + 1)
    for name, hazard in (("scale", 1.0), ("b10", B10_HAZARD)):
        log_power = table.log_power + np.log(hazard)
        low = _life_quantile(posterior, log_power, degrees, lower)
        high = _life_quantile(posterior, log_power, table.failures, np.full(len(u), 1 - tail))
        with np.errstate(over="ignore"):  # infinite is the right limit of a shape near 0
            columns[f"{name}_lower"] = np.exp(reference + low)
            columns[f"{name}_upper"] = np.where(none, np.inf, np.exp(reference + high))
    return columns | _log_errors(posterior, table, none)


def _log_errors(
    posterior: ShapePosterior, table: ShapeTable, none: NDArray[np.bool_]
) -> dict[str, NDArray[np.float64]]:
    """Return standard deviations and correlation of log shape and log scale."""
    log_scale = (table.log_power - np.log(table.failures)) / np.exp(LOG_SHAPES)
    off_shape = LOG_SHAPES - posterior.mean(np.broadcast_to(LOG_SHAPES, log_scale.shape))[:, None]
    off_scale = log_scale - posterior.mean(log_scale)[:, None]
    var_shape = posterior.mean(off_shape**2)
    given_shape = posterior.mean(1 / (table.failures * np.exp(2 * LOG_SHAPES)))
    var_scale = np.where(none, np.nan, posterior.mean(off_scale**2) + given_shape)
    together = posterior.mean(off_shape * off_scale)
    varies = np.where(var_shape > 0, var_shape, np.nan)  # of a shape that is certain: none
    return {
        "log_shape_std_error": np.sqrt(var_shape),
        "log_scale_std_error": np.sqrt(var_scale),
        "log_correlation": together / np.sqrt(varies * var_scale),
    }


def _life_quantile(
    posterior: ShapePosterior,
    log_power: NDArray[np.float64],
    degrees: NDArray[np.float64],
    p: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the log life below which a share ``p`` lies, averaged over the log shape.

    For a given shape b, exp(log_power) life^-b is gamma-distributed. The root of the average
    is bracketed by the roots for each shape; Newton's method finds it on the scale of normal
    deviates, on which the average is nearly a straight line in the log life.
    """
    weight = posterior.probability
    each = (log_power - np.log(gammainccinv(degrees, p[:, None]))) / np.exp(LOG_SHAPES)
    counts = weight > _NEGLIGIBLE
    low = np.where(counts, each, np.inf).min(axis=1)
    high = np.where(counts, each, -np.inf).max(axis=1)
    life: NDArray[np.float64] = posterior.mean(each)
    active = np.flatnonzero(high > low)  # not where the shape is certain, nor NaN
    for _ in range(_MOST_STEPS):
        if not len(active):
            break
        here = life[active]
        share, slope = _share_below(here, weight[active], log_power[active], degrees[active])
        below = share < p[active]
        low[active] = np.where(below, here, low[active])
        high[active] = np.where(below, high[active], here)
        deviate = ndtri(share)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            density = np.exp(-(deviate**2) / 2) / np.sqrt(2 * np.pi)
            trial = here + (ndtri(p[active]) - deviate) * density / slope
        inside = (trial >= low[active]) & (trial <= high[active])
        life[active] = np.where(inside, trial, (low[active] + high[active]) / 2)
        active = active[np.abs(life[active] - here) > _CLOSE]
    return life


def _share_below(
    log_life: NDArray[np.float64],
    weight: NDArray[np.float64],
    log_power: NDArray[np.float64],
    degrees: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the average share of lives below a log life, and its slope."""
    shape = np.exp(LOG_SHAPES)
    log_hazard = np.minimum(log_power - shape * log_life[:, None], _CERTAIN)
    hazard = np.exp(log_hazard)
    density = shape * np.exp(degrees * log_hazard - hazard - gammaln(degrees))
    return (weight * gammaincc(degrees, hazard)).sum(axis=1), (weight * density).sum(axis=1)
