"""How long a visible defect lasts before the failure, from looks that saw it and failures after.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import generator, positive, share, within

__all__ = ["DelayTime", "delay_time", "stated_delay"]

Floats = NDArray[np.float64]

#: Looks before each failure that are used: older ones tell next to nothing.
MOST_LOOKS = 12
#: Fewest failures with looks, and of them with a defect seen, for an estimate.
LEAST_FAILURES, LEAST_SEEN = 8, 4
#: Points of the grid of mean delays and of detection probabilities.
DELAYS, DETECTIONS = 81, 39
#: Standard normal quantile of 95 %.
NORMAL_95 = 1.6448536269514722


@dataclass(frozen=True, slots=True, eq=False)
class DelayTime:
    """Mean time from a visible defect to the failure, and the chance that a look sees it."""

    mean: float  #: posterior median; NaN where there is too little to tell [h]
    lower: float  #: limits of the mean [h]
    upper: float
    detection: float  #: posterior median of the chance that a look sees a defect [1]
    detection_lower: float
    detection_upper: float
    means: Floats  #: draws of the mean delay, (n_draws,) [h]
    detections: Floats  #: draws of the detection, in pairs with ``means`` [1]
    failures: int  #: failures that had a look before them
    seen: int  #: of them, with the defect seen at least once
    status: str  #: "ok", or what is missing


def delay_time(
    failure: ArrayLike,
    lag: ArrayLike,
    seen: ArrayLike,
    *,
    age: ArrayLike,
    draws: int = 200,
    confidence_level: float = 0.9,
    rng: np.random.Generator | int = 0,
) -> DelayTime:
    """Mean delay and detection from the looks that went before failures.

    Assumes exponential delays that began after the item was fitted; that a look sees a visible
    defect with one probability, independently of other looks, and nothing where there is none;
    that a seen defect was left in place until the failure. Given a failure, its delay does not
    depend on how often defects arise.

    Parameters
    ----------
    failure : array_like of int, shape (n_looks,)
        Which failure each look went before, 0 to n_failures - 1.
    lag : array_like of shape (n_looks,)
        Time from the look to the failure, above 0. [h]
    seen : array_like of bool, shape (n_looks,)
        The look saw the defect.
    age : array_like of shape (n_failures,)
        Age at each failure, above 0. [h]
    draws : int
        Draws from the posterior.
    confidence_level : float
        Of the limits. [1]
    rng : numpy.random.Generator or int
        Source of the draws.

    Returns
    -------
    DelayTime
        Flat priors on the log of the mean, from a twentieth of the shortest to twenty times
        the longest lag, and on the detection.

    Raises
    ------
    ValueError
        A value is out of bounds, or the shapes do not fit.

    References
    ----------
    .. [1] A. H. Christer and W. M. Waller, Delay time models of industrial inspection
       maintenance problems, Journal of the Operational Research Society 35, 1984 (the model,
       from memory). The likelihood of looks given a failure: own algebra.

    Examples
    --------
    >>> found = delay_time([0, 0], [50.0, 300.0], [True, False], age=[2000.0])
    >>> found.status
    'too few failures with a look before them: 1, 8 are needed'
    """
    level = share("confidence_level", confidence_level)
    ages = positive("age", age) if np.size(age) else np.zeros(0)
    code, back, saw = (np.asarray(v) for v in (failure, lag, seen))
    if not (code.shape == back.shape == saw.shape):
        raise ValueError("failure, lag and seen must have one value per look")
    if back.size:
        positive("lag", back)
        within("failure", code, 0, len(ages) - 1)
    looked = len(np.unique(code))
    with_sight = len(np.unique(code[saw.astype(np.bool_)]))
    if looked < LEAST_FAILURES or with_sight < LEAST_SEEN:
        few = (
            f"too few failures with a look before them: {looked}, {LEAST_FAILURES} are needed"
            if looked < LEAST_FAILURES
            else f"a defect was seen before {with_sight} failures only, {LEAST_SEEN} are needed"
        )
        return _nothing(looked, with_sight, few)
    delays = np.exp(np.linspace(np.log(back.min() / 20), np.log(back.max() * 20), DELAYS))
    chances = (np.arange(DETECTIONS) + 0.5) / DETECTIONS
    log_likelihood = np.zeros((DELAYS, DETECTIONS))
    for i in np.unique(code):
        order = np.argsort(back[code == i])[:MOST_LOOKS]
        log_likelihood += _one_failure(
            back[code == i][order], saw[code == i][order].astype(np.bool_), ages[i], delays, chances
        )
    weight = np.exp(log_likelihood - log_likelihood.max())
    chosen = generator(rng).choice(weight.size, size=draws, p=(weight / weight.sum()).ravel())
    means, detections = delays[chosen // DETECTIONS], chances[chosen % DETECTIONS]
    tails = [0.5, (1 - level) / 2, (1 + level) / 2]
    mean, lower, upper = np.quantile(means, tails)
    middle, low, high = np.quantile(detections, tails)
    return DelayTime(
        mean=float(mean),
        lower=float(lower),
        upper=float(upper),
        detection=float(middle),
        detection_lower=float(low),
        detection_upper=float(high),
        means=means,
        detections=detections,
        failures=looked,
        seen=with_sight,
        status="ok",
    )


def stated_delay(
    mean: float,
    lower: float,
    upper: float,
    *,
    draws: int = 200,
    rng: np.random.Generator | int = 0,
) -> Floats:
    """Draws of a mean delay that somebody stated with its credible range (90 %).

    Log-normal about the stated mean, with the spread of the range.

    Parameters
    ----------
    mean, lower, upper : float
        Stated mean and ends of its range, rising, above 0. [h]
    draws : int
        Number of draws.
    rng : numpy.random.Generator or int
        Source of the draws.

    Raises
    ------
    ValueError
        The three do not rise from above 0.

    Examples
    --------
    >>> bool((stated_delay(400.0, 400.0, 400.0, draws=3) == 400.0).all())
    True
    """
    if not 0 < lower <= mean <= upper < np.inf:
        raise ValueError(
            f"the mean delay {mean:g} does not lie within its range {lower:g} to {upper:g}"
        )
    spread = np.log(upper / lower) / (2 * NORMAL_95)
    return np.asarray(mean * np.exp(spread * generator(rng).standard_normal(draws)))


def _nothing(failures: int, seen: int, status: str) -> DelayTime:
    nan = float("nan")
    empty = np.zeros(0)
    return DelayTime(nan, nan, nan, nan, nan, nan, empty, empty, failures, seen, status)


def _one_failure(
    lags: Floats, seen: NDArray[np.bool_], age: float, delays: Floats, chances: Floats
) -> Floats:
    """Log-likelihood of one failure's looks over the grid: sum over how many fell in the delay."""
    ends = np.minimum(np.concatenate([[0.0], lags, [np.inf]]), age)
    with np.errstate(under="ignore"):
        kept = np.exp(-ends[None, :] / delays[:, None])  # chance of a delay of at least that
        mass = kept[:, :-1] - kept[:, 1:]  # (delays, segments)
        whole = -np.expm1(-age / delays)
    sight = np.where(seen[:, None], chances, 1 - chances)  # (looks, chances)
    within_delay = np.vstack([np.ones_like(chances), np.cumprod(sight, axis=0)])
    last_seen = int(np.flatnonzero(seen)[-1]) + 1 if seen.any() else 0
    within_delay[:last_seen] = 0.0  # a seen defect was there: no false sights
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(mass @ within_delay / whole[:, None]))
