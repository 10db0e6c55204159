"""Repeated events of systems under observation: checked arrays for counts and trends.

Layer: survival. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import finite

__all__ = ["EventHistories", "Truncation", "event_histories", "failure_truncated"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How observation of the systems ended: at a set age, at an event, or as the data show.
Truncation = Literal["from data", "time", "failure"]


@dataclass(frozen=True, slots=True, eq=False)
class EventHistories:
    """Windows of observation (start, end] and the events in them, sorted by window and age.

    A system has one window, or several that do not overlap; windows are sorted by stratum,
    system and start. An event at age 0 belongs to a window that starts at 0.
    """

    stratum: Ints  #: by window: code of the stratum, from 0
    system: Ints  #: by window: code of the system, from 0, its own in each stratum
    start: Floats  #: by window: age when observation began [clock]
    end: Floats  #: by window: age when observation ended [clock]
    age: Floats  #: by event: its age [clock]
    window: Ints  #: by event: the window it lies in
    n_strata: int

    @property
    def per_window(self) -> Ints:
        """Number of events in each window."""
        return np.bincount(self.window, minlength=len(self.start))

    @property
    def event_stratum(self) -> Ints:
        """Stratum of each event."""
        return self.stratum[self.window]


def event_histories(
    age: ArrayLike,
    system: ArrayLike,
    *,
    start: ArrayLike,
    end: ArrayLike,
    end_system: ArrayLike,
    stratum: ArrayLike | None = None,
    n_strata: int | None = None,
) -> EventHistories:
    """Events and windows of observation matched, checked and sorted.

    Parameters
    ----------
    age : array_like, shape (n_events,)
        Age of the system at each event; several may share one age. [clock]
    system : array_like of int, shape (n_events,)
        Code of the system, as in ``end_system``.
    start, end : array_like, shape (n_windows,)
        Observation of a system runs from ``start`` to ``end``, in the system's age. [clock]
    end_system : array_like of int, shape (n_windows,)
        Code of the system of each window, from 0.
    stratum : array_like of int, shape (n_windows,), optional
        Code of the stratum; a system belongs to one.
    n_strata : int, optional
        Number of strata, where the last ones may have no window.

    Raises
    ------
    ValueError
        A value is not finite or negative; a window ends before it starts or overlaps another
        of its system; an event lies in no window: position and value are named.

    Examples
    --------
    >>> h = event_histories([5.0, 9.0], [0, 0], start=[0.0], end=[12.0], end_system=[0])
    >>> h.per_window.tolist()
    [2]
    """
    ages, starts, ends = _ages("age", age), _ages("start", start), _ages("end", end)
    systems, owner = np.asarray(system, np.int64), np.asarray(end_system, np.int64)
    codes = np.zeros(len(owner), np.int64) if stratum is None else np.asarray(stratum, np.int64)
    if systems.shape != ages.shape:
        raise ValueError("age and system must have one length")
    if not starts.shape == ends.shape == owner.shape == codes.shape:
        raise ValueError("start, end, end_system and stratum must have one length")
    _check_windows(owner, starts, ends, codes)
    order = np.lexsort((starts, owner, codes))
    codes, owner, starts, ends = codes[order], owner[order], starts[order], ends[order]
    window = _windows_of(ages, systems, owner, starts, ends)
    row = np.lexsort((ages, window))
    least = int(codes.max(initial=-1)) + 1
    return EventHistories(
        codes, owner, starts, ends, ages[row], window[row], max(least, n_strata or 0)
    )


def _ages(name: str, values: ArrayLike) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise ValueError(f"{name} has shape {array.shape}: give one row of values")
    if array.size:
        finite(name, array)
        if array.min() < 0:
            i = int(array.argmin())
            raise ValueError(f"{name} at position {i} is {array[i]:g}: must be at least 0")
    return array


def _check_windows(owner: Ints, start: Floats, end: Floats, stratum: Ints) -> None:
    short = np.flatnonzero(end < start)
    if len(short):
        i = int(short[0])
        raise ValueError(
            f"end at position {i} is {end[i]:g}, before its start {start[i]:g} "
            f"({len(short)} of {len(end)} are)"
        )
    order = np.lexsort((start, owner))
    same = owner[order][1:] == owner[order][:-1]
    overlap = np.flatnonzero(same & (start[order][1:] < end[order][:-1]))
    if len(overlap):
        i, j = (int(order[overlap[0] + k]) for k in (0, 1))
        raise ValueError(
            f"observation at position {j} starts at {start[j]:g}, before the same system's at "
            f"position {i} ends ({end[i]:g}): give windows that do not overlap"
        )
    moved = np.flatnonzero(same & (stratum[order][1:] != stratum[order][:-1]))
    if len(moved):
        i, j = (int(order[moved[0] + k]) for k in (0, 1))
        raise ValueError(f"positions {i} and {j} put one system in two strata: give it one")


def _windows_of(age: Floats, system: Ints, owner: Ints, start: Floats, end: Floats) -> Ints:
    """Window of each event: the last of its system that starts before it."""
    order = np.lexsort((start, owner))
    # ages as ranks, so that system and age make one sorting key
    points = np.unique(np.concatenate([start, age]))
    width = len(points) + 1
    keys = owner[order] * width + np.searchsorted(points, start[order])
    place = np.searchsorted(points, age)
    key = system * width + np.where(age == 0, place + 1, place)  # age 0 is in a window from 0
    at = np.searchsorted(keys, key, side="left") - 1
    found = order[np.maximum(at, 0)] if len(order) else np.zeros(len(age), np.int64)
    known = at >= 0
    if len(order):
        known &= (owner[found] == system) & (age <= end[found])
    outside = np.flatnonzero(~known)
    if len(outside):
        i = int(outside[0])
        raise ValueError(
            f"age at position {i} is {age[i]:g}, outside the observation of its system "
            f"({len(outside)} of {len(age)} events are): give ages after start and up to end"
        )
    return found


def failure_truncated(histories: EventHistories, truncation: Truncation) -> NDArray[np.bool_]:
    """Which windows ended at an event, by window.

    Parameters
    ----------
    histories : EventHistories
        Windows and events.
    truncation : {"from data", "time", "failure"}
        "from data": those whose end is the age of their last event; "time": none;
        "failure": all that hold an event.

    Raises
    ------
    ValueError
        The choice is unknown, or it is "failure" and a window goes on after its last event.
    """
    if truncation not in ("from data", "time", "failure"):
        raise ValueError(f"truncation is {truncation!r}: give 'from data', 'time' or 'failure'")
    last = np.full(len(histories.end), -1.0)
    last[histories.window] = histories.age  # sorted by age: the last one written stays
    at_event: NDArray[np.bool_] = last == histories.end
    if truncation == "time":
        return np.zeros(len(last), bool)
    longer = np.flatnonzero((last >= 0) & ~at_event)
    if truncation == "failure" and len(longer):
        i = int(longer[0])
        raise ValueError(
            f"truncation is 'failure', but a window ends at {histories.end[i]:g}, after its last "
            f"event at {last[i]:g}: give ends that are ages of events, or 'from data'"
        )
    return at_event
