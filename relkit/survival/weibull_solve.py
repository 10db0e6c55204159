"""Maximum of the Weibull likelihood of all strata at once.

Layer: survival. numpy only.

Strata whose failures all have a known age need one root each, that of the profile score for the
shape; the others a Newton search in two coordinates. Both work on all strata together and drop
those that have converged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from relkit.survival.weibull_likelihood import Slopes, WeibullLikelihood

__all__ = ["HIGHEST", "LOWEST", "Maximum", "maximum"]

#: Log of the smallest and the largest shape looked for; beyond them there is no maximum.
LOWEST, HIGHEST = float(np.log(5e-3)), float(np.log(1e7))
#: Halley's steps shorter than this (log shape) leave an error of its cube.
_SHORT = 2e-5
#: Newton's steps shorter than this (log shape) leave an error of its square.
_SHORT_NEWTON = 1e-8
#: Rise of the log-likelihood below which a step gains nothing but rounding.
_NO_GAIN = 1e-17
#: The same where the likelihood is level: the search is running away.
_NEXT_TO_NOTHING = 1e-7
#: Log hazard at the largest age that only a search that runs away reaches; exp fails at 709.
_BEYOND = 700.0
_MOST_STEPS, _MOST_HALVINGS = 100, 40
#: Share of strata that have converged, above which the rows are cut down to the others.
_CUT = 0.4
#: Variance of the log shape above which the likelihood is level and has no maximum to speak of.
_FLAT = 400.0


@dataclass(frozen=True, slots=True, eq=False)
class Maximum:
    """Point of greatest likelihood of each stratum; all fields (n_strata,)."""

    u: NDArray[np.float64]  #: log of the shape; NaN where not found
    y: NDArray[np.float64]  #: log of the cumulative hazard at the largest age
    sums: list[NDArray[np.float64]]  #: of exp(b x) (b x)^k there, k = 0, 1, 2
    found: NDArray[np.bool_]  #: a maximum was found
    outside: NDArray[np.bool_]  #: the search ran out of the range of shapes


def maximum(likelihood: WeibullLikelihood, start: NDArray[np.float64] | None = None) -> Maximum:
    """Return the maximum of each stratum; every one must have a failure below its largest age.

    Parameters
    ----------
    likelihood : WeibullLikelihood
        The strata.
    start : ndarray, shape (n_strata,), optional
        Log of the shape to start from; 0 if not given.

    Notes
    -----
    The root is sought of F(u) = u + log(S1 / S0 - mean x of failures), S_k the sum of
    exp(b x) x^k: for Weibull lives F is nearly a straight line (slope 1.6 to 1.8 within a
    factor of two), so that three or four of Halley's steps suffice from shape 1. With late
    entry the likelihood can have several maxima in rare small samples: the one found is that
    next to the start.
    """
    begin = np.zeros(likelihood.n_strata) if start is None else start
    plane = likelihood.with_intervals
    if not plane.any():
        return _profile_maximum(likelihood, begin)
    if plane.all():
        return _plane_maximum(likelihood, begin)
    first = _profile_maximum(likelihood.of_strata(~plane), begin[~plane])
    second = _plane_maximum(likelihood.of_strata(plane), begin[plane])
    return _joined(first, second, plane)


def _joined(first: Maximum, second: Maximum, in_second: NDArray[np.bool_]) -> Maximum:
    def both(a: NDArray[Any], b: NDArray[Any]) -> NDArray[Any]:
        values = np.empty(len(in_second), dtype=a.dtype)
        values[~in_second], values[in_second] = a, b
        return values

    return Maximum(
        u=both(first.u, second.u),
        y=both(first.y, second.y),
        sums=[both(a, b) for a, b in zip(first.sums, second.sums, strict=True)],
        found=both(first.found, second.found),
        outside=both(first.outside, second.outside),
    )


def _profile_maximum(likelihood: WeibullLikelihood, start: NDArray[np.float64]) -> Maximum:
    n = likelihood.n_strata
    u, kept = start.copy(), [np.full(n, np.nan) for _ in range(3)]
    low, high = np.full(n, LOWEST), np.full(n, HIGHEST)
    mean_log = likelihood.log_ages / likelihood.failures
    held, terms = np.arange(n), likelihood.terms
    for _ in range(_MOST_STEPS):
        here, shape = u[held], np.exp(u[held])
        sums = terms.sums(shape, 4)
        residual, step = _halley(here, shape, sums, mean_log[held])
        low[held] = np.where(residual < 0, here, low[held])
        high[held] = np.where(residual > 0, here, high[held])
        after = _between(here + step, low[held], high[held])
        ended = (np.abs(after - here) < _SHORT) | (high[held] - low[held] < _SHORT)
        u[held] = after
        for values, moved in zip(kept, _moved(sums, np.exp(after) - shape), strict=True):
            values[held] = moved
        if ended.all():
            held = held[:0]
            break
        if ended.mean() > _CUT:
            terms, held = terms.of_strata(~ended), held[~ended]
    shape = np.exp(u)
    inside = (u > LOWEST + 0.01) & (u < HIGHEST - 0.01)
    ended = np.ones(n, dtype=np.bool_)
    ended[held] = False
    return Maximum(
        u=u,
        y=np.log(likelihood.failures / np.where(kept[0] > 0, kept[0], np.nan)),
        sums=[kept[0], shape * kept[1], shape**2 * kept[2]],
        found=ended & inside & (kept[0] > 0),
        outside=~inside,
    )


def _halley(
    u: NDArray[np.float64],
    shape: NDArray[np.float64],
    sums: list[NDArray[np.float64]],
    mean_log: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the sign of F(u) and Halley's step towards its root; NaN where F has no value."""
    with np.errstate(divide="ignore", invalid="ignore"):  # exposure lost in rounding: NaN
        mean, second, third = (values / sums[0] for values in sums[1:])
    variance = second - mean**2
    skewness = third - 3 * mean * second + 2 * mean**3
    excess = mean - mean_log  # 1 / shape at the maximum
    with np.errstate(invalid="ignore", divide="ignore"):
        f = u + np.log(excess)  # NaN below the root where no power lifts the mean enough
        bent = shape * variance / excess
        slope = 1.0 + bent
        second_slope = bent + shape**2 * skewness / excess - bent**2
        step = -2 * f * slope / (2 * slope**2 - f * second_slope)
    step = np.where((slope > 0) & np.isfinite(step), np.clip(step, -2.0, 2.0), np.nan)
    return np.where(excess <= 0, -1.0, f), step


