"""Do repairs hold: early against later failure rate by kind of item, and repeat failures.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtr, bdtrc, betaincinv, gammaincinv, pdtrc

from relkit.checks import positive, share, within
from relkit.survival.risk_sets import Spans, risk_index, running_sums, spans, sums_by
from relkit.survival.subgroups import benjamini_hochberg

__all__ = [
    "EarlyExposure",
    "RateRatios",
    "RepeatFailures",
    "early_exposure",
    "rate_ratios",
    "repeat_failures",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class EarlyExposure:
    """Failures and exposure before and after an age; all arrays (n_groups,)."""

    early_failures: Floats  #: at ages up to ``early``, dead on arrival included [1]
    early_exposure: Floats  #: [clock]
    later_failures: Floats  #: [1]
    later_exposure: Floats  #: [clock]


@dataclass(frozen=True, slots=True, eq=False)
class RateRatios:
    """Ratio of two failure rates; all arrays of one shape."""

    ratio: Floats  #: first rate over second; NaN without exposure or failures [1]
    lower: Floats  #: 0 where the first has no failure [1]
    upper: Floats  #: infinite where the second has no failure [1]
    p_value: Floats  #: of equal rates: twice the smaller tail, at most 1 [1]
    confidence_level: float  #: [1]


@dataclass(frozen=True, slots=True, eq=False)
class RepeatFailures:
    """One row per system; all arrays (n_systems,)."""

    failures: Floats  #: [1]
    expected: Floats  #: if its items failed as those of the whole fleet at equal age [1]
    ratio: Floats  #: failures over expected; NaN where nothing is expected [1]
    lower: Floats  #: [1]
    upper: Floats  #: [1]
    p_value: Floats  #: of so many failures or more by chance [1]
    p_value_adjusted: Floats  #: by Benjamini and Hochberg over the systems [1]
    confidence_level: float  #: [1]


def early_exposure(
    age: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    *,
    early: float,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
) -> EarlyExposure:
    """Failures and exposure of each group up to the age ``early``, and after it.

    Parameters
    ----------
    age : array_like, shape (n_lives,)
        Age at failure or end of observation, at least 0. [clock]
    failed : array_like of bool
        Whether the life ended by failure.
    group : array_like of int
        Code of the group, from 0.
    early : float
        Age at which the first phase ends, above 0. [clock]
    entry, count : array_like, optional
        Age at which observation began [clock], frequency weight [1].

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    Examples
    --------
    >>> found = early_exposure([40.0, 300.0], [True, True], [0, 0], early=100.0)
    >>> found.early_exposure.tolist(), found.later_exposure.tolist()
    ([140.0], [200.0])
    """
    at = float(positive("early", early))
    lives = spans(age, entry=entry, count=count)
    ended, codes = _matching(lives, failed, group)
    n = int(codes.max(initial=-1)) + 1
    begin = np.maximum(lives.entry, 0.0)
    before = lives.count * np.maximum(np.minimum(lives.age, at) - begin, 0.0)
    after = lives.count * np.maximum(lives.age - np.maximum(begin, at), 0.0)
    failures = lives.count * ended
    first = lives.age <= at
    return EarlyExposure(
        early_failures=sums_by(codes, failures * first, n),
        early_exposure=sums_by(codes, before, n),
        later_failures=sums_by(codes, failures * ~first, n),
        later_exposure=sums_by(codes, after, n),
    )


def rate_ratios(
    failures: ArrayLike,
    exposure: ArrayLike,
    other_failures: ArrayLike,
    other_exposure: ArrayLike,
    *,
    confidence_level: float = 0.95,
) -> RateRatios:
    """Ratio of two failure rates with limits that hold for any number of failures.

    Given the total number of failures, that of the first is binomial with odds ratio times
    exposure over exposure: exact limits follow from those of the binomial. Assumes Poisson
    numbers, each with a rate that is steady over its exposure.

    Parameters
    ----------
    failures, other_failures : array_like
        Whole numbers of failures, at least 0. [1]
    exposure, other_exposure : array_like
        Time under observation, at least 0; NaN comes out where one is 0. [clock]
    confidence_level : float
        Of the two-sided limits. [1]

    Raises
    ------
    ValueError
        A value is not finite, out of its bounds, or no whole number.

    References
    ----------
    .. [1] J. Przyborowski and H. Wilenski, Biometrika 31, 1940, 313-323.
    .. [2] C. J. Clopper and E. S. Pearson, Biometrika 26, 1934, 404-413.

    Examples
    --------
    >>> found = rate_ratios(11, 800.0, 21, 3011.0)
    >>> [round(float(x), 3) for x in (found.ratio, found.lower, found.upper)]
    [1.971, 0.858, 4.277]
    """
    tail = (1 - share("confidence_level", confidence_level)) / 2
    first, time, second, other = np.broadcast_arrays(
        _whole("failures", failures),
        within("exposure", exposure, 0.0),
        _whole("other_failures", other_failures),
        within("other_exposure", other_exposure, 0.0),
    )
    known = (time > 0) & (other > 0) & (first + second > 0)
    x, y = np.where(known, first, 1.0), np.where(known, second, 1.0)
    odds = np.where(known, other, 1.0) / np.where(known, time, 1.0)
    low = np.where(x > 0, betaincinv(np.maximum(x, 1.0), y + 1, tail), 0.0)
    high = np.where(y > 0, betaincinv(x + 1, np.maximum(y, 1.0), 1 - tail), 1.0)
    alike = 1 / (1 + odds)  # share of the failures expected of the first at equal rates
    total = (x + y).astype(np.int64)
    above = np.where(x > 0, bdtrc(x - 1, total, alike), 1.0)
    p_value = np.minimum(2 * np.minimum(above, bdtr(x, total, alike)), 1.0)
    with np.errstate(divide="ignore"):
        ratio, lower, upper = x / y * odds, low / (1 - low) * odds, high / (1 - high) * odds
    return RateRatios(
        ratio=np.where(known, ratio, np.nan),
        lower=np.where(known, lower, np.nan),
        upper=np.where(known, upper, np.nan),
        p_value=np.where(known, p_value, np.nan),
        confidence_level=confidence_level,
    )


def repeat_failures(
    age: ArrayLike,
    failed: ArrayLike,
    system: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> RepeatFailures:
    """Which systems fail more often than the exposure and ages of their items explain.

    The number expected is the sum over the system's lives of the Nelson-Aalen cumulative hazard
    of their stratum from entry to age; it counts the system itself, which makes the test a
    little cautious. The number seen is held against a Poisson law with that mean.

    Parameters
    ----------
    age, failed, entry, count, stratum
        As for :func:`relkit.survival.subgroups.subgroup_tests`.
    system : array_like of int
        Code of the system (a vehicle, or a position), from 0.
    confidence_level : float
        Of the two-sided limits of the ratio. [1]

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    References
    ----------
    .. [1] N. E. Breslow and N. E. Day, Statistical Methods in Cancer Research II, IARC, 1987,
       ch. 2 (standardised ratio, exact Poisson limits; chapter from memory).
    """
    tail = (1 - share("confidence_level", confidence_level)) / 2
    lives = spans(age, entry=entry, count=count, stratum=stratum)
    ended, codes = _matching(lives, failed, system)
    n = int(codes.max(initial=-1)) + 1
    failures = sums_by(codes, lives.count * ended, n)
    expected = sums_by(codes, lives.count * _hazards(lives, ended & lives.seen), n)
    some = expected > 0
    mean = np.where(some, expected, 1.0)
    lower = np.where(failures > 0, gammaincinv(np.maximum(failures, 1e-300), tail), 0.0)
    upper = gammaincinv(failures + 1, 1 - tail)
    p_value = np.where(failures > 0, pdtrc(np.maximum(failures - 1, 0.0), mean), 1.0)
    p_value = np.where(some, np.minimum(p_value, 1.0), np.nan)
    return RepeatFailures(
        failures=failures,
        expected=expected,
        ratio=np.where(some, failures / mean, np.nan),
        lower=np.where(some, lower / mean, np.nan),
        upper=np.where(some, upper / mean, np.nan),
        p_value=p_value,
        p_value_adjusted=benjamini_hochberg(p_value),
        confidence_level=confidence_level,
    )


def _matching(lives: Spans, failed: ArrayLike, group: ArrayLike) -> tuple[NDArray[np.bool_], Ints]:
    ended, codes = np.asarray(failed, np.bool_), np.asarray(group, np.int64)
    for name, given in (("failed", ended), ("group", codes)):
        if given.shape != lives.age.shape:
            raise ValueError(f"{name} has shape {given.shape}: give one value for each age")
    if len(codes) and codes.min() < 0:
        raise ValueError("group holds a code below 0: give codes from 0")
    return ended, codes


def _whole(name: str, values: ArrayLike) -> Floats:
    numbers = within(name, values, 0.0)
    bad = np.flatnonzero(np.ravel(numbers % 1))
    if len(bad):
        raise ValueError(
            f"{name} at position {bad[0]} is {np.ravel(numbers)[bad[0]]:g}: must be a whole "
            f"number ({len(bad)} of {numbers.size} are not)"
        )
    return numbers


def _hazards(lives: Spans, failed: NDArray[np.bool_]) -> Floats:
    """Nelson-Aalen cumulative hazard of each life's stratum between its entry and its age."""
    ages = np.unique(lives.age[failed])
    width = len(ages) + 1
    key = lives.stratum[failed] * width + np.searchsorted(ages, lives.age[failed])
    keys, row = np.unique(key, return_inverse=True)
    failures = sums_by(row, lives.count[failed], len(keys))
    index = risk_index(ages, lives.stratum, lives.entry, lives.age, lives.count)
    steps = failures / np.maximum(index.sums(keys // width, keys % width), 1e-300)
    sums = np.concatenate([[0.0], running_sums(steps, keys // width)])
    first = np.searchsorted(keys, np.arange(int(lives.stratum.max(initial=0)) + 1) * width)

    def up_to(age: Floats) -> Floats:
        place = np.searchsorted(
            keys, lives.stratum * width + np.searchsorted(ages, age, side="right") - 1, side="right"
        )
        return np.where(place > first[lives.stratum], sums[place], 0.0)

    return up_to(lives.age) - up_to(lives.entry)
