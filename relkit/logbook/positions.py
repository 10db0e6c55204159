"""Vehicles, components and locations of rows, checked against the register.

Layer: logbook. A row at a position that the register does not have is set aside, not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.findings import Finding, finding
from relkit.logbook.set_aside import Sifted, in_turn, sift, with_columns
from relkit.logbook.vehicles import merge_vehicles, sift_vehicles
from relkit.logbook.words import known_words, merge_spellings, sift_words
from relkit.study.settings import Study

__all__ = [
    "KnownPositions",
    "group_codes",
    "known_positions",
    "sift_positions",
    "sift_unfitted",
    "sift_vehicles_of",
]

_KEYS = ("vehicle", "component", "location")


@dataclass(frozen=True, slots=True, eq=False)
class KnownPositions:
    """What the register has."""

    table: pd.DataFrame  #: distinct ``vehicle``, ``component``, ``location``


def known_positions(fitments: pd.DataFrame) -> KnownPositions:
    """Distinct positions of the register's fitments."""
    return KnownPositions(fitments[list(_KEYS)].drop_duplicates(ignore_index=True))


def group_codes(rows: pd.DataFrame, columns: tuple[str, ...]) -> NDArray[np.int64]:
    """Return a number for each row, equal where all the columns are equal."""
    codes = np.zeros(len(rows), dtype=np.int64)
    for name in columns:
        own, unique = pd.factorize(rows[name], use_na_sentinel=False)
        codes, _ = pd.factorize(codes * max(len(unique), 1) + own)
    return codes


def sift_vehicles_of(rows: pd.DataFrame, known: KnownPositions | None, study: Study) -> Sifted:
    """Rows with the register's vehicle ids; without a register, with one spelling for each."""
    aliases, path = study.words.vehicle, str(study.path)
    if known is None:
        return merge_vehicles(rows, aliases, path=path)
    return sift_vehicles(rows, known.table["vehicle"].unique(), aliases, path=path)


def sift_positions(rows: pd.DataFrame, known: KnownPositions | None, study: Study) -> Sifted:
    """Rows with our words for component and location; unknown ones set aside.

    Where the study lists words for a column, those and the register's are the known ones;
    otherwise the register's spelling wins and other words are kept as written.
    """
    return in_turn(
        rows,
        [
            partial(_our_words, name="component", known=known, study=study),
            partial(_our_words, name="location", known=known, study=study),
        ],
    )


def _our_words(rows: pd.DataFrame, name: str, known: KnownPositions | None, study: Study) -> Sifted:
    variants = getattr(study.words, name)
    if variants:
        also = [] if known is None else [word for word in known.table[name].unique() if word]
        words = known_words(variants, also, kind=name, path=str(study.path))
        return sift_words(rows, name, words)
    if known is None:
        return sift_words(rows, name, None)
    return _register_spelling(rows, name, known)


def _register_spelling(rows: pd.DataFrame, name: str, known: KnownPositions) -> Sifted:
    """Rows with words in the register's spelling, where they differ only in case or blanks."""
    register = [word for word in known.table[name].unique() if word]
    words, changed = merge_spellings(rows[name].to_numpy(dtype=object), preferred=register)
    kept = with_columns(rows, {name: words})
    if not changed.any():
        return Sifted(kept)
    what = f"Words ({name}) differ only in case, blanks or dashes"
    sources = rows["source"][changed]
    done = "Taken as one word, in the register's or the most frequent spelling"
    return Sifted(kept, (), (finding("spellings", what, sources=sources, done=done),))


def sift_unfitted(
    rows: pd.DataFrame, known: KnownPositions | None, *, exempt: NDArray[np.bool_] | None = None
) -> Sifted:
    """Rows at positions that the register has; the others set aside.

    A blank component or location fits any. A blank location, or one that the register leaves
    blank, is taken from the register where the vehicle has the component at one place only.

    Parameters
    ----------
    rows : DataFrame
        With ``source``, ``vehicle``, ``component`` and ``location``.
    known : KnownPositions or None
        None: without a register all rows are kept.
    exempt : bool array, optional
        Rows that fit an item: their positions count as fitted too.
    """
    if known is None or rows.empty:
        return Sifted(rows)
    table = known.table
    if exempt is not None and exempt.any():
        table = pd.concat([table, rows.loc[exempt, list(_KEYS)]]).drop_duplicates()
    placed, findings = _with_location(rows, table)
    blank_component = (placed["component"] == "").to_numpy()
    blank_location = (placed["location"] == "").to_numpy()
    fitted = np.where(
        blank_component,
        blank_location | _among(placed, table, ("vehicle", "location")),
        np.where(
            blank_location,
            _among(placed, table, ("vehicle", "component")),
            _among(placed, table, _KEYS),
        ),
    )
    if fitted.all():
        return Sifted(placed, (), findings)
    value = placed["vehicle"] + ", " + placed["component"] + ", " + placed["location"]
    sifted = sift(
        placed,
        ~fitted,
        reason="position not fitted",
        column="location",
        value=value,
        mend="Add the position to the register, or correct the component or location of the row",
    )
    return Sifted(sifted.rows, sifted.set_aside, findings)


def _among(rows: pd.DataFrame, table: pd.DataFrame, columns: tuple[str, ...]) -> NDArray[np.bool_]:
    both = pd.concat([table[list(columns)], rows[list(columns)]], ignore_index=True)
    codes = group_codes(both, columns)
    known = np.zeros(int(codes.max()) + 1, dtype=bool)
    known[codes[: len(table)]] = True
    return known[codes[len(table) :]]


def _with_location(
    rows: pd.DataFrame, table: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """Rows with the location from the register where there is no choice."""
    count = table.groupby(["vehicle", "component"], sort=False)["location"].agg(["size", "first"])
    only = count.loc[count["size"] == 1, "first"].rename("only").reset_index()
    keys = rows[["vehicle", "component"]].reset_index(drop=True)
    found = keys.merge(only, on=["vehicle", "component"], how="left")["only"].to_numpy(dtype=object)
    location = rows["location"].to_numpy(dtype=object)
    blank = (location == "") | (found == "")
    take = blank & pd.notna(found) & (location != found)
    if not take.any():
        return rows, ()
    one = finding(
        "location from the register",
        "Rows leave the location blank, or name one for a component that has one place only",
        sources=rows["source"][take],
        done="The location of the register was taken",
    )
    return with_columns(rows, {"location": np.where(take, found, location)}), (one,)
