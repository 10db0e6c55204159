"""Stays as observed lives: ages in the study's clock, how each ended, what each event became.

Layer: lives. A stay cut by a gap of the log becomes several rows, the later ones entering late.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.censoring import Observation, observed_in, observed_pieces
from relkit.lives.events import OUTCOMES
from relkit.lives.histories import History
from relkit.lives.instants import NOT_KNOWN, Instants, days_between
from relkit.lives.transfers import carried_ages

__all__ = ["ENDINGS", "Clock", "ObservedLives", "observed_lives"]

#: Values of a clock and whether they are estimated, at positions and instants.
Clock = Callable[[NDArray[np.int64], Instants], tuple[NDArray[np.float64], NDArray[np.bool_]]]

#: How a life ended, by outcome of the event that ended it (``OUTCOMES``).
ENDINGS = (
    "removed unfailed",
    "removed unfailed",
    "cause unknown",
    "external damage",
    "failure found at check",
    "failure",
)
_CLASSES = ("censored", "censored", "masked", "censored", "interval", "failure")
_UNKNOWN, _FOUND, _FAILURE = (
    OUTCOMES.index(name) for name in ("cause unknown", "failure found at check", "failure")
)


@dataclass(frozen=True, slots=True, eq=False)
class ObservedLives:
    """Lives of items with a known start, and what became of the events."""

    #: one row per life: ``stay``, ``position``, ``start``, ``seen_from``, ``seen_until``
    #: (instants), ``to_the_end`` (seen to the end of the position's history, nothing ended it),
    #: ``start_value`` (the clock at the start), ``entry``, ``age``, ``estimated``,
    #: ``closer`` (event that ended it; -1: none), ``outcome`` (place in OUTCOMES; -1: none)
    rows: pd.DataFrame
    row_class: NDArray[np.object_]  #: by event: its class
    detail: NDArray[np.object_]  #: by event: why, in a few words
    reason: NDArray[np.object_]  #: by event: why it was set aside; blank where it was not
    unknown: pd.DataFrame  #: stays with unknown start: ``position``, ``days`` observed, ``closer``


def observed_lives(
    history: History, window: Observation, clock: Clock, *, zero_life_days: float
) -> ObservedLives:
    """Lives from the stays of a history.

    Parameters
    ----------
    history : History
        Events and stays.
    window : Observation
        What was observed.
    clock : callable
        Values of the study's clock at position codes and instants; NaN where not known.
    zero_life_days : float
        A failure up to this age is one on arrival, no life [d].
    """
    stays, events = history.stays, history.events
    row_class, detail, seen = _first_classes(stays, events, window)
    reason = np.full(len(events), "", dtype=object)
    at_end = clock(stays["position"].to_numpy(), np.full(len(stays), window.end))[0]
    no_clock = ~np.isfinite(at_end)
    reason[_events_of(stays[no_clock])] = "no usable meter reading"
    carried, whole = _carried(stays, clock)
    unknown = (stays["start"] == NOT_KNOWN).to_numpy() | ~whole
    stays = stays.assign(carried=carried)
    known = stays[~unknown & ~no_clock]
    known = _with_values(known, clock).assign(
        outcome=np.append(history.candidates.outcome, -1)[known["closer"]]
    )
    closed = (known["closer"] >= 0).to_numpy() & (np.append(seen, -1)[known["closer"]] >= 0)
    failing = closed & (known["outcome"] >= _UNKNOWN).to_numpy() & _own(known["outcome"])
    snapshot = history.replaced_before[known["position"]] & (known["ordinal"] == 1).to_numpy()
    days = days_between(known["start"].to_numpy(), known["end"].to_numpy())
    ran = (known["end_value"] - known["start_value"] - known["carried"]).to_numpy()
    no_age = (days <= zero_life_days) | (ran <= 0)
    arrival = failing & no_age & ~snapshot
    reason[known.loc[arrival, "closer"]] = "dead on arrival"
    pieces = _pieces(known[~arrival], events, window, clock)
    lived = (pieces["age"] > pieces["entry"]).to_numpy()
    idle = pieces[~lived & (pieces["closer"] >= 0).to_numpy() & _own(pieces["outcome"])]
    reason[idle["closer"]] = "no running time observed"
    rows = pieces[lived].reset_index(drop=True)
    ended = rows[rows["closer"] >= 0]
    row_class[ended["closer"]] = np.array(_CLASSES, dtype=object)[ended["outcome"]]
    detail[ended["closer"]] = np.array(ENDINGS, dtype=object)[ended["outcome"]]
    return ObservedLives(rows, row_class, detail, reason, _unknown(stays[unknown], window))


def _own(outcome: pd.Series) -> NDArray[np.bool_]:
    """Whether each outcome may be the item's own failure."""
    own: NDArray[np.bool_] = np.isin(outcome, (_UNKNOWN, _FOUND, _FAILURE))
    return own


