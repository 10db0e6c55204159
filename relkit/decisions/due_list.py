"""When each item is next due, how sure that is, and its chance of failing before.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import share, within
from relkit.decisions.lifetimes import hazard_gained, weibull_parameters

__all__ = [
    "DueList",
    "DueState",
    "FailureBefore",
    "due_list",
    "failure_before",
]

Floats = NDArray[np.float64]
Texts = NDArray[np.str_]

#: State of an item in the due list, most urgent first.
DueState = Literal["overdue", "never tested", "age unknown", "due", "later"]
#: Items times draws worked on at once.
CHUNK = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class DueList:
    """Next due per item; fields have one row per item, in the order given."""

    due_age: Floats  #: age at which the task is due by the clock [clock]
    due_in: Floats  #: clock time until then, below 0: overdue [clock]
    days: Floats  #: days until due by the first of clock and calendar; inf: never at this use
    days_earliest: Floats  #: the same at the highest use and age [d]
    days_latest: Floats  #: the same at the lowest use and age [d]
    limit: Texts  #: "clock" or "calendar", whichever comes first; blank where none does
    state: Texts  #: one of ``DueState``
    urgency: NDArray[np.int64]  #: place of the state in ``DueState``, for sorting


@dataclass(frozen=True, slots=True, eq=False)
class FailureBefore:
    """Chance of failing within the time ahead; fields have one row per item."""

    probability: Floats  #: mean over the draws; NaN where age or time is unknown [1]
    lower: Floats  #: lower limit over the draws [1]
    upper: Floats  #: upper limit [1]
    confidence_level: float  #: central share of the draws between the limits [1]


def due_list(
    age: ArrayLike,
    last_done_age: ArrayLike,
    interval: ArrayLike,
    *,
    use_per_day: ArrayLike,
    use_per_day_low: ArrayLike,
    use_per_day_high: ArrayLike,
    age_low: ArrayLike | None = None,
    age_high: ArrayLike | None = None,
    days_since_done: ArrayLike = 0.0,
    calendar_maximum: ArrayLike = np.inf,
    soon: ArrayLike = 0.0,
) -> DueList:
    """Next due of each item by the first of its clock and the calendar.

    Parameters
    ----------
    age : array_like of shape (n_items,)
        Present age, 0 or more; NaN where unknown. [clock]
    last_done_age : array_like
        Age when the task was last done: 0 for replacement, the age at the last good test for
        tests; NaN: never. [clock]
    interval : array_like
        Interval of the task, above 0; NaN where it has none in the clock. [clock]
    use_per_day, use_per_day_low, use_per_day_high : array_like
        Expected, lowest and highest credible use, 0 or more. [clock per day]
    age_low, age_high : array_like, optional
        Limits of the present age where it is estimated; default: ``age``. [clock]
    days_since_done : array_like
        Calendar time since the task was last done, 0 or more; NaN: never. [d]
    calendar_maximum : array_like
        Calendar limit of services and rules, above 0; inf: none. It runs on for vehicles that
        stand still. [d]
    soon : array_like
        Days within which an item counts as due, such as the time to the next service. [d]

    Returns
    -------
    DueList
        Overdue, never tested and unknown age stand apart from due and later.

    Raises
    ------
    ValueError
        A value is out of bounds (argument, position and value are named), a low bound exceeds
        its high bound, or the arrays do not broadcast.

    Examples
    --------
    >>> due = due_list(
    ...     [900.0, 300.0], [0.0, np.nan], 1000.0, use_per_day=4.0, use_per_day_low=2.0,
    ...     use_per_day_high=8.0, soon=30.0,
    ... )
    >>> due.days.tolist(), due.days_earliest.tolist(), due.state.tolist()
    ([25.0, 0.0], [12.5, 0.0], ['due', 'never tested'])
    """
    rows = np.broadcast_arrays(
        _known("age", age),
        _known("last_done_age", last_done_age),
        _known("interval", interval, least=float(np.finfo(np.float64).tiny)),
        within("use_per_day", use_per_day, 0.0),
        within("use_per_day_low", use_per_day_low, 0.0),
        within("use_per_day_high", use_per_day_high, 0.0),
        _known("age_low", age if age_low is None else age_low),
        _known("age_high", age if age_high is None else age_high),
        _known("days_since_done", days_since_done),
        _endless("calendar_maximum", calendar_maximum),
        within("soon", soon, 0.0),
    )
    reached, done, every, rate, slow, fast, young, old, since, calendar, near = (
        np.atleast_1d(row) for row in rows
    )
    for name, low, middle, high in (
        ("use_per_day", slow, rate, fast),
        ("age", young, reached, old),
    ):
        wrong = np.flatnonzero((low > middle) | (middle > high))
        if len(wrong):
            raise ValueError(
                f"{name} at position {wrong[0]} is {middle[wrong[0]]:g}: must lie between "
                f"{name}_low {low[wrong[0]]:g} and {name}_high {high[wrong[0]]:g}"
            )
    never = (np.isnan(done) & ~np.isnan(every)) | (np.isnan(since) & np.isfinite(calendar))
    at_once = np.where(np.isnan(every), np.nan, reached)
    due_age = np.where(np.isnan(done), at_once, done + every)
    by_date = np.where(np.isnan(since), 0.0, calendar - since)
    by_clock, earliest, latest = (
        np.where(never, 0.0, _days(due_age - at, use))
        for at, use in ((reached, rate), (old, fast), (young, slow))
    )
    days = np.minimum(by_clock, by_date)
    overdue = (due_age < reached) | (by_date < 0)
    state = np.select(
        [never, overdue, np.isnan(reached) & ~np.isnan(every), days <= near],
        ["never tested", "overdue", "age unknown", "due"],
        "later",
    )
    return DueList(
        due_age=due_age,
        due_in=due_age - reached,
        days=days,
        days_earliest=np.minimum(earliest, by_date),
        days_latest=np.minimum(latest, by_date),
        limit=np.select([np.isinf(days), by_date < by_clock], ["", "calendar"], "clock"),
        state=state,
        urgency=_places(state),
    )


def _days(clock_left: Floats, use: Floats) -> Floats:
    """Days for the clock time left, below 0 once past; without use: 0 if past, else never."""
    ahead = np.divide(clock_left, use, out=np.full(use.shape, np.inf), where=use > 0)
    stopped = np.where(clock_left > 0, np.inf, 0.0)
    return np.nan_to_num(np.where(use > 0, ahead, stopped), nan=np.inf, posinf=np.inf)


def _places(state: Texts) -> NDArray[np.int64]:
    order = get_args(DueState)
    return np.select([state == name for name in order], range(len(order)), len(order)).astype(
        np.int64
    )


def failure_before(
    time: ArrayLike,
    age: ArrayLike,
    stratum: ArrayLike,
    *,
    scale: ArrayLike,
    shape: ArrayLike,
    confidence_level: float = 0.9,
) -> FailureBefore:
    """Chance that each item fails within the time ahead, with limits from parameter draws.

    Parameters
    ----------
    time : array_like of shape (n_items,)
        Clock time ahead, such as until the next visit; below 0 counts as none, NaN: unknown.
    age : array_like of shape (n_items,)
        Present age, 0 or more; NaN: unknown. [clock]
    stratum : array_like of int, shape (n_items,)
        Stratum of each item, 0 to n_strata - 1.
    scale, shape : array_like of shape (n_strata, n_draws)
        Draws of the Weibull scale above 0 [clock] and shape of at least 0.01 [1], in pairs.
    confidence_level : float
        Central share of the draws that the limits enclose. [1]

    Returns
    -------
    FailureBefore
        1 - R(age + time) / R(age) per item.

    Raises
    ------
    ValueError
        A value is out of bounds (argument, position and value are named), or the shapes do
        not fit together.

    Examples
    --------
    >>> chance = failure_before([250.0], [1500.0], [0], scale=[[1700.0]], shape=[[3.0]])
    >>> chance.probability.round(3)
    array([0.332])
    """
    eta, beta = (np.atleast_2d(values) for values in weibull_parameters(scale, shape))
    eta, beta = np.broadcast_arrays(eta, beta)
    tail = (1 - share("confidence_level", confidence_level)) / 2
    reached, ahead = _known("age", age), np.asarray(time, dtype=np.float64)
    code = np.asarray(stratum)
    if not np.issubdtype(code.dtype, np.integer):
        raise ValueError(f"stratum holds {code.dtype}: must be whole numbers from 0")
    reached, ahead, code = np.broadcast_arrays(reached, ahead, code)
    if code.size:
        within("stratum", code, 0, len(eta) - 1)
    answers = np.full((3, code.size), np.nan)
    known = np.flatnonzero(np.isfinite(reached) & np.isfinite(ahead))
    size = max(1, CHUNK // eta.shape[1])
    for part in np.split(known, range(size, len(known), size)):
        gained = hazard_gained(
            np.maximum(ahead[part, None], 0.0),
            reached[part, None],
            eta[code[part]],
            beta[code[part]],
        )
        chance = -np.expm1(-gained)
        answers[0, part] = chance.mean(axis=1)
        if len(part):
            answers[1:, part] = np.quantile(chance, [tail, 1 - tail], axis=1)
    return FailureBefore(
        probability=answers[0],
        lower=answers[1],
        upper=answers[2],
        confidence_level=float(confidence_level),
    )


def _known(name: str, values: ArrayLike, *, least: float = 0.0) -> Floats:
    """Numbers of at least a bound, NaN for unknown."""
    array = np.asarray(values, dtype=np.float64)
    if array.size:
        within(name, np.where(np.isnan(array), least, array), least)
    return array


def _endless(name: str, values: ArrayLike) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    within(name, np.where(np.isposinf(array), 1.0, array), float(np.finfo(np.float64).tiny))
    return array
