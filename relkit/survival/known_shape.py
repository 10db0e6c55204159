"""Weibull scale where the shape is known, with chi-square limits; bounds without a failure.

Layer: survival. numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from relkit.survival.weibull_likelihood import WeibullLikelihood

__all__ = ["KnownShapeScales", "known_shape_scales", "scale_lower_bounds"]


@dataclass(frozen=True, slots=True, eq=False)
class KnownShapeScales:
    """Scale of each stratum for a given shape; all fields (n_strata,)."""

    scale: NDArray[np.float64]  #: NaN without a failure [clock]
    lower: NDArray[np.float64]  #: two-sided limit; one-sided bound without a failure [clock]
    upper: NDArray[np.float64]  #: two-sided limit; infinite without a failure [clock]
    log_std_error: NDArray[np.float64]  #: of the log scale, NaN without a failure [1]
    log_likelihood: NDArray[np.float64]  #: at the scale, NaN without a failure [1]


def known_shape_scales(
    likelihood: WeibullLikelihood, shape: NDArray[np.float64], confidence_level: float
) -> KnownShapeScales:
    """Scale and its limits for a known shape.

    With r failures, T the sum of age^shape - entry^shape and C the confidence level, the
    limits of scale^shape are 2 T / chi2(1 - (1 - C) / 2; 2 r + 2) and
    2 T / chi2((1 - C) / 2; 2 r), chi2 being quantiles: exact where each observation ends at a
    set age or at a set number of failures, a close approximation elsewhere. Without a failure
    all of 1 - C goes to the lower side: T / -log(1 - C). Where failures were only found later,
    r is replaced by the information about log scale^shape, which is r for exact ages.

    Parameters
    ----------
    likelihood : WeibullLikelihood
        The strata.
    shape : ndarray, shape (n_strata,)
        Known shape of each. [1]
    confidence_level : float
        Of the two-sided limits. [1]

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1 (chi-square limits,
       zero failures).
    .. [2] W. Nelson, Weibull analysis of reliability data with few or no failures, Journal of
       Quality Technology 17, 1985, 140-146 (known shape; formula from memory).
    """
    effective, power, log_likelihood = _gamma_form(likelihood, shape)
    some = effective > 0
    tail = np.where(some, (1 - confidence_level) / 2, 1 - confidence_level)
    steady = np.where(some, effective, 1.0)
    low = power / gammaincinv(effective + 1, 1 - tail)
    best = np.where(some, power / steady, np.nan)
    with np.errstate(divide="ignore"):  # next to no information: infinite is right
        high = np.where(some, power / gammaincinv(steady, tail), np.inf)
    reference, root = np.exp(likelihood.log_reference), 1 / shape
    return KnownShapeScales(
        scale=reference * best**root,
        lower=reference * low**root,
        upper=reference * high**root,
        log_std_error=np.where(some, root / np.sqrt(steady), np.nan),
        log_likelihood=log_likelihood,
    )


def scale_lower_bounds(
    likelihood: WeibullLikelihood, shape: NDArray[np.float64], confidence_level: float
) -> NDArray[np.float64]:
    """One-sided lower bound of the scale for a known shape: 2 T / chi2(C; 2 r + 2) to 1 / shape.

    Parameters
    ----------
    likelihood : WeibullLikelihood
        The strata.
    shape : ndarray, shape (n_strata,)
        Known shape of each. [1]
    confidence_level : float
        Of the one-sided bound. [1]
    """
    effective, power, _ = _gamma_form(likelihood, shape)
    bound: NDArray[np.float64] = np.exp(likelihood.log_reference) * (
        power / gammaincinv(effective + 1, confidence_level)
    ) ** (1 / shape)
    return bound


def _gamma_form(
    likelihood: WeibullLikelihood, shape: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return failures r and sum of powers T of the likelihood, and its log at the maximum.

    The likelihood of the rate q = scale^-shape is q^r exp(-q T).
    """
    u = np.log(shape)
    sums = likelihood.power_sums(u)
    some = (likelihood.failures > 0) & (sums[0] > 0)
    effective, power = np.zeros(likelihood.n_strata), np.maximum(sums[0], 0.0)
    log_likelihood = np.full(likelihood.n_strata, np.nan)
    if some.any():
        part, part_sums = likelihood.of_strata(some), [values[some] for values in sums]
        y = part.log_rates(u[some], part_sums)
        at = part.slopes(u[some], y, part_sums)
        effective[some], log_likelihood[some] = -at.yy, at.value
        power[some] = -at.yy / np.exp(y)
    return effective, power, log_likelihood
