"""Who is at risk at which age, for all strata at once: sorted keys, no loop over rows.

Layer: survival. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import within

__all__ = [
    "RiskIndex",
    "Spans",
    "blocks",
    "risk_index",
    "running_sums",
    "running_survival",
    "spans",
    "sums_by",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Checked spans of observation, one per life."""

    stratum: Ints  #: code from 0
    entry: Floats  #: at risk at ages above this; -1 where the life was seen from age 0
    age: Floats  #: at risk up to and including this age
    count: Floats  #: how many like lives the row stands for
    seen: NDArray[np.bool_]  #: False where the row stands for no life


def spans(
    age: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
) -> Spans:
    """Spans of observation from plain arrays of one length, checked.

    Parameters
    ----------
    age : array_like, shape (n_lives,)
        Age at the end of each life, at least 0. [clock]
    entry : array_like, optional
        Age at which observation began, below ``age`` (or 0 with it); 0 where left out. [clock]
    count : array_like, optional
        Frequency weight, at least 0; 1 where left out. [1]
    stratum : array_like of int, optional
        Code from 0; all in stratum 0 where left out.

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ: argument, first
        position and value are named.
    """
    ages = _row("age", age, None)
    n = len(ages)
    entries = np.zeros(n) if entry is None else _row("entry", entry, n)
    counts = np.ones(n) if count is None else _row("count", count, n)
    codes = np.zeros(n, np.int64) if stratum is None else np.asarray(stratum, np.int64)
    if codes.shape != (n,) or (n and codes.min() < 0):
        raise ValueError(f"stratum must hold {n} codes of at least 0, one for each age")
    late = np.flatnonzero((entries >= ages) & (entries > 0))
    if len(late):
        i = int(late[0])
        raise ValueError(
            f"entry at position {i} is {entries[i]:g}, not below its age {ages[i]:g} "
            f"({len(late)} of {n} are not): give the age at which observation began"
        )
    seen = counts > 0
    # seen from age 0: also at risk at age 0 itself, where an item may be dead on arrival
    return Spans(codes, np.where(entries == 0, -1.0, entries), ages, counts, seen)


def _row(name: str, values: ArrayLike, length: int | None) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or (length is not None and len(array) != length):
        wanted = "one row of values" if length is None else f"one value for each of {length} ages"
        raise ValueError(f"{name} has shape {array.shape}: give {wanted}")
    return within(name, array, 0.0) if array.size else array


@dataclass(frozen=True, slots=True, eq=False)
class RiskIndex:
    """Sorted entries and exits, from which the number at risk is read for any cell and age."""

    ages: Floats  #: the ages at which the number may be asked, rising
    exit_keys: Ints  #: cell and last rank at risk, as one number, rising
    exit_sums: Floats  #: running sum of the weights over ``exit_keys``, from 0
    entry_keys: Ints  #: cell and first rank at risk, as one number, rising
    entry_sums: Floats  #: running sum of the weights over ``entry_keys``, from 0

    def sums(self, cell: Ints, rank: Ints) -> Floats:
        """Sum of the weights in each cell that are at risk at the age of this rank."""
        width = len(self.ages) + 1
        key = cell * width + rank
        past = (cell + 1) * width
        left = _between(self.exit_keys, self.exit_sums, key, past)
        not_yet = _between(self.entry_keys, self.entry_sums, key + 1, past)
        return left - not_yet


def risk_index(ages: Floats, cell: Ints, entry: Floats, end: Floats, weight: Floats) -> RiskIndex:
    """Index of spans (entry, end] in cells, for numbers at risk at the given rising ages."""
    width = len(ages) + 1
    first = np.searchsorted(ages, entry, side="right")
    last = np.searchsorted(ages, end, side="right") - 1
    kept = first <= last  # a span that holds none of the ages is never counted
    exits, exit_sums = _sorted_sums((cell * width + last)[kept], weight[kept])
    entries, entry_sums = _sorted_sums((cell * width + first)[kept], weight[kept])
    return RiskIndex(ages, exits, exit_sums, entries, entry_sums)


def _sorted_sums(keys: Ints, weights: Floats) -> tuple[Ints, Floats]:
    order = np.argsort(keys, kind="stable")
    return keys[order], np.concatenate([[0.0], np.cumsum(weights[order])])


def _between(keys: Ints, sums: Floats, low: Ints, past: Ints) -> Floats:
    difference: Floats = sums[np.searchsorted(keys, past)] - sums[np.searchsorted(keys, low)]
    return difference


def blocks(starts: Ints, sizes: Ints) -> Ints:
    """Positions of several runs laid end to end: ``starts[0] ...``, ``starts[1] ...``."""
    total = int(sizes.sum())
    first = np.cumsum(sizes) - sizes
    places: Ints = np.arange(total) + np.repeat(starts - first, sizes)
    return places


def running_sums(values: Floats, code: Ints) -> Floats:
    """Return running sums that start anew with each code; rows of one code stand together."""
    if not len(values):
        return values.astype(np.float64)
    first = np.flatnonzero(np.concatenate([[True], code[1:] != code[:-1]]))
    # each code takes the total before it off again, so that sums stay small and keep their
    # digits; what rounding leaves of it is taken off too, so that a sum of noughts is nought
    total = np.add.reduceat(values, first).astype(np.float64)[:-1]
    taken = values.astype(np.float64)
    taken[first[1:]] -= total
    sums = np.cumsum(taken)
    left = np.concatenate([[0.0], sums[first[1:] - 1] - total])
    own: Floats = sums - np.repeat(left, np.diff(np.append(first, len(values))))
    return own


def running_survival(at_risk: Floats, failures: Floats, code: Ints) -> tuple[Floats, Floats]:
    """Product-limit survival just before and just after each age, anew with each code."""
    none_left = failures >= at_risk * (1 - 1e-12)
    steps = np.where(none_left, 0.0, np.log1p(-failures / np.where(none_left, np.inf, at_risk)))
    emptied = running_sums(none_left.astype(np.float64), code)
    logs = running_sums(steps, code)
    before = np.where(emptied - none_left > 0, 0.0, np.exp(logs - steps))
    return before, np.where(emptied > 0, 0.0, np.exp(logs))


def sums_by(code: Ints, values: Floats, size: int) -> Floats:
    """Sum of the values of each code from 0 to ``size`` - 1."""
    return np.bincount(code, weights=values, minlength=size).astype(np.float64, copy=False)
