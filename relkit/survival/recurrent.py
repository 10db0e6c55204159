"""How often a system must come in: mean cumulative function of repeated events.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from relkit.checks import share
from relkit.survival.event_histories import EventHistories
from relkit.survival.risk_sets import risk_index, running_sums, sums_by

__all__ = [
    "MeanCumulative",
    "MeanCumulativeDifference",
    "mean_cumulative_difference",
    "mean_cumulative_functions",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class MeanCumulative:
    """One row per stratum and age at which something happened in it."""

    stratum: Ints  #: code of the stratum
    age: Floats  #: [clock]
    at_risk: Floats  #: systems under observation at the age [1]
    events: Floats  #: events at the age [1]
    mean_cumulative: Floats  #: mean number of events of a system up to and at the age [1]
    std_error: Floats  #: robust (Lawless and Nadeau) [1]
    std_error_nelson: Floats  #: Nelson's; NaN from where one system is left, or below 0 [1]
    lower: Floats  #: lower limit, from the robust error on the log scale [1]
    upper: Floats  #: upper limit, likewise [1]
    confidence_level: float


@dataclass(frozen=True, slots=True, eq=False)
class MeanCumulativeDifference:
    """Mean cumulative function of one group less that of another, by age."""

    age: Floats  #: ages of events of either, up to the last that both were observed at
    difference: Floats  #: events per system, first less second [1]
    std_error: Floats  #: robust [1]
    lower: Floats  #: [1]
    upper: Floats  #: [1]
    confidence_level: float


def mean_cumulative_functions(
    histories: EventHistories, *, confidence_level: float = 0.95
) -> MeanCumulative:
    """Mean cumulative number of events per system, by stratum, with two variances.

    Assumes that systems are independent and that observation starts and stops for reasons
    that have nothing to do with the events; no model of the events within a system.

    Parameters
    ----------
    histories : EventHistories
        At risk at an age means start < age <= end.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    MeanCumulative

    Notes
    -----
    The robust variance is the sum over systems of [sum over ages of (own events less their
    mean) / at risk] squared [2]_. Nelson's [1]_ takes the unbiased sample variance at each
    age instead (a factor m / (m - 1) on each age's step, m at risk); with late entry the
    covariances of [1]_ are taken over the systems seen at both ages. Where few systems are
    left, both can fall with age. Ages with few at risk say little.

    References
    ----------
    .. [1] W. Nelson, Technometrics 37, 1995, 147-157.
    .. [2] J. F. Lawless and C. Nadeau, Technometrics 37, 1995, 158-168.

    Examples
    --------
    >>> from relkit.survival.event_histories import event_histories
    >>> h = event_histories([5.0, 8.0], [0, 1], start=[0.0, 0.0], end=[9.0, 8.0],
    ...                     end_system=[0, 1])
    >>> mean_cumulative_functions(h).mean_cumulative.tolist()
    [0.5, 1.0]
    """
    level = share("confidence_level", confidence_level)
    table = _event_table(histories)
    robust, nelson = _variances(histories, table)
    mean = running_sums(table.mean, table.stratum)
    std_error = np.sqrt(np.maximum(robust, 0.0))
    stretch = np.exp(float(ndtri((1 + level) / 2)) * std_error / mean)
    return MeanCumulative(
        stratum=table.stratum,
        age=table.age,
        at_risk=table.at_risk,
        events=table.events,
        mean_cumulative=mean,
        std_error=std_error,
        std_error_nelson=np.sqrt(np.where(nelson >= 0, nelson, np.nan)),
        lower=mean / stretch,
        upper=mean * stretch,
        confidence_level=level,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _EventTable:
    stratum: Ints
    age: Floats
    at_risk: Floats
    events: Floats
    mean: Floats  #: events per system at risk
    step: Floats  #: mean over number at risk, the step of ``sums``
    ages: Floats  #: distinct ages over all strata
    key: Ints  #: stratum and rank of the age, as one number
    event_row: Ints  #: row of each event


def _event_table(histories: EventHistories) -> _EventTable:
    ages, rank = np.unique(histories.age, return_inverse=True)
    width = max(len(ages), 1)
    keys, row = np.unique(histories.event_stratum * width + rank, return_inverse=True)
    events = np.bincount(row, minlength=len(keys)).astype(np.float64)
    index = risk_index(
        ages,
        histories.stratum,
        np.where(histories.start == 0, -1.0, histories.start),
        histories.end,
        np.ones(len(histories.start)),
    )
    stratum, place = keys // width, keys % width
    at_risk = index.sums(stratum, place)
    mean = events / at_risk
    return _EventTable(stratum, ages[place], at_risk, events, mean, mean / at_risk, ages, keys, row)


def _variances(histories: EventHistories, table: _EventTable) -> tuple[Floats, Floats]:
    """Robust and Nelson's variance at each row, without a loop over systems.

    With R_i the residual of system i (own events less their mean, each over the number at
    risk, summed over its time at risk), the sum of squares changes at an age by
    2 sum R_i step_i + sum step_i ** 2. The steps of those at risk add up to 0, so the sum of
    R over those at risk changes only when a system enters or leaves: own algebra.
    """
    n_rows, width = len(table.age), max(len(table.ages), 1)
    sums = np.concatenate([[0.0], np.cumsum(table.step)])
    own = 1 / table.at_risk[table.event_row]
    start = np.where(histories.start == 0, -1.0, histories.start)
    first = np.searchsorted(
        table.key, histories.stratum * width + np.searchsorted(table.ages, start, side="right")
    )
    past = np.searchsorted(
        table.key,
        histories.stratum * width + np.searchsorted(table.ages, histories.end, side="right"),
    )
    # residual of each system when each of its windows opens and closes
    whole = sums_by(histories.window, own, len(first)) - (sums[past] - sums[first])
    closed = running_sums(whole, histories.system)
    opened = closed - whole
    at_risk_sum = _residuals_at_risk(table, first, past, opened, closed)
    # several events of one system at one age are one step
    place = histories.window * (n_rows + 1) + table.event_row
    steps, back = np.unique(place, return_inverse=True)
    window, row = steps // (n_rows + 1), steps % (n_rows + 1)
    number = np.bincount(back, minlength=len(steps)).astype(np.float64)
    m = table.at_risk
    before = running_sums(number / m[row], window) - number / m[row]
    residual = opened[window] + before - (sums[row] - sums[first[window]])
    cross = sums_by(row, number * residual, n_rows)
    cross = cross / m - table.step * at_risk_sum
    square = sums_by(row, number**2, n_rows) / m**2
    growth: Floats = 2 * cross + square - table.step * table.mean
    robust = running_sums(growth, table.stratum)
    lone = m < 2
    spread: Floats = growth * m / np.where(lone, 1.0, m - 1)
    unbiased = running_sums(spread, table.stratum)
    return robust, np.where(
        running_sums(lone.astype(np.float64), table.stratum) > 0, np.nan, unbiased
    )


def _residuals_at_risk(
    table: _EventTable, first: Ints, past: Ints, opened: Floats, closed: Floats
) -> Floats:
    """Sum of the residuals of the systems at risk, just before each row's age."""
    n_rows = len(table.age)
    change = sums_by(first, opened, n_rows + 1)
    change = change - sums_by(past, closed, n_rows + 1)
    return np.cumsum(change)[:n_rows]


def mean_cumulative_difference(
    first: MeanCumulative, second: MeanCumulative
) -> MeanCumulativeDifference:
    """Mean cumulative function of one group of systems less that of another, with limits.

    Assumes that the two groups have no system in common: their errors add in squares.

    Parameters
    ----------
    first, second : MeanCumulative
        Each of one stratum, with one confidence level.

    Returns
    -------
    MeanCumulativeDifference
        Limits are normal on the plain scale (a difference has no log), with the robust
        errors, up to the last age with an event of the group that has its last one sooner.

    Raises
    ------
    ValueError
        A group is empty or holds several strata, or the confidence levels differ.

    References
    ----------
    .. [1] W. Nelson, Recurrent Events Data Analysis for Product Repairs, Disease Recurrences,
       and Other Applications, SIAM, 2003, ch. 5 (chapter from memory).
    """
    for curve in (first, second):
        if not len(curve.age) or (curve.stratum != curve.stratum[0]).any():
            raise ValueError("each group must be one stratum with at least one event")
    if first.confidence_level != second.confidence_level:
        raise ValueError("the two groups must have one confidence level")
    ages = np.union1d(first.age, second.age)
    ages = ages[ages <= min(first.age[-1], second.age[-1])]
    mean_one, variance_one = _at(first, ages)
    mean_two, variance_two = _at(second, ages)
    error = np.sqrt(variance_one + variance_two)
    width = float(ndtri((1 + first.confidence_level) / 2)) * error
    difference = mean_one - mean_two
    return MeanCumulativeDifference(
        ages, difference, error, difference - width, difference + width, first.confidence_level
    )


def _at(curve: MeanCumulative, ages: Floats) -> tuple[Floats, Floats]:
    place = np.searchsorted(curve.age, ages, side="right")
    mean = np.concatenate([[0.0], curve.mean_cumulative])
    variance = np.concatenate([[0.0], curve.std_error**2])
    return mean[place], variance[place]
