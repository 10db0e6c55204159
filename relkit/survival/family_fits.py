"""Maximum likelihood fits of life distribution families, with criteria to choose among them.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from relkit.checks import share
from relkit.survival.families import FAMILIES, Family, FamilyName
from relkit.survival.family_likelihood import (
    FamilyData,
    climb,
    covariance,
    family_data,
    log_likelihoods,
    ran_off,
    slopes,
)
from relkit.survival.observed import ObservedLives
from relkit.survival.risk_sets import sums_by
from relkit.survival.status import Status, status_array

__all__ = ["FamilyFits", "family_fit", "family_refits"]

Floats = NDArray[np.float64]

#: Thresholds first tried, as shares of the first failure age; then golden sections.
_SHARES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.88, 0.94, 0.97, 0.99, 0.999)
_SECTIONS = 30
_GOLD = (5**0.5 - 1) / 2
_LOG_B10 = float(np.log(0.9))


@dataclass(frozen=True, slots=True, eq=False)
class FamilyFits:
    """One family fitted to every stratum."""

    family: FamilyName
    theta: Floats  #: parameters on their free scale, (n_strata, k); the first a log age [1]
    std_errors: Floats  #: of ``theta``, (n_strata, k) [1]
    threshold: Floats  #: age before which nothing fails, 0 but for its family [clock]
    log_likelihood: Floats  #: of the ages [1]
    aic: Floats  #: -2 log-likelihood + 2 parameters [1]
    aicc: Floats  #: the same for small samples, with the number of lives [1]
    bic: Floats  #: -2 log-likelihood + parameters x log(lives) [1]
    b10: Floats  #: age by which 10 % have failed [clock]
    b10_lower: Floats  #: normal on the log scale; NaN for the family with a threshold [clock]
    b10_upper: Floats  #: likewise [clock]
    lives: Floats  #: lives of an age above 0 [1]
    failures: Floats  #: among them [1]
    status: NDArray[np.str_]  #: ``ok``, or why there is no fit
    confidence_level: float


def family_fit(
    lives: ObservedLives, family: FamilyName, *, confidence_level: float = 0.95
) -> FamilyFits:
    """Fits of one family to all strata: exact, right, left and interval censoring, late entry.

    Assumes that censoring and entry tell nothing about the coming failure. Lives of age 0 (dead
    on arrival) are left out: no density of log age has a use for them.

    Parameters
    ----------
    lives : ObservedLives
        Checked lives; a failure with ``age_lower`` below its age lies between the two.
    family : str
        A name in ``FAMILIES``.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    FamilyFits
        ``theta`` holds, by family: exponential: log scale; Weibull (also with threshold): log
        scale, -log shape; lognormal: mean of log age, log of its standard deviation;
        loglogistic: log median, -log shape; gamma: log scale, log shape; generalised gamma:
        location, log spread, skew.

    Raises
    ------
    ValueError
        The family is unknown, or the confidence level is not between 0 and 1.

    Notes
    -----
    Climbed by damped Newton steps with slopes by central differences: parameters good to
    about 1e-7. The threshold is searched between 0 and the first failure, on a grid and by
    golden section; where the likelihood still rises towards the first failure (as it does
    without end for a shape below 1) there is no finite maximum and the status says so.

    References
    ----------
    .. [1] R. L. Prentice, Biometrika 61, 1974, 539-544 (generalised gamma).
    .. [2] C. M. Hurvich and C.-L. Tsai, Biometrika 76, 1989, 297-307 (AICc).
    """
    if family not in FAMILIES:
        raise ValueError(f"family is {family!r}: give one of {', '.join(FAMILIES)}")
    level = share("confidence_level", confidence_level)
    kind, data = FAMILIES[family], family_data(lives)
    failures = sums_by(data.code, data.failures, data.n_strata)
    number = failures + sums_by(data.code, data.survivors, data.n_strata)
    status = _first_status(kind, data, failures)
    tried = status == Status.OK
    theta = np.full((data.n_strata, len(kind.start[0])), np.nan)
    threshold = np.where(tried, 0.0, np.nan)
    if tried.any():
        part = data.of_strata(tried)
        theta[tried], threshold[tried], status[tried] = _fitted(kind, part, failures[tried])
    held = status == Status.OK
    theta[~held], threshold[~held] = np.nan, np.nan
    return _result(kind, data, (theta, threshold, status), (number, failures), level)


def family_refits(
    kind: Family, data: FamilyData, start: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Parameters and thresholds found from near-by starts (n, k), and whether each is a maximum."""
    if kind.threshold:
        theta, threshold, inner = _with_threshold(kind, data, start)
        return theta, threshold, inner & ~ran_off(theta)
    theta, _, ended = climb(kind, data, start)
    return theta, np.zeros(data.n_strata), ended & ~ran_off(theta)


def _first_status(kind: Family, data: FamilyData, failures: Floats) -> NDArray[np.str_]:
    status = status_array(data.n_strata)
    exposed = np.bincount(data.code, minlength=data.n_strata) > 0
    if kind.parameters > 1:
        status[failures <= 1] = Status.ONE_FAILURE
    status[failures <= 0] = Status.NO_FAILURES
    status[~exposed] = Status.NO_EXPOSURE
    return status


