"""Failures per unit of exposure with exact limits.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv

from relkit.checks import positive, share, within

__all__ = ["FailureRates", "failure_rates"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class FailureRates:
    """Failure rates; all fields have one broadcast shape."""

    failures: Floats  #: failures seen, shares of masked ones added up [1]
    exposure: Floats  #: time under observation [clock]
    rate: Floats  #: failures over exposure [1 / clock]
    lower: Floats  #: 0 where nothing failed [1 / clock]
    upper: Floats  #: [1 / clock]
    confidence_level: float  #: of the two-sided limits [1]


def failure_rates(
    failures: ArrayLike, exposure: ArrayLike, *, confidence_level: float = 0.95
) -> FailureRates:
    """Mean failure rate over an exposure, with limits that hold for any number of failures.

    Assumes a Poisson number of failures: the rate is a mean over the ages that were observed,
    and says nothing of how it changes with age.

    Parameters
    ----------
    failures : array_like of any shape
        Number of failures, 0 or more; fractions stand for shares of masked failures. [1]
    exposure : array_like, broadcastable with ``failures``
        Time under observation, above 0. [clock]
    confidence_level : float
        Of the two-sided limits. [1]

    Raises
    ------
    ValueError
        A value is not finite or out of bounds: argument, position and value are named.

    References
    ----------
    .. [1] F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28, 1936,
       437-442; in chi-square form in NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1.

    Examples
    --------
    >>> found = failure_rates([0, 4], 1000.0, confidence_level=0.9)
    >>> (1000 * found.lower).round(2).tolist(), (1000 * found.upper).round(2).tolist()
    ([0.0, 1.37], [3.0, 9.15])
    """
    tail = (1 - share("confidence_level", confidence_level)) / 2
    count, time = np.broadcast_arrays(
        within("failures", failures, 0.0), positive("exposure", exposure)
    )
    # [1] half the chi-square quantile is that of a gamma law with half the degrees of freedom
    lower = np.where(count > 0, gammaincinv(np.where(count > 0, count, 1.0), tail), 0.0)
    return FailureRates(
        failures=count.copy(),
        exposure=time.copy(),
        rate=count / time,
        lower=lower / time,
        upper=gammaincinv(count + 1, 1 - tail) / time,
        confidence_level=float(confidence_level),
    )
