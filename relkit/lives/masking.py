"""Jobs that replaced several items without saying which had failed: candidate causes.

Layer: lives. Works on the events that end a stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.events import OUTCOMES, joined_texts
from relkit.lives.instants import DAY
from relkit.lives.register import Register

__all__ = ["Candidates", "candidate_causes", "job_keys"]

_UNKNOWN, _FOUND, _FAILURE, _UNFAILED = (
    OUTCOMES.index(name)
    for name in ("cause unknown", "failure found at check", "failure", "unfailed")
)
#: Rows of one job number lie within so many days of each other [d]; numbers may be used again.
_JOB_DAYS = 31


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """What is known of the cause of each event; arrays of the length of the events."""

    outcome: NDArray[np.int64]  #: places in ``OUTCOMES``, with what the rest of the job tells
    causes: NDArray[np.object_]  #: candidate components joined by "; "; blank where not masked
    job: NDArray[np.object_]  #: event that links the candidates; blank where not masked
    explained: NDArray[
        np.bool_
    ]  #: cause stated for another item of the job: this one had not failed


def candidate_causes(
    events: pd.DataFrame,
    ends_stay: NDArray[np.bool_],
    register: Register,
    *,
    masked: Literal["shared", "all failed", "none failed"] = "shared",
) -> Candidates:
    """Causes of events of unknown cause, from what else the same job replaced.

    A job is a job number of one vehicle, or what was done to it at one instant. Of its positions
    those at one location belong together, and those at a location that the whole vehicle shares
    go with any of them: a blank location; one where each component is the vehicle's only one; one
    with a single component that the job replaced nowhere else. If the job states a failure of one
    of them, the others had not failed. If it replaced several without a cause, each is a
    candidate; if one only, that one failed.

    Parameters
    ----------
    events : DataFrame
        Usable events.
    ends_stay : array of bool
        Events that took an item out.
    register : Register
        Its positions are those of the events.
    masked : "shared", "all failed" or "none failed"
        Treatment of several candidates: kept as candidates, or all taken as failed, or none.
    """
    outcome = events["outcome"].to_numpy(dtype=np.int64).copy()
    blank = np.full(len(events), "", dtype=object)
    explained = np.zeros(len(events), dtype=bool)
    unclear = ends_stay & np.isin(outcome, (_UNKNOWN, _FOUND, _FAILURE))
    table = _with_job(events, np.flatnonzero(unclear), register)
    several = table.groupby("key")["row"].transform("size") > 1
    single = table.loc[~several & (table["outcome"] == _UNKNOWN), "row"].to_numpy()
    outcome[single] = _FAILURE
    table = _with_places(table[several].copy(), register)
    stated = _stated_cause(table)
    explained[table.loc[stated, "row"]] = True
    outcome[explained] = _UNFAILED
    table = table[(table["outcome"] == _UNKNOWN).to_numpy() & ~stated]
    group = _groups(table)
    size = group.groupby(group).transform("size") if len(group) else group
    alone, together = (size == 1).to_numpy(dtype=bool), (size > 1).to_numpy(dtype=bool)
    outcome[table.loc[alone, "row"]] = _FAILURE
    rows = table.loc[together, "row"].to_numpy(dtype=np.int64)
    if masked != "shared":
        outcome[rows] = _FAILURE if masked == "all failed" else _UNFAILED
        return Candidates(outcome, blank, blank, explained)
    causes, job = blank.copy(), blank.copy()
    number, names = pd.factorize(group[together])
    causes[rows], job[rows] = _candidates(table[together], number, len(names))
    return Candidates(outcome, causes, job, explained)


def job_keys(
    events: pd.DataFrame, rows: NDArray[np.int64], vehicle: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the job of each chosen event: one job number, or one instant, of a vehicle.

    Parameters
    ----------
    events : DataFrame
        With ``job`` and ``time``.
    rows : array of int
        The events that are asked.
    vehicle : array of int
        Vehicle of every event.
    """
    code, names = pd.factorize(events["job"].to_numpy(dtype=object)[rows])
    named = np.append(names != "", False)[code]
    number, own = np.where(named, code, -1), vehicle[rows]
    time = events["time"].to_numpy()[rows]
    order = np.lexsort((time, number, own))
    longest = np.where(number[order] >= 0, _JOB_DAYS * DAY, 0)
    step = np.ones(len(rows), dtype=bool)
    step[1:] = (np.diff(own[order]) != 0) | (np.diff(number[order]) != 0)
    step[1:] |= np.diff(time[order]) > longest[1:]
    keys = np.empty(len(rows), dtype=np.int64)
    keys[order] = np.cumsum(step)
    return keys


