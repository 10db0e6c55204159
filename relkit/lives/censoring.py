"""What was observed: the window, its gaps, vehicles that left, and stays cut to what was seen.

Layer: lives. Outside the observed periods nothing counts, neither time nor failures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import InputError
from relkit.lives.instants import (
    DAY,
    NOT_KNOWN,
    Instants,
    as_dates,
    as_instant,
    instants,
    start_of_day,
)
from relkit.lives.set_aside import with_noun
from relkit.logbook.findings import Finding, finding
from relkit.study.settings import Window

__all__ = [
    "Departures",
    "Observation",
    "departures",
    "event_reasons",
    "merged_periods",
    "observation",
    "observed_in",
    "observed_pieces",
]

#: A vehicle is silent only where it is so for this many times its longest silence before.
_LONGEST_GAPS = 2.0
#: Regular contacts (readings, inspections) that a vehicle needs before its silence means anything.
_LEAST_CONTACTS = 6
#: The last month is incomplete where it has less than this share of the usual jobs a month, the
#: usual number being at least ``_LEAST_JOBS``.
_SHARE_OF_JOBS = 0.5
_LEAST_JOBS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """The window of the log and the periods in it that were observed."""

    start: int  #: first instant
    end: int  #: instant at which observation ends
    end_counts: bool  #: what happened at the very end instant was observed
    periods: NDArray[np.int64]  #: first and end instant of each period, shape (periods, 2)
    gaps: tuple[tuple[date, date], ...]  #: gaps of the log inside the window, as given
    how_ended: str  #: in words
    blanks: tuple[tuple[int, int], ...] = ()  #: the same gaps as first and end instants
    period_group: NDArray[np.int64] | None = None  #: group of each period; None: all are one
    group_of: NDArray[np.int64] | None = None  #: group of each position; None: all are one


@dataclass(frozen=True, slots=True, eq=False)
class Departures:
    """Vehicles that left the fleet; arrays by vehicle code."""

    left_at: Instants  #: :data:`NOT_KNOWN` where the vehicle is still in the fleet
    source: NDArray[np.object_]  #: register row, or the last row heard of it
    findings: tuple[Finding, ...]


def observation(
    job_times: Instants, window: Window, *, last_month: str = "complete only"
) -> Observation:
    """Window of a log and its observed periods.

    Without a start, the window begins with the day of the earliest job; without an end, it ends
    with the last complete month (``last_month`` "to the last row": with the day of the last job).
    A date as the end means through its last instant.

    Raises
    ------
    InputError
        There are no jobs and the study gives no window, or it ends before it starts.
    """
    if len(job_times) == 0 and (window.start is None or window.end is None):
        raise InputError(
            "the log has no usable job, so it is not known what period it covers",
            mend="Give start and end under [window] in the study file, or mend the log",
        )
    first = int(start_of_day(job_times).min()) if window.start is None else as_instant(window.start)
    if window.end is None:
        end, how = _last_complete_month(job_times, first)
        if last_month != "complete only":
            end, how = int(start_of_day(job_times).max()) + DAY, "with the day of the last job"
    elif isinstance(window.end, datetime):
        end, how = as_instant(window.end), "as the study says"
    else:
        end, how = as_instant(window.end) + DAY, "with the last instant of the day in the study"
    if end <= first:
        shown = as_dates(np.array([first, end]))
        raise InputError(
            f"the observation window ends ({shown[1]:.10}) before it starts ({shown[0]:.10})",
            mend="Mend start and end under [window] in the study file",
        )
    inside = [(as_instant(a), as_instant(b) + DAY) for a, b in window.gaps]
    inside = sorted((a, b) for a, b in inside if b > first and a < end and b > a)
    gaps = tuple(pair for pair in window.gaps if _gap_inside(pair, first, end))
    return Observation(
        start=first,
        end=end,
        end_counts=isinstance(window.end, datetime),
        periods=merged_periods(first, end, inside),
        gaps=gaps,
        how_ended=how,
        blanks=tuple(inside),
    )


def _gap_inside(gap: tuple[date, date], first: int, end: int) -> bool:
    return as_instant(gap[1]) + DAY > first and as_instant(gap[0]) < end


def merged_periods(first: int, end: int, gaps: list[tuple[int, int]]) -> NDArray[np.int64]:
    """Periods between the gaps, which may overlap and stand in any order."""
    periods, reached = [], first
    for gap_start, gap_end in sorted((min(a, end), min(b, end)) for a, b in gaps):
        if gap_start > reached:
            periods.append((reached, gap_start))
        reached = max(reached, gap_end)
    if reached < end:
        periods.append((reached, end))
    return np.array(periods, dtype=np.int64).reshape(-1, 2)


def _last_complete_month(job_times: Instants, first: int) -> tuple[int, str]:
    """End of the last month that the log covers to its end.

    The month of the last job is complete where its remaining days are no more than is usual
    between job days (95 of 100), and its jobs are not less than half of the usual number.
    """
    days = np.sort(job_times // DAY)
    days = days[days >= first // DAY] if (days >= first // DAY).any() else days
    months = days.astype("datetime64[D]").astype("datetime64[M]")
    month_end = int((months[-1] + 1).astype("datetime64[D]").astype(np.int64))
    month_start = int(months[-1].astype("datetime64[D]").astype(np.int64))
    recent = np.unique(days[days > days[-1] - 365])
    usual_gap = float(np.quantile(np.diff(recent), 0.95)) if len(recent) > 5 else 0.0
    counts = np.bincount((months - months[0]).astype(np.int64))
    usual = float(np.median(counts[-13:-1])) if len(counts) > 2 else 0.0
    few = usual >= _LEAST_JOBS and counts[-1] < _SHARE_OF_JOBS * usual
    if month_end - 1 - days[-1] <= usual_gap and not few:
        return month_end * DAY, "at the end of the last complete month of the log"
    if month_start * DAY > first:
        return month_start * DAY, "at the end of the last complete month of the log"
    return (int(days[-1]) + 1) * DAY, "with the day of the last job: no month is complete"


def departures(
    vehicles: pd.DataFrame,
    jobs: pd.DataFrame,
    readings: pd.DataFrame,
    inspections: pd.DataFrame,
    window: Observation,
    *,
    silent_days: float = 180.0,
) -> Departures:
    """When each vehicle left the fleet: the date stated, else its last contact if it fell silent.

    Silence counts only where readings or inspections keep contact with vehicles that do not
    fail; to end observation at the last job of a log of failures would drop the survivors.
    A vehicle is silent where nothing was heard of it for ``silent_days`` [d], and for more than
    twice its longest silence before; inf: no vehicle is taken as silent.
    """
    left_at = vehicles["left_at"].to_numpy(dtype=np.int64).copy()
    source = vehicles["left_source"].to_numpy(dtype=object).copy()
    names = ["source", "vehicle", "date"]
    regular = pd.concat([readings[names], inspections[names]], ignore_index=True)
    regular = regular[~regular["source"].isin(jobs["source"])]
    silent = _silent_vehicles(vehicles["vehicle"], jobs[names], regular, window, silent_days)
    chosen = (left_at == NOT_KNOWN) & (silent["last"].to_numpy() != NOT_KNOWN)
    left_at[chosen] = silent["last"].to_numpy()[chosen]
    source[chosen] = silent["source"].to_numpy(dtype=object)[chosen]
    if not chosen.any():
        return Departures(left_at, source, ())
    gone = vehicles.loc[chosen, "vehicle"].tolist()
    note = finding(
        "vehicle fell silent",
        f"No row for more than {silent_days:.0f} days at the end of the log from "
        f"{with_noun(len(gone), 'vehicle')} that gave readings regularly before; no leaving date",
        sources=gone,
        done="Taken as having left the fleet at the last row; give vehicle_left_on in the register "
        "if it is known",
        severity="look",
    )
    return Departures(left_at, source, (note,))


def _silent_vehicles(
    names: pd.Series,
    jobs: pd.DataFrame,
    regular: pd.DataFrame,
    window: Observation,
    silent_days: float,
) -> pd.DataFrame:
    """Last contact of each vehicle that fell silent, in the order of the names."""
    silent = pd.DataFrame({"last": NOT_KNOWN, "source": ""}, index=pd.Index(names))
    if regular.empty:
        return silent
    contacts = pd.concat([jobs, regular], ignore_index=True)
    contacts = contacts.assign(time=instants(contacts["date"]))
    contacts = contacts[contacts["time"] <= window.end].sort_values("time", kind="stable")
    last = contacts.drop_duplicates("vehicle", keep="last").set_index("vehicle")
    times = contacts["time"].groupby(contacts["vehicle"])
    longest_gap = times.diff().groupby(contacts["vehicle"]).max() / DAY
    often = regular.groupby("vehicle").size()
    latest = min(window.end, int(contacts["time"].max()))
    silence = ((latest - last["time"]) / DAY).rename("silence")
    table = pd.concat([silence, longest_gap.rename("gap"), often.rename("often")], axis=1)
    watched = table["often"] >= _LEAST_CONTACTS
    fleet_is_heard = (silence <= silent_days / 2).mean() > 0.5
    gone = watched & (table["silence"] > silent_days) & fleet_is_heard
    gone &= table["silence"] > _LONGEST_GAPS * table["gap"]
    found = table.index[gone].intersection(silent.index)
    silent.loc[found, "last"] = last.loc[found, "time"]
    silent.loc[found, "source"] = last.loc[found, "source"]
    return silent


def event_reasons(
    position: NDArray[np.int64],
    time: Instants,
    fitted_at: Instants,
    left_at: Instants,
    window: Observation,
) -> NDArray[np.object_]:
    """Why each event cannot be used; blank where it can.

    Parameters
    ----------
    position, time : array
        Position code and instant of each event.
    fitted_at, left_at : array by position
        First fitting, and when the vehicle left; the day itself still counts for both.
    """
    reason = np.full(len(time), "", dtype=object)
    day, fitted = start_of_day(time), start_of_day(fitted_at)[position]
    reason[(time > window.end) | ((time == window.end) & (not window.end_counts))] = (
        "after the window"
    )
    left = left_at[position]
    reason[(left != NOT_KNOWN) & (day > start_of_day(left))] = "after the vehicle left"
    reason[(fitted != NOT_KNOWN) & (day < fitted)] = "before the item was fitted"
    return reason


def observed_in(
    time: Instants, position: NDArray[np.int64], window: Observation
) -> NDArray[np.int64]:
    """Return the number of the period in which each instant was observed; -1 where it was not.

    Parameters
    ----------
    time, position : array
        Instants and the position codes at which they are asked.
    """
    found = np.full(len(time), -1, dtype=np.int64)
    for rows, numbers in _groups(position, window):
        starts, ends = window.periods[numbers, 0], window.periods[numbers, 1]
        if len(numbers) == 0:
            continue
        own = time if isinstance(rows, slice) else time[rows]
        place = np.searchsorted(starts, own, side="right") - 1
        inside = (place >= 0) & (own < ends[place])
        if window.end_counts:
            inside |= (place >= 0) & (own == window.end) & (ends[place] == window.end)
        found[rows] = np.where(inside, numbers[place], -1)
    return found


def _groups(
    position: NDArray[np.int64], window: Observation
) -> Iterator[tuple[NDArray[np.int64] | slice, NDArray[np.int64]]]:
    """Rows of each group of positions, and the numbers of its periods."""
    if window.group_of is None or window.period_group is None:
        yield slice(None), np.arange(len(window.periods))
        return
    group = window.group_of[position]
    for number in range(int(window.group_of.max(initial=-1)) + 1):
        yield np.flatnonzero(group == number), np.flatnonzero(window.period_group == number)


def observed_pieces(
    start: Instants, end: Instants, position: NDArray[np.int64], window: Observation
) -> pd.DataFrame:
    """Stays cut to the observed periods of their positions.

    Returns
    -------
    DataFrame
        One row per stay and period that overlap: ``stay`` (its place in the arguments),
        ``period``, ``seen_from`` and ``seen_until`` (instants, the second later).
    """
    pieces = []
    for rows, numbers in _groups(position, window):
        at = np.arange(len(start)) if isinstance(rows, slice) else rows
        for number in numbers:
            first, last = window.periods[number]
            seen_from, seen_until = np.maximum(start[at], first), np.minimum(end[at], last)
            stay = np.flatnonzero(seen_until > seen_from)
            pieces.append(
                pd.DataFrame(
                    {
                        "stay": at[stay],
                        "period": np.full(len(stay), number, dtype=np.int64),
                        "seen_from": seen_from[stay],
                        "seen_until": seen_until[stay],
                    }
                )
            )
    if not pieces:
        names = ["stay", "period", "seen_from", "seen_until"]
        return pd.DataFrame({name: np.zeros(0, dtype=np.int64) for name in names})
    return pd.concat(pieces, ignore_index=True)
