"""Weibull log-likelihood of all strata at once, with its slopes.

Layer: survival. numpy and scipy.special only.

Ages are scaled by the largest of their stratum, and the two coordinates are ``u``, the log of
the shape b, and ``y``, the log of the cumulative hazard at that largest age: H = exp(y + b x)
with x the log of the scaled age, at most 0. Sums of powers then neither overflow nor depend on
the unit, and the scale is exp(-y / b) largest ages.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import exprel

from relkit.survival.observed import ObservedLives
from relkit.survival.strata import Strata, strata_of_sizes

__all__ = ["PowerTerms", "Slopes", "WeibullLikelihood", "weibull_likelihood"]

#: Hazard over an interval above which a failure within it is certain to the last digit.
_CERTAIN = 60.0
#: Exposure per failure, as a share of the largest age, that is nothing but rounding.
_NOTHING = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class PowerTerms:
    """Weighted scaled ages whose powers add up to the exposure of a stratum."""

    strata: Strata
    log_age: NDArray[np.float64]  #: log of age over the stratum's largest, at most 0
    weight: NDArray[np.float64] | None  #: exits count up, entries down; None: all 1

    def sums(self, shape: NDArray[np.float64], orders: int) -> list[NDArray[np.float64]]:
        """Return sums over each stratum of weight * exp(shape x) * x^k, k from 0 to orders - 1."""
        power = self.strata.spread(shape)
        power *= self.log_age
        np.exp(power, out=power)
        if self.weight is not None:
            power *= self.weight
        result = [self.strata.sums(power)]
        for _ in range(orders - 1):
            power *= self.log_age
            result.append(self.strata.sums(power))
        return result

    def of_strata(self, wanted: NDArray[np.bool_]) -> PowerTerms:
        """Return the terms of the wanted strata only."""
        rows = self.strata.spread(wanted)
        return PowerTerms(
            strata_of_sizes(self.strata.sizes[wanted]),
            self.log_age[rows],
            None if self.weight is None else self.weight[rows],
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Intervals:
    """Failures known to lie between two ages."""

    strata: Strata
    log_ratio: NDArray[np.float64]  # of upper to lower age; infinite where the lower is 0
    log_upper: NDArray[np.float64]
    weight: NDArray[np.float64]

    def of_strata(self, wanted: NDArray[np.bool_]) -> _Intervals:
        rows = self.strata.spread(wanted)
        return _Intervals(
            strata_of_sizes(self.strata.sizes[wanted]),
            self.log_ratio[rows],
            self.log_upper[rows],
            self.weight[rows],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """Log-likelihood of each stratum and its first and second slopes in u and y."""

    value: NDArray[np.float64]
    u: NDArray[np.float64]
    y: NDArray[np.float64]
    uu: NDArray[np.float64]
    uy: NDArray[np.float64]
    yy: NDArray[np.float64]

    def __iter__(self) -> Iterator[NDArray[np.float64]]:
        """Return the fields one by one, in their order."""
        return (getattr(self, name) for name in Slopes.__slots__)


@dataclass(frozen=True, slots=True, eq=False)
class WeibullLikelihood:
    """All that the likelihood of each stratum needs; fields (n_strata,) unless stated."""

    terms: PowerTerms  #: exposure, by rows
    intervals: _Intervals | None  #: failures found later, by rows; None: there are none
    failures: NDArray[np.float64]  #: weighted failures, those within intervals too [1]
    exact: NDArray[np.float64]  #: weighted failures at a known age [1]
    log_ages: NDArray[np.float64]  #: sum of x over exact failures [1]
    log_reference: NDArray[np.float64]  #: log of the largest age [log clock]

    @property
    def n_strata(self) -> int:
        """Number of strata."""
        return len(self.failures)

    @property
    def with_intervals(self) -> NDArray[np.bool_]:
        """True where a failure of the stratum is known only within an interval."""
        if self.intervals is None:
            return np.zeros(self.n_strata, dtype=np.bool_)
        return self.intervals.strata.sizes > 0

    @property
    def bounded(self) -> NDArray[np.bool_]:
        """False where nothing is known to have survived any age: the rate can grow for ever."""
        survived = self.terms.sums(np.ones(self.n_strata), 1)[0]
        bounded: NDArray[np.bool_] = survived > _NOTHING * self.failures
        return bounded

    def of_strata(self, wanted: NDArray[np.bool_]) -> WeibullLikelihood:
        """Return the likelihood of the wanted strata only."""
        if wanted.all():
            return self
        intervals = None
        if self.intervals is not None and self.with_intervals[wanted].any():
            intervals = self.intervals.of_strata(wanted)
        return WeibullLikelihood(
            self.terms.of_strata(wanted),
            intervals,
            self.failures[wanted],
            self.exact[wanted],
            self.log_ages[wanted],
            self.log_reference[wanted],
        )

    def power_sums(self, u: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        """Return the sums of exp(b x) * (b x)^k for k = 0, 1, 2: the pass that a shape needs."""
        shape = np.exp(u)
        first, second, third = self.terms.sums(shape, 3)
        return [first, shape * second, shape**2 * third]

    def slopes(
        self,
        u: NDArray[np.float64],
        y: NDArray[np.float64],
        sums: list[NDArray[np.float64]] | None = None,
    ) -> Slopes:
        """Log-likelihood and slopes at one point per stratum; ``sums`` if known for this u."""
        zeroth, first, second = self.power_sums(u) if sums is None else sums
        logs = np.exp(u) * self.log_ages
        # density: b t^(b - 1) exp(y) in scaled age, over the largest age
        constant = self.log_ages + self.exact * self.log_reference
        # a wild trial point is as good as impossible: -inf, or NaN, which is not better either
        with np.errstate(over="ignore", invalid="ignore"):
            rate = np.exp(y)
            exact = Slopes(
                value=self.exact * (u + y) + logs - constant - rate * zeroth,
                u=self.exact + logs - rate * first,
                y=self.exact - rate * zeroth,
                uu=logs - rate * (first + second),
                uy=-rate * first,
                yy=-rate * zeroth,
            )
        if self.intervals is None:
            return exact
        found = _interval_slopes(self.intervals, u, y)
        return Slopes(*(a + b for a, b in zip(exact, found, strict=True)))

    def log_rates(
        self, u: NDArray[np.float64], sums: list[NDArray[np.float64]]
    ) -> NDArray[np.float64]:
        """Return the y that fits best for the given u; needs a failure in each stratum."""
        y = np.log(self.failures / sums[0])
        if self.intervals is None:
            return y
        for _ in range(100):  # concave in y: Newton from below rises to the maximum
            at = self.slopes(u, y, sums)
            step = np.where(self.with_intervals, np.clip(-at.y / at.yy, -2.0, 2.0), 0.0)
            y = y + step
            if np.abs(step).max() < 1e-12:
                break
        return y


def weibull_likelihood(lives: ObservedLives) -> WeibullLikelihood:
    """Likelihood of lives of ages above 0: right-censored, late, found later, or shared.

    A row of ``count`` c, failure weight d, entry e and age t adds d log h(t) - c (H(t) - H(e));
    with ``age_lower`` l below t it adds d log(S(l) - S(t)) + (c - d) log S(t) + c H(e) instead.
    """
    strata = lives.strata
    largest = strata.maxima(lives.age)
    largest = np.where(np.isfinite(largest), largest, 1.0)
    log_reference = np.log(largest)
    # exactly 0 at the largest age, which is how equal ages are recognised
    x = np.log(lives.age / strata.spread(largest))
    known = lives.failures
    intervals = None
    if lives.age_lower is not None:
        within = (lives.age_lower < lives.age) & (lives.failures > 0)
        known = np.where(within, 0.0, lives.failures)
        lower, age = lives.age_lower[within], lives.age[within]
        with np.errstate(divide="ignore"):  # age_lower 0: failed at any age up to `age`
            log_ratio = np.log1p((age - lower) / lower)  # keeps the digits of narrow intervals
        intervals = _Intervals(strata.of_rows(within), log_ratio, x[within], lives.failures[within])
    return WeibullLikelihood(
        terms=_power_terms(lives, x, log_reference),
        intervals=intervals,
        failures=strata.sums(lives.failures),
        exact=strata.sums(known),
        log_ages=strata.sums(known * x),
        log_reference=log_reference,
    )


def _power_terms(
    lives: ObservedLives, x: NDArray[np.float64], log_reference: NDArray[np.float64]
) -> PowerTerms:
    """Return exits counting up, entries counting down, and ages last known good counting up."""
    if lives.entry is None and lives.age_lower is None:
        return PowerTerms(lives.strata, x, lives.count)
    codes = lives.strata.codes()
    count = lives.counts()
    parts = [(codes, x, count)]
    if lives.age_lower is not None:
        within = (lives.age_lower < lives.age) & (lives.failures > 0)
        parts[0] = (codes, x, np.where(within, count - lives.failures, count))
        begun = within & (lives.age_lower > 0)
        log_lower = np.log(lives.age_lower[begun]) - log_reference[codes[begun]]
        parts.append((codes[begun], log_lower, lives.failures[begun]))
    if lives.entry is not None and lives.late.any():
        late = lives.late
        log_entry = np.log(lives.entry[late]) - log_reference[codes[late]]
        parts.append((codes[late], log_entry, -count[late]))
    return _merged(parts, lives.strata.n_strata)


def _merged(
    parts: list[tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]], n_strata: int
) -> PowerTerms:
    """Return terms of several lists, each sorted by stratum, as one list sorted by stratum."""
    sizes = [np.bincount(codes, minlength=n_strata) for codes, _, _ in parts]
    strata = strata_of_sizes(np.sum(sizes, axis=0).astype(np.intp))
    log_age, weight = np.empty(strata.n_rows), np.empty(strata.n_rows)
    taken = strata.starts.copy()
    for (codes, values, weights), size in zip(parts, sizes, strict=True):
        place = np.arange(len(codes)) + np.repeat(taken - (np.cumsum(size) - size), size)
        log_age[place], weight[place] = values, weights
        taken += size
    return PowerTerms(strata, log_age, weight)


def _interval_slopes(
    intervals: _Intervals, u: NDArray[np.float64], y: NDArray[np.float64]
) -> Slopes:
    """Slopes of the sum of weight * log(1 - exp(-D)), D the hazard between the two ages.

    All are written with ratios to D, so that narrow and early intervals keep their digits:
    own algebra.
    """
    spread = intervals.strata.spread
    shape, log_rate = spread(np.exp(u)), spread(y)
    upper, gap = shape * intervals.log_upper, shape * intervals.log_ratio
    with np.errstate(over="ignore", under="ignore", invalid="ignore"):
        over = 1.0 / -np.expm1(-gap)  # H(upper) / D; H(lower) / D is `over - 1`
        log_d = log_rate + upper - np.log(over)
        d = np.exp(np.minimum(log_d, np.log(_CERTAIN)))
        tail = 1.0 / exprel(d)  # D / (exp(D) - 1)
        value = np.where(log_d > np.log(_CERTAIN), 0.0, log_d + np.log(exprel(-d)))
        below = np.where(np.isfinite(gap), upper - gap, 0.0)
        under = np.where(np.isfinite(gap), 1.0 / np.expm1(gap), 0.0)
        d_u = upper * over - below * under
        d_uu = (upper + upper**2) * over - (below + below**2) * under
    curve = tail * (tail + d)
    weigh = intervals.weight
    total = intervals.strata.sums
    return Slopes(
        value=total(weigh * value),
        u=total(weigh * tail * d_u),
        y=total(weigh * tail),
        uu=total(weigh * (tail * d_uu - curve * d_u**2)),
        uy=total(weigh * (tail * d_u - curve * d_u)),
        yy=total(weigh * (tail - curve)),
    )
