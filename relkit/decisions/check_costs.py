"""Interval between checks of a hidden function by cost alone, when its life is known as draws.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within
from relkit.checks import share as checked_share
from relkit.decisions.harmful_checks import check_probabilities, checked_function
from relkit.decisions.lifetimes import weibull_parameters

__all__ = ["CheckIntervalByCost", "check_interval_by_cost"]

Floats = NDArray[np.float64]

#: Intervals tried, in mean scales: 6 % apart.
TRIED = np.exp(np.linspace(np.log(1e-4), np.log(10.0), 200))
#: Draws of one stratum that are worked with.
MOST_DRAWS = 40


@dataclass(frozen=True, slots=True, eq=False)
class CheckIntervalByCost:
    """Interval of the least average cost; one value per stratum."""

    interval: Floats  #: time between checks; inf where never checking costs least [h]
    lower: Floats  #: lower limit of the draws' own best intervals [h]
    upper: Floats  #: upper limit [h]
    unavailability: Floats  #: mean share of time in an unnoticed fault at it [1]
    cost_rate: Floats  #: mean cost of checks, mends and unnoticed time at it [money per h]


def check_interval_by_cost(
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    cost_check: ArrayLike,
    cost_fault: ArrayLike,
    cost_per_undetected_hour: ArrayLike,
    detection: ArrayLike = 1.0,
    harm: ArrayLike = 0.0,
    confidence_level: float = 0.9,
) -> CheckIntervalByCost:
    """Interval between checks with the least cost averaged over draws of the parameters.

    Only a cost optimum, in the long run from new items on: a safety target and every cap still
    bind.

    Parameters
    ----------
    scale, shape : array_like of shape (n_strata, n_draws)
        Draws of Weibull scale above 0 [h] and shape of at least 0.01 [1], in pairs.
    cost_check, cost_per_undetected_hour : array_like of shape () or (n_strata,)
        Cost of one check, and of one hour in an unnoticed fault, above 0. [money, money per h]
    cost_fault : array_like of shape () or (n_strata,)
        Cost of mending one found fault, 0 or more. [money]
    detection, harm : array_like of shape () or (n_strata,)
        As in ``checked_function``.
    confidence_level : float
        Central share of the draws that the limits enclose. [1]

    Returns
    -------
    CheckIntervalByCost
        ``interval`` is one of those tried, 1e-4 to 10 mean scales, 6 % apart.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    As in ``best_check_interval``; least expected cost: common practice of decision theory.

    Examples
    --------
    >>> found = check_interval_by_cost(
    ...     scale=[[8000.0]], shape=[[1.0]], cost_check=6.0, cost_fault=0.0,
    ...     cost_per_undetected_hour=2.4,
    ... )
    >>> found.interval.round(-2).tolist()
    [200.0]
    """
    eta, beta = (np.atleast_2d(v) for v in weibull_parameters(scale, shape))
    eta, beta = np.broadcast_arrays(eta, beta)
    count = len(eta)
    look, mend, blind, found, spoilt = (
        np.broadcast_to(v, (count,))
        for v in (
            positive("cost_check", cost_check),
            within("cost_fault", cost_fault, 0.0),
            positive("cost_per_undetected_hour", cost_per_undetected_hour),
            *check_probabilities(detection, harm),
        )
    )
    tail = (1 - checked_share("confidence_level", confidence_level)) / 2
    chosen = np.linspace(0, eta.shape[1] - 1, min(MOST_DRAWS, eta.shape[1])).astype(int)
    answers = np.empty((5, count))
    for i in range(count):
        tried = TRIED * np.exp(np.log(eta[i]).mean())
        seen = checked_function(
            tried[:, None],
            scale=eta[i, chosen],
            shape=beta[i, chosen],
            detection=found[i],
            harm=spoilt[i],
        )
        cost = look[i] / tried[:, None] + mend[i] * seen.faults_found
        cost = cost + blind[i] * seen.unavailability
        place = int(np.argmin(cost.mean(axis=1)))
        pays = cost[place].mean() < blind[i]
        own = tried[cost.argmin(axis=0)]
        answers[:, i] = (
            tried[place] if pays else np.inf,
            *np.quantile(own, [tail, 1 - tail]),
            seen.unavailability[place].mean() if pays else 1.0,
            cost[place].mean() if pays else blind[i],
        )
    return CheckIntervalByCost(*answers)
