"""Cleaned readings chained to counters that never fall, and meters that stood still.

Layer: lives. Arrays over all series at once, as in meter_rules.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from relkit.lives.instants import DAY, Instants
from relkit.lives.meter_rules import (
    Codes,
    Flags,
    Floats,
    Readings,
    bridged_steps,
    flat_runs,
    steps_too_fast,
    typing_errors,
)
from relkit.study.settings import ProblemSettings

__all__ = ["Chains", "chained_readings", "interpolated"]

#: Of the steps of a series more than this share too fast: the series is not used at all.
_UNUSABLE_SHARE = 0.5
#: Another counter of the vehicle moves where it runs at this share of its mean rate.
_MOVING_SHARE = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Chains:
    """Kept readings with the counter that they make, and what was corrected."""

    readings: Readings  #: those kept
    whole: Floats  #: cumulative counter at each, in the scale of the series' first reading
    typed: Codes  #: ``row`` of typing errors
    frozen: Codes  #: ``row`` of values of a meter that stood still
    exchanged: Flags  #: for each kept reading: the meter was exchanged just before it
    unusable: Flags  #: by series: its steps are more than any vehicle can use, or tell no rate


def chained_readings(
    given: Readings, vehicle: Codes, usual_rate: Floats, problems: ProblemSettings
) -> Chains:
    """Return readings without errors, chained across exchanged meters.

    Parameters
    ----------
    given : Readings
        All readings, sorted by series, time and value.
    vehicle : array of int by series
        Whose counter it is.
    usual_rate : array by series
        Use to assume where the readings tell none; NaN where not known [counter units / d].
    problems : ProblemSettings
        Its settings of meters are used.
    """
    if len(given.series) == 0:
        nothing = np.zeros(0, dtype=np.int64)
        flags = np.zeros(0, dtype=bool)
        return Chains(
            given, np.zeros(0), nothing, nothing, flags, np.zeros(len(vehicle), dtype=bool)
        )
    unusable = _unusable_series(given, len(vehicle))
    left = given.taken(~unusable[given.series] & (given.value >= 0))
    keep = problems.meter_errors == "keep"
    wrong = np.isin(left.row, [] if keep else typing_errors(left, longest=problems.frozen_days))
    typed, left = left.row[wrong], left.taken(~wrong)
    whole, _ = _chained(left, bridged_steps(left), usual_rate)
    copied, lost = _stood_still(left, whole, vehicle, problems)
    frozen, left = left.row[copied], left.taken(~copied)
    bridged = bridged_steps(left) | lost[~copied]
    whole, unknown = _chained(left, bridged, usual_rate)
    unusable |= unknown
    if problems.meter_exchanges == "vehicle unusable":
        unusable[left.series[bridged_steps(left)]] = True
    usable = ~unusable[left.series]
    exchanged = np.roll(bridged_steps(left), 1)
    exchanged[:1] = False
    negative = given.row[(given.value < 0) & ~unusable[given.series]]
    return Chains(
        readings=left.taken(usable),
        whole=whole[usable],
        typed=np.concatenate([negative, typed]),
        frozen=frozen,
        exchanged=exchanged[usable],
        unusable=unusable,
    )


def interpolated(
    codes: Codes, times: Instants, knot_codes: Codes, knot_times: Instants, knot_values: Floats
) -> tuple[Floats, Codes, Codes]:
    """Values between the knots of each code; outside them the nearest knot's value.

    Parameters
    ----------
    codes, times : array
        What is asked; each code must have a knot.
    knot_codes, knot_times, knot_values : array
        Sorted by code and time.

    Returns
    -------
    values : array of float
    before, after : array of int
        Places of the knots on both sides; equal outside the knots of the code.
    """
    if len(codes) == 0:
        nothing = np.zeros(0, dtype=np.int64)
        return np.zeros(0), nothing, nothing
    # One search for all: the codes set the knots of different codes far apart on one line.
    origin = min(int(knot_times.min()), int(times.min()))
    span = (max(int(knot_times.max()), int(times.max())) - origin) // 1_000_000 + 2
    line = knot_codes * span + (knot_times - origin) // 1_000_000
    place = np.searchsorted(line, codes * span + (times - origin) // 1_000_000, side="right") - 1
    first = np.searchsorted(knot_codes, codes, side="left")
    last = np.searchsorted(knot_codes, codes, side="right") - 1
    before = np.clip(place, first, last)
    after = np.minimum(before + 1, last)
    after = np.where(times < knot_times[before], before, after)
    width = np.maximum(knot_times[after] - knot_times[before], 1)
    part = np.clip((times - knot_times[before]) / width, 0.0, 1.0)
    part = np.where(after == before, 0.0, part)
    rise = knot_values[after] - knot_values[before]
    return knot_values[before] + part * rise, before, after


def _unusable_series(readings: Readings, count: int) -> Flags:
    """Series of which more than half of the steps are faster than anything can run."""
    same = np.append(readings.series[1:] == readings.series[:-1], False)
    steps = np.bincount(readings.series[same], minlength=count)
    fast = np.bincount(readings.series[steps_too_fast(readings)], minlength=count)
    unusable: Flags = (steps >= 3) & (fast > _UNUSABLE_SHARE * steps)
    return unusable


def _chained(readings: Readings, bridged: Flags, usual_rate: Floats) -> tuple[Floats, Flags]:
    """Counter that never falls, and by series whether no rate is known to bridge its gaps."""
    count = len(readings.value)
    if count == 0:
        return np.zeros(0), np.zeros(len(usual_rate), dtype=bool)
    here = np.flatnonzero(readings.series[1:] == readings.series[:-1])
    series = readings.series[here]
    rise = readings.value[here + 1] - readings.value[here]
    days = (readings.time[here + 1] - readings.time[here]) / DAY
    good = ~bridged[here]
    kinds = len(usual_rate)
    run = np.bincount(series[good], weights=np.maximum(rise[good], 0.0), minlength=kinds)
    time = np.bincount(series[good], weights=days[good], minlength=kinds)
    rate = np.where(time > 0, run / np.where(time > 0, time, 1.0), usual_rate)
    unknown = np.zeros(kinds, dtype=bool)
    unknown[series[~good & ~np.isfinite(rate[series])]] = True
    used = np.where(good, np.maximum(rise, 0.0), np.nan_to_num(rate)[series] * days)
    # Only what differs from the reading itself is summed: clean series keep all their digits.
    shift = np.zeros(count)
    shift[here + 1] = np.where(used == rise, 0.0, used - rise)
    shift = np.cumsum(shift)
    start = np.searchsorted(readings.series, readings.series, side="left")
    return readings.value + shift - shift[start], unknown


def _stood_still(
    readings: Readings, whole: Floats, vehicle: Codes, problems: ProblemSettings
) -> tuple[Flags, Flags]:
    """Return which readings were copied from a meter that stood still while the vehicle worked.

    A flat stretch alone is no error: the vehicle may have been parked. It is one where the next
    reading has to catch up faster than possible, or where another counter of the vehicle ran.

    Returns
    -------
    copied : array of bool
        The readings of such stretches but the first of each.
    lost : array of bool
        True for that first one where the use since then is not on the meter.
    """
    copied, lost = np.zeros((2, len(whole)), dtype=bool)
    first, last, catches_up = flat_runs(readings, problems.frozen_days)
    if len(first) == 0 or problems.frozen_meters == "keep":
        return copied, lost
    others_ran = _another_ran(readings, whole, vehicle, first, last)
    frozen = catches_up | others_ran
    edges = np.zeros(len(whole) + 1, dtype=np.int64)
    np.add.at(edges, first[frozen] + 1, 1)
    np.add.at(edges, last[frozen] + 1, -1)
    copied = np.cumsum(edges)[:-1] > 0
    lost[first[frozen & ~catches_up]] = True
    return copied, lost


def _another_ran(
    readings: Readings, whole: Floats, vehicle: Codes, first: Codes, last: Codes
) -> Flags:
    """Whether another counter of the same vehicle ran during each stretch."""
    ran = np.zeros(len(first), dtype=bool)
    start = np.flatnonzero(np.diff(readings.series, prepend=-1))
    end = np.append(start[1:], len(whole)) - 1
    days = np.maximum((readings.time[end] - readings.time[start]) / DAY, 1.0)
    mean_rate = (whole[end] - whole[start]) / days
    present = readings.series[start]
    owner = vehicle[present]
    wanted = vehicle[readings.series[first]]
    for rank in range(int(np.bincount(owner).max())):
        other = _series_of(present, owner, wanted, rank)  # the flat one itself shows no use
        asked = np.flatnonzero(other >= 0)
        ends = [
            interpolated(
                other[asked], readings.time[at[asked]], readings.series, readings.time, whole
            )
            for at in (first, last)
        ]
        stretch = (readings.time[last[asked]] - readings.time[first[asked]]) / DAY
        usual = mean_rate[np.searchsorted(present, other[asked])]
        ran[asked] |= ends[1][0] - ends[0][0] > _MOVING_SHARE * np.maximum(usual, 1e-12) * stretch
    return ran


def _series_of(present: Codes, owner: Codes, wanted: Codes, rank: int) -> Codes:
    """Return the rank-th series of each vehicle, -1 where there is none."""
    order = np.argsort(owner, kind="stable")
    low = np.searchsorted(owner[order], wanted, side="left")
    high = np.searchsorted(owner[order], wanted, side="right")
    place = np.minimum(low + rank, len(order) - 1)
    found = present[order][place]
    return np.where(low + rank < high, found, -1)
