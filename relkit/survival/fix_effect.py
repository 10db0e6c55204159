"""Did a fix work: lives split at a date, ratio against controls, return to the mean.

Layer: survival. Arrays in, frozen results out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from relkit.checks import within
from relkit.survival.repairs import rate_ratios
from relkit.survival.stratified_ratio import StratifiedRatio

__all__ = [
    "RatioOfRatios",
    "ReturnToMean",
    "SplitLives",
    "ratio_of_ratios",
    "return_to_mean",
    "split_at_ages",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class SplitLives:
    """Spans of observation, each wholly before or wholly after a date; one array each."""

    row: NDArray[np.intp]  #: position of the life among those given
    entry: Floats  #: age at which the span begins [clock]
    age: Floats  #: age at which it ends [clock]
    failed: Flags  #: whether it ends by the item's own failure
    after: Flags  #: whether it lies after the date


@dataclass(frozen=True, slots=True, eq=False)
class RatioOfRatios:
    """What a change in the treated has over that in the controls; numbers, not arrays."""

    ratio: float  #: hazard ratio of the treated over that of the controls [1]
    lower: float  #: [1]
    upper: float  #: [1]
    p_value: float  #: of no difference, normal law of the log ratio [1]
    confidence_level: float  #: [1]


@dataclass(frozen=True, slots=True, eq=False)
class ReturnToMean:
    """Past of the treated systems against that of the others; numbers, not arrays."""

    failures: tuple[float, float]  #: before the date, of the others and of the treated [1]
    expected: tuple[float, float]  #: the same, if all systems were alike at equal age [1]
    past_ratio: float  #: failures over expected of the treated, over that of the others [1]
    lower: float  #: [1]
    upper: float  #: [1]
    p_value: float  #: of equal pasts [1]
    return_ratio: float  #: after over before of the treated that no fix at all would show [1]
    chosen: bool  #: whether the treated had the worse past, by the limits
    confidence_level: float  #: [1]


def split_at_ages(
    entry: ArrayLike, age: ArrayLike, failed: ArrayLike, age_at: ArrayLike
) -> SplitLives:
    """Lives split at the age that each had on one date: unfailed before, late entry after.

    Parameters
    ----------
    entry, age : array_like, shape (n_lives,)
        Ages at which observation began and ended, ``entry`` at most ``age``. [clock]
    failed : array_like of bool
        Whether the life ended by failure.
    age_at : array_like
        Age on the date; minus infinite or 0 and below: fitted after it; at least ``age``:
        ended before it. [clock]

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    Examples
    --------
    >>> split = split_at_ages([0.0], [300.0], [True], [100.0])
    >>> split.age.tolist(), split.failed.tolist(), split.after.tolist()
    ([100.0, 300.0], [False, True], [False, True])
    """
    begin, end = within("entry", entry, 0.0), within("age", age, 0.0)
    ended, at = np.asarray(failed, np.bool_), np.asarray(age_at, np.float64)
    for name, given in (("entry", begin), ("failed", ended), ("age_at", at)):
        if given.shape != end.shape:
            raise ValueError(f"{name} has shape {given.shape} and age has shape {end.shape}")
    if np.isnan(at).any():
        row = int(np.flatnonzero(np.isnan(at))[0])
        raise ValueError(f"age_at at position {row} is not a number: give the age on the date")
    before = at > begin
    after = at < end
    rows = np.arange(len(end), dtype=np.intp)
    return SplitLives(
        row=np.concatenate([rows[before], rows[after]]),
        entry=np.concatenate([begin[before], np.maximum(begin, at)[after]]),
        age=np.concatenate([np.minimum(end, at)[before], end[after]]),
        failed=np.concatenate([(ended & ~after)[before], ended[after]]),
        after=np.concatenate([np.zeros(before.sum(), np.bool_), np.ones(after.sum(), np.bool_)]),
    )


def ratio_of_ratios(treated: StratifiedRatio, controls: StratifiedRatio) -> RatioOfRatios:
    """Ratio of two independent hazard ratios, with normal limits on the log scale.

    NaN where either ratio is missing, 0 or infinite: a limit by errors does not exist then.
    """
    level = treated.confidence_level
    ratio = treated.hazard_ratio / controls.hazard_ratio if controls.hazard_ratio > 0 else np.nan
    error = float(np.hypot(treated.log_std_error, controls.log_std_error))
    if not (np.isfinite(ratio) and ratio > 0 and np.isfinite(error)):
        return RatioOfRatios(np.nan, np.nan, np.nan, np.nan, level)
    reach = float(ndtri(0.5 + level / 2)) * error
    p_value = float(2 * ndtr(-abs(np.log(ratio)) / error))
    return RatioOfRatios(
        ratio, ratio * float(np.exp(-reach)), ratio * float(np.exp(reach)), p_value, level
    )


def return_to_mean(
    failures: ArrayLike,
    expected: ArrayLike,
    treated: ArrayLike,
    *,
    confidence_level: float = 0.95,
) -> ReturnToMean:
    """Were the treated systems chosen for their bad past, and how far would they return anyway.

    Systems differ by a gamma law of mean 1 around what their exposure explains; its variance
    is found by moments. The mean of what is to come of a system with N failures where E were
    expected is E (N + a) / (E + a), with a one over the variance: a bad past was partly luck.

    Parameters
    ----------
    failures : array_like, shape (n_systems,)
        Failures of each system before the date, at least 0. [1]
    expected : array_like
        Failures expected from its exposure and ages, at least 0. [1]
    treated : array_like of bool
        Whether the system had the fix.
    confidence_level : float
        Of the limits of the ratio of the pasts. [1]

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    References
    ----------
    .. [1] E. Hauer, Observational Before-After Studies in Road Safety, Pergamon, 1997, ch. 11
       (empirical Bayes by moments; chapter from memory).

    Examples
    --------
    >>> found = return_to_mean([9, 8, 2, 1, 3, 1], [4.0] * 6, [True, True] + [False] * 4)
    >>> found.chosen, round(found.return_ratio, 2)
    (True, 0.8)
    """
    seen, mean = within("failures", failures, 0.0), within("expected", expected, 0.0)
    chosen = np.asarray(treated, np.bool_)
    for name, given in (("expected", mean), ("treated", chosen)):
        if given.shape != seen.shape:
            raise ValueError(f"{name} has shape {given.shape} and failures has {seen.shape}")
    counts = (float(seen[~chosen].sum()), float(seen[chosen].sum()))
    means = (float(mean[~chosen].sum()), float(mean[chosen].sum()))
    past = rate_ratios(
        round(counts[1]), means[1], round(counts[0]), means[0], confidence_level=confidence_level
    )
    level = seen.sum() / mean.sum() if mean.sum() > 0 else np.nan
    fitted = mean * level
    # moments: variance of N beyond that of a Poisson law, over the square of its mean
    spread = ((seen - fitted) ** 2 - fitted).sum() / max((fitted**2).sum(), 1e-300)
    spread = max(spread, 0.0)  # no more than chance: all are alike
    to_come = fitted * (seen * spread + 1) / (fitted * spread + 1)
    back = to_come[chosen].sum() / counts[1] if counts[1] > 0 else np.nan
    return ReturnToMean(
        failures=counts,
        expected=means,
        past_ratio=float(past.ratio),
        lower=float(past.lower),
        upper=float(past.upper),
        p_value=float(past.p_value),
        return_ratio=float(back),
        chosen=bool(past.lower > 1),
        confidence_level=confidence_level,
    )
