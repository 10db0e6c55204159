"""Rules that clean meter readings: typing errors, exchanged meters, meters that stood still.

Layer: lives. Works on the readings of all vehicles and counters at once: arrays sorted by series
(one vehicle's one counter) and time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.lives.instants import DAY, Instants

__all__ = [
    "FROZEN_DAYS",
    "Readings",
    "bridged_steps",
    "flat_runs",
    "steps_too_fast",
    "typing_errors",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Codes = NDArray[np.int64]

#: A meter that shows one value for longer than this may have stood still [d].
FROZEN_DAYS = 60.0
#: A drop of less than this is rounding [counter units].
_ROUNDING = 1.0
#: Each pass removes at least one reading of each series still looked at; more are not needed.
_PASSES = 200


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings sorted by series, time and value; arrays of one length."""

    series: Codes
    time: Instants
    value: Floats  #: [counter units]
    most_per_day: Floats  #: largest possible use [counter units / d]
    row: Codes  #: where the reading stands in the table it came from

    def taken(self, chosen: Flags | Codes) -> Readings:
        """Return some of the readings."""
        return Readings(
            self.series[chosen],
            self.time[chosen],
            self.value[chosen],
            self.most_per_day[chosen],
            self.row[chosen],
        )


def typing_errors(readings: Readings, *, longest: float = FROZEN_DAYS) -> Codes:
    """Return readings that contradict their neighbours while the neighbours agree with each other.

    A single value that is too high or too low is one, and a value that was read on an earlier day;
    so is a first or last value that no use can explain. A drop, or a jump, that the next readings
    confirm is not: the meter was exchanged.

    Returns
    -------
    array of int
        Their ``row``.
    """
    wrong: list[Codes] = []
    left = readings
    for _ in range(_PASSES):
        if len(left.series) == 0:
            break
        bad = _first_of_neighbours(_contradicted(left, longest), left.series)
        touched = np.zeros(int(left.series.max()) + 1, dtype=bool)
        touched[left.series[bad]] = True
        bad |= _two_in_a_row(left) & ~touched[left.series]
        wrong.append(left.row[bad])
        touched[left.series[bad]] = True
        left = left.taken(~bad & touched[left.series])
    return np.concatenate(wrong) if wrong else np.zeros(0, dtype=np.int64)


def _contradicted(readings: Readings, longest: float) -> Flags:
    """Return which readings look like typing errors, judged by two neighbours on each side."""
    count = len(readings.value)
    bad = np.zeros(count, dtype=bool)
    if count < 3:
        return bad
    step = np.flatnonzero(readings.series[1:] == readings.series[:-1])
    _, last_copied, catches_up = flat_runs(readings, longest)  # not typed: the meter stood still
    step = step[~np.isin(step, last_copied[catches_up])]
    before = step[~_agrees(readings, step, step + 1)]
    after = before + 1
    high = _agrees(readings, before - 1, after)  # without the first of the pair all is well
    low = _agrees(readings, before, after + 1)  # without the second of the pair all is well
    starts = ~_same_series(readings, before - 1, before)
    ends = ~_same_series(readings, after, after + 1)
    # A missing neighbour cannot speak against anything: it only decides where nothing else does.
    drop_first = high | (starts & ~low & ~ends)
    drop_second = low | (ends & ~high & ~starts)
    both = drop_first & drop_second
    first_is_worse = _is_farther_off(readings, before, after)
    bad[before[drop_first & (~both | first_is_worse)]] = True
    bad[after[drop_second & (~both | ~first_is_worse)]] = True
    return bad


def _two_in_a_row(readings: Readings) -> Flags:
    """Return pairs of readings that contradict both neighbours, while those agree."""
    bad = np.zeros(len(readings.value), dtype=bool)
    first = np.arange(1, len(bad) - 2)
    enters = _same_series(readings, first - 1, first) & ~_agrees(readings, first - 1, first)
    leaves = _same_series(readings, first + 1, first + 2) & ~_agrees(readings, first + 1, first + 2)
    pair = first[enters & leaves & _agrees(readings, first - 1, first + 2)]
    bad[pair] = True
    bad[pair + 1] = True
    return bad


