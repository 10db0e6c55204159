"""Histories of positions: events in their order become consecutive stays of items.

Layer: lives. What the register alone knows is folded into the events of the log.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.censoring import Observation, event_reasons
from relkit.lives.events import EFFECTS, OUTCOMES, joined_texts
from relkit.lives.instants import DAY, NOT_KNOWN, Instants, start_of_day
from relkit.lives.masking import Candidates, candidate_causes
from relkit.lives.register import Register
from relkit.lives.transfers import taken_without_a_row, transfers
from relkit.logbook.findings import Finding
from relkit.study.settings import Treatments

__all__ = ["History", "item_stays", "position_histories", "with_register_changes"]

_NEW, _FITTED, _REMOVED = (EFFECTS.index(name) for name in ("new item", "fitted", "removed"))


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """What happened at all positions, in order."""

    #: usable events of the log and the register, sorted by position and time
    events: pd.DataFrame
    log_row: NDArray[np.int64]  #: by event of the log: its row in ``events``; -1: not usable
    log_reason: NDArray[np.object_]  #: by event of the log: why it is not usable; else blank
    stays: pd.DataFrame  #: from :func:`item_stays`, by row of ``events``
    candidates: Candidates  #: causes of ``events``
    replaced_before: NDArray[np.bool_]  #: by position: changed before the register's date
    findings: tuple[Finding, ...]  #: what was noticed about items that moved


def position_histories(
    log_events: pd.DataFrame,
    register: Register,
    left_at: Instants,
    window: Observation,
    treatments: Treatments,
) -> History:
    """Histories of all positions.

    Parameters
    ----------
    log_events : DataFrame
        ``table`` of the log's events.
    register : Register
        First items, and changes that only the register knows.
    left_at : array by vehicle
        When each vehicle left the fleet.
    window : Observation
        What was observed.
    treatments : Treatments
        ``duplicate_days`` and ``masked`` are used.
    """
    history = _once(log_events, register, left_at, window, treatments)
    added, noticed = taken_without_a_row(history.stays, register, treatments.problems)
    if len(added):
        taken = _taken(added)
        history = _once(log_events, register, left_at, window, treatments, taken=taken)
    moved = transfers(history.stays, history.candidates.outcome, register, treatments.problems)
    return replace(history, stays=moved.stays, findings=(*noticed, *moved.findings))


def _taken(added: pd.DataFrame) -> pd.DataFrame:
    """Return removals that only another position's row tells of, as changes of the register."""
    facts = added.assign(source=added["sources"], serial="", type="")
    both = [facts.assign(effect=effect) for effect in ("removed", "fitted")]
    return pd.concat(both, ignore_index=True).drop(columns="sources")


def _once(
    log_events: pd.DataFrame,
    register: Register,
    left_at: Instants,
    window: Observation,
    treatments: Treatments,
    taken: pd.DataFrame | None = None,
) -> History:
    """Histories before items are followed from one position to another."""
    changes = register.changes if taken is None else pd.concat([register.changes, taken])
    events = with_register_changes(log_events, changes, nearest_days=treatments.duplicate_days)
    fitted_at = register.positions["fitted_at"].to_numpy()
    left = left_at[register.positions["vehicle_code"]]
    place = events["position"].to_numpy()
    reason = event_reasons(place, events["time"].to_numpy(), fitted_at, left, window)
    usable = reason == ""
    of_log = events["log_event"].to_numpy()
    log_row = np.full(len(log_events), -1, dtype=np.int64)
    log_reason = np.full(len(log_events), "", dtype=object)
    log_row[of_log[usable & (of_log >= 0)]] = (np.cumsum(usable) - 1)[usable & (of_log >= 0)]
    log_reason[of_log[of_log >= 0]] = reason[of_log >= 0]
    replaced_before = np.zeros(len(fitted_at), dtype=bool)
    replaced_before[place[reason == "before the item was fitted"]] = True
    events = events[usable].reset_index(drop=True)
    end = np.where(left == NOT_KNOWN, window.end, np.minimum(left, window.end))
    stays = item_stays(events, register, end)
    ends_stay = np.zeros(len(events), dtype=bool)
    ends_stay[stays.loc[stays["closer"] >= 0, "closer"]] = True
    candidates = candidate_causes(events, ends_stay, register, masked=treatments.masked)
    return History(events, log_row, log_reason, stays, candidates, replaced_before, ())