def _first_classes(
    stays: pd.DataFrame, events: pd.DataFrame, window: Observation
) -> tuple[NDArray[np.object_], NDArray[np.object_], NDArray[np.int64]]:
    """Class and detail of each event before lives are known, and its observed period."""
    goes_on = (events["effect"] == 0).to_numpy()
    seen = observed_in(events["time"].to_numpy(), events["position"].to_numpy(), window)
    row_class = np.where(goes_on, "recurrence", "opens life").astype(object)
    detail = np.full(len(events), "no observed time before it", dtype=object)
    detail[goes_on] = np.array(OUTCOMES, dtype=object)[events["outcome"]][goes_on]
    ends_none = np.ones(len(events), dtype=bool)
    closers = stays["closer"].to_numpy()
    ends_none[closers[closers >= 0]] = False
    detail[ends_none & ~goes_on] = "the position was empty"
    unknown = closers[(stays["start"] == NOT_KNOWN).to_numpy() & (closers >= 0)]
    detail[unknown] = "ends the first item, whose date fitted is not known"
    detail[(seen < 0) & ~goes_on] = "before the observation window or in a gap of the log"
    return row_class, detail, seen


def _events_of(stays: pd.DataFrame) -> NDArray[np.int64]:
    both = np.concatenate([stays["opener"].to_numpy(), stays["closer"].to_numpy()])
    return np.unique(both[both >= 0])


def _with_values(stays: pd.DataFrame, clock: Clock) -> pd.DataFrame:
    position = stays["position"].to_numpy()
    start, start_guess = clock(position, stays["start"].to_numpy())
    end, end_guess = clock(position, stays["end"].to_numpy())
    return stays.assign(
        start_value=start - stays["carried"].to_numpy(),  # the item's own zero
        end_value=end,
        start_guess=start_guess,
        end_guess=end_guess,
    ).reset_index(names="stay")


def _carried(stays: pd.DataFrame, clock: Clock) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Age that each item brought from its stay before, and whether that is known."""
    previous = stays["previous"].to_numpy()
    asked = np.unique(previous[previous >= 0])
    length = np.zeros(len(stays))
    if len(asked):
        position, start, end = (
            stays[name].to_numpy()[asked] for name in ("position", "start", "end")
        )
        known = start != NOT_KNOWN
        first = np.where(known, start, end)
        length[asked] = clock(position, end)[0] - clock(position, first)[0]
        length[asked[~known]] = np.nan
    return carried_ages(stays, length)


def _pieces(
    stays: pd.DataFrame, events: pd.DataFrame, window: Observation, clock: Clock
) -> pd.DataFrame:
    """Stays cut to the observed periods, with ages; the event that ended each, where observed."""
    cut = observed_pieces(
        stays["start"].to_numpy(), stays["end"].to_numpy(), stays["position"].to_numpy(), window
    )
    stay = stays.iloc[cut["stay"]].reset_index(drop=True)
    seen_from, seen_until = cut["seen_from"].to_numpy(), cut["seen_until"].to_numpy()
    from_value = (stay["start_value"] + stay["carried"]).to_numpy().copy()
    from_guess = np.zeros(len(stay), dtype=bool)
    until_value, until_guess = stay["end_value"].to_numpy().copy(), stay["end_guess"].to_numpy()
    position = stay["position"].to_numpy()
    late = seen_from != stay["start"].to_numpy()
    early = seen_until != stay["end"].to_numpy()
    from_value[late], from_guess[late] = clock(position[late], seen_from[late])
    until_guess = until_guess.copy()
    until_value[early], until_guess[early] = clock(position[early], seen_until[early])
    closer = stay["closer"].to_numpy()
    times = np.append(events["time"].to_numpy(), NOT_KNOWN)
    final = (closer >= 0) & ~early & (observed_in(times[closer], position, window) == cut["period"])
    start_value = stay["start_value"].to_numpy()
    return pd.DataFrame(
        {
            "stay": stay["stay"].to_numpy(),
            "position": position,
            "start": stay["start"].to_numpy(),
            "seen_from": seen_from,
            "seen_until": seen_until,
            "to_the_end": ~early & (closer < 0),
            "start_value": start_value,
            "entry": from_value - start_value,
            "age": until_value - start_value,
            "estimated": stay["start_guess"].to_numpy() | from_guess | until_guess,
            "closer": np.where(final, closer, -1),
            "outcome": np.where(final, stay["outcome"].to_numpy(), -1),
        }
    )


def _unknown(stays: pd.DataFrame, window: Observation) -> pd.DataFrame:
    """Stays with unknown start and the days for which they were observed."""
    start = np.full(len(stays), window.start, dtype=np.int64)
    cut = observed_pieces(start, stays["end"].to_numpy(), stays["position"].to_numpy(), window)
    days = days_between(cut["seen_from"].to_numpy(), cut["seen_until"].to_numpy())
    total = np.bincount(cut["stay"].to_numpy(), weights=days, minlength=len(stays))
    return stays[["position", "closer"]].assign(days=total)
