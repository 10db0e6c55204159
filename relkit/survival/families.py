"""Families of life distributions: survival, density and quantile on the scale of log age.

Layer: survival. Arrays in, arrays out; numpy and scipy.special only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import (
    gammainc,
    gammaincc,
    gammainccinv,
    gammaincinv,
    gammaln,
    log_ndtr,
    ndtri,
)

__all__ = ["FAMILIES", "Family", "FamilyName"]

Floats = NDArray[np.float64]

#: Families that can be fitted.
FamilyName = Literal[
    "exponential",
    "Weibull",
    "Weibull with threshold",
    "lognormal",
    "loglogistic",
    "gamma",
    "generalised gamma",
]

#: Below this the generalised gamma's skew is taken as 0, the lognormal (error of its order).
_NO_SKEW = 1e-4
_LOG_ROOT_TWO_PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True, slots=True)
class Family:
    """One family; parameters are free numbers, one column each, the first the log of a scale.

    ``log_survival`` and ``log_density`` take parameters (n, k) and log ages (n,); the density is
    that of the log age. ``log_age`` takes parameters (n, k) and log survivals (n,).
    """

    name: FamilyName
    parameters: int  #: number of parameters, the threshold included
    log_survival: Callable[[Floats, Floats], Floats]
    log_density: Callable[[Floats, Floats], Floats]
    log_age: Callable[[Floats, Floats], Floats]
    start: tuple[tuple[float, ...], ...]  #: first guesses, added to log(exposure / failures)
    threshold: bool = False  #: the parameters are those of age less a threshold


def _standard(theta: Floats, log_age: Floats) -> Floats:
    w: Floats = (log_age - theta[:, 0]) * np.exp(-theta[:, 1])
    return w


def _exponential_log_survival(theta: Floats, log_age: Floats) -> Floats:
    logs: Floats = -np.exp(log_age - theta[:, 0])
    return logs


def _exponential_log_density(theta: Floats, log_age: Floats) -> Floats:
    w = log_age - theta[:, 0]
    logs: Floats = w - np.exp(w)
    return logs


def _exponential_log_age(theta: Floats, log_survival: Floats) -> Floats:
    logs: Floats = theta[:, 0] + np.log(-log_survival)
    return logs


def _weibull_log_survival(theta: Floats, log_age: Floats) -> Floats:
    logs: Floats = -np.exp(_standard(theta, log_age))
    return logs


def _weibull_log_density(theta: Floats, log_age: Floats) -> Floats:
    w = _standard(theta, log_age)
    logs: Floats = w - np.exp(w) - theta[:, 1]
    return logs


def _weibull_log_age(theta: Floats, log_survival: Floats) -> Floats:
    logs: Floats = theta[:, 0] + np.exp(theta[:, 1]) * np.log(-log_survival)
    return logs


def _lognormal_log_survival(theta: Floats, log_age: Floats) -> Floats:
    logs: Floats = log_ndtr(-_standard(theta, log_age))
    return logs


def _lognormal_log_density(theta: Floats, log_age: Floats) -> Floats:
    logs: Floats = -(_standard(theta, log_age) ** 2) / 2 - _LOG_ROOT_TWO_PI - theta[:, 1]
    return logs


def _lognormal_log_age(theta: Floats, log_survival: Floats) -> Floats:
    logs: Floats = theta[:, 0] + np.exp(theta[:, 1]) * ndtri(-np.expm1(log_survival))
    return logs


def _loglogistic_log_survival(theta: Floats, log_age: Floats) -> Floats:
    logs: Floats = -np.logaddexp(0.0, _standard(theta, log_age))
    return logs


def _loglogistic_log_density(theta: Floats, log_age: Floats) -> Floats:
    w = _standard(theta, log_age)
    logs: Floats = w - 2 * np.logaddexp(0.0, w) - theta[:, 1]
    return logs


def _loglogistic_log_age(theta: Floats, log_survival: Floats) -> Floats:
    odds = np.log(-np.expm1(log_survival)) - log_survival
    logs: Floats = theta[:, 0] + np.exp(theta[:, 1]) * odds
    return logs


def _log_upper_gamma(shape: Floats, x: Floats) -> Floats:
    """Log of the upper incomplete gamma share, also where the share is below the least float."""
    value = gammaincc(shape, x)
    deep = value < 1e-280
    far = np.where(deep, x, 1e3 * (shape + 1))
    # first terms of the expansion for x far above the shape (DLMF 8.11.2, from memory)
    tail = (shape - 1) * np.log(far) - far - gammaln(shape)
    tail += np.log1p((shape - 1) / far * (1 + (shape - 2) / far))
    return np.where(deep, tail, np.log(np.where(deep, 1.0, value)))


def _gamma_log_survival(theta: Floats, log_age: Floats) -> Floats:
    return _log_upper_gamma(np.exp(theta[:, 1]), np.exp(log_age - theta[:, 0]))


def _gamma_log_density(theta: Floats, log_age: Floats) -> Floats:
    shape, w = np.exp(theta[:, 1]), log_age - theta[:, 0]
    logs: Floats = shape * w - np.exp(w) - gammaln(shape)
    return logs


def _gamma_log_age(theta: Floats, log_survival: Floats) -> Floats:
    logs: Floats = theta[:, 0] + np.log(gammainccinv(np.exp(theta[:, 1]), np.exp(log_survival)))
    return logs


def _skewed(theta: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Skew kept away from 0, its shape 1 / skew^2, and where it is not 0."""
    held = np.abs(theta[:, 2]) >= _NO_SKEW
    skew = np.where(held, theta[:, 2], 1.0)
    return skew, skew**-2, held


