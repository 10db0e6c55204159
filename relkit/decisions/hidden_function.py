"""Targets and shares for hidden functions: from harm, from use, along a chain of items.

Layer: decisions. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within

__all__ = [
    "chain_unavailability",
    "mean_undetected_time",
    "tolerable_unavailability",
    "unavailability_in_use",
]

Floats = NDArray[np.float64]


def tolerable_unavailability(
    *, tolerable_events: ArrayLike, demands: ArrayLike, harm_probability: ArrayLike
) -> Floats:
    """Largest mean unavailability at which harm stays as rare as the safety owner demands.

    Parameters
    ----------
    tolerable_events : array_like
        Tolerable harmful events a year, above 0: the safety owner's figure, never a default.
    demands : array_like
        Times a year that the function is needed, above 0.
    harm_probability : array_like
        Probability of harm when it is needed, failed and nobody knows; above 0, at most 1.

    Returns
    -------
    ndarray
        Share; 1 or more means that any unavailability is tolerable by these figures. [1]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Multiple-failure logic of reliability-centred maintenance (from memory): events a year =
    demands x unavailability x probability of harm.

    Examples
    --------
    >>> float(tolerable_unavailability(
    ...     tolerable_events=1e-4, demands=2000.0, harm_probability=1e-5
    ... ).round(6))
    0.005
    """
    events = positive("tolerable_events", tolerable_events)
    needed = positive("demands", demands)
    harm = within("harm_probability", harm_probability, float(np.finfo(np.float64).tiny), 1.0)
    return np.asarray(events / (needed * harm))


def mean_undetected_time(interval: ArrayLike, *, report_rate: ArrayLike = 0.0) -> Floats:
    """Mean time that a fault stays unknown when it may be reported in use before the check.

    Assumes faults evenly spread over the interval (random failures, interval short beside the
    mean life) and reports at a constant rate while the fault is there.

    Parameters
    ----------
    interval : array_like of any shape
        Time between checks, above 0. [h]
    report_rate : array_like, broadcastable with ``interval``
        Uses per hour that would show the fault times the share of them that are reported;
        0: only checks find it. [1/h]

    Returns
    -------
    ndarray
        (1 / r) (1 - (1 - exp(-r tau)) / (r tau)); half the interval for r = 0. [h]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Own algebra.

    Examples
    --------
    >>> mean_undetected_time(500.0, report_rate=[0.0, 0.1]).round(1)
    array([250. ,   9.8])
    """
    tau, rate = np.broadcast_arrays(
        positive("interval", interval), within("report_rate", report_rate, 0.0)
    )
    x = rate * tau
    # a power series where the difference would lose digits: next term x^3 / 120 of the sum
    series = 0.5 - x / 6 + x**2 / 24
    whole = np.divide(x + np.expm1(-x), x**2, out=np.array(series), where=x > SERIES)
    return np.asarray(tau * whole)


#: Below this product of rate and interval the series is right to 1e-11.
SERIES = 1e-3


def unavailability_in_use(
    interval: ArrayLike, *, mean_life: ArrayLike, report_rate: ArrayLike = 0.0
) -> Floats:
    """Mean unavailability of a hidden function that users sometimes notice and report.

    Compares a driver's daily check with workshop tests on equal terms: either is an interval.

    Parameters
    ----------
    interval, report_rate
        As in :func:`mean_undetected_time`.
    mean_life : array_like
        Mean life, above 0; assumes random failures. [h]

    Returns
    -------
    ndarray
        Mean undetected time over mean life: 4 % too high at 0.1. [1]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    Examples
    --------
    >>> unavailability_in_use(500.0, mean_life=8000.0, report_rate=[0.0, 0.1]).round(4)
    array([0.0312, 0.0012])
    """
    undetected = mean_undetected_time(interval, report_rate=report_rate)
    return np.asarray(undetected / positive("mean_life", mean_life))


def chain_unavailability(unavailability: ArrayLike) -> Floats:
    """Mean unavailability of a chain that needs all its items: one view from lens to display.

    Assumes that the items fail independently. Views that share an item are not independent of
    each other: do not multiply the chains of several views.

    Parameters
    ----------
    unavailability : array_like of shape (..., n_items)
        Mean unavailability of each item of the chain, from 0 to 1. [1]

    Returns
    -------
    ndarray of shape (...)
        1 - product of (1 - U). [1]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Series structure (from memory).

    Examples
    --------
    >>> float(chain_unavailability([0.01, 0.02, 0.005]).round(5))
    0.03465
    """
    share = within("unavailability", unavailability, 0.0, 1.0)
    with np.errstate(divide="ignore"):  # a share of 1: the chain is down
        return np.asarray(-np.expm1(np.sum(np.log1p(-share), axis=-1)))
