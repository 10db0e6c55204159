"""Wanted intervals on the services that the workshop makes anyway, under the rules' maxima.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive

__all__ = ["ScheduledInterval", "interval_by_cost", "interval_by_target"]

Floats = NDArray[np.float64]
Texts = NDArray[np.str_]

#: Relative rounding error that must not cost a service: 999.9999999 h is 1,000 h.
ROUNDING = 1e-9
#: Extra cost from which the services, not the costs, are said to set the interval [1].
FLAT = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class ScheduledInterval:
    """Interval that can be worked, or the conflict in its way; one row per stratum."""

    interval: Floats  #: every_nth times the spacing; off the services where there is a conflict
    every_nth: NDArray[np.int64]  #: at every n-th service; 0: not at services [1]
    wanted: Floats  #: the interval before services and maxima, as given [h]
    binding: Texts  #: "cost", "safety target", "rule", "service grid", or blank without interval
    status: Texts  #: "ok", or the conflict in words
    mend: Texts  #: what would resolve the conflict, blank where there is none
    cost_penalty: Floats  #: extra cost over the wanted interval; NaN where cost has no say [1]


def interval_by_target(
    longest: ArrayLike, *, spacing: ArrayLike, maximum: ArrayLike = np.inf
) -> ScheduledInterval:
    """Interval that must not be exceeded, rounded down to whole services.

    For failure-finding, condition inspection and every safety item.

    Parameters
    ----------
    longest : array_like of shape (n,)
        Longest interval that meets the target; NaN or inf: none. [h, or any one unit]
    spacing : array_like
        Longest time between services; NaN where there are no services. [h]
    maximum : array_like
        Least maximum of the rules, above 0; inf without rule. [h]

    Returns
    -------
    ScheduledInterval
        Where no whole number of services fits, ``every_nth`` is 0, ``interval`` the longest
        allowed one, and ``status`` and ``mend`` state the conflict: nothing is stretched.

    Raises
    ------
    ValueError
        A value is 0 or negative, or ``maximum`` is NaN.

    Examples
    --------
    >>> plan = interval_by_target([630.0, 152.0], spacing=250.0)
    >>> plan.interval.tolist(), plan.every_nth.tolist()
    ([500.0, 152.0], [2, 0])
    >>> print(plan.status[1])
    the longest safe interval is shorter than one service
    """
    wanted, step, cap = _rows("longest", longest, spacing, maximum)
    target = np.where(np.isnan(wanted), np.inf, wanted)
    allowed = np.minimum(target, cap)
    count = _whole(allowed, step)
    none, ruled = np.isinf(allowed), cap < target
    on_grid = ~none & (count >= 1)
    status, mend = _conflicts(none, np.isnan(step), on_grid, ruled)
    return ScheduledInterval(
        interval=np.where(none, np.nan, np.where(on_grid, count * np.nan_to_num(step), allowed)),
        every_nth=np.where(on_grid, count, 0).astype(np.int64),
        wanted=wanted,
        binding=np.select([none, ruled], ["", "rule"], "safety target"),
        status=status,
        mend=mend,
        cost_penalty=np.full(wanted.shape, np.nan),
    )


def interval_by_cost(
    best: ArrayLike,
    *,
    spacing: ArrayLike,
    cost_rate: Callable[[Floats], Floats],
    maximum: ArrayLike = np.inf,
) -> ScheduledInterval:
    """Interval of least cost at whole services, never past a maximum.

    Parameters
    ----------
    best : array_like of shape (n,)
        Interval of least cost; inf or NaN: none, and then only a maximum gives one. [h]
    spacing : array_like
        Longest time between services; NaN where there are no services. [h]
    cost_rate : callable
        From intervals of shape (n, m), inf among them, to cost rates of that shape.
    maximum : array_like
        Least maximum of the rules, above 0; inf without rule. [h]

    Returns
    -------
    ScheduledInterval
        The two services around ``best`` are compared. Where even the cheaper costs no less
        than running to failure there is no interval, and ``status`` says so.

    Raises
    ------
    ValueError
        A value is 0 or negative, or ``maximum`` is NaN.

    Examples
    --------
    >>> from relkit.decisions.age_replacement import cost_rate
    >>> plan = interval_by_cost(
    ...     [984.8], spacing=250.0, cost_rate=lambda ages: cost_rate(
    ...         ages, scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0
    ...     )
    ... )
    >>> plan.interval.tolist(), plan.every_nth.tolist(), plan.cost_penalty.round(4).tolist()
    ([1000.0], [4], [0.0002])
    """
    wanted, step, cap = _rows("best", best, spacing, maximum)
    target = np.where(np.isnan(wanted), np.inf, wanted)
    allowed = np.minimum(target, cap)
    none, most = np.isinf(allowed), _whole(cap, step)
    on_grid = ~none & (most >= 1)
    lower = np.maximum(_whole(target, step), 1.0)
    places = [np.where(on_grid, k * np.nan_to_num(step), allowed) for k in (lower, lower + 1, most)]
    ages = np.stack([*places, target, np.full_like(target, np.inf)], axis=1)
    costs = np.asarray(cost_rate(ages), dtype=np.float64)
    freely = lower + (costs[:, 1] < costs[:, 0])  # rounds down where costs are not known
    ruled = np.where(on_grid, freely > most, cap < target)
    column = np.where(ruled, 2, (freely - lower).astype(np.int64))
    row = np.arange(len(target))
    interval, cost = ages[row, column], costs[row, column]
    useless = on_grid & np.isinf(cap) & (cost >= costs[:, 4])
    status, mend = _conflicts(none, np.isnan(step), on_grid, np.ones_like(none))
    penalty = np.where(none, np.nan, cost / costs[:, 3] - 1)
    return ScheduledInterval(
        interval=np.where(none | useless, np.nan, interval),
        every_nth=np.where(on_grid & ~useless, np.minimum(freely, most), 0).astype(np.int64),
        wanted=wanted,
        binding=np.select(
            [none | useless, ruled, penalty > FLAT], ["", "rule", "service grid"], "cost"
        ),
        status=np.where(useless, TOO_FAR_APART[0], status),
        mend=np.where(useless, TOO_FAR_APART[1], mend),
        cost_penalty=penalty,
    )


#: Conflicts in words, each with what would resolve it.
TOO_FAR_APART = (
    "services are so far apart that replacing at one costs more than running to failure",
    "run to failure, or state a service with a shorter interval",
)
NO_SERVICES = (
    "no service is given for these vehicles",
    "state the services under [[services]]; until then the interval is not rounded",
)
RULE_TOO_SHORT = (
    "the maximum of a rule is shorter than one service",
    "make a special visit, or state a service with a shorter interval",
)
TARGET_TOO_SHORT = (
    "the longest safe interval is shorter than one service",
    "let the driver check daily and report, make a special visit, or change the design",
)


def _conflicts(
    none: NDArray[np.bool_],
    no_services: NDArray[np.bool_],
    on_grid: NDArray[np.bool_],
    ruled: NDArray[np.bool_],
) -> tuple[Texts, Texts]:
    cases = [none, no_services, on_grid, ruled]
    words = [("no interval is called for", ""), NO_SERVICES, ("ok", ""), RULE_TOO_SHORT]
    status, mend = (
        np.select(cases, [pair[place] for pair in words], TARGET_TOO_SHORT[place])
        for place in (0, 1)
    )
    return status, mend


def _rows(
    name: str, wanted: ArrayLike, spacing: ArrayLike, maximum: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    given = [np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (wanted, spacing, maximum)]
    missing = [
        np.isnan(given[0]) | np.isposinf(given[0]),
        np.isnan(given[1]),
        np.isposinf(given[2]),
    ]
    for label, values, allowed in zip((name, "spacing", "maximum"), given, missing, strict=True):
        positive(label, np.where(allowed, 1.0, values))
    first, second, third = np.broadcast_arrays(*given)
    return first.copy(), second, third


def _whole(length: Floats, step: Floats) -> Floats:
    """How many whole services fit; 0 without services, at most a billion."""
    count = np.floor(np.minimum(length, MOST) / step * (1 + ROUNDING))
    return np.nan_to_num(np.minimum(count, MOST), nan=0.0)


#: Stands for no bound in lengths and counts of services.
MOST = 1e9
