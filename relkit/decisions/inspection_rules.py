"""Rules of thumb for inspections: looks within the warning time, square-root rules.

Layer: decisions. Arrays in, arrays or one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, within

__all__ = [
    "LooksInWarning",
    "inspection_interval_by_cost",
    "inspections_for_least_downtime",
    "warning_rule",
]

Floats = NDArray[np.float64]

#: Relative rounding error that must not cost another look.
WHOLE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class LooksInWarning:
    """Interval by the P-F rule; all fields have one broadcast shape."""

    looks: NDArray[np.int64]  #: looks that must fall into the warning time
    interval: Floats  #: warning time over that number [h]
    missed_probability: Floats  #: that all those looks miss the defect [1]
    status: NDArray[np.str_]  #: "ok", or that services are too far apart for it


def inspections_for_least_downtime(
    *, failures_at_one: ArrayLike, repair_time: ArrayLike, inspection_time: ArrayLike
) -> Floats:
    """Inspections per period of least downtime, where failures fall as one over their number.

    Parameters
    ----------
    failures_at_one : array_like
        Failures per period at one inspection per period, k: at n they are k / n. Above 0.
    repair_time, inspection_time : array_like
        Downtime of one failure and of one inspection, above 0. [h]

    Returns
    -------
    ndarray
        sqrt(k repair_time / inspection_time), not rounded to a whole number.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    .. [1] A. K. S. Jardine and A. H. C. Tsang, Maintenance, Replacement, and Reliability,
       ch. 3 (from memory).

    Examples
    --------
    >>> float(inspections_for_least_downtime(
    ...     failures_at_one=3.0, repair_time=24.0, inspection_time=8.0
    ... ))
    3.0
    """
    failures = positive("failures_at_one", failures_at_one)
    repair = positive("repair_time", repair_time)
    return np.asarray(np.sqrt(failures * repair / positive("inspection_time", inspection_time)))


def warning_rule(
    warning_time: ArrayLike,
    *,
    detection: ArrayLike,
    acceptable_probability: ArrayLike = 0.1,
    service_spacing: ArrayLike = 0.0,
) -> LooksInWarning:
    """Interval between looks by the P-F rule, where no delay-time model can be had.

    Parameters
    ----------
    warning_time : array_like of any shape
        Shortest credible time from a visible defect to the failure (P-F interval), above 0;
        a mean makes the rule unsafe. [h]
    detection : array_like
        Probability that a look finds a visible defect, above 0 and at most 1. [1]
    acceptable_probability : array_like
        Acceptable probability that all looks in the warning time miss it, above 0, below 1.
    service_spacing : array_like
        Time between the visits at which looks can be made, 0 or more. [h]

    Returns
    -------
    LooksInWarning
        At least two looks always: half the warning time is the longest interval (common
        practice, since the defect starts at no known time between two looks). Where
        ``service_spacing`` is above ``interval``, ``status`` says that looking cannot work.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    .. [1] NAVAIR 00-25-403, Guidelines for the naval aviation reliability-centered
       maintenance process: n = ln(acceptable) / ln(1 - detection) (formula as quoted).

    Examples
    --------
    >>> rule = warning_rule(60.0, detection=0.9, acceptable_probability=0.001)
    >>> int(rule.looks), float(rule.interval)
    (3, 20.0)
    """
    tiny, below_one = float(np.finfo(np.float64).tiny), 1 - float(np.finfo(np.float64).epsneg)
    warning, found, accepted, spacing = np.broadcast_arrays(
        positive("warning_time", warning_time),
        within("detection", detection, tiny, 1.0),
        within("acceptable_probability", acceptable_probability, tiny, below_one),
        within("service_spacing", service_spacing, 0.0),
    )
    with np.errstate(divide="ignore"):  # detection 1: one look is certain
        wanted = np.log(accepted) / np.log1p(-found)
    looks = np.maximum(np.ceil(wanted * (1 - WHOLE)), 2).astype(np.int64)
    interval = warning / looks
    return LooksInWarning(
        looks=looks,
        interval=interval,
        missed_probability=(1 - found) ** looks,
        status=np.where(
            spacing > interval, "services are too far apart to look within the warning time", "ok"
        ),
    )


def inspection_interval_by_cost(
    *, mean_life: ArrayLike, cost_inspection: ArrayLike, cost_per_undetected_hour: ArrayLike
) -> Floats:
    """Interval between checks of a hidden function where checks and blind hours cost least.

    Assumes random failures (shape 1) and an interval short beside the mean life. Only a cost
    optimum: a safety target and every cap still bind.

    Parameters
    ----------
    mean_life : array_like
        Mean life, above 0. [h]
    cost_inspection, cost_per_undetected_hour : array_like
        Cost of one check, and of one hour in an undetected fault, above 0. [money, money/h]

    Returns
    -------
    ndarray
        sqrt(2 c_i MTTF / c_d). [h]

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Classic square-root rule (from memory): least value of c_i / tau + c_d tau / (2 MTTF).

    Examples
    --------
    >>> float(inspection_interval_by_cost(
    ...     mean_life=8000.0, cost_inspection=6.0, cost_per_undetected_hour=2.4
    ... ))
    200.0
    """
    life = positive("mean_life", mean_life)
    check = positive("cost_inspection", cost_inspection)
    blind = positive("cost_per_undetected_hour", cost_per_undetected_hour)
    return np.asarray(np.sqrt(2 * check * life / blind))