def _same_series(readings: Readings, first: Codes, second: Codes) -> Flags:
    """Whether both places exist and are of one series."""
    last = len(readings.series) - 1
    exists = (first >= 0) & (second <= last)
    first, second = np.clip(first, 0, last), np.clip(second, 0, last)
    same: Flags = exists & (readings.series[first] == readings.series[second])
    return same


def _agrees(readings: Readings, first: Codes, second: Codes) -> Flags:
    """Whether the step between two places is one that the meter can make."""
    last = len(readings.series) - 1
    same = _same_series(readings, first, second)
    first, second = np.clip(first, 0, last), np.clip(second, 0, last)
    rise = readings.value[second] - readings.value[first]
    days = (readings.time[second] - readings.time[first]) / DAY
    most = readings.most_per_day[first] * (days + 1)  # readings may carry the day only
    agrees: Flags = same & (rise >= -_ROUNDING) & (rise <= most)
    return agrees


def _is_farther_off(readings: Readings, before: Codes, after: Codes) -> Flags:
    """Whether the first of each pair lies farther from the line through its outer neighbours."""
    last = len(readings.series) - 1
    outer, beyond = np.clip(before - 1, 0, last), np.clip(after + 1, 0, last)
    inside = _same_series(readings, before - 1, after + 1)
    span = np.maximum(readings.time[beyond] - readings.time[outer], 1)
    rise = readings.value[beyond] - readings.value[outer]

    def distance(place: Codes) -> Floats:
        part = (readings.time[place] - readings.time[outer]) / span
        off: Floats = np.abs(readings.value[place] - readings.value[outer] - part * rise)
        return off

    farther: Flags = ~inside | (distance(before) >= distance(after))
    return farther


def _first_of_neighbours(bad: Flags, series: Codes) -> Flags:
    """Of readings side by side only the first: the rest are judged again without it."""
    follows = np.zeros(len(bad), dtype=bool)
    follows[1:] = bad[1:] & bad[:-1] & (series[1:] == series[:-1])
    return bad & ~follows


def steps_too_fast(readings: Readings) -> Flags:
    """For each reading: the step to the next one of its series is more than one can use."""
    fast = np.zeros(len(readings.value), dtype=bool)
    rise = np.diff(readings.value)
    days = np.diff(readings.time) / DAY
    same = readings.series[1:] == readings.series[:-1]
    fast[:-1] = same & (rise > readings.most_per_day[:-1] * (days + 1))
    return fast


def bridged_steps(readings: Readings) -> Flags:
    """For each reading: the step to the next tells nothing of use, for the meter was exchanged."""
    falls = np.zeros(len(readings.value), dtype=bool)
    same = readings.series[1:] == readings.series[:-1]
    falls[:-1] = same & (np.diff(readings.value) < -_ROUNDING)
    return falls | steps_too_fast(readings)


def flat_runs(readings: Readings, longest: float = FROZEN_DAYS) -> tuple[Codes, Codes, Flags]:
    """Stretches of one value for more than so many days.

    Returns
    -------
    first, last : array of int
        Places of each stretch's first and last reading.
    catches_up : array of bool
        The next reading is farther off than one can use in the time since the last of them: the
        value was copied, not read.
    """
    count = len(readings.value)
    if count == 0:
        nothing = np.zeros(0, dtype=np.int64)
        return nothing, nothing, nothing.astype(bool)
    changed = (np.diff(readings.series) != 0) | (np.diff(readings.value) != 0)
    first = np.flatnonzero(np.concatenate([[True], changed]))
    last = np.append(first[1:] - 1, count - 1)
    long = (readings.time[last] - readings.time[first]) / DAY > longest
    first, last = first[long], last[long]
    return first, last, steps_too_fast(readings)[last]