def _between(
    trial: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the trial points, or the middle of the bracket where they are not inside it."""
    return np.where((trial >= low) & (trial <= high), trial, (low + high) / 2)


def _moved(
    sums: list[NDArray[np.float64]], change: NDArray[np.float64]
) -> list[NDArray[np.float64]]:
    """Return the first three sums at a shape changed by so little that four terms suffice."""
    zeroth, first, second, third = sums
    return [
        zeroth + change * (first + change / 2 * (second + change / 3 * third)),
        first + change * (second + change / 2 * third),
        second + change * third,
    ]


def _plane_maximum(likelihood: WeibullLikelihood, start: NDArray[np.float64]) -> Maximum:
    """Newton's method in log shape and log scale, kept uphill by halving its steps.

    A step is (du, s): u grows by du, and minus shape times log scale, which is y, by s before
    it is stretched with the shape.
    """
    n = likelihood.n_strata
    u = start.copy()
    sums = likelihood.power_sums(u)
    y = likelihood.log_rates(u, sums)
    at = likelihood.slopes(u, y, sums)
    ended, lost = np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.bool_)
    for _ in range(_MOST_STEPS):
        local = _at_constant_scale(at, y)
        du, s = (np.where(lost, 0.0, step) for step in _uphill(local))
        gain = du * local.u + s * local.y  # twice the rise that a parabola promises
        ended = (np.abs(du) + np.abs(s) < _SHORT_NEWTON) | (gain < _NO_GAIN)
        up, yp, trial, rose = _climbed(likelihood, (u, y, at), (du, s), gain, ended)
        u, y = np.where(rose, up, u), np.where(rose, yp, y)
        at = Slopes(*(np.where(rose, new, old) for new, old in zip(trial, at, strict=True)))
        # runs away along a level likelihood, out of range, or cannot rise: left where it is
        lost |= _level(local) & (gain < _NEXT_TO_NOTHING) & ~ended
        lost |= _out_of_range(u, y) | ~rose
        if (ended | lost).all():
            break
    outside = _level(at) | _out_of_range(u, y)
    return Maximum(u, y, likelihood.power_sums(u), ended & ~lost & ~outside, outside)


def _out_of_range(u: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    out: NDArray[np.bool_] = (u < LOWEST) | (u > HIGHEST) | (y > _BEYOND)
    return out


def _climbed(
    likelihood: WeibullLikelihood,
    point: tuple[NDArray[np.float64], NDArray[np.float64], Slopes],
    step: tuple[NDArray[np.float64], NDArray[np.float64]],
    gain: NDArray[np.float64],
    ended: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64], Slopes, NDArray[np.bool_]]:
    """Return the point after a step, halved until the likelihood rises, and where it does."""
    (u, y, at), (du, s) = point, step
    factor = np.ones(len(u))
    for _ in range(_MOST_HALVINGS):
        up, yp = u + factor * du, (y + factor * s) * np.exp(factor * du)
        trial = likelihood.slopes(up, yp)
        rose = (trial.value >= at.value + 1e-4 * factor * gain) | ended
        if rose.all():
            break
        factor = np.where(rose, factor, factor / 2)
    return up, yp, trial, rose


def _at_constant_scale(at: Slopes, y: NDArray[np.float64]) -> Slopes:
    """Return slopes in (du, s): along du the scale stays as it is, so that y grows with it."""
    return Slopes(
        value=at.value,
        u=at.u + y * at.y,
        y=at.y,
        uu=at.uu + 2 * y * at.uy + y**2 * at.yy + y * at.y,
        uy=at.uy + y * at.yy + at.y,
        yy=at.yy,
    )


def _level(at: Slopes) -> NDArray[np.bool_]:
    """Return True where the log-likelihood is all but level, or not round, in the shape."""
    information = at.uu * at.yy - at.uy**2
    with np.errstate(divide="ignore", invalid="ignore"):
        level: NDArray[np.bool_] = ~(
            (at.yy < 0) & (information > 0) & (-at.yy / information < _FLAT)
        )
    return level


def _uphill(at: Slopes) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a step up the hill, at most 1 and 3: Newton's where the hill is round."""
    middle, half = -(at.uu + at.yy) / 2, (at.yy - at.uu) / 2
    reach = np.hypot(half, at.uy)
    lift = np.maximum(0.0, reach - middle + 1e-3 * (np.abs(middle) + reach) + 1e-12)
    lift = np.where(middle > reach * (1 + 1e-9), 0.0, lift)
    uu, yy, uy = lift - at.uu, lift - at.yy, -at.uy
    determinant = uu * yy - uy**2
    step_u = (yy * at.u - uy * at.y) / determinant
    step_y = (uu * at.y - uy * at.u) / determinant
    shorten = np.maximum(1.0, np.maximum(np.abs(step_u), np.abs(step_y) / 3))
    return step_u / shorten, step_y / shorten
