"""Confidence limits of Weibull shape, scale and B10 life: observed information, likelihood ratio.

Layer: survival. numpy only. Coordinates u and y as in weibull_likelihood.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.survival.weibull_likelihood import Slopes, WeibullLikelihood
from relkit.survival.weibull_solve import HIGHEST, LOWEST, Maximum

__all__ = [
    "B10_HAZARD",
    "Limits",
    "LogErrors",
    "fisher_limits",
    "log_errors",
    "profile_limits",
    "small_sample_stretch",
]

#: Cumulative hazard at the B10 life, by which 10 % have failed.
B10_HAZARD = -float(np.log(0.9))
_CLOSE = 1e-9
_MOST_STEPS = 80
_CUT = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class LogErrors:
    """Standard errors on the log scale, from the observed information; (n_strata,) each."""

    shape: NDArray[np.float64]  #: of the log shape [1]
    scale: NDArray[np.float64]  #: of the log scale [1]
    b10: NDArray[np.float64]  #: of the log B10 life [1]
    correlation: NDArray[np.float64]  #: of log shape and log scale [1]


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Two-sided limits of each stratum; all fields (n_strata,)."""

    shape_lower: NDArray[np.float64]  #: [1]
    shape_upper: NDArray[np.float64]  #: [1]
    scale_lower: NDArray[np.float64]  #: [clock]
    scale_upper: NDArray[np.float64]  #: [clock]
    b10_lower: NDArray[np.float64]  #: [clock]
    b10_upper: NDArray[np.float64]  #: [clock]