def with_register_changes(
    events: pd.DataFrame, changes: pd.DataFrame, *, nearest_days: float
) -> pd.DataFrame:
    """Events of the log and those that only the register knows, sorted by position and time.

    A change in the register within so many days of a job that did the same is that job, to which
    it lends its serial number.

    Returns
    -------
    DataFrame
        As ``events``, with ``log_event``: the row number in ``events``, -1 for the register's own.
    """
    table = events.assign(log_event=np.arange(len(events)))
    if changes.empty:
        return table
    matched = _matching_jobs(events, changes, nearest_days)
    known = matched >= 0
    serial = table["serial_in"].to_numpy(dtype=object).copy()
    lent = np.flatnonzero(known & (changes["serial"] != "").to_numpy())
    lent = lent[serial[matched[lent]] == ""]
    serial[matched[lent]] = changes["serial"].to_numpy(dtype=object)[lent]
    table["serial_in"] = serial
    own = _own_events(changes[~known])
    table = pd.concat([table, own], ignore_index=True)
    return table.sort_values(["position", "time"], kind="stable", ignore_index=True)


def _matching_jobs(
    events: pd.DataFrame, changes: pd.DataFrame, nearest_days: float
) -> NDArray[np.int64]:
    """Row of the job's event that each change of the register repeats; -1 where none does."""
    matched = np.full(len(changes), -1, dtype=np.int64)
    for name, code in (("fitted", _FITTED), ("removed", _REMOVED)):
        chosen = np.flatnonzero((changes["effect"] == name).to_numpy())
        left = changes.iloc[chosen][["position", "time"]].assign(change=chosen)
        same = events["effect"].isin([code, _NEW])
        right = events.loc[same, ["position", "time"]].assign(row=np.flatnonzero(same))
        if left.empty or right.empty:
            continue
        near = pd.merge_asof(
            left.sort_values("time"),
            right.sort_values("time"),
            on="time",
            by="position",
            direction="nearest",
            tolerance=int(nearest_days * DAY) + DAY - 1,  # the register knows the day only
        ).dropna(subset=["row"])
        matched[near["change"].to_numpy()] = near["row"].to_numpy().astype(np.int64)
    return matched


def _own_events(changes: pd.DataFrame) -> pd.DataFrame:
    """Return changes of the register as events; removal and fitting at once are a new item."""
    ordered = changes.sort_values(["position", "time"], kind="stable")
    keys = ordered[["position", "time"]]
    number = keys.ne(keys.shift()).any(axis=1).cumsum().to_numpy(dtype=np.int64) - 1
    groups = ordered.groupby(number)
    first = groups.first()
    both = (groups["effect"].max() != groups["effect"].min()).to_numpy()
    code = first["effect"].map({"fitted": _FITTED, "removed": _REMOVED}).to_numpy(dtype=np.int64)
    sources = joined_texts(number, ordered["source"].to_numpy(dtype=object), len(first))
    fitted = ordered["effect"].eq("fitted")
    fitted_facts = ordered[fitted].groupby(number[fitted])[["serial", "type"]].first()
    fitted_facts = fitted_facts.reindex(range(len(first)), fill_value="")
    return pd.DataFrame(
        {
            "position": first["position"].to_numpy(),
            "time": first["time"].to_numpy(),
            "outcome": OUTCOMES.index("unfailed"),
            "effect": np.where(both, _NEW, code),
            "stated": True,
            "type": fitted_facts["type"].to_numpy(dtype=object),
            "from_now_on": True,
            "job": "",
            "finding": "",
            "verdict": "",
            "done": NOT_KNOWN,
            "no_evidence": False,
            "serial_out": "",
            "serial_in": fitted_facts["serial"].to_numpy(dtype=object),
            "event": first["source"].to_numpy(dtype=object),
            "sources": sources,
            "register": True,
            "log_event": -1,
        }
    )


