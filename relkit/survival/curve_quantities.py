"""Quantiles and restricted means read from Kaplan-Meier curves, each with limits.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from relkit.survival.nonparametric import SurvivalCurves, survival_steps
from relkit.survival.observed import ObservedLives
from relkit.survival.strata import Strata, strata_of_sizes

__all__ = ["CurveMeans", "CurveQuantiles", "curve_means", "curve_quantiles", "last_ages"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CurveQuantiles:
    """Ages by which a share has failed; arrays (n_strata,)."""

    age: Floats  #: NaN where the curve does not fall so far [clock]
    lower: Floats  #: NaN where even the lower limit of survival does not [clock]
    upper: Floats  #: infinite where the upper limit of survival does not [clock]
    starts_at: Floats  #: the share is one of items that reached this age [clock]


@dataclass(frozen=True, slots=True, eq=False)
class CurveMeans:
    """Mean time without failure up to an age; arrays (n_strata,)."""

    mean: Floats  #: counted from ``starts_at``; NaN where too few are at risk at the age [clock]
    std_error: Floats  #: [clock]
    lower: Floats  #: from 0 up to the whole time, on the logit scale [clock]
    upper: Floats  #: [clock]
    starts_at: Floats  #: the mean is that of items that reached this age [clock]
    up_to: Floats  #: [clock]


def curve_quantiles(curve: SurvivalCurves, share: float, n_strata: int) -> CurveQuantiles:
    """First age at which survival is at or below 1 - ``share``, in each stratum.

    Parameters
    ----------
    curve : SurvivalCurves
        From :func:`relkit.survival.nonparametric.survival_steps`.
    share : float
        Share failed, between 0 and 1. [1]
    n_strata : int
        Number of strata; those without failures get NaN.

    Notes
    -----
    Limits are the ages at which the limits of survival cross 1 - ``share``.

    References
    ----------
    .. [1] R. Brookmeyer and J. Crowley, A confidence interval for the median survival time,
       Biometrics 38, 1982, 29-41 (here with log-log limits; from memory).
    """
    level = 1 - share + 1e-12  # survival that should be equal is so to rounding
    ended = curve.survival == 0
    falls = (
        curve.survival <= level,
        (curve.lower <= level) | ended,
        (curve.upper <= level) & ~ended,
    )
    age, lower, upper = (_first_age(curve, fallen, n_strata) for fallen in falls)
    starts_at = np.zeros(n_strata)
    starts_at[curve.stratum] = curve.starts_at
    return CurveQuantiles(
        age, lower, np.where(np.isnan(upper) & ~np.isnan(lower), np.inf, upper), starts_at
    )


def _first_age(curve: SurvivalCurves, fallen: NDArray[np.bool_], n_strata: int) -> Floats:
    age = np.full(n_strata, np.nan)
    codes, first = np.unique(curve.stratum[fallen], return_index=True)
    age[codes] = curve.age[fallen][first]
    return age


def last_ages(lives: ObservedLives, fewest_at_risk: float) -> Floats:
    """Largest age of each stratum at which so many lives are still at risk; NaN if there is none.

    The age is one at which a life ends.
    """
    codes, strata = lives.strata.codes(), lives.strata
    entry = np.zeros(len(lives.age)) if lives.entry is None else lives.entry
    count = lives.counts()
    # going down in age: ends come into the risk set, entries leave it after the ends there
    age = np.concatenate([lives.age, entry])
    change = np.concatenate([count, -count])
    is_entry = np.repeat([0, 1], len(lives.age))
    both = np.concatenate([codes, codes])
    order = np.lexsort((-is_entry, -age, both))
    running = np.cumsum(change[order])  # every stratum adds up to nothing: no reset needed
    enough = (running >= fewest_at_risk - 1e-9) & (is_entry[order] == 0)
    last = np.full(strata.n_strata, np.nan)
    found, first = np.unique(both[order][enough], return_index=True)
    last[found] = age[order][enough][first]
    return last


def curve_means(
    lives: ObservedLives,
    up_to: Floats,
    *,
    confidence_level: float = 0.95,
    fewest_at_risk: float = 0.0,
) -> CurveMeans:
    """Mean time without failure between the start of the curve and an age.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    up_to : ndarray, shape (n_strata,)
        Age of each stratum at which the counting ends. [clock]
    confidence_level : float
        Two-sided, between 0 and 1. [1]
    fewest_at_risk : float
        So many must be at risk at the age and, with late entry, where the curve starts. [1]

    References
    ----------
    .. [1] J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed., Springer, 2003,
       eq. 4.5.1 and 4.5.2 (numbers from memory).
    """
    z = float(ndtri(0.5 + confidence_level / 2))
    curve = survival_steps(lives, confidence_level=confidence_level, fewest_at_risk=fewest_at_risk)
    n = lives.strata.n_strata
    starts_at = np.zeros(n)
    starts_at[curve.stratum] = curve.starts_at
    with np.errstate(invalid="ignore"):  # NaN where there never are enough: not seen
        seen = up_to <= last_ages(lives, fewest_at_risk) * (1 + 1e-12)
        seen &= up_to > starts_at
    sizes = np.bincount(curve.stratum, minlength=n).astype(np.intp)
    strata = strata_of_sizes(sizes)
    end = strata.spread(up_to)
    age = np.minimum(curve.age, end)
    following = _following(age, end, strata)
    beyond = _sums_from_here(curve.survival * (following - age), strata)
    first = np.where(sizes > 0, _firsts(age, strata), up_to)
    mean = first - starts_at + strata.sums(curve.survival * (following - age))
    left = curve.at_risk - curve.failures
    steps = np.where(left > 0, curve.failures / (curve.at_risk * np.where(left > 0, left, 1)), 0.0)
    error = np.sqrt(strata.sums(np.where(curve.age <= end, beyond**2 * steps, 0.0)))
    width = up_to - starts_at
    with np.errstate(divide="ignore", invalid="ignore"):  # no failures: no error, NaN limits
        logit, spread = np.log(mean / (width - mean)), error * width / (mean * (width - mean))
        limits = [width / (1 + np.exp(-(logit + side * z * spread))) for side in (-1, 1)]
    told = seen & (error > 0)
    return CurveMeans(
        mean=np.where(seen, mean, np.nan),
        std_error=np.where(told, error, np.nan),
        lower=np.where(told, limits[0], np.nan),
        upper=np.where(told, limits[1], np.nan),
        starts_at=starts_at,
        up_to=up_to,
    )


def _firsts(values: Floats, strata: Strata) -> Floats:
    padded = np.append(values, np.nan)
    return padded[np.minimum(strata.starts, len(values))]


def _following(age: Floats, end: Floats, strata: Strata) -> Floats:
    """Return the next age of each step, or the end for the last one of a stratum."""
    following = np.append(age[1:], np.nan)[: len(age)]
    last = (strata.starts + strata.sizes - 1)[strata.sizes > 0]
    following[last] = end[last]
    return following


def _sums_from_here(values: Floats, strata: Strata) -> Floats:
    """Return sums of each row's value and those after it in its stratum."""
    total = strata.spread(strata.sums(values))
    running = np.cumsum(values)
    before = strata.spread(np.append(0.0, running)[strata.starts])
    sums: Floats = total - (running - before) + values
    return sums