def log_errors(u: NDArray[np.float64], y: NDArray[np.float64], at: Slopes) -> LogErrors:
    """Return standard errors by the delta method, from the slopes at a maximum."""
    determinant = at.uu * at.yy - at.uy**2
    var_u, var_y, cov = -at.yy / determinant, -at.uu / determinant, at.uy / determinant
    shape = np.exp(u)

    def of_log_life(hazard: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        log_life = (np.log(hazard) - y) / shape  # over the largest age
        variance = log_life**2 * var_u + 2 * log_life / shape * cov + var_y / shape**2
        return np.sqrt(np.maximum(variance, 0.0)), -log_life * var_u - cov / shape

    scale, with_shape = of_log_life(1.0)
    return LogErrors(
        shape=np.sqrt(var_u),
        scale=scale,
        b10=of_log_life(B10_HAZARD)[0],
        correlation=with_shape / (np.sqrt(var_u) * scale),
    )


def small_sample_stretch(
    failures: NDArray[np.float64], lives: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Factor of z that makes likelihood-ratio limits of small samples cover their level.

    Twice the fall of the log-likelihood at the truth is larger than chi-square by a factor of
    about 1 + 2 failures / lives^2: 1.2 for 10 failures of 10 lives, 1.05 for 10 of 20, nothing
    to speak of where most lives are censored (own simulation of 5 to 30 failures, 0 to 90 %
    censored, shape, scale and B10 life: the factor is met within 0.05). A correction of this
    kind is Bartlett's.

    References
    ----------
    .. [1] M. S. Bartlett, Properties of sufficiency and statistical tests, Proceedings of the
       Royal Society A 160, 1937, 268-282 (the idea; from memory).
    """
    stretch: NDArray[np.float64] = np.sqrt(1 + 2 * failures / np.maximum(lives, 1.0) ** 2)
    return stretch


def fisher_limits(
    u: NDArray[np.float64],
    log_scale: NDArray[np.float64],
    log_b10: NDArray[np.float64],
    errors: LogErrors,
    z: float,
) -> Limits:
    """Return limits that are symmetric on the log scale, ``z`` standard errors each way."""
    with np.errstate(over="ignore"):  # infinite is the right limit of a shape near 0
        return Limits(
            shape_lower=np.exp(u - z * errors.shape),
            shape_upper=np.exp(u + z * errors.shape),
            scale_lower=np.exp(log_scale - z * errors.scale),
            scale_upper=np.exp(log_scale + z * errors.scale),
            b10_lower=np.exp(log_b10 - z * errors.b10),
            b10_upper=np.exp(log_b10 + z * errors.b10),
        )


def profile_limits(
    likelihood: WeibullLikelihood,
    peak: Maximum,
    best: Slopes,
    errors: LogErrors,
    z: NDArray[np.float64],
) -> Limits:
    """Limits at which twice the log-likelihood has fallen by z squared, the others refitted.

    Where the likelihood never falls so far (late entry can cause it) a limit is 0 or infinite.

    Parameters
    ----------
    likelihood : WeibullLikelihood
        The strata, each with a maximum.
    peak, best : Maximum, Slopes
        The maximum and the likelihood's slopes there.
    errors : LogErrors
        From which the search starts.
    z : ndarray, shape (n_strata,)
        Normal quantile of the two-sided confidence level, stretched or not. [1]

    References
    ----------
    .. [1] W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data, Wiley,
       1998, sections 8.2 and 8.3 (numbers from memory).
    """
    contour = _Contour(likelihood, best.value - z**2 / 2, peak.u)
    lower = _shape_limit(contour, best, peak.u, -z * errors.shape)
    upper = _shape_limit(contour, best, peak.u, z * errors.shape)
    box = (np.maximum(lower, LOWEST), np.minimum(upper, HIGHEST))
    ends = []
    for hazard, error in ((1.0, errors.scale), (B10_HAZARD, errors.b10)):
        log_life = (np.log(hazard) - peak.y) / np.exp(peak.u)
        # where a life's limit lies on a round contour
        lean = _covariance_with_shape(best, np.exp(peak.u), log_life) / error * z
        for side in (-1, 1):
            ends.append(_life_limit(contour, box, peak.u + side * lean, np.log(hazard), side))
    with np.errstate(over="ignore"):  # infinite is the right limit of a shape near 0
        lives = [np.exp(end + likelihood.log_reference) for end in ends]
    return Limits(
        np.where(lower > LOWEST, np.exp(lower), 0.0),
        np.where(upper < HIGHEST, np.exp(upper), np.inf),
        *lives,
    )


def _covariance_with_shape(
    best: Slopes, shape: NDArray[np.float64], log_life: NDArray[np.float64]
) -> NDArray[np.float64]:
    determinant = best.uu * best.yy - best.uy**2
    covariance: NDArray[np.float64] = (log_life * best.yy - best.uy / shape) / determinant
    return covariance


@dataclass(frozen=True, slots=True, eq=False)
class _Contour:
    """The line on which the log-likelihood of each stratum has fallen to ``level``."""

    likelihood: WeibullLikelihood
    level: NDArray[np.float64]
    peak_u: NDArray[np.float64]

    def of_strata(self, wanted: NDArray[np.bool_]) -> _Contour:
        if wanted.all():
            return self
        return _Contour(self.likelihood.of_strata(wanted), self.level[wanted], self.peak_u[wanted])


def _shape_limit(
    contour: _Contour, best: Slopes, peak_u: NDArray[np.float64], reach: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the u on one side at which the best likelihood for a given u meets the level.

    Newton's method on the signed root of the fall, which is nearly a straight line in u.
    """
    above = reach > 0
    u = np.clip(peak_u + reach, LOWEST, HIGHEST)
    low = np.where(above, peak_u, LOWEST)
    high = np.where(above, HIGHEST, peak_u)
    held = np.arange(len(u))
    for _ in range(_MOST_STEPS):
        here, part = u[held], contour.likelihood
        sums = part.power_sums(here)
        at = part.slopes(here, part.log_rates(here, sums), sums)
        fall = np.maximum(best.value[held] - at.value, 0.0)  # rounding near the peak
        wanted = best.value[held] - contour.level
        inside = fall < wanted
        outward = inside == above[held]  # the limit lies above `here`
        low[held] = np.where(outward, here, low[held])
        high[held] = np.where(outward, high[held], here)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = 2 * np.sqrt(fall) * (np.sqrt(wanted) - np.sqrt(fall)) / -at.u
        after = _inside(here + step, low[held], high[held])
        u[held] = after
        active = (np.abs(after - here) > _CLOSE) & (high[held] - low[held] > _CLOSE)
        contour, held = _cut(contour, held, active)
        if not len(held):
            break
    edge = np.where(above, HIGHEST, LOWEST)
    return np.where(np.abs(u - edge) < 1e-6, edge, u)


def _life_limit(
    contour: _Contour,
    box: tuple[NDArray[np.float64], NDArray[np.float64]],
    start: NDArray[np.float64],
    log_hazard: float,
    side: int,
) -> NDArray[np.float64]:
    """Return the least or greatest log life on the contour, over the largest age.

    Along the contour the log life (log_hazard - y) / b is greatest or least where the slope of
    the likelihood along constant life vanishes: own algebra.
    """
    low, high = box[0].copy(), box[1].copy()
    width = high - low
    u = np.clip(start, low + 0.05 * width, high - 0.05 * width)
    result = np.empty(len(u))
    held = np.arange(len(u))
    for _ in range(_MOST_STEPS):
        here = u[held]
        y, at = _on_contour(contour, here, -side)
        life = log_hazard - y  # times the shape
        along = at.u - life * at.y
        with np.errstate(divide="ignore", invalid="ignore"):
            bend = -at.u / at.y  # of y along the contour
            slope = at.uu + at.uy * bend - at.u - life * (at.uy + at.yy * bend)
            step = -along / slope
        low[held] = np.where(along > 0, here, low[held])
        high[held] = np.where(along > 0, high[held], here)
        after = _inside(here + step, low[held], high[held])
        u[held], result[held] = after, life / np.exp(here)
        # near the extreme the life changes with the square of an error in u
        active = (np.abs(after - here) > 3e-6) & (high[held] - low[held] > _CLOSE)
        contour, held = _cut(contour, held, active)
        if not len(held):
            break
    open_end = (np.abs(u - LOWEST) < 1e-6) | (np.abs(u - HIGHEST) < 1e-6)
    return np.where(open_end, side * np.inf, result)


def _on_contour(
    contour: _Contour, u: NDArray[np.float64], side: int
) -> tuple[NDArray[np.float64], Slopes]:
    """Return the y above (side 1) or below (-1) the best one where the level is met."""
    likelihood = contour.likelihood
    sums = likelihood.power_sums(u)
    best_y = likelihood.log_rates(u, sums)
    at = likelihood.slopes(u, best_y, sums)
    # exact failures: r (s - exp(s) + 1) is the fall at y = best_y + s
    drop = np.maximum(at.value - contour.level, 0.0) / -at.yy
    root = np.sqrt(2 * drop)
    s = np.log1p(drop + root) if side > 0 else -(root + drop)
    for _ in range(12):
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (np.expm1(s) - s - drop) / np.expm1(s)
        s = np.where(drop > 0, s - step, 0.0)
    y = best_y + s
    if likelihood.intervals is not None:
        y = _met_level(contour, u, y, sums)
    return y, likelihood.slopes(u, y, sums)


def _met_level(
    contour: _Contour,
    u: NDArray[np.float64],
    y: NDArray[np.float64],
    sums: list[NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Newton's method for strata with intervals; concave in y, so it closes in from outside."""
    several = contour.likelihood.with_intervals
    for _ in range(_MOST_STEPS):
        at = contour.likelihood.slopes(u, y, sums)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.clip((contour.level - at.value) / at.y, -2.0, 2.0)
        step = np.where(several & np.isfinite(step), step, 0.0)
        y = y + step
        if np.abs(step).max() < 1e-11:
            break
    return y


def _inside(
    trial: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the trial points, or the middle of the bracket where they leave it."""
    return np.where((trial >= low) & (trial <= high), trial, (low + high) / 2)


def _cut(
    contour: _Contour, held: NDArray[np.intp], active: NDArray[np.bool_]
) -> tuple[_Contour, NDArray[np.intp]]:
    """Drop the strata that have converged, once they are many."""
    if not active.any():
        return contour, held[:0]
    if (~active).mean() > _CUT:
        return contour.of_strata(active), held[active]
    return contour, held
