"""Weibull fits of several causes where some jobs do not tell which item had failed.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only. Coordinates u
and y as in weibull_likelihood.py.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from relkit.checks import share as checked_share
from relkit.survival.limits import B10_HAZARD, LogErrors, fisher_limits, log_errors
from relkit.survival.masked import masked_shares
from relkit.survival.masked_likelihood import (
    Linked,
    MaskedMaximum,
    linked_components,
    linked_likelihood,
    masked_maximum,
)
from relkit.survival.observed import ObservedLives
from relkit.survival.status import Status
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_likelihood import Slopes
from relkit.survival.weibull_result import WeibullFits, aged_lives

__all__ = ["MaskedFits", "masked_fits"]

_UNKNOWN = (
    "a stratum linked by masked jobs has no known failures that give a fit of their own: the "
    "likelihood may rise for ever; shares with the stated prior on the shape still exist"
)
_LOST = "the iteration over the linked strata ended before the estimate was found"
_ESTIMATES = ("shape", "scale", "b10")


@dataclass(frozen=True, slots=True, eq=False)
class MaskedFits:
    """Fits of all strata from known and masked failures, and what the extremes would give."""

    fits: WeibullFits  #: failures: known and expected; limits hold the doubt about the causes
    if_none: WeibullFits  #: no candidate of the stratum had failed: all were the others
    if_all: WeibullFits  #: every candidate of the stratum had failed
    known_failures: NDArray[np.float64]  #: failures of known cause, (n_strata,) [1]
    masked_lives: NDArray[np.float64]  #: candidates of masked jobs, (n_strata,) [1]
    linked: NDArray[np.intp]  #: same number: strata that masked jobs link, (n_strata,)
    probability: NDArray[np.float64]  #: of each life to have failed, in the order given [1]
    jobs: int  #: masked jobs
    iterations: int  #: Newton steps of the set of linked strata that took longest


def masked_fits(
    lives: ObservedLives, group: NDArray[np.intp], *, confidence_level: float = 0.95
) -> MaskedFits:
    """Maximum-likelihood Weibull law of every stratum where causes of some jobs are masked.

    A masked job adds the log of the sum of its candidates' hazards to the likelihood. The
    limits rest on the observed information of the whole likelihood, over all strata that
    masked jobs link: they hold the doubt about the causes, unlike those of fits to given
    shares. No prior is used. What must hold of the masking: see
    :func:`~relkit.survival.masked.masked_shares`; the data cannot show whether it does, so the
    extremes are given beside it.

    Parameters
    ----------
    lives : ObservedLives
        The lives; masked ones have no failure in them.
    group : ndarray of int, shape (n_lives,)
        Number of the masked job from 0, -1 for other lives, in the order in which the rows
        were given.
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]

    Returns
    -------
    MaskedFits
        ``fits.log_likelihood`` is that of all strata linked with the stratum.
        ``fits.probability_of_wear`` is normal on the log shape. Where a stratum has no known
        failures that give a fit of their own, it and those linked with it have no estimate;
        their ``probability`` is then that of ``masked_shares``, with its prior.

    Raises
    ------
    ValueError
        A masked life has age 0, count 0 or is a failure, the counts of one job differ, or
        ``confidence_level`` is not between 0 and 1.

    Notes
    -----
    Limits are symmetric on the log scale: too narrow below about 10 failures of a stratum.

    References
    ----------
    .. [1] M. Miyakawa, Analysis of incomplete data in competing risks model, IEEE Transactions
       on Reliability R-33, 1984, 293-296 (likelihood; from memory).
    .. [2] T. A. Louis, Finding the observed information matrix when using the EM algorithm,
       Journal of the Royal Statistical Society B 44, 1982, 226-233 (eq. 3.1; from memory).
    """
    checked_share("confidence_level", confidence_level)
    job = lives.strata.arranged(group)
    start = lives.strata.arranged(masked_shares(lives, group).share)
    masked = job >= 0
    _require_equal_counts(lives, job)
    code = lives.strata.codes()
    component = linked_components(code[masked], job[masked], lives.strata.n_strata)

    def fitted(shares: NDArray[np.float64]) -> WeibullFits:
        failures = np.where(masked, lives.counts() * shares, lives.failures)
        return own_fits(replace(lives, failures=failures), confidence_level=confidence_level)

    if_none, if_all = fitted(np.zeros(len(job))), fitted(np.ones(len(job)))
    first = fitted(start)
    candidates = lives.strata.sums(np.where(masked, lives.counts(), 0.0))
    linked = np.bincount(component, candidates, len(component))[component] > 0
    lacking = linked & ~np.isfinite(if_none.shape + if_none.scale + first.shape + first.scale)
    lacking = np.bincount(component, lacking, len(component))[component] > 0
    results = _by_size(lives, job, component, linked & ~lacking, first)
    shares = start.copy()
    for rows, _, _, peak in results:
        solved = peak.found[rows.component][rows.code]
        place = np.flatnonzero(masked & np.isin(code, rows.strata))
        shares[place[solved]] = peak.probability[solved]
    fits = _without_estimates(fitted(shares), lacking, Status.NO_MAXIMUM, _UNKNOWN)
    for rows, u, y, peak in results:
        fits = _with_full_information(fits, rows, u, y, peak)
    return MaskedFits(
        fits=fits,
        if_none=if_none,
        if_all=if_all,
        known_failures=if_none.failures,
        masked_lives=candidates,
        linked=component,
        probability=lives.strata.given_order(shares),
        jobs=int(job.max(initial=-1)) + 1,
        iterations=max((peak.steps for *_, peak in results), default=0),
    )


def _require_equal_counts(lives: ObservedLives, job: NDArray[np.intp]) -> None:
    masked = job >= 0
    counts, job = lives.counts()[masked], job[masked]
    largest = np.zeros(int(job.max(initial=-1)) + 1)
    np.maximum.at(largest, job, counts)
    wrong = job[counts < largest[job]]
    if len(wrong):
        raise ValueError(
            f"counts of the lives of masked job {wrong.min()} differ: must be the same for all "
            f"candidates of a job ({len(np.unique(wrong))} jobs have this)"
        )


_Solved = tuple[Linked, NDArray[np.float64], NDArray[np.float64], MaskedMaximum]


def _by_size(
    lives: ObservedLives,
    job: NDArray[np.intp],
    component: NDArray[np.intp],
    wanted: NDArray[np.bool_],
    first: WeibullFits,
) -> list[_Solved]:
    """Return the maximum of all sets of linked strata, those of one size as one batch."""
    size = np.bincount(component, minlength=len(component))[component]
    results: list[_Solved] = []
    for several in np.unique(size[wanted]):
        part = wanted & (size == several)
        rows = linked_likelihood(aged_lives(lives), _aged_jobs(lives, job), component, part)
        shape, log_scale = first.shape[part], np.log(first.scale[part])
        u, y = np.log(shape), shape * (rows.likelihood.log_reference - log_scale)
        peak = masked_maximum(rows, u, y)
        results.append((rows, peak.u, peak.y, peak))
    return results


def _aged_jobs(lives: ObservedLives, job: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the jobs of the rows that ``aged_lives`` keeps."""
    kept: NDArray[np.intp] = job[(lives.age > 0) & (lives.counts() > 0)]
    return kept


