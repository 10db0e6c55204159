"""Two-parameter Weibull fits of all strata at once: estimates, limits, statuses.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from relkit.checks import generator, positive, share
from relkit.survival.bootstrap import bootstrap_limits
from relkit.survival.known_shape import known_shape_scales
from relkit.survival.limits import (
    B10_HAZARD,
    Limits,
    LogErrors,
    fisher_limits,
    log_errors,
    profile_limits,
    small_sample_stretch,
)
from relkit.survival.observed import ObservedLives
from relkit.survival.status import Status
from relkit.survival.strata import of_wanted
from relkit.survival.weibull_likelihood import Slopes, WeibullLikelihood, weibull_likelihood
from relkit.survival.weibull_result import FitColumns, WeibullFits, aged_lives
from relkit.survival.weibull_solve import Maximum, maximum

__all__ = ["LimitsKind", "given_shape_fits", "own_fits"]

#: How confidence limits are made. "profile" is the likelihood ratio corrected for small samples.
LimitsKind = Literal["fisher", "profile", "likelihood ratio", "bootstrap"]


def own_fits(
    lives: ObservedLives,
    *,
    confidence_level: float = 0.95,
    limits: LimitsKind = "fisher",
    rng: np.random.Generator | int = 0,
    replicates: int = 1000,
) -> WeibullFits:
    """Maximum-likelihood fit of every stratum from its own lives.

    Assumes lives independent given the stratum, censoring and entry unrelated to the life to
    come, and shares of failures (masked causes) as if they were known: limits do not hold the
    uncertainty of the shares.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]
    limits : {"fisher", "profile", "likelihood ratio", "bootstrap"}
        Observed information on the log scale; likelihood ratio corrected for small samples
        (:func:`~relkit.survival.limits.small_sample_stretch`), and as in textbooks without it;
        percentiles of refits with random weights. One failure, or failures all of one age,
        always get likelihood ratio.
    rng : numpy.random.Generator or int
        Source of the weights, only used by "bootstrap".
    replicates : int
        Number of refits, only used by "bootstrap".

    Returns
    -------
    WeibullFits
        ``probability_of_wear`` is the normal probability of the signed root of the likelihood
        ratio against shape 1. Where nothing failed, the bounds are for shape 1.

    Raises
    ------
    ValueError
        ``confidence_level`` is not between 0 and 1, ``limits`` is none of the four, or
        ``replicates`` is below 2.

    References
    ----------
    .. [1] W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data, Wiley,
       1998, ch. 8 (likelihood, both kinds of limits; chapter from memory).
    """
    share("confidence_level", confidence_level)
    if limits not in get_args(LimitsKind):
        raise ValueError(f'limits is "{limits}": must be one of {", ".join(get_args(LimitsKind))}')
    if replicates < 2:
        raise ValueError(f"replicates is {replicates}: must be at least 2")
    columns = FitColumns(lives)
    aged = aged_lives(lives)
    likelihood = weibull_likelihood(aged)
    none = columns.status == Status.NO_FAILURES
    _put_known_shape(columns, likelihood, none, np.ones(len(none)), confidence_level)
    columns.note(none, "the bound is for shape 1")
    peaks = _peaks(likelihood, aged, columns)
    if peaks is not None:
        columns.put_peak(peaks.where, peaks.likelihood, peaks.peak, peaks.at, peaks.errors)
        columns.put(peaks.where, {"probability_of_wear": _probability_of_wear(peaks)})
        z = float(ndtri(0.5 + confidence_level / 2))
        if limits == "bootstrap":
            ends = bootstrap_limits(
                aged.of_strata(peaks.where),
                peaks.peak.u,
                confidence_level=confidence_level,
                replicates=replicates,
                rng=generator(rng),
            )
            columns.put_limits(peaks.where, ends)
        elif limits == "fisher":
            columns.put_limits(peaks.where, _fisher(peaks, z))
        few = np.isin(columns.status[peaks.where], (Status.ONE_FAILURE, Status.EQUAL_AGES))
        by_ratio = few | (limits in ("profile", "likelihood ratio"))
        stretch = small_sample_stretch(
            columns.numbers["failures"][peaks.where], columns.numbers["lives"][peaks.where]
        )
        plain = np.ones(len(stretch)) if limits == "likelihood ratio" else stretch
        _put_ratio_limits(columns, peaks, by_ratio, z * plain)
    return columns.result(confidence_level)


def given_shape_fits(
    lives: ObservedLives, shape: ArrayLike, *, confidence_level: float = 0.95
) -> WeibullFits:
    """Fit the scale of every stratum where the shape is known, as after many like items.

    Limits are chi-square limits; see :func:`~relkit.survival.known_shape.known_shape_scales`.
    A stratum without a failure has a one-sided lower bound of its scale and B10 life.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    shape : array_like, shape () or (n_strata,)
        Known shape, above 0. [1]
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]

    Raises
    ------
    ValueError
        A shape is not finite and above 0, or ``confidence_level`` not between 0 and 1.
    """
    share("confidence_level", confidence_level)
    columns = FitColumns(lives)
    likelihood = weibull_likelihood(aged_lives(lives))
    shapes = np.broadcast_to(positive("shape", shape), (likelihood.n_strata,))
    exposed = columns.status != Status.NO_EXPOSURE
    endless = exposed & (likelihood.failures > 0) & ~likelihood.bounded
    columns.status[endless] = Status.NO_MAXIMUM
    _put_known_shape(columns, likelihood, exposed & ~endless, shapes, confidence_level)
    known = shapes[exposed]
    given = {"shape": known, "shape_lower": known, "shape_upper": known}
    wear = {"probability_of_wear": np.where(known > 1, 1.0, 0.0)}
    columns.put(exposed, given | wear | {"log_shape_std_error": np.zeros(len(known))})
    columns.sources[exposed] = "given"
    return columns.result(confidence_level)


@dataclass(frozen=True, slots=True, eq=False)
class _Peaks:
    """Strata whose maximum was found, as a batch of their own."""

    where: NDArray[np.bool_]  # among all strata
    likelihood: WeibullLikelihood
    peak: Maximum
    at: Slopes
    errors: LogErrors


def _peaks(
    likelihood: WeibullLikelihood, lives: ObservedLives, columns: FitColumns
) -> _Peaks | None:
    """Return the maxima that exist, and write into ``columns`` why the others do not."""
    status = columns.status
    some = likelihood.failures > 0
    early = likelihood.log_ages < 0  # a failure below the stratum's largest age
    failed = lives.failures > 0
    first = lives.strata.minima(np.where(failed, lives.age, np.inf))
    last = lives.strata.maxima(np.where(failed, lives.age, -np.inf))
    status[some & (first == last) & ~likelihood.with_intervals] = Status.EQUAL_AGES
    status[some & (likelihood.failures <= 1)] = Status.ONE_FAILURE
    where = some & (early | likelihood.with_intervals)
    if likelihood.intervals is not None:
        endless = where & ~likelihood.bounded
        status[endless] = Status.NO_MAXIMUM
        where &= ~endless
    if not where.any():
        return None
    part = likelihood.of_strata(where)
    peak = maximum(part)
    missing = where.copy()
    missing[where] = ~peak.found
    told = np.isin(status, (Status.ONE_FAILURE, Status.EQUAL_AGES))
    status[missing & ~told] = Status.NOT_CONVERGED
    missing[where] = peak.outside
    status[missing & ~told] = Status.NO_MAXIMUM
    where[where] = peak.found
    part, peak = part.of_strata(peak.found), of_wanted(peak, peak.found)
    at = part.slopes(peak.u, peak.y, peak.sums)
    return _Peaks(where, part, peak, at, log_errors(peak.u, peak.y, at))


def _put_known_shape(
    columns: FitColumns,
    likelihood: WeibullLikelihood,
    where: NDArray[np.bool_],
    shape: NDArray[np.float64],
    confidence_level: float,
) -> None:
    """Fill scale and B10 life of these strata for the shapes given."""
    if not where.any():
        return
    known = known_shape_scales(likelihood.of_strata(where), shape[where], confidence_level)
    b10 = B10_HAZARD ** (1 / shape[where])
    values = {
        "scale": known.scale,
        "scale_lower": known.lower,
        "scale_upper": known.upper,
        "b10": known.scale * b10,
        "b10_lower": known.lower * b10,
        "b10_upper": known.upper * b10,
        "log_scale_std_error": known.log_std_error,
        "log_likelihood": known.log_likelihood,
    }
    columns.put(where, values)


def _fisher(peaks: _Peaks, z: float) -> Limits:
    u, y = peaks.peak.u, peaks.peak.y
    log_scale = peaks.likelihood.log_reference - y / np.exp(u)
    log_b10 = log_scale + np.log(B10_HAZARD) / np.exp(u)
    return fisher_limits(u, log_scale, log_b10, peaks.errors, z)


def _put_ratio_limits(
    columns: FitColumns, peaks: _Peaks, wanted: NDArray[np.bool_], z: NDArray[np.float64]
) -> None:
    if not wanted.any():
        return
    where = peaks.where.copy()
    where[where] = wanted
    peak, at = of_wanted(peaks.peak, wanted), of_wanted(peaks.at, wanted)
    errors = of_wanted(peaks.errors, wanted)
    part = peaks.likelihood.of_strata(wanted)
    columns.put_limits(where, profile_limits(part, peak, at, errors, z[wanted]))


def _probability_of_wear(peaks: _Peaks) -> NDArray[np.float64]:
    """Return the normal probability of the signed root of the likelihood ratio against shape 1."""
    part, random = peaks.likelihood, np.zeros(len(peaks.peak.u))
    sums = part.power_sums(random)
    at = part.slopes(random, part.log_rates(random, sums), sums)
    fall = np.maximum(peaks.at.value - at.value, 0.0)  # rounding where the shape is 1
    probability: NDArray[np.float64] = ndtr(np.sign(peaks.peak.u) * np.sqrt(2 * fall))
    return probability
