"""Which clock do failures follow: likelihoods of several clocks at equal data.

Layer: survival. Arrays in, frozen results out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from relkit.checks import within
from relkit.survival.observed import observed_lives
from relkit.survival.status import Status
from relkit.survival.weibull import own_fits

__all__ = ["ClockLikelihoods", "clock_likelihoods"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class ClockLikelihoods:
    """One value per clock, first axis in the order of the clocks given."""

    log_likelihood: Floats  #: on the measure of the first clock, (n_clocks,) [1]
    difference: Floats  #: to the best clock, 0 for the best, else below 0, (n_clocks,) [1]
    p_value: Floats  #: of being as good as the best (Vuong); NaN for the best, (n_clocks,)
    lives: int  #: lives compared, the same in all clocks [1]
    failures: int  #: failures among them [1]
    left_out: int  #: without exposure in some clock, or in a stratum that no clock could fit


def clock_likelihoods(
    entry: ArrayLike,
    age: ArrayLike,
    failed: ArrayLike,
    *,
    stratum: ArrayLike | None = None,
    rate: ArrayLike | None = None,
) -> ClockLikelihoods:
    """Weibull log-likelihood of the same lives told in several clocks, and whether it decides.

    Each stratum has its own Weibull law in each clock. A density per hour and one per day are
    not comparable: that of clock k is multiplied by how fast clock k ran against the first
    clock when the item failed, dt_k / dt_1, so that all are densities in the first clock. (The
    survivors' terms are probabilities and need nothing.) Use of the vehicle is taken as given,
    not as a thing that failures change.

    Parameters
    ----------
    entry, age : array_like, shape (n_clocks, n_lives)
        Ages at which observation began and ended, told in each clock. [each clock's unit]
    failed : array_like of bool, shape (n_lives,)
        Whether the life ended by failure; found at a check counts at the age it was found.
    stratum : array_like of int, optional
        Code of the stratum, from 0.
    rate : array_like, shape (n_clocks, n_lives), optional
        How fast each clock ran against the first when the life ended, above 0 where failed; the
        mean over the life's observation where left out. [clock unit / first clock's unit]

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, shapes differ, or there are fewer than two
        clocks.

    References
    ----------
    .. [1] D. Oakes, Multiple time scales in survival analysis, Lifetime Data Analysis 1, 1995,
       7-18; T. Duchesne and J. Lawless, Alternative time scales and failure time models,
       Lifetime Data Analysis 6, 2000, 157-179 (both from memory).
    .. [2] Q. H. Vuong, Likelihood ratio tests for model selection and non-nested hypotheses,
       Econometrica 57, 1989, 307-333.

    Examples
    --------
    >>> days = [100.0, 210.0, 290.0, 420.0]
    >>> hours = [51.0, 49.0, 50.0, 50.0]  # all fail near 50 hours, at any number of days
    >>> found = clock_likelihoods([[0] * 4] * 2, [days, hours], [True] * 4)
    >>> found.difference.argmax()
    np.int64(1)
    """
    begin, end = within("entry", entry, 0.0), within("age", age, 0.0)
    if end.ndim != 2 or len(end) < 2 or begin.shape != end.shape:
        raise ValueError(
            f"age has shape {end.shape} and entry {begin.shape}: give both for at least two clocks"
        )
    ended = np.asarray(failed, np.bool_)
    codes = np.zeros(end.shape[1], np.int64) if stratum is None else np.asarray(stratum, np.int64)
    for name, given in (("failed", ended), ("stratum", codes)):
        if given.shape != end.shape[1:]:
            raise ValueError(f"{name} has shape {given.shape}: give one value for each life")
    exposed: Flags = np.all(end > begin, axis=0)
    speeds = _rates(begin, end, ended, exposed, rate)
    parts = np.full(end.shape, np.nan)
    for clock in range(len(end)):
        parts[clock, exposed] = _contributions(
            begin[clock, exposed], end[clock, exposed], ended[exposed], codes[exposed]
        )
        parts[clock, ended] += np.log(speeds[clock, ended])
    used = exposed & np.isfinite(parts).all(axis=0)
    # a stratum that one clock cannot fit is left out of all
    lost = np.unique(codes[exposed & ~used])
    used &= ~np.isin(codes, lost)
    totals = parts[:, used].sum(axis=1)
    best = int(totals.argmax()) if used.any() else 0
    return ClockLikelihoods(
        log_likelihood=totals if used.any() else np.full(len(end), np.nan),
        difference=totals - totals[best] if used.any() else np.full(len(end), np.nan),
        p_value=_vuong(parts[:, used], best),
        lives=int(used.sum()),
        failures=int((used & ended).sum()),
        left_out=int((~used).sum()),
    )


def _rates(
    entry: Floats, age: Floats, failed: Flags, exposed: Flags, rate: ArrayLike | None
) -> Floats:
    """Speed of each clock against the first."""
    if rate is None:
        span = np.where(exposed, age - entry, 1.0)
        mean: Floats = span / span[0]
        return mean
    given = np.asarray(rate, np.float64)
    if given.shape != age.shape:
        raise ValueError(f"rate has shape {given.shape} and age has shape {age.shape}")
    bad = failed & ~((given > 0) & np.isfinite(given)).all(axis=0)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise ValueError(
            f"rate of life {row} is {given[:, row].tolist()}: must be above 0 where the life "
            f"failed ({int(bad.sum())} lives are not)"
        )
    return np.where(given > 0, given, 1.0)


def _contributions(entry: Floats, age: Floats, failed: Flags, stratum: NDArray[np.int64]) -> Floats:
    """Log-likelihood of each life under its stratum's own fit; NaN where there is none.

    A stratum without failures adds nothing: its best likelihood is 1 in every clock.
    """
    fits = own_fits(observed_lives(stratum, age, failed, entry=entry))
    quiet = fits.status == Status.NO_FAILURES
    good = np.isin(fits.status, (Status.OK, Status.ONE_FAILURE)) & np.isfinite(fits.shape)
    shape = np.where(good, fits.shape, np.nan)[stratum]
    scale = np.where(good, fits.scale, np.nan)[stratum]
    with np.errstate(divide="ignore"):
        log_age, log_entry = np.log(age / scale), np.log(entry / scale)
    hazard = np.exp(shape * log_age) - np.exp(shape * log_entry)
    density = np.log(shape / scale) + (shape - 1) * log_age
    value = np.where(failed, density, 0.0) - hazard
    return np.where(quiet[stratum], 0.0, value)


def _vuong(parts: Floats, best: int) -> Floats:
    """Two-sided p-values of the mean difference to the best clock, from its spread over lives."""
    p_value = np.full(len(parts), np.nan)
    if parts.shape[1] < 2:
        return p_value
    for clock in range(len(parts)):
        gaps = parts[best] - parts[clock]
        spread = float(gaps.std()) * np.sqrt(len(gaps))
        if clock == best or spread <= 1e-9 * max(1.0, float(np.abs(gaps).max())):
            p_value[clock] = np.nan if clock == best else 1.0
        else:
            p_value[clock] = 2 * float(ndtr(-float(gaps.sum()) / spread))
    return p_value