def _generalised_log_survival(theta: Floats, log_age: Floats) -> Floats:
    skew, shape, held = _skewed(theta)
    x = shape * np.exp(np.minimum(skew * _standard(theta, log_age), 600.0))
    with np.errstate(divide="ignore"):  # survival 0: log is -inf, a point of no likelihood
        other = np.log(gammainc(shape, x))
    skewed = np.where(skew > 0, _log_upper_gamma(shape, x), other)
    return np.where(held, skewed, _lognormal_log_survival(theta, log_age))


def _generalised_log_density(theta: Floats, log_age: Floats) -> Floats:
    skew, shape, held = _skewed(theta)
    turn = skew * _standard(theta, log_age)
    body = shape * (np.log(shape) + turn - np.exp(np.minimum(turn, 600.0))) - gammaln(shape)
    return np.where(
        held, np.log(np.abs(skew)) + body - theta[:, 1], _lognormal_log_density(theta, log_age)
    )


def _generalised_log_age(theta: Floats, log_survival: Floats) -> Floats:
    skew, shape, held = _skewed(theta)
    share = np.exp(log_survival)
    x = np.where(skew > 0, gammainccinv(shape, share), gammaincinv(shape, share))
    gone = x < 1e-290  # below the least float: first term of the series, x^shape / gamma(shape+1)
    low = np.where(skew > 0, -np.expm1(log_survival), share)
    series = (np.log(low) + gammaln(shape + 1)) / shape
    turn = (np.where(gone, series, np.log(np.where(gone, 1.0, x))) - np.log(shape)) / skew
    return np.where(
        held,
        theta[:, 0] + np.exp(theta[:, 1]) * turn,
        _lognormal_log_age(theta, log_survival),
    )


#: The families by name. Generalised gamma as R. L. Prentice, Biometrika 61, 1974, 539-544:
#: skew 1 is the Weibull, skew 0 the lognormal, skew equal to spread the gamma.
FAMILIES: dict[str, Family] = {
    family.name: family
    for family in (
        Family(
            "exponential", 1, _exponential_log_survival, _exponential_log_density,
            _exponential_log_age, ((0.0,),),
        ),
        Family(
            "Weibull", 2, _weibull_log_survival, _weibull_log_density, _weibull_log_age,
            ((0.0, -0.3),),
        ),
        Family(
            "Weibull with threshold", 3, _weibull_log_survival, _weibull_log_density,
            _weibull_log_age, ((0.0, -0.3),), threshold=True,
        ),
        Family(
            "lognormal", 2, _lognormal_log_survival, _lognormal_log_density, _lognormal_log_age,
            ((-0.3, 0.0),),
        ),
        Family(
            "loglogistic", 2, _loglogistic_log_survival, _loglogistic_log_density,
            _loglogistic_log_age, ((-0.3, -0.5),),
        ),
        Family(
            "gamma", 2, _gamma_log_survival, _gamma_log_density, _gamma_log_age,
            ((-0.3, 0.3),),
        ),
        Family(
            "generalised gamma", 3, _generalised_log_survival, _generalised_log_density,
            _generalised_log_age, ((0.0, -0.3, 1.0), (-0.3, 0.0, 0.2), (-0.5, -0.3, -0.5)),
        ),
    )
}  # fmt: skip
