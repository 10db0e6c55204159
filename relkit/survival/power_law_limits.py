"""Limits of the parameters of power-law processes: exact, normal, and with a known shape.

Layer: survival. Arrays in, arrays out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri

from relkit.survival.event_histories import EventHistories
from relkit.survival.power_law_sums import PowerLawSums, moments

__all__ = ["NormalLimits", "normal_limits", "rate_limits", "shape_limits", "time_between"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class NormalLimits:
    """Estimate, lower and upper limit by stratum, normal on the log scale."""

    shape: tuple[Floats, Floats, Floats]  #: [1]
    scale: tuple[Floats, Floats, Floats]  #: [clock]
    time_between: tuple[Floats, Floats, Floats]  #: 1 / intensity at the latest end [clock]


def normal_limits(sums: PowerLawSums, beta: Floats, level: float) -> NormalLimits:
    """Limits from the observed information on the logs of rate and shape (own algebra)."""
    z = float(ndtri((1 + level) / 2))
    n = np.maximum(sums.n, 1)
    with np.errstate(under="ignore"):
        whole, first, second = moments(sums, beta, 2)
        whole = np.where(whole > 0, whole, 1.0)
        # A = sum of end^b - start^b = b whole; its slopes over A
        slope = 1 / beta + first / whole
        bend = (2 * first / whole) / beta + second / whole
        rate = n / (beta * whole)
    profile = n * (1 + beta**2 * (bend - slope**2))
    profile = np.where(profile > 0, profile, np.nan)
    shape_variance = 1 / profile
    lean = -beta * slope  # of log rate on log shape
    rate_variance = 1 / n + lean**2 * shape_variance
    covariance = lean * shape_variance
    log_scale = -np.log(rate) / beta
    scale_variance = (
        rate_variance / beta**2
        + log_scale**2 * shape_variance
        + 2 * (log_scale / beta) * covariance
    )  # d log scale = -d log rate / b - log scale d log b, seen from -log rate = b log scale
    between = -np.log(rate * beta)
    between_variance = rate_variance + shape_variance + 2 * covariance
    log_unit = np.log(sums.unit)
    return NormalLimits(
        shape=_around(np.log(beta), shape_variance, z),
        scale=_around(log_scale + log_unit, scale_variance, z),
        time_between=_around(between + log_unit, between_variance, z),
    )


def _around(log: Floats, variance: Floats, z: float) -> tuple[Floats, Floats, Floats]:
    width = z * np.sqrt(variance)
    with np.errstate(over="ignore", under="ignore"):  # 0 and inf are the right limits
        return np.exp(log), np.exp(log - width), np.exp(log + width)


def shape_limits(
    sums: PowerLawSums, normal: NormalLimits, held: Bools, choice: tuple[bool, str, float]
) -> tuple[NDArray[np.str_], Floats, Floats]:
    """Kind of limits, and limits, of each shape.

    Exact: twice the shape times the sum of log(end / age) is chi-square with 2 M degrees of
    freedom, given the numbers of events (Crow 1974, section 3).
    """
    given, limits, level = choice
    m = sums.pivot_events
    exact = held & (limits == "exact") & (m > 0) & (sums.pivot > 0) & (not given)
    fisher = held & ~exact & np.isfinite(normal.shape[1]) & (not given)
    freedom, pivot = np.maximum(2 * m, 1), np.where(exact, sums.pivot, 1.0)
    low = chdtri(freedom, (1 + level) / 2) / (2 * pivot)
    high = chdtri(freedom, (1 - level) / 2) / (2 * pivot)
    known = held & given
    kind = np.select([known, exact, fisher], ["given", "exact", "fisher"], default="")
    own = np.where(known, normal.shape[0], np.nan)
    return (
        kind,
        np.select([exact, fisher], [low, normal.shape[1]], default=own),
        np.select([exact, fisher], [high, normal.shape[2]], default=own),
    )


def rate_limits(sums: PowerLawSums, beta: Floats, level: float) -> tuple[Floats, Floats, Floats]:
    """Events expected by the latest end of one system, with exact limits at a known shape."""
    spent = sums.spent(beta)
    spent = np.where(spent > 0, spent, np.nan)
    n = sums.n
    more = n + (sums.pivot_events == n)  # an end set by an event leaves no open part
    low = np.where(n > 0, chdtri(np.maximum(2 * n, 1), (1 + level) / 2) / 2, 0.0)
    return n / spent, low / spent, chdtri(np.maximum(2 * more, 1), (1 - level) / 2) / (2 * spent)


def time_between(
    sums: PowerLawSums, histories: EventHistories, normal: NormalLimits, given: bool, level: float
) -> tuple[Floats, Floats, Floats]:
    """Time between events of one system at the latest end, with limits.

    All systems seen from 0 to one age: unbiased shape, limits of NIST/SEMATECH e-Handbook
    8.4.5.2 with z the two-sided normal quantile (upper form inferred from its figures).
    """
    h, n = histories, sums.n
    odd = (h.start > 0) | (sums.end < 1)
    common = np.bincount(h.stratum[odd], minlength=h.n_strata) == 0
    systems = np.bincount(h.stratum, minlength=h.n_strata)
    usable = common & (sums.pivot_events > 1) & (sums.pivot > 0) & (not given)
    pivot = np.where(usable, sums.pivot, 1.0)
    shape = np.where(usable, (sums.pivot_events - 1) / pivot, 1.0)
    safe = np.where(usable, n, 2)
    estimate = sums.unit * systems / (safe * shape)
    z = float(ndtri((1 + level) / 2))
    square = safe * z**2 / 2
    low = estimate * safe * (safe - 1) / (safe + z**2 / 4 + np.sqrt(square + z**4 / 16)) ** 2
    gap = safe - np.sqrt(square)
    high = np.where(
        gap > 0, estimate * safe * (safe - 1) / np.where(gap > 0, gap, 1.0) ** 2, np.inf
    )
    none = np.where(given, np.nan, 1.0)
    return (
        np.where(usable, estimate, normal.time_between[0]),
        np.where(usable, low, normal.time_between[1] * none),
        np.where(usable, high, normal.time_between[2] * none),
    )
