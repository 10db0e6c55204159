"""Mean life still to come, given an age that was reached, for every family in closed form.

Layer: survival. Arrays in, arrays out; numpy and scipy.special only.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaln, gammaincc, gammaln, ndtr

from relkit.survival.families import FAMILIES, Family, FamilyName

__all__ = ["mean_residual_lives"]

Floats = NDArray[np.float64]

#: Share of items that reach an age, below which the mean beyond it is not worked out.
_HARDLY_REACHED = 1e-9
#: Skew of the generalised gamma below which its lognormal limit is taken.
_NO_SKEW = 1e-4


def mean_residual_lives(
    family: FamilyName, theta: Floats, age: Floats, threshold: Floats | None = None
) -> Floats:
    """Mean of what is left of the lives that reach an age, (n,).

    The area under the survival curve beyond the age, over survival of the age; at age 0 the
    mean life.

    Parameters
    ----------
    family : str
        A name in ``FAMILIES``.
    theta : ndarray, shape (n, k)
        Parameters as :class:`relkit.survival.family_fits.FamilyFits` holds them.
    age : ndarray, shape (n,)
        Age reached, at least 0. [clock]
    threshold : ndarray, shape (n,), optional
        Age before which nothing fails. [clock]

    Returns
    -------
    ndarray, shape (n,)
        Infinite where the mean is (loglogistic with shape up to 1, generalised gamma of much
        negative skew); NaN where fewer than one in 10^9 reach the age. [clock]

    References
    ----------
    .. [1] N. L. Johnson, S. Kotz and N. Balakrishnan, Continuous Univariate Distributions,
       vol. 1, 2nd ed., Wiley, 1994 (incomplete moments; from memory). The rest is own algebra.
    """
    kind = FAMILIES[family]
    off = np.zeros(len(age)) if threshold is None else threshold
    beyond = np.maximum(age - off, 0.0)
    reached = _survival(kind, theta, beyond)
    with np.errstate(over="ignore", under="ignore", invalid="ignore", divide="ignore"):
        # far-off parameters, as limits try them: infinite or NaN is the right answer
        area = _AREAS[family](theta, beyond, reached)
        rest = area / reached + np.maximum(off - age, 0.0)
    return np.where(reached > _HARDLY_REACHED, rest, np.nan)


def _survival(kind: Family, theta: Floats, age: Floats) -> Floats:
    new = age <= 0
    logs = kind.log_survival(theta, np.log(np.where(new, 1.0, age)))
    survival: Floats = np.where(new, 1.0, np.exp(logs))
    return survival


def _log(age: Floats) -> Floats:
    with np.errstate(divide="ignore"):  # age 0: minus infinity is right
        return np.log(age)


def _exponential(theta: Floats, age: Floats, reached: Floats) -> Floats:  # noqa: ARG001
    area: Floats = np.exp(theta[:, 0]) * reached
    return area


def _weibull(theta: Floats, age: Floats, reached: Floats) -> Floats:  # noqa: ARG001
    root = np.exp(theta[:, 1])  # 1 / shape
    hazard = np.exp((_log(age) - theta[:, 0]) / root)
    area: Floats = np.exp(theta[:, 0] + gammaln(1 + root)) * gammaincc(root, hazard)
    return area


def _lognormal(theta: Floats, age: Floats, reached: Floats) -> Floats:
    mean, spread = theta[:, 0], np.exp(theta[:, 1])
    z = (_log(age) - mean) / spread
    area: Floats = np.exp(mean + spread**2 / 2) * ndtr(spread - z) - age * reached
    return area


def _loglogistic(theta: Floats, age: Floats, reached: Floats) -> Floats:  # noqa: ARG001
    root = np.exp(theta[:, 1])
    finite = root < 1
    held = np.where(finite, root, 0.5)
    # substitution u = survival; u at the age from its odds, so that none is lost near 1
    u = 1 / (1 + np.exp((_log(age) - theta[:, 0]) / held))
    log_whole = theta[:, 0] + np.log(held) + betaln(1 - held, held)
    return np.where(finite, np.exp(log_whole) * betainc(1 - held, held, u), np.inf)


def _gamma(theta: Floats, age: Floats, reached: Floats) -> Floats:
    scale, shape = np.exp(theta[:, 0]), np.exp(theta[:, 1])
    area: Floats = scale * shape * gammaincc(shape + 1, age / scale) - age * reached
    return area


def _generalised(theta: Floats, age: Floats, reached: Floats) -> Floats:
    held = np.abs(theta[:, 2]) >= _NO_SKEW
    skew = np.where(held, theta[:, 2], 1.0)
    shape, power = skew**-2, np.exp(theta[:, 1]) / skew
    moment = shape + power  # of age, in the gamma law of shape * (age / location)^(1 / power)
    finite = moment > 0
    moment = np.where(finite, moment, 1.0)
    x = shape * np.exp((_log(age) - theta[:, 0]) / power)
    log_mean = theta[:, 0] - power * np.log(shape) + gammaln(moment) - gammaln(shape)
    beyond = gammaincc(moment, x)
    area = np.exp(log_mean) * np.where(skew > 0, beyond, 1 - beyond) - age * reached
    return np.where(held, np.where(finite, area, np.inf), _lognormal(theta, age, reached))


_AREAS: dict[str, Callable[[Floats, Floats, Floats], Floats]] = {
    "exponential": _exponential,
    "Weibull": _weibull,
    "Weibull with threshold": _weibull,
    "lognormal": _lognormal,
    "loglogistic": _loglogistic,
    "gamma": _gamma,
    "generalised gamma": _generalised,
}
