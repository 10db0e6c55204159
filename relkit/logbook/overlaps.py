"""Rows that tell of the same work: duplicates set aside, split jobs joined to one event.

Layer: logbook. A duplicate repeats another row; rows of one event add to each other and all stay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from rapidfuzz import fuzz

from relkit.logbook.findings import Finding, finding
from relkit.logbook.positions import group_codes
from relkit.logbook.set_aside import Sifted, sift, with_columns
from relkit.logbook.words import word_key

__all__ = ["sift_duplicates"]

#: Notes this similar say the same; notes less similar than the second say different things.
SAME_NOTE, OTHER_NOTE = 90.0, 60.0

#: So many rows back at the same position are looked at for the same work.
ROWS_BACK = 4

_POSITION = ("vehicle", "component", "location")
_WORDS = ("finding", "action")
_SERIALS = ("serial_out", "serial_in")
_AMOUNTS = ("downtime_hours", "labour_hours", "cost")
_FILLED = (*_WORDS, *_SERIALS, "note")


def sift_duplicates(rows: pd.DataFrame, duplicate_days: float) -> Sifted:
    """Rows without those that were entered twice; the earliest of each set is kept.

    A row is a duplicate of an earlier one if all its columns are equal. It is one too if it is
    of the same position and at most ``duplicate_days`` later, under another job number or none;
    if finding, action and serial numbers are equal wherever both rows state them; and if
    something shows that it is the same work: the serial numbers, the meter reading with the
    action, the note, all amounts (hours, cost), or else the same instant with nothing stated
    that differs.

    Blank words, serial numbers and notes of the kept row are filled from its duplicates. Rows
    that only lie near, with nothing else in common, are kept and pointed out.

    Parameters
    ----------
    rows : DataFrame
        Typed rows of the log, words made ours.
    duplicate_days : float
        Largest distance in time of two entries of one job. [d]
    """
    rows = rows.sort_values("date", kind="stable")
    equal = _equal_pairs(rows)
    left = np.ones(len(rows), dtype=bool)
    left[equal.second] = False
    again, unclear = _entered_again(rows, left, duplicate_days)
    root = _roots(len(rows), (equal, again))
    double = root != np.arange(len(rows))
    filled, findings = _filled(rows, root, double)
    sifted = sift(
        filled,
        double,
        reason="duplicate",
        column="",
        value=pd.Series(rows["source"].to_numpy(dtype=object)[root], index=rows.index),
        mend="None: the other row is used. treatments.duplicate_days = 0 keeps rows of other days",
    )
    if len(unclear.second):
        one = finding(
            "possible duplicates",
            f"The same work stands twice at a position within {duplicate_days:g} days, with "
            "nothing else in common",
            sources=rows["source"].iloc[np.unique(unclear.second)],
            done="Kept: each counts as work of its own",
            severity="look",
        )
        findings = (*findings, one)
    return Sifted(sifted.rows, sifted.set_aside, findings)


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Places of pairs of rows, the earlier one first."""

    first: NDArray[np.int64]
    second: NDArray[np.int64]

    def where(self, chosen: NDArray[np.bool_]) -> _Pairs:
        return _Pairs(self.first[chosen], self.second[chosen])


def _roots(count: int, pairs: tuple[_Pairs, ...]) -> NDArray[np.int64]:
    """Return for each row the row that its chain of pairs begins with."""
    root = np.arange(count)
    for part in pairs:
        root[part.second] = part.first
    while not np.array_equal(root, root[root]):
        root = root[root]
    return root


def _equal_pairs(rows: pd.DataFrame) -> _Pairs:
    """Rows that are equal in every column to an earlier one."""
    same = [name for name in rows.columns if name not in ("source", "date_is_day")]
    place = group_codes(rows, ("date", "vehicle", "component", "location"))
    places = np.flatnonzero(pd.Series(place).duplicated(keep=False))
    if not len(places):
        return _Pairs(places, places)
    codes = group_codes(rows.iloc[places], tuple(same))
    _, first = np.unique(codes, return_index=True)
    pairs = _Pairs(places[first[codes]], places)
    return pairs.where(pairs.first != pairs.second)


