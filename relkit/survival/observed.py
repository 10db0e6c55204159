"""Lives as checked arrays, sorted by stratum: what every curve and fit starts from.

Layer: survival. numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.survival.strata import Strata, sorted_strata

__all__ = ["ObservedLives", "observed_lives"]


@dataclass(frozen=True, slots=True, eq=False)
class ObservedLives:
    """Lives of all strata, one stratum after the other; ages in one clock."""

    strata: Strata  #: rows of each stratum, and the caller's row order
    age: NDArray[np.float64]  #: age at failure, removal or end of observation [clock]
    failures: NDArray[np.float64]  #: count times share of failure; 0 where unfailed [1]
    entry: NDArray[np.float64] | None  #: age at which observation began; None: all 0 [clock]
    count: NDArray[np.float64] | None  #: lives that a row stands for; None: one each [1]
    age_lower: NDArray[np.float64] | None  #: last age known good; None: failures are exact

    @property
    def late(self) -> NDArray[np.bool_]:
        """True where observation began at an age above 0."""
        return np.zeros(len(self.age), dtype=np.bool_) if self.entry is None else self.entry > 0

    def counts(self) -> NDArray[np.float64]:
        """Lives that each row stands for."""
        return np.ones(len(self.age)) if self.count is None else self.count

    def of_strata(self, wanted: NDArray[np.bool_]) -> ObservedLives:
        """Return the lives of the wanted strata only, which keep their order."""
        rows = self.strata.spread(wanted)
        kept = self.of_rows(rows)
        starts = np.cumsum(self.strata.sizes[wanted]) - self.strata.sizes[wanted]
        strata = Strata(starts=starts, sizes=self.strata.sizes[wanted])
        return ObservedLives(
            strata, kept.age, kept.failures, kept.entry, kept.count, kept.age_lower
        )

    def of_rows(self, keep: NDArray[np.bool_]) -> ObservedLives:
        """Return the same strata with the kept (arranged) rows only."""

        def part(values: NDArray[np.float64] | None) -> NDArray[np.float64] | None:
            return None if values is None else values[keep]

        return ObservedLives(
            strata=self.strata.of_rows(keep),
            age=self.age[keep],
            failures=self.failures[keep],
            entry=part(self.entry),
            count=part(self.count),
            age_lower=part(self.age_lower),
        )


def observed_lives(
    codes: ArrayLike,
    age: ArrayLike,
    failed: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    age_lower: ArrayLike | None = None,
    count: ArrayLike | None = None,
    failure_share: ArrayLike | None = None,
    n_strata: int | None = None,
    row_names: NDArray[np.object_] | None = None,
) -> ObservedLives:
    """Lives checked and sorted by stratum.

    A life of age 0 (dead on arrival, if it failed) is allowed where its entry is 0 too. Apart
    from that, an entry equal to the age, which would be no exposure, is refused.

    Parameters
    ----------
    codes : array_like of integers, shape (n_lives,)
        Stratum of each life, 0 to ``n_strata - 1``.
    age : array_like, shape (n_lives,)
        Age at failure, removal or end of observation, at least 0. [clock]
    failed : array_like of booleans, or of 0 and 1, shape (n_lives,)
        True if the life ended by the item's own failure.
    entry : array_like, optional
        Age at which observation began, below ``age``; 0 if not given. [clock]
    age_lower : array_like, optional
        Last age known good where a failure was only found later: at least ``entry``, at most
        ``age``; 0 with entry 0 means failed at any age up to ``age``. Only read where the life
        failed. [clock]
    count : array_like, optional
        Number of lives that the row stands for, at least 0; 1 if not given. [1]
    failure_share : array_like, optional
        Share of a failure, 0 to 1, read where ``failed`` is False. [1]
    n_strata : int, optional
        Number of strata, if some may have no lives.
    row_names : array of objects, optional
        What to call each row in messages instead of its position.

    Raises
    ------
    ValueError
        Lengths differ or a value breaks a bound above: argument, row, value and number of
        such rows are named.
    """
    ages = _column("age", age)
    known = _failed_column(failed, len(ages), row_names)
    rows = _Rows(len(ages), row_names)
    rows.require("age", ages, np.isfinite(ages) & (ages >= 0), "finite and at least 0")
    entries = _optional("entry", entry, rows)
    counts = _optional("count", count, rows)
    if entries is not None:
        before = (entries < ages) | ((entries == 0) & (ages == 0))
        rows.require("entry", entries, before, "below the age")
    shares = _optional("failure_share", failure_share, rows)
    failures = known.astype(np.float64)
    if shares is not None:
        rows.require("failure_share", shares, shares <= 1, "from 0 to 1")
        failures = np.where(known, 1.0, shares)
    lower = _lower_ages(age_lower, ages, entries, failures > 0, rows)
    if counts is not None:
        failures = failures * counts
    strata = sorted_strata(codes, n_strata)
    if strata.n_rows != len(ages):
        raise ValueError(f"codes has {strata.n_rows} values and age has {len(ages)}")

    def arranged(values: NDArray[np.float64] | None) -> NDArray[np.float64] | None:
        return None if values is None else strata.arranged(values)

    return ObservedLives(
        strata=strata,
        age=strata.arranged(ages),
        failures=strata.arranged(failures),
        entry=arranged(entries),
        count=arranged(counts),
        age_lower=arranged(lower),
    )


class _Rows:
    """Rows under check: names the first bad one."""

    __slots__ = ("names", "size")

    def __init__(self, size: int, names: NDArray[np.object_] | None) -> None:
        self.size, self.names = size, names

    def require_length(self, name: str, values: NDArray[np.float64]) -> None:
        if len(values) != self.size:
            raise ValueError(f"{name} has {len(values)} values and age has {self.size}")

    def require(
        self, name: str, values: NDArray[np.float64], good: NDArray[np.bool_], bounds: str
    ) -> None:
        if good.all():
            return
        bad = np.flatnonzero(~good)
        called = [str(i if self.names is None else self.names[i]) for i in bad[:5]]
        more = f" and {len(bad) - 5} more" if len(bad) > 5 else ""
        raise ValueError(
            f"{name} at row {called[0]} is {values[bad[0]]:g}: must be {bounds} "
            f"({len(bad)} of {self.size} rows are not: {', '.join(called)}{more})"
        )


def _column(name: str, values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise ValueError(f"{name} has {array.ndim} dimensions: must have one")
    return array


def _optional(name: str, values: ArrayLike | None, rows: _Rows) -> NDArray[np.float64] | None:
    if values is None:
        return None
    array = _column(name, values)
    rows.require_length(name, array)
    rows.require(name, array, np.isfinite(array) & (array >= 0), "finite and at least 0")
    return array


def _failed_column(
    failed: ArrayLike, size: int, names: NDArray[np.object_] | None
) -> NDArray[np.bool_]:
    array = np.asarray(failed)
    if array.shape != (size,):
        raise ValueError(f"failed has shape {array.shape} and age has {size} values")
    if array.dtype == np.bool_:
        return array
    numbers = array.astype(np.float64)
    _Rows(size, names).require("failed", numbers, np.isin(numbers, (0.0, 1.0)), "True or False")
    known: NDArray[np.bool_] = numbers == 1
    return known


def _lower_ages(
    age_lower: ArrayLike | None,
    ages: NDArray[np.float64],
    entries: NDArray[np.float64] | None,
    may_fail: NDArray[np.bool_],
    rows: _Rows,
) -> NDArray[np.float64] | None:
    if age_lower is None:
        return None
    given = _column("age_lower", age_lower)
    rows.require_length("age_lower", given)
    lower = np.where(may_fail, given, ages)
    if (lower == ages).all():
        return None
    rows.require("age_lower", lower, np.isfinite(lower) & (lower >= 0), "finite and at least 0")
    rows.require("age_lower", lower, lower <= ages, "at most the age")
    if entries is not None:
        rows.require("age_lower", lower, lower >= entries, "at least the entry")
    return lower
