"""Weibull lives of new and of used items: mean, chance of failing soon, age that most reach.

Layer: decisions. Arrays in, arrays or one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma

from relkit.checks import positive, within

__all__ = [
    "age_at_survival",
    "failure_probability",
    "hazard",
    "hazard_gained",
    "mean_life",
    "weibull_parameters",
]

#: Below this shape Gamma(1 + 1/shape) and with it the mean life leave the range of a float.
LEAST_SHAPE = 0.01
#: Cumulative hazard that is still a number: an item that old fails at once.
MOST_HAZARD = 1e300


def weibull_parameters(
    scale: ArrayLike, shape: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Scale above 0 and shape of at least 0.01 as float arrays, checked.

    Raises
    ------
    ValueError
        A value is not finite or too small; argument, position and value are named.
    """
    return positive("scale", scale), within("shape", shape, LEAST_SHAPE)


def mean_life(*, scale: ArrayLike, shape: ArrayLike) -> NDArray[np.float64]:
    """Mean age at failure of new items: scale times Gamma(1 + 1/shape).

    Parameters
    ----------
    scale, shape : array_like, broadcastable
        Weibull scale above 0 [any one unit] and shape of at least 0.01 [1].

    Raises
    ------
    ValueError
        A value is not finite or too small.

    Examples
    --------
    >>> float(mean_life(scale=16_000.0, shape=1 / 3).round(6))
    96000.0
    """
    eta, beta = weibull_parameters(scale, shape)
    return np.asarray(eta * gamma(1 + 1 / beta))


def hazard(
    age: NDArray[np.float64], scale: NDArray[np.float64], shape: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Failures per unit of time among items that have reached an age; arguments unchecked."""
    with np.errstate(divide="ignore", over="ignore"):  # shape below 1 at age 0: infinite
        return np.asarray(shape / scale * (age / scale) ** (shape - 1))


def hazard_gained(
    time: NDArray[np.float64],
    age: NDArray[np.float64],
    scale: NDArray[np.float64],
    shape: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Cumulative hazard between ``age`` and ``age + time``; arguments broadcast, unchecked.

    Written as expm1 of a log1p where the time is short beside the age: the difference of two
    powers would lose the digits of what is gained (own algebra).
    """
    time, age, scale, shape = np.broadcast_arrays(time, age, scale, shape)
    with np.errstate(over="ignore"):  # inf is the right limit: certain to fail
        start = np.minimum((age / scale) ** shape, MOST_HAZARD)
        plain = ((age + time) / scale) ** shape - start
        short = time <= age
        ratio = np.divide(time, age, out=np.zeros_like(plain), where=short & (age > 0))
        return np.where(short, start * np.expm1(shape * np.log1p(ratio)), plain)


def failure_probability(
    time: ArrayLike, *, scale: ArrayLike, shape: ArrayLike, age: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Probability that an item which has reached an age fails within the time that follows.

    Parameters
    ----------
    time : array_like
        Time that follows, 0 or more. [unit of ``scale``]
    scale, shape : array_like, broadcastable with ``time``
        Weibull scale above 0 and shape of at least 0.01 [1].
    age : array_like, broadcastable with ``time``
        Age reached, 0 or more: the answer is 1 - R(age + time) / R(age). [unit of ``scale``]

    Raises
    ------
    ValueError
        A value is not finite or out of bounds (argument, position and value are named), or the
        arguments do not broadcast.

    Examples
    --------
    A tenth of new items fails within 18.7 h; of those that passed 10 h, within 101 h.

    >>> failure_probability([18.71, 101.24], scale=16_000.0, shape=1 / 3, age=[0, 10]).round(4)
    array([0.1, 0.1])
    """
    eta, beta = weibull_parameters(scale, shape)
    reached, ahead = within("age", age, 0.0), within("time", time, 0.0)
    return np.asarray(-np.expm1(-hazard_gained(ahead, reached, eta, beta)))


def age_at_survival(
    survival: ArrayLike, *, scale: ArrayLike, shape: ArrayLike, age: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Time from ``age`` that a stated share of items survives: the survival target as interval.

    Parameters
    ----------
    survival : array_like
        Share that must survive, strictly between 0 and 1. [1]
    scale, shape : array_like, broadcastable with ``survival``
        Weibull scale above 0 and shape of at least 0.01 [1]; for a safety target put in the
        lower limits, not the point estimates.
    age : array_like
        Age reached at the start of the time, 0 or more. [unit of ``scale``]

    Returns
    -------
    ndarray
        (age^shape + scale^shape (-ln survival))^(1/shape) - age (own algebra). [unit of scale]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    Examples
    --------
    >>> float(age_at_survival(0.9, scale=16_000.0, shape=1 / 3).round(2))
    18.71
    """
    eta, beta = weibull_parameters(scale, shape)
    reached = within("age", age, 0.0)
    tiny = np.finfo(np.float64).tiny
    target = within("survival", survival, tiny, 1 - np.finfo(np.float64).epsneg)
    wanted, reached, eta, beta = np.broadcast_arrays(-np.log(target), reached, eta, beta)
    with np.errstate(over="ignore"):
        start = (reached / eta) ** beta
    fresh = eta * (start + wanted) ** (1 / beta) - reached
    # short beside the age: the difference would lose digits (own algebra)
    ratio = np.divide(wanted, start, out=np.zeros_like(fresh), where=start > 0)
    near = reached * np.expm1(np.log1p(ratio) / beta)
    return np.asarray(np.where(start > wanted, near, fresh))