def _with_full_information(
    fits: WeibullFits,
    rows: Linked,
    u: NDArray[np.float64],
    y: NDArray[np.float64],
    peak: MaskedMaximum,
) -> WeibullFits:
    """Return the fits with estimates and limits of these strata from the whole likelihood."""
    solved = peak.found[rows.component]
    z = float(ndtri(0.5 + fits.confidence_level / 2))
    lost = np.zeros(len(fits.status), dtype=np.bool_)
    lost[rows.strata[~solved]] = True
    fits = _without_estimates(fits, lost, Status.NOT_CONVERGED, _LOST)
    errors = _errors(u, y, peak)
    log_scale = rows.likelihood.log_reference - y / np.exp(u)
    log_b10 = log_scale + np.log(B10_HAZARD) / np.exp(u)
    limits = fisher_limits(u, log_scale, log_b10, errors, z)
    values = {name: getattr(limits, name) for name in type(limits).__slots__}
    values |= {"shape": np.exp(u), "scale": np.exp(log_scale), "b10": np.exp(log_b10)}
    values |= {
        "log_shape_std_error": errors.shape,
        "log_scale_std_error": errors.scale,
        "log_correlation": errors.correlation,
        "probability_of_wear": ndtr(u / errors.shape),
        "log_likelihood": peak.value[rows.component],
    }
    changed: dict[str, Any] = {}
    for name, numbers in values.items():
        changed[name] = getattr(fits, name).copy()
        changed[name][rows.strata[solved]] = numbers[solved]
    return replace(fits, **changed)


def _errors(u: NDArray[np.float64], y: NDArray[np.float64], peak: MaskedMaximum) -> LogErrors:
    """Return standard errors from each stratum's block of the covariance."""
    with np.errstate(divide="ignore", invalid="ignore"):  # NaN where no maximum was found
        # log_errors inverts slopes, so each block is given as the inverse that it came from
        determinant = peak.var_u * peak.var_y - peak.covariance**2
        uu, yy = -peak.var_y / determinant, -peak.var_u / determinant
        none = np.full(len(u), np.nan)
        return log_errors(u, y, Slopes(none, none, none, uu, peak.covariance / determinant, yy))


def _without_estimates(
    fits: WeibullFits, where: NDArray[np.bool_], status: Status, sentence: str
) -> WeibullFits:
    """Return the fits with NaN, a status and a reason for the strata that have no estimate."""
    if not where.any():
        return fits
    names = [f"{name}{end}" for name in _ESTIMATES for end in ("", "_lower", "_upper")]
    names += ["log_likelihood", "log_shape_std_error", "log_scale_std_error"]
    names += ["log_correlation", "probability_of_wear"]
    changed: dict[str, Any] = {name: np.where(where, np.nan, getattr(fits, name)) for name in names}
    return replace(
        fits,
        status=np.where(where, status.value, fits.status),
        reason=np.where(where, sentence, fits.reason),
        shape_source=np.where(where, "none", fits.shape_source),
        **changed,
    )
