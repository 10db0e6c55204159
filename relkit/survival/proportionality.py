"""Do hazard ratios hold at all ages: residuals of failures against age, with late entry.

Layer: survival. Arrays in, arrays out; numpy and scipy.special only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from relkit.survival.risk_sets import risk_index

__all__ = ["proportionality_p_values", "residual_sums"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def residual_sums(
    entry: Floats,
    age: Floats,
    failures: Floats,
    covariates: Floats,
    coefficients: Floats,
    *,
    count: Floats,
    stratum: Ints,
) -> tuple[Floats, Floats, Floats]:
    """Failures' covariates less those expected of who was at risk, by stratum and age.

    Parameters
    ----------
    entry, age : ndarray, shape (n_lives,)
        At risk at ages above the first, up to the second. [clock]
    failures : ndarray, shape (n_lives,)
        Weight as a failure. [1]
    covariates : ndarray, shape (n_lives, k)
        As in the fit.
    coefficients : ndarray, shape (k,)
        Logs of the hazard ratios.
    count : ndarray, shape (n_lives,)
        Lives that each row stands for. [1]
    stratum : ndarray of int, shape (n_lives,)
        Stratum with a baseline hazard of its own, from 0.

    Returns
    -------
    age : ndarray, shape (n,)
        Each age at which something failed, in each stratum. [clock]
    number : ndarray, shape (n,)
        Failures at it. [1]
    residual : ndarray, shape (n, k)
        Sum of the residuals of these failures.

    References
    ----------
    .. [1] D. Schoenfeld, Partial residuals for the proportional hazards regression model,
       Biometrika 69, 1982, 239-241 (from memory).
    """
    failed = failures > 0
    ages = np.unique(age[failed])
    rank = np.searchsorted(ages, age)
    width = len(ages) + 1
    keys, place = np.unique(stratum[failed] * width + rank[failed], return_inverse=True)
    number = np.bincount(place, failures[failed]).astype(np.float64)
    cell, at = keys // width, keys % width
    relative = count * np.exp((covariates - covariates.mean(axis=0)) @ coefficients)

    def at_risk(weight: Floats) -> Floats:
        return risk_index(ages, stratum, entry, age, weight).sums(cell, at)

    total = at_risk(relative)
    residual = np.empty((len(keys), covariates.shape[1]))
    for k, values in enumerate(covariates.T):
        seen = np.bincount(place, failures[failed] * values[failed])
        residual[:, k] = seen - number * at_risk(relative * values) / total
    return ages[at], number, residual


def proportionality_p_values(
    age: Floats, number: Floats, residual: Floats, covariance: Floats
) -> Floats:
    """Probability of such a trend of each coefficient with age if all ratios hold at all ages.

    Parameters
    ----------
    age, number, residual
        From :func:`residual_sums`.
    covariance : ndarray, shape (k, k)
        Of the coefficients.

    Returns
    -------
    ndarray, shape (k,)
        NaN with fewer than two ages of failure.

    References
    ----------
    .. [1] P. M. Grambsch and T. M. Therneau, Proportional hazards tests and diagnostics based
       on weighted residuals, Biometrika 81, 1994, 515-526 (here each coefficient by itself, on
       the rank of the age; from memory).
    """
    ages, place = np.unique(age, return_inverse=True)
    if len(ages) < 2:
        return np.full(len(covariance), np.nan)
    order = np.argsort(place, kind="stable")
    before = np.cumsum(number[order]) - number[order]
    # rank of an age: mean of the places of the failures at it
    first, total = np.full(len(ages), np.inf), np.bincount(place, number)
    np.minimum.at(first, place[order], before)
    rank = (first + (total + 1) / 2)[place]
    failures = number.sum()
    off = rank - (number * rank).sum() / failures
    scaled = failures * residual @ covariance
    trend = (off[:, None] * scaled).sum(axis=0) ** 2
    spread = failures * np.diag(covariance) * (number * off**2).sum()
    p_values: Floats = chdtrc(1, trend / spread)
    return p_values