def _fitted(
    kind: Family, data: FamilyData, failures: Floats
) -> tuple[Floats, Floats, NDArray[np.str_]]:
    """Parameters, thresholds and statuses of strata that have enough failures."""
    exposure = sums_by(
        data.code, (data.failures + data.survivors) * (data.age - data.entry), data.n_strata
    )
    starts = [
        np.column_stack([np.log(exposure / failures), np.zeros((len(failures), len(start) - 1))])
        + np.array(start)
        for start in kind.start
    ]
    status = status_array(data.n_strata)
    if kind.threshold:
        theta, threshold, inner = _with_threshold(kind, data, starts[0])
        status[~inner] = Status.NO_MAXIMUM
    else:
        threshold = np.zeros(data.n_strata)
        runs = [climb(kind, data, start) for start in starts]
        best = np.argmax([np.where(ended, at, -np.inf) for _, at, ended in runs], axis=0)
        rows = np.arange(data.n_strata)
        theta = np.stack([run[0] for run in runs])[best, rows]
        status[~np.stack([run[2] for run in runs])[best, rows]] = Status.NOT_CONVERGED
    far = ran_off(theta)
    status[far] = Status.NO_MAXIMUM
    status[far & _equal_ages(data)] = Status.EQUAL_AGES
    return theta, threshold, status


def _equal_ages(data: FamilyData) -> NDArray[np.bool_]:
    failed = data.failures > 0
    first, last = np.full(data.n_strata, np.inf), np.full(data.n_strata, -np.inf)
    np.minimum.at(first, data.code[failed], data.age_lower[failed])
    np.maximum.at(last, data.code[failed], data.age[failed])
    alike: NDArray[np.bool_] = first == last
    return alike


def _with_threshold(
    kind: Family, data: FamilyData, start: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Best parameters and threshold, and whether the best is short of the first failure."""
    failed = data.failures > 0
    first = np.full(data.n_strata, np.inf)
    np.minimum.at(first, data.code[failed], data.age[failed])

    def profile(at_share: Floats, theta: Floats) -> tuple[Floats, Floats]:
        found, value, _ = climb(kind, data, theta, at_share * first)
        return found, value

    theta, values, found = start, [], []
    for at_share in _SHARES:
        theta, value = profile(np.full(data.n_strata, at_share), theta)
        values.append(value)
        found.append(theta)
    # highest of the maxima short of the first failure, where the likelihood may be infinite
    table = np.stack(values)
    below = np.concatenate([np.full((1, data.n_strata), -np.inf), table[:-2]])
    peak = (table[:-1] >= below) & (table[:-1] >= table[1:])
    inner: NDArray[np.bool_] = np.logical_or.reduce(peak, axis=0)
    best = np.argmax(np.where(peak, table[:-1], -np.inf), axis=0)
    shares, rows = np.array(_SHARES), np.arange(data.n_strata)
    low = shares[np.maximum(best - 1, 0)]
    high = shares[np.minimum(best + 1, len(_SHARES) - 1)]
    theta = np.stack(found)[best, rows]
    one, two = high - _GOLD * (high - low), low + _GOLD * (high - low)
    value_one, value_two = profile(one, theta)[1], profile(two, theta)[1]
    for _ in range(_SECTIONS):
        left = value_one >= value_two
        low, high = np.where(left, low, one), np.where(left, two, high)
        new = np.where(left, high - _GOLD * (high - low), low + _GOLD * (high - low))
        value_new = profile(new, theta)[1]
        one, two = np.where(left, new, two), np.where(left, one, new)
        value_one, value_two = (
            np.where(left, value_new, value_two),
            np.where(left, value_one, value_new),
        )
    middle = (low + high) / 2
    theta_middle, value = profile(middle, theta)
    at_grid = table[best, rows] >= value  # a maximum at 0 is met by the grid alone
    share_found = np.where(at_grid, shares[best], middle)
    return np.where(at_grid[:, None], theta, theta_middle), share_found * first, inner


def _result(
    kind: Family,
    data: FamilyData,
    fit: tuple[Floats, Floats, NDArray[np.str_]],
    counts: tuple[Floats, Floats],
    level: float,
) -> FamilyFits:
    theta, threshold, status = fit
    lives, failures = counts
    held = status == Status.OK
    part, own = data.of_strata(held), theta[held]
    shift = threshold[held]

    def value(at: Floats) -> Floats:
        return log_likelihoods(kind, part, at, shift)

    log_likelihood = np.full(len(lives), np.nan)
    errors = np.full(theta.shape, np.nan)
    b10, log_error = np.full(len(lives), np.nan), np.full(len(lives), np.nan)
    if held.any():
        log_likelihood[held] = value(own)
        spread = covariance(slopes(value, own)[1])
        errors[held] = np.sqrt(np.einsum("nii->ni", spread))
        at = np.full(len(own), _LOG_B10)
        b10[held] = shift + np.exp(kind.log_age(own, at))
        slope = _slope(lambda t: kind.log_age(t, at), own)
        log_error[held] = np.sqrt(np.einsum("ni,nij,nj->n", slope, spread, slope))
    if kind.threshold:
        log_error[:] = np.nan
        errors[:] = np.nan  # the usual theory does not hold at an estimated threshold
    stretch = np.exp(float(ndtri((1 + level) / 2)) * log_error)
    k = kind.parameters
    room = lives - k - 1
    aic = 2 * k - 2 * log_likelihood
    return FamilyFits(
        family=kind.name,
        theta=theta,
        std_errors=errors,
        threshold=threshold,
        log_likelihood=log_likelihood,
        aic=aic,
        aicc=np.where(room > 0, aic + 2 * k * (k + 1) / np.where(room > 0, room, 1.0), np.nan),
        bic=k * np.log(np.maximum(lives, 1.0)) - 2 * log_likelihood,
        b10=b10,
        b10_lower=b10 / stretch,
        b10_upper=b10 * stretch,
        lives=lives,
        failures=failures,
        status=status,
        confidence_level=level,
    )


def _slope(value: Callable[[Floats], Floats], theta: Floats) -> Floats:
    step = 1e-5 * np.eye(theta.shape[1])
    columns = [(value(theta + row) - value(theta - row)) / 2e-5 for row in step]
    slope: Floats = np.stack(columns, axis=1)
    return slope
