"""Job rows as events: what happened to the item at one position at one instant.

Layer: lives. Rows of one event are folded; the strongest finding and action speak for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.instants import DAY, NOT_KNOWN, Instants, instants
from relkit.lives.register import Places
from relkit.study.settings import Treatments

__all__ = [
    "EFFECTS",
    "OUTCOMES",
    "PositionEvents",
    "joined_texts",
    "position_events",
    "reason_mends",
    "row_reasons",
]

#: What a finding can say of the item, weakest first: the strongest row speaks for the event.
OUTCOMES: Final = (
    "no failure",
    "unfailed",
    "cause unknown",
    "external damage",
    "failure found at check",
    "failure",
)
#: What an action can do to the life, weakest first.
EFFECTS: Final = ("continues", "fitted", "removed", "new item")

#: Outcomes of rows that say nothing of an item of the study.
_EXCLUDED: Final = ("not fitted", "outside boundary")
_MENDS: Final = {
    "unknown vehicle": "Add the vehicle to the register, or a variant of its name "
    "under [words.vehicle]",
    "position not fitted": "Add the position to the register, or a variant of its name "
    "under [words]",
    "location not named": "Name the location: the vehicle has several for this component",
    "component not named": "Name the component that was replaced",
    "unknown word": "Say under [treatments] what the finding or action means, or under [words] "
    "which known one it is",
    "not fitted": "Take the position out of the register if this vehicle never had it",
    "outside boundary": "None needed, unless the finding should count: see [treatments]",
    "after the window": "None needed, or give a later window.end",
    "after the vehicle left": "Mend vehicle_left_on in the register, or the date of the job",
    "before the item was fitted": "Mend the date fitted in the register, or the date of the job",
    "no usable meter reading": "Give readings of this vehicle, or its yearly use under [usage]",
    "dead on arrival": "None needed; mend the date fitted if the register holds the date of the "
    "replacement",
    "no running time observed": "None needed: the item did not run while it was observed",
}


@dataclass(frozen=True, slots=True, eq=False)
class PositionEvents:
    """Events of all positions, sorted by position and time."""

    #: one row per event: ``position``, ``time`` (instant), ``outcome`` and ``effect`` (places in
    #: :data:`OUTCOMES` and :data:`EFFECTS`), ``type`` and ``from_now_on`` of the item that went
    #: in, ``job``, ``event``, ``serial_out``, ``serial_in``, ``finding``, ``verdict`` (of the
    #: supplier), ``done`` (instant at which the work was closed, NOT_KNOWN where not stated),
    #: ``sources``, ``stated`` (a row states the finding), ``register`` (only it knows of it)
    table: pd.DataFrame
    row_event: NDArray[np.int64]  #: for each job row its event; -1 where it belongs to none
    row_leads: NDArray[np.bool_]  #: True for the row that speaks for its event
    aligned: int  #: rows with a day only that took the time of another row of that day


def row_reasons(jobs: pd.DataFrame, places: Places, treatments: Treatments) -> NDArray[np.object_]:
    """Why each job row cannot become part of an event; blank where it can, or needs not."""
    outcome = _word_values(jobs["finding"], treatments.findings)
    meanings = {name: action.effect for name, action in treatments.actions.items()}
    effect = _word_values(jobs["action"], meanings)
    reason = places.reason.copy()
    nameless = (places.position < 0) & (reason == "")
    reason[nameless & np.isin(effect, ("new item", "fitted", "removed"))] = "component not named"
    if treatments.blank_finding in _EXCLUDED:
        silent = ~jobs["event"].isin(jobs.loc[outcome != "", "event"]).to_numpy()
        outcome = np.where(silent, treatments.blank_finding, outcome)
    for excluded in _EXCLUDED:
        reason[outcome == excluded] = excluded
    reason[(outcome == "?") | (effect == "?")] = "unknown word"
    return reason


def reason_mends(reasons: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return what a person can do about each reason for which a job row was set aside."""
    codes, names = pd.factorize(reasons)
    return np.array([*(_MENDS[str(name)] for name in names), ""], dtype=object)[codes]


