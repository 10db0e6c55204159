"""Draws of Weibull shape and scale that stand for what the lives leave unknown.

Layer: survival. numpy only.

A decision averaged over such draws does not rest on a shape that three failures happened to
give. The draws follow the likelihood with a weak prior on the shape, not a normal law on raw
parameters: log shapes from a normal law with two halves of unequal width, scales from the gamma
law of the failure rate that goes with each shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.checks import generator
from relkit.survival.shape_posterior import (
    PRIOR_MEAN,
    PRIOR_SD,
    ShapePosterior,
    ShapeTable,
    at_log_shape,
)

__all__ = ["DrawLaw", "draw_law", "drawn_parameters", "law_of_estimates"]

#: Normal probabilities one standard deviation below and above.
_BELOW, _ABOVE = 0.158655254, 0.841344746


@dataclass(frozen=True, slots=True, eq=False)
class DrawLaw:
    """Law of shape and scale of each stratum; all fields (n_strata,).

    Log shape: median plus a normal deviate times ``below`` or ``above``. Given the shape b,
    log scale = constant + per_shape / b + by_shape * b - log(G) / b with G gamma-distributed
    with ``failures`` degrees.
    """

    log_shape: NDArray[np.float64]  #: median of the log shape [1]
    below: NDArray[np.float64]  #: standard deviation of its lower half [1]
    above: NDArray[np.float64]  #: standard deviation of its upper half [1]
    constant: NDArray[np.float64]  #: [log clock]
    per_shape: NDArray[np.float64]  #: [1]
    by_shape: NDArray[np.float64]  #: [log clock]
    failures: NDArray[np.float64]  #: failures' worth of knowledge of the scale [1]


def draw_law(table: ShapeTable, posterior: ShapePosterior) -> DrawLaw:
    """Law that a posterior on the grid comes down to.

    The log of the sum of powers over b is nearly constant + per_shape / b + by_shape * b (its
    cumulants), and is made exact at the median log shape and 1.5 standard deviations off it.
    Without a failure the scale is as after one failure, which errs on the side of safety.
    """
    middle, low, high = (posterior.quantile(p) for p in (0.5, _BELOW, _ABOVE))
    below = np.where(table.narrow, table.own_error, middle - low)
    above = np.where(table.narrow, table.own_error, high - middle)
    middle = np.where(table.narrow, table.own, middle)
    # narrow laws still need distinct points
    points = [
        middle - 1.5 * np.maximum(below, 0.05),
        middle,
        middle + 1.5 * np.maximum(above, 0.05),
    ]
    shapes = np.exp(np.stack(points, axis=1))
    heights = np.stack([at_log_shape(table.log_power, u) for u in points], axis=1) / shapes
    terms = np.stack([np.ones_like(shapes), 1 / shapes, shapes], axis=2)
    known = np.isfinite(heights).all(axis=1)
    parts = np.full(shapes.shape, np.nan)
    parts[known] = np.linalg.solve(terms[known], heights[known][:, :, None])[:, :, 0]
    return DrawLaw(
        log_shape=middle,
        below=below,
        above=above,
        constant=parts[:, 0] + table.log_reference,
        per_shape=parts[:, 1],
        by_shape=parts[:, 2],
        failures=at_log_shape(table.failures, middle),
    )


def law_of_estimates(
    shape: NDArray[np.float64],
    scale: NDArray[np.float64],
    failures: NDArray[np.float64],
    *,
    log_shape_std_error: NDArray[np.float64],
    log_scale_std_error: NDArray[np.float64],
    log_correlation: NDArray[np.float64],
) -> DrawLaw:
    """Return the law that estimates and their errors stand for, with the stated prior on shape.

    The log shape is normal, from the estimate and the prior by their precisions; the log scale
    follows it along their correlation. NaN in, NaN out.
    """
    u = np.log(shape)
    # a shape without an error was given: no prior moves it
    pull = log_shape_std_error**2 / (log_shape_std_error**2 + PRIOR_SD**2)
    middle = u + pull * (PRIOR_MEAN - u)
    spread = log_shape_std_error * np.sqrt(1 - pull)
    given = log_shape_std_error == 0
    steady = np.where(given, 1.0, log_shape_std_error)
    slope = np.where(given, 0.0, log_correlation * log_scale_std_error / steady)
    # log scale = log(scale) + slope (log b - u) + log(failures) / b, of which 1 / b and b
    # carry log b to second order about the middle: b / m = exp(s) with s = log b - log m,
    # and sinh(s) = (b / m - m / b) / 2
    m = np.exp(middle)
    return DrawLaw(
        log_shape=middle,
        below=spread,
        above=spread,
        constant=np.log(scale) + slope * (middle - u),
        per_shape=np.log(failures) - slope * m / 2,
        by_shape=slope / (2 * m),
        failures=failures,
    )


def drawn_parameters(
    law: DrawLaw, draws: int, rng: np.random.Generator | int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shapes and scales drawn from a law, each of shape (n_strata, draws).

    Parameters
    ----------
    law : DrawLaw
        Law of each stratum.
    draws : int
        Number of draws of each stratum, at least 1.
    rng : numpy.random.Generator or int
        Source of the draws; the same integer gives the same draws.

    Raises
    ------
    ValueError
        ``draws`` is below 1.
    """
    if draws < 1:
        raise ValueError(f"draws is {draws}: must be at least 1")
    source = generator(rng)
    size = (len(law.log_shape), draws)
    z = source.standard_normal(size)
    width = np.where(z < 0, law.below[:, None], law.above[:, None])
    shape = np.exp(law.log_shape[:, None] + z * width)
    known = np.isfinite(law.failures)
    log_rate = np.log(source.standard_gamma(np.where(known, law.failures, 1.0)[:, None], size))
    log_scale = (
        law.constant[:, None]
        + (law.per_shape[:, None] - log_rate) / shape
        + law.by_shape[:, None] * shape
    )
    with np.errstate(over="ignore"):  # infinite is right: a shape near 0 without a failure
        return shape, np.exp(log_scale)