def _with_job(events: pd.DataFrame, rows: NDArray[np.int64], register: Register) -> pd.DataFrame:
    """Events of unclear cause with the number of their job, sorted by it and by time."""
    position = events["position"].to_numpy()
    vehicle = register.positions["vehicle_code"].to_numpy()[position]
    table = pd.DataFrame(
        {
            "row": rows,
            "position": position[rows],
            "time": events["time"].to_numpy()[rows],
            "outcome": events["outcome"].to_numpy()[rows],
            "event": events["event"].to_numpy(dtype=object)[rows],
            "key": job_keys(events, rows, vehicle),
        }
    )
    return table.sort_values(["key", "time"], kind="stable", ignore_index=True)


def _with_places(table: pd.DataFrame, register: Register) -> pd.DataFrame:
    """Return the same with component, location and whether the whole vehicle shares that."""
    positions = register.positions
    here = positions[["vehicle_code", "component", "location"]]
    alike = here.groupby(["vehicle_code", "component"])["location"].transform("size")
    place = alike.groupby([here["vehicle_code"], here["location"]])
    unique = (place.transform("max") == 1).to_numpy()
    lone = (place.transform("size") == 1).to_numpy()
    at = table["position"].to_numpy()
    table["component"] = positions["component"].to_numpy(dtype=object)[at]
    table["location"] = positions["location"].to_numpy(dtype=object)[at]
    once = table.groupby(["key", "component"])["row"].transform("size") == 1
    shared = (table["location"] == "") | unique[at] | (lone[at] & once)
    return table.assign(shared=shared.astype(bool))


def _stated_cause(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Events of unknown cause in a job that states the cause at their place or a shared one."""
    known = table["outcome"] != _UNKNOWN
    anywhere = known.groupby(table["key"]).transform("any")
    shared = (known & table["shared"]).groupby(table["key"]).transform("any")
    beside = known.groupby([table["key"], table["location"]]).transform("any")
    return (~known & (shared | beside | (table["shared"] & anywhere))).to_numpy(dtype=bool)


def _groups(table: pd.DataFrame) -> pd.Series:
    """Return the number of each event's group of candidates: its job, or its place in the job."""
    own = table["location"].where(~table["shared"])
    places = own.groupby(table["key"]).transform("nunique")
    linked = table["shared"].groupby(table["key"]).transform("any") | (places <= 1)
    place = table["location"].where(~linked.astype(bool), "")
    return table.assign(place=place).groupby(["key", "place"], sort=False).ngroup()


def _candidates(
    table: pd.DataFrame, number: NDArray[np.int64], count: int
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Names of the candidates and the linking event, for each row of numbered groups."""
    pairs = pd.DataFrame({"group": number, "component": table["component"].to_numpy()})
    pairs = pairs.drop_duplicates().sort_values(["group", "component"], kind="stable")
    names = joined_texts(
        pairs["group"].to_numpy(dtype=np.int64), pairs["component"].to_numpy(dtype=object), count
    )
    first = pd.Series(table["event"].to_numpy(dtype=object)).groupby(number).first()
    return names[number], first.to_numpy(dtype=object)[number]