def position_events(
    jobs: pd.DataFrame, position: NDArray[np.int64], treatments: Treatments
) -> PositionEvents:
    """Events at positions, from job rows.

    Parameters
    ----------
    jobs : DataFrame
        The repair log's ``jobs``.
    position : array of int
        Position code of each row; -1 for rows that are no part of any event.
    treatments : Treatments
        What findings and actions mean.
    """
    used = np.flatnonzero(position >= 0)
    rows = jobs.iloc[used]
    place = position[used]
    time, aligned = _row_times(rows, place)
    number, time = _event_numbers(rows, place, time)
    outcome = _ranks(_word_values(rows["finding"], treatments.findings), OUTCOMES)
    effects = {name: action.effect for name, action in treatments.actions.items()}
    effect = _ranks(_word_values(rows["action"], effects), EFFECTS)
    order = np.lexsort((np.arange(len(used)), -outcome, number))
    start = np.flatnonzero(np.diff(number[order], prepend=-1))
    first = order[start]
    table = pd.DataFrame({"position": place[first], "time": time[first]})
    table["outcome"], table["effect"], table["stated"] = _strongest(
        outcome[order], effect[order], start, treatments
    )
    table = table.assign(**_types(rows, number, effect, treatments))
    for name in ("job", "serial_out", "serial_in", "event", "finding", "verdict"):
        table[name] = _first_filled(rows[name], number, len(table))
    table["done"] = _latest(instants(rows["closed"]), number, len(table))
    table["sources"] = joined_texts(number, rows["source"].to_numpy(dtype=object), len(table))
    table["register"] = False
    row_event = np.full(len(jobs), -1, dtype=np.int64)
    row_event[used] = number
    row_leads = np.zeros(len(jobs), dtype=bool)
    row_leads[used[first]] = True
    return PositionEvents(table, row_event, row_leads, aligned)


def joined_texts(
    groups: NDArray[np.int64], texts: NDArray[np.object_], count: int
) -> NDArray[np.object_]:
    """Texts of each group joined by "; ", in their order; blank for a group without any."""
    order = np.argsort(groups, kind="stable")
    group, text = groups[order], texts[order]
    start = np.searchsorted(group, np.arange(count))
    rank = np.arange(len(group)) - start[group]
    joined = np.full(count, "", dtype=object)
    joined[group[rank == 0]] = text[rank == 0]
    for step in range(1, int(rank.max(initial=0)) + 1):
        at = rank == step
        joined[group[at]] = joined[group[at]] + ("; " + text[at])
    return joined


def _word_values(words: pd.Series, meanings: Mapping[str, str]) -> NDArray[np.object_]:
    """Meaning of each word; "" for a blank, "?" for a word without a meaning."""
    codes, names = pd.factorize(words.to_numpy(dtype=object))
    known = [meanings.get(str(name), "?") if name else "" for name in names]
    return np.array([*known, ""], dtype=object)[codes]


def _ranks(meanings: NDArray[np.object_], scale: tuple[str, ...]) -> NDArray[np.int64]:
    """Place of each meaning in its scale; -1 for a blank."""
    codes, names = pd.factorize(meanings)
    places = [scale.index(name) if name in scale else -1 for name in names]
    return np.array([*places, -1], dtype=np.int64)[codes]


