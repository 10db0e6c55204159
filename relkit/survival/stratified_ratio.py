"""How fast one group fails against another at equal age, within strata: a Weibull ratio.

Layer: survival. Arrays in, one frozen result out; numpy, scipy.special and scipy.optimize.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtrc, chdtri

from relkit.checks import share
from relkit.survival.risk_sets import Spans, spans, sums_by

__all__ = ["StratifiedRatio", "stratified_ratio"]

Floats = NDArray[np.float64]

#: Log shapes within which the common shape is sought.
_LOG_SHAPES = (np.log(0.05), np.log(50.0))
#: Widest log ratio looked at for a limit: beyond it the limit counts as 0 or infinite.
_WIDEST = 40.0
_TOLERANCE = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class StratifiedRatio:
    """Group against the rest; numbers, not arrays."""

    hazard_ratio: float  #: failure rate of the group over that of the rest at equal age [1]
    hazard_ratio_lower: float  #: 0 where the group had no failure [1]
    hazard_ratio_upper: float  #: infinite where the rest had no failure [1]
    scale_ratio: float  #: scale (length of life) of the group over that of the rest [1]
    scale_ratio_lower: float  #: [1]
    scale_ratio_upper: float  #: [1]
    shape: float  #: common to all strata and both groups [1]
    log_std_error: float  #: of the log hazard ratio, from its profile's curvature [1]
    p_value: float  #: of no difference, likelihood ratio with 1 degree of freedom [1]
    lives: tuple[float, float]  #: of the rest, of the group, in strata with both [1]
    failures: tuple[float, float]  #: of the rest, of the group [1]
    exposure: tuple[float, float]  #: of the rest, of the group [clock]
    status: str  #: "ok", "no failures" or "nothing to compare"
    confidence_level: float  #: [1]


_NUMBERS = (
    "hazard_ratio", "hazard_ratio_lower", "hazard_ratio_upper",
    "scale_ratio", "scale_ratio_lower", "scale_ratio_upper",
    "shape", "log_std_error", "p_value",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Terms:
    """All that the likelihood needs: strata with failures and both groups."""

    log_age: Floats  # exits and entries, log of age over the stratum's largest
    weight: Floats  # exits count up, entries down
    cell: NDArray[np.int64]  # 2 * stratum + group
    failures: Floats  # per stratum
    group_failures: float
    log_ages: float  # sum of scaled log ages over failures

    def value(self, log_shape: float, log_ratio: float) -> float:
        """Log-likelihood with the strata's own rates at their best, but for a constant.

        Each stratum's rate is failures over the sum of ratio^group (t^b - e^b): own algebra.
        """
        shape = np.exp(log_shape)
        sums = sums_by(
            self.cell, self.weight * np.exp(shape * self.log_age), 2 * len(self.failures)
        )
        total = sums[0::2] + np.exp(log_ratio) * sums[1::2]
        if not (total > 0).all():
            return -np.inf
        own = log_ratio * self.group_failures if self.group_failures else 0.0
        exact = self.failures.sum() * log_shape + shape * self.log_ages + own
        return float(exact - (self.failures * np.log(total)).sum())


def stratified_ratio(
    age: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> StratifiedRatio:
    """Hazard ratio and scale ratio of a group against the rest, adjusted for strata.

    Assumes Weibull lives with one shape throughout and a scale of its own in each stratum; the
    group multiplies the hazard by one ratio, which for one shape b is the same as multiplying
    the scale by ratio^(-1/b). A failure found at a check counts at the age it was found.

    Parameters
    ----------
    age : array_like, shape (n_lives,)
        Age at failure or end of observation, at least 0; lives of age 0 are left out. [clock]
    failed : array_like of bool or of shares of failure from 0 to 1
        Whether the life ended by failure. [1]
    group : array_like of bool
        True in the group, False in the rest.
    entry, count, stratum : array_like, optional
        Age at which observation began [clock], frequency weight [1], code of the stratum.
    confidence_level : float
        Of the two-sided limits, by likelihood ratio. [1]

    Returns
    -------
    StratifiedRatio
        Only strata that hold both groups and a failure count. NaN with a status if none does.

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    References
    ----------
    .. [1] J. D. Kalbfleisch and R. L. Prentice, The Statistical Analysis of Failure Time Data,
       2nd ed., Wiley, 2002, ch. 3 (Weibull regression; chapter from memory).

    Examples
    --------
    >>> found = stratified_ratio([1.0, 2.0, 3.0, 2.0, 4.0, 6.0], [True] * 6, [1, 1, 1, 0, 0, 0])
    >>> round(found.scale_ratio, 3)
    0.5
    """
    share("confidence_level", confidence_level)
    lives = spans(age, entry=entry, count=count, stratum=stratum)
    ended, member = np.asarray(failed, np.float64), np.asarray(group, np.bool_)
    for name, given in (("failed", ended), ("group", member)):
        if given.shape != lives.age.shape:
            raise ValueError(f"{name} has shape {given.shape}: give one value for each age")
    kept, status = _comparable(lives, ended, member)
    own, counts = member[kept], lives.count[kept]
    exposure = counts * (lives.age - np.maximum(lives.entry, 0.0))[kept]
    numbers: tuple[float, ...] = (np.nan,) * 9
    if status == "ok":
        terms = _terms(lives, ended, member, kept)
        if terms.group_failures == terms.failures.sum():  # none in the rest: turn it round
            numbers = _turned(_fit(_terms(lives, ended, ~member, kept), confidence_level))
        else:
            numbers = _fit(terms, confidence_level)
    return StratifiedRatio(
        **dict(zip(_NUMBERS, map(float, numbers), strict=True)),
        lives=_by_group(counts, own),
        failures=_by_group(counts * ended[kept], own),
        exposure=_by_group(exposure, own),
        status=status,
        confidence_level=confidence_level,
    )


def _by_group(values: Floats, member: NDArray[np.bool_]) -> tuple[float, float]:
    return float(values[~member].sum()), float(values[member].sum())


def _comparable(
    lives: Spans, failed: Floats, member: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], str]:
    """Return the lives in strata with a failure and both groups, and a status."""
    aged = lives.seen & (lives.age > 0)
    n = int(lives.stratum.max(initial=-1)) + 1
    weight = np.where(aged, lives.count, 0.0)
    failures = sums_by(lives.stratum, weight * failed, n)
    both = (sums_by(lives.stratum, weight * member, n) > 0) & (
        sums_by(lives.stratum, weight * ~member, n) > 0
    )
    kept = aged & both[lives.stratum] & (failures > 0)[lives.stratum]
    if kept.any():
        return kept, "ok"
    return kept, "nothing to compare" if (failures > 0).any() else "no failures"


def _terms(
    lives: Spans, failed: Floats, member: NDArray[np.bool_], kept: NDArray[np.bool_]
) -> _Terms:
    codes, stratum = np.unique(lives.stratum[kept], return_inverse=True)
    age, count, own = lives.age[kept], lives.count[kept], member[kept]
    largest = np.zeros(len(codes))
    np.maximum.at(largest, stratum, age)
    x = np.log(age / largest[stratum])
    entry = lives.entry[kept]
    late = entry > 0
    log_entry = np.log(entry[late] / largest[stratum[late]])
    cell = 2 * stratum + own
    weight = count * failed[kept]
    return _Terms(
        log_age=np.concatenate([x, log_entry]),
        weight=np.concatenate([count, -count[late]]),
        cell=np.concatenate([cell, cell[late]]).astype(np.int64),
        failures=sums_by(stratum, weight, len(codes)),
        group_failures=float(weight[own].sum()),
        log_ages=float((weight * x).sum()),
    )


def _best(function: Callable[[float], float]) -> tuple[float, float]:
    """Return log shape and value at the maximum of a function of the log shape."""
    found = minimize_scalar(
        lambda u: -function(float(u)), bounds=_LOG_SHAPES, method="bounded",
        options={"xatol": _TOLERANCE},
    )  # fmt: skip
    return float(found.x), float(-found.fun)


def _fit(terms: _Terms, confidence_level: float) -> tuple[float, ...]:
    """Ratios with limits, shape, error and p-value of a group whose rest has failures."""

    def by_hazard(log_ratio: float) -> float:
        return _best(lambda u: terms.value(u, log_ratio))[1]

    def by_scale(log_ratio: float) -> float:
        return _best(lambda u: terms.value(u, -np.exp(u) * log_ratio))[1]

    drop = 0.5 * float(chdtri(1, 1 - confidence_level))
    if terms.group_failures == 0:
        u, peak = _best(lambda u: terms.value(u, -np.inf))
        top = _crossing(by_hazard, 0.0, peak - drop, 1.0)
        floor = _crossing(by_scale, 0.0, peak - drop, -1.0)
        p_value = float(chdtrc(1, max(2 * (peak - by_hazard(0.0)), 0.0)))
        return 0.0, 0.0, np.exp(top), np.inf, np.exp(floor), np.inf, np.exp(u), np.nan, p_value
    centre = minimize_scalar(lambda b: -by_hazard(float(b)), bracket=(-0.5, 0.5), tol=1e-7)
    beta, peak = float(centre.x), float(-centre.fun)
    shape = float(np.exp(_best(lambda u: terms.value(u, beta))[0]))
    step = 0.01
    curve = (2 * peak - by_hazard(beta + step) - by_hazard(beta - step)) / step**2
    ends = [_crossing(by_hazard, beta, peak - drop, way) for way in (-1.0, 1.0)]
    scales = [_crossing(by_scale, -beta / shape, peak - drop, way) for way in (-1.0, 1.0)]
    p_value = float(chdtrc(1, max(2 * (peak - by_hazard(0.0)), 0.0)))
    return (
        np.exp(beta), np.exp(ends[0]), np.exp(ends[1]),
        np.exp(-beta / shape), np.exp(scales[0]), np.exp(scales[1]),
        shape, float(curve**-0.5) if curve > 0 else np.nan, p_value,
    )  # fmt: skip


def _crossing(function: Callable[[float], float], start: float, level: float, way: float) -> float:
    """Return where the function falls to the level, going one way; infinite if it never does."""
    near, step = start, 0.25
    if function(start) <= level:  # no estimate on this side: come back from outside
        near, way = start, -way
        while function(near + way * step) <= level:
            near, step = near + way * step, 2 * step
            if abs(near) > _WIDEST:
                return way * np.inf
    else:
        while function(near + way * step) > level:
            near, step = near + way * step, 2 * step
            if abs(near - start) > _WIDEST:
                return way * np.inf
    far = near + way * step
    return float(brentq(lambda b: function(b) - level, near, far, xtol=1e-6))


def _turned(numbers: tuple[float, ...]) -> tuple[float, ...]:
    """Ratios of the rest against the group, from those of the group against the rest."""
    hazard, low, high, scale, least, most, shape, error, p_value = numbers
    with np.errstate(divide="ignore"):
        h, s = 1 / np.array([hazard, high, low]), 1 / np.array([scale, most, least])
    return (*map(float, h), *map(float, s), shape, error, p_value)