def _entered_again(
    rows: pd.DataFrame, among: NDArray[np.bool_], duplicate_days: float
) -> tuple[_Pairs, _Pairs]:
    """Return pairs that are shown to be one piece of work, and near ones with nothing to show it.

    Rows without a component say nothing of an item and are left alone.
    """
    pairs = _near_pairs(rows, among & (rows["component"] != "").to_numpy(), duplicate_days)
    pairs = pairs.where(~_same(rows, "job", pairs))
    for name in (*_WORDS, *_SERIALS):
        pairs = pairs.where(~_differ(rows, name, pairs))
    alike = _note_similarity(rows, pairs, blank=0.0) >= SAME_NOTE
    alike |= _same_amounts(rows, pairs)
    for name in _SERIALS:
        alike |= _same(rows, name, pairs)
    # a meter that stands still says nothing by itself
    alike |= _same(rows, "reading", pairs) & _same(rows, "action", pairs)
    at_once = _same(rows, "date", pairs)
    nothing_differs = _note_similarity(rows, pairs, blank=100.0) >= OTHER_NOTE
    for name in (*_AMOUNTS, "reading"):
        nothing_differs &= ~_differ(rows, name, pairs)
    alike |= at_once & nothing_differs & _same_words(rows, pairs)
    # lines of one instant whose amounts differ add to each other: one event, no duplicate
    differing = np.zeros(len(pairs.first), dtype=bool)
    for name in _AMOUNTS:
        differing |= _differ(rows, name, pairs)
    alike &= ~(at_once & differing)
    unclear = pairs.where(~alike & ~at_once)
    unclear = unclear.where(_same_words(rows, unclear) & _same(rows, "action", unclear))
    return pairs.where(alike), unclear


def _near_pairs(rows: pd.DataFrame, among: NDArray[np.bool_], days: float) -> _Pairs:
    """Pairs of rows at one position, at most so many days and a few rows apart."""
    codes = group_codes(rows, _POSITION)
    date = rows["date"].to_numpy(dtype="datetime64[ns]")
    places = np.flatnonzero(among)
    places = places[np.argsort(codes[places], kind="stable")]  # rows are in order of time
    firsts, seconds = [places[:0]], [places[:0]]
    for back in range(1, ROWS_BACK + 1):
        first, second = places[:-back], places[back:]
        apart = (date[second] - date[first]) / np.timedelta64(1, "D")
        near = (codes[first] == codes[second]) & (apart <= days)
        firsts.append(first[near])
        seconds.append(second[near])
    return _Pairs(np.concatenate(firsts), np.concatenate(seconds))


def _same_words(rows: pd.DataFrame, pairs: _Pairs) -> NDArray[np.bool_]:
    """Return where finding and action are the same, blank or not."""
    same = np.ones(len(pairs.first), dtype=bool)
    for name in _WORDS:
        first, second = _values(rows, name, pairs)
        same &= np.asarray(first == second, dtype=bool)
    return same


def _same_amounts(rows: pd.DataFrame, pairs: _Pairs) -> NDArray[np.bool_]:
    """At least two amounts are the same, and none differs."""
    same = np.zeros(len(pairs.first), dtype=np.int64)
    differ = np.zeros(len(pairs.first), dtype=bool)
    for name in _AMOUNTS:
        same += _same(rows, name, pairs)
        differ |= _differ(rows, name, pairs)
    return (same >= 2) & ~differ


def _filled(
    rows: pd.DataFrame, root: NDArray[np.int64], double: NDArray[np.bool_]
) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """Rows with blank words, serial numbers and notes of kept rows taken from their duplicates."""
    places = np.flatnonzero(double)[::-1]  # the earliest duplicate has the last word
    columns: dict[str, NDArray[np.object_]] = {}
    filled: list[NDArray[np.int64]] = []
    for name in _FILLED:
        values = rows[name].to_numpy(dtype=object)
        take = places[(values[root[places]] == "") & (values[places] != "")]
        if len(take):
            columns[name] = values.copy()
            columns[name][root[take]] = values[take]
            filled.append(root[take])
    if not filled:
        return rows, ()
    one = finding(
        "filled from a duplicate",
        "Rows left a word, serial number or note blank that their duplicate states",
        sources=rows["source"].iloc[np.unique(np.concatenate(filled))],
        done="Taken from the duplicate",
    )
    return with_columns(rows, columns), (one,)


def _same(rows: pd.DataFrame, name: str, pairs: _Pairs) -> NDArray[np.bool_]:
    """Both rows state the same value."""
    first, second = _values(rows, name, pairs)
    same: NDArray[np.bool_] = _stated(first) & np.asarray(first == second, dtype=bool)
    return same


def _differ(rows: pd.DataFrame, name: str, pairs: _Pairs) -> NDArray[np.bool_]:
    """Both rows state a value, and not the same."""
    first, second = _values(rows, name, pairs)
    differ: NDArray[np.bool_] = (
        _stated(first) & _stated(second) & np.asarray(first != second, dtype=bool)
    )
    return differ


def _values(
    rows: pd.DataFrame, name: str, pairs: _Pairs
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    values = rows[name].to_numpy()
    return values[pairs.first], values[pairs.second]


def _stated(values: NDArray[np.object_]) -> NDArray[np.bool_]:
    stated: NDArray[np.bool_] = np.asarray(pd.notna(values)) & (values != "")
    return stated


def _note_similarity(rows: pd.DataFrame, pairs: _Pairs, *, blank: float) -> NDArray[np.float64]:
    """Similarity of the notes of each pair, 0 to 100; ``blank`` where one has none."""
    first, second = _values(rows, "note", pairs)
    return np.array(
        [
            fuzz.ratio(word_key(one), word_key(other)) if one and other else blank
            for one, other in zip(first, second, strict=True)
        ],
        dtype=np.float64,
    )
