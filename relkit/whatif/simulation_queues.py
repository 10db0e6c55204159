"""Spares and bays: who waits how long, in order of time, many histories at once.

Layer: whatif. numpy only. Calls must come in order of time; within a call the rows are sorted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bays", "Shelves", "bays_of", "from_shelf", "in_bay", "shelves_of"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Shelves:
    """Spares of each history and pool; an item is ordered the moment that one is used."""

    stock: Integers  #: (n_pools,) on the shelf at the start
    lead_time: Floats  #: (n_pools,) [d]
    first: Integers  #: (n_pools,) place of the pool's ring among a history's rings
    rings: Floats  #: times of the last orders, one ring per history and pool [d]
    asked: Integers  #: requests so far, (n_histories * n_pools,)
    width: int  #: places of one history


@dataclass(frozen=True, slots=True, eq=False)
class Bays:
    """Work ahead of each history's depots."""

    hours_per_day: Floats  #: (n_depots,) left for repairs [h / d]
    free: Floats  #: when the work that was brought in is done, (n_histories * n_depots,) [d]


def shelves_of(stock: Integers, lead_time: Floats, histories: int) -> Shelves:
    """Return full shelves."""
    places = np.maximum(stock, 1)
    width = int(places.sum()) if len(places) else 0
    return Shelves(
        stock=stock,
        lead_time=lead_time,
        first=np.cumsum(places) - places,
        rings=np.full(histories * width, -np.inf),
        asked=np.zeros(histories * len(stock), dtype=np.int64),
        width=width,
    )


def bays_of(hours_per_day: Floats, histories: int) -> Bays:
    """Return empty bays."""
    free = np.full(histories * len(hours_per_day), -np.inf)
    return Bays(hours_per_day=hours_per_day, free=free)


def from_shelf(shelves: Shelves, history: Integers, pool: Integers, day: Floats) -> Floats:
    """Days on which the spares asked for are at hand; later than asked: the shelf was empty.

    The k-th request gets the item that was ordered at request k - stock: with orders one for
    one, a fixed lead time and no overtaking this is exact.

    Parameters
    ----------
    shelves : Shelves
        Changed in place.
    history, pool : array of int
        Who asks.
    day : array of float
        When, in ascending order. [d]
    """
    group = history * len(shelves.stock) + pool
    stock, lead = shelves.stock[pool], shelves.lead_time[pool]
    ring = history * shelves.width + shelves.first[pool]
    at_hand = day + lead  # an empty shelf: each is ordered when asked for
    for rows in _rounds(group):
        held = rows[stock[rows] > 0]
        place = ring[held] + shelves.asked[group[held]] % stock[held]
        at_hand[held] = np.maximum(day[held], shelves.rings[place] + lead[held])
        shelves.rings[place] = day[held]
        shelves.asked[group[held]] += 1
    return at_hand


def in_bay(
    bays: Bays, history: Integers, depot: Integers, ready: Floats, hours: Floats
) -> tuple[Floats, Floats]:
    """Begin and end of each job in its depot's bay, first come first served [d].

    Parameters
    ----------
    bays : Bays
        Changed in place.
    history, depot : array of int
        Where the job is.
    ready : array of float
        When it could begin, in ascending order. [d]
    hours : array of float
        Bay hours. [h]
    """
    capacity = bays.hours_per_day[depot]
    begin, took = ready.copy(), hours / np.where(np.isfinite(capacity), capacity, 24.0)
    scarce = np.flatnonzero(np.isfinite(capacity))
    group = history * len(bays.hours_per_day) + depot
    for rows in _rounds(group[scarce]):
        jobs = scarce[rows]
        begin[jobs] = np.maximum(ready[jobs], bays.free[group[jobs]])
        bays.free[group[jobs]] = begin[jobs] + took[jobs]
    return begin, begin + took


def _rounds(group: Integers) -> Iterator[Integers]:
    """Rows in rounds: the first of each group, then the second of each, and so on."""
    if len(group) == 0:
        return
    order = np.argsort(group, kind="stable")
    ordered = group[order]
    starts = np.flatnonzero(np.diff(ordered, prepend=-1))
    rank = np.arange(len(group)) - np.repeat(starts, np.diff(starts, append=len(group)))
    by_rank = np.argsort(rank, kind="stable")
    ends = np.cumsum(np.bincount(rank))
    for rows in np.split(by_rank, ends[:-1]):
        yield order[rows]