def item_stays(events: pd.DataFrame, register: Register, end: Instants) -> pd.DataFrame:
    """Consecutive stays of items at each position.

    Parameters
    ----------
    events : DataFrame
        Usable events, sorted by position and time.
    register : Register
        Its first item opens each position's history.
    end : array by position
        Instant at which the position's history ends.

    Returns
    -------
    DataFrame
        One row per stay, sorted by position and start: ``position``, ``start`` (instant;
        NOT_KNOWN where unknown), ``end``, ``opener`` and ``closer`` (rows of ``events``; -1 for
        the register and for the end of the history), ``type``, ``ordinal`` (from 1), ``serial``,
        ``opened_by``.
    """
    changing = np.flatnonzero((events["effect"] > 0).to_numpy())
    stream = _stream(events.iloc[changing], changing, register)
    position = stream["position"].to_numpy()
    later = np.append(position[1:] == position[:-1], False)
    stream["time"] = _from_when_done(_first_at_its_job(stream, later), stream, later)
    closer = np.where(later, np.append(stream["row"].to_numpy()[1:], -1), -1)
    opens = (stream["effect"] != _REMOVED).to_numpy()
    stays = stream[opens].assign(closer=closer[opens])
    stays["ordinal"] = stays.groupby("position").cumcount() + 1
    at = stays["closer"].to_numpy()
    times = np.append(events["time"].to_numpy(), 0)
    stays["end"] = np.where(at >= 0, times[at], end[stays["position"]])
    went_out = np.append(events["serial_out"].to_numpy(dtype=object), "")[at]
    serial = stays["serial"].to_numpy(dtype=object)
    stays["serial"] = np.where(serial == "", went_out, serial)
    stays = stays.rename(columns={"row": "opener", "time": "start"})
    names = ["position", "start", "end", "opener", "closer", "type", "ordinal", "serial"]
    return stays[[*names, "opened_by"]].reset_index(drop=True)


def _first_at_its_job(stream: pd.DataFrame, later: NDArray[np.bool_]) -> Instants:
    """Instants of the stream; a first item dated on the day of its first job begins with that.

    The register knows the day only, the job the time: it is one change, or a dead arrival.
    """
    time = stream["time"].to_numpy().copy()
    following = np.append(time[1:], NOT_KNOWN)
    day_only = (stream["row"] == -1).to_numpy() & (time != NOT_KNOWN) & (time % DAY == 0)
    same = day_only & later & (start_of_day(following) == time)
    time[same] = following[same]
    return time


def _from_when_done(time: Instants, stream: pd.DataFrame, later: NDArray[np.bool_]) -> Instants:
    """Instants of the stream; an item that went in after the report begins when the job closed."""
    done = stream["done"].to_numpy()
    following = np.where(later, np.append(time[1:], NOT_KNOWN), np.iinfo(np.int64).max)
    waits = (stream["row"] >= 0).to_numpy() & (done > time) & (done < following)
    return np.where(waits, done, time)


def _stream(rows: pd.DataFrame, row: NDArray[np.int64], register: Register) -> pd.DataFrame:
    """First items and life-changing events together, in order, with the type of each item.

    An item is of the type its action states; else of the last type that was to last at the
    position; else of the first item's.
    """
    positions = register.positions
    first = pd.DataFrame(
        {
            "position": np.arange(len(positions)),
            "time": positions["fitted_at"].to_numpy(),
            "sorted_by": NOT_KNOWN,
            "row": -1,
            "done": NOT_KNOWN,
            "effect": np.where(positions["starts_empty"], _REMOVED, _FITTED),
            "type": positions["type"].to_numpy(dtype=object),
            "base": positions["type"].to_numpy(dtype=object),
            "serial": positions["serial"].to_numpy(dtype=object),
            "opened_by": positions["source"].to_numpy(dtype=object),
        }
    )
    kind = rows["type"].to_numpy(dtype=object)
    lasts = rows["from_now_on"].to_numpy(dtype=bool) & (kind != "")
    later = pd.DataFrame(
        {
            "position": rows["position"].to_numpy(),
            "time": rows["time"].to_numpy(),
            "sorted_by": rows["time"].to_numpy(),
            "row": row,
            "done": rows["done"].to_numpy(),
            "effect": rows["effect"].to_numpy(),
            "type": kind,
            "base": pd.Series(kind).where(lasts),
            "serial": rows["serial_in"].to_numpy(dtype=object),
            "opened_by": rows["sources"].to_numpy(dtype=object),
        }
    )
    stream = pd.concat([first, later], ignore_index=True)
    stream = stream.iloc[np.lexsort((stream["sorted_by"], stream["position"]))]
    base = stream["base"].ffill().to_numpy(dtype=object)
    stated = stream["type"].to_numpy(dtype=object)
    return stream.assign(type=np.where(stated == "", base, stated)).reset_index(drop=True)