def _row_times(rows: pd.DataFrame, place: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Instants of rows; a row with a day only takes the earliest time stated that day, if any.

    Where no row of the position states a time that day, the instant is the day's start.
    """
    time = instants(rows["date"])
    day_only = rows["date_is_day"].to_numpy(dtype=bool)
    if not day_only.any() or day_only.all():
        return time, 0
    table = pd.DataFrame({"place": place, "day": time // DAY, "time": time})
    timed = table[~day_only].groupby(["place", "day"])["time"].min()
    asked = pd.MultiIndex.from_frame(table.loc[day_only, ["place", "day"]])
    found = timed.index.get_indexer(asked)
    time = time.copy()
    time[np.flatnonzero(day_only)[found >= 0]] = timed.to_numpy()[found[found >= 0]]
    return time, int((found >= 0).sum())


def _event_numbers(
    rows: pd.DataFrame, place: NDArray[np.int64], time: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the number of each row's event, sorted by position and time, and the event's instant.

    Rows at a position belong to one event when they share the log's event or the instant.
    """
    codes, names = pd.factorize(rows["event"].to_numpy(dtype=object))
    keys = place * (len(names) + 1) + codes + 1
    earliest = pd.Series(time).groupby(keys).transform("min").to_numpy()
    order = np.lexsort((earliest, place))
    change = (np.diff(place[order], prepend=-1) != 0) | (np.diff(earliest[order], prepend=-1) != 0)
    number = np.empty(len(place), dtype=np.int64)
    number[order] = np.cumsum(change) - 1
    return number, earliest


def _strongest(
    outcome: NDArray[np.int64],
    effect: NDArray[np.int64],
    start: NDArray[np.int64],
    treatments: Treatments,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Outcome and effect of each event, and whether any row states the finding.

    ``outcome`` falls within each event. An event without a stated action has the blank action's
    effect, unless it found no failure: then the item continues.
    """
    if len(start) == 0:
        empty = np.zeros(0, dtype=np.int64)
        return empty, empty, empty.astype(bool)
    strongest = outcome[start]
    done = np.maximum.reduceat(effect, start)
    fitted = np.logical_or.reduceat(effect == EFFECTS.index("fitted"), start)
    removed = np.logical_or.reduceat(effect == EFFECTS.index("removed"), start)
    done = np.where(fitted & removed, EFFECTS.index("new item"), done)
    stated = strongest >= 0
    blank = treatments.blank_finding
    usual = OUTCOMES.index(blank) if blank in OUTCOMES else OUTCOMES.index("no failure")
    only_fitted = done == EFFECTS.index("fitted")
    usual_outcome = np.where(only_fitted, OUTCOMES.index("unfailed"), usual)
    strongest = np.where(stated, strongest, usual_outcome)
    good = strongest == OUTCOMES.index("no failure")
    usual_effect = np.where(good, 0, EFFECTS.index(treatments.blank_action))
    return strongest, np.where(done >= 0, done, usual_effect), stated


def _types(
    rows: pd.DataFrame,
    number: NDArray[np.int64],
    effect: NDArray[np.int64],
    treatments: Treatments,
) -> dict[str, NDArray[np.object_] | NDArray[np.bool_]]:
    """Type of the item that went in at each event, and whether later ones are of it too."""
    count = int(number.max(initial=-1)) + 1
    kinds, lasting = np.full(count, "", dtype=object), np.zeros(count, dtype=bool)
    for name, action in treatments.actions.items():
        if not action.type or action.effect not in ("new item", "fitted"):
            continue
        at = number[(rows["action"] == name).to_numpy(dtype=bool) & (effect > 0)]
        kinds[at] = action.type
        lasting[at] = action.from_now_on
    return {"type": kinds, "from_now_on": lasting}


def _latest(times: Instants, number: NDArray[np.int64], count: int) -> Instants:
    """Latest instant of each event; NOT_KNOWN where none is known."""
    latest = np.full(count, NOT_KNOWN, dtype=np.int64)
    np.maximum.at(latest, number, times)
    return latest


def _first_filled(texts: pd.Series, number: NDArray[np.int64], count: int) -> NDArray[np.object_]:
    """First text of each event that is not blank."""
    values = texts.to_numpy(dtype=object)
    filled = np.flatnonzero((values != "") & ~pd.isna(values))[::-1]
    first = np.full(count, "", dtype=object)
    first[number[filled]] = values[filled]  # reversed, so the earliest row is written last
    return first
