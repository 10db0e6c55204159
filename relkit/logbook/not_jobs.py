"""Rows that are no jobs or entries: totals, page footers, repeated headers; and merged cells.

Layer: logbook. Works on the text of a source, before dates and numbers are read.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from relkit.logbook.columns import REQUIRED
from relkit.logbook.findings import Finding, finding
from relkit.logbook.set_aside import Sifted, sift

__all__ = ["fill_down", "sift_not_jobs", "sift_without_required"]

#: How totals and footers begin (English and a few of its neighbours; common practice).
_TOTAL = (
    r"(?i)^[\s*=\-]*(?:(?:grand|sub|monthly|month|yearly|weekly)?[\s\-]*totals?\b|sums?\b|"
    r"(?:zwischen)?summe\b|gesamt|somme\b|totale\b|totaal\b|page\s*\d|seite\s*\d|"
    r"end of (?:report|list|file|export)|printed\b|exported\b|report (?:date|created)|"
    r"(?:number|count) of (?:rows|jobs|records|orders))"
)
#: A cell that says nothing but "total".
_TOTAL_ALONE = (
    r"(?i)^[\s*=\-]*(?:(?:grand|sub|monthly)?[\s\-]*totals?|sums?|(?:zwischen)?summe|gesamt|somme|"
    r"totale|totaal)[\s:*=\-]*$"
)

#: Cells that may begin like a total if the row lacks its day or its vehicle.
_TEXTS = ("vehicle", "job", "component", "location", "finding", "action", "note", "counter")


def sift_not_jobs(
    rows: pd.DataFrame,
    kind: str,
    *,
    fill_down: tuple[str, ...],
    fixed: Mapping[str, str],
    called: Mapping[str, Mapping[str, str]],
) -> Sifted:
    """Rows without totals, footers, repeated headers and rows that name neither day nor vehicle.

    Parameters
    ----------
    rows : DataFrame
        Texts under our names.
    kind : str
        log, register, readings or inspections.
    fill_down : tuple of str
        Columns whose blanks repeat the cell above: blanks there say nothing.
    fixed : Mapping
        Columns with one value for every row: they say nothing either.
    called : Mapping
        File -> our name -> what the file calls the column.
    """
    telling = [name for name in REQUIRED[kind] if name in rows and name not in (*fill_down, *fixed)]
    blank = pd.DataFrame({name: rows[name] == "" for name in telling}, index=rows.index)
    nothing = blank.all(axis=1).to_numpy() if telling else np.zeros(len(rows), dtype=bool)
    one_blank = blank.any(axis=1).to_numpy() if telling else np.zeros(len(rows), dtype=bool)
    total, value = _totals(rows, one_blank)
    header = _repeated_header(rows, called)
    bad = nothing | total | header
    if not bad.any():
        return Sifted(rows)
    reason = "not a job" if kind == "log" else "not an entry"
    shown = pd.Series(value, index=rows.index)
    mend = "None, if the row is a total or a footer; else complete it"
    return sift(
        rows, bad, reason=reason, column=telling[0] if telling else "", value=shown, mend=mend
    )


def _totals(
    rows: pd.DataFrame, one_blank: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.object_]]:
    """Rows with a cell that begins like a total or a footer, and that cell."""
    total = np.zeros(len(rows), dtype=bool)
    value = np.full(len(rows), "", dtype=object)
    everywhere = np.ones(len(rows), dtype=bool)
    tries = [("date", _TOTAL, everywhere), ("vehicle", _TOTAL_ALONE, everywhere)]
    tries.extend((name, _TOTAL, one_blank) for name in _TEXTS)
    for name, pattern, among in tries:
        if name not in rows or not among.any():
            continue
        cells = rows[name].to_numpy(dtype=object)[among]
        matched = pc.match_substring_regex(pa.array(cells, type=pa.string()), pattern)
        found = np.zeros(len(rows), dtype=bool)
        found[among] = matched.to_numpy(zero_copy_only=False)
        value[found & ~total] = cells[found[among] & ~total[among]]
        total |= found
    return total, value


def _repeated_header(
    rows: pd.DataFrame, called: Mapping[str, Mapping[str, str]]
) -> NDArray[np.bool_]:
    """Rows whose filled cells are the names of their columns, at least two of them."""
    names: dict[str, set[str]] = {}
    for columns in called.values():
        for our, theirs in columns.items():
            names.setdefault(our, set()).update((theirs, theirs.casefold(), theirs.upper()))
    present = [name for name in names if name in rows]
    if len(present) < 2:
        return np.zeros(len(rows), dtype=bool)
    first = rows[present[0]].isin(names[present[0]])
    if not first.any():
        return np.zeros(len(rows), dtype=bool)
    equal = pd.DataFrame({name: rows[name].isin(names[name]) for name in present})
    either = equal | (rows[present] == "")
    return (either.all(axis=1) & (equal.sum(axis=1) >= 2)).to_numpy()


def fill_down(
    rows: pd.DataFrame, names: tuple[str, ...], *, broken: pd.Series[str]
) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """Rows with the blanks of merged cells filled from the cell above, within each file.

    A row whose cells could not be read may have held the value that the blanks after it repeat,
    so they stay blank up to the next value.

    Parameters
    ----------
    rows : DataFrame
        Texts under our names, totals and footers removed.
    names : tuple of str
        Our names of the columns.
    broken : Series of str
        Source of each row that could not be read, on the rows' kind of index.
    """
    if not names or rows.empty:
        return rows, ()
    file = rows["source"].str.rsplit(":", n=1).str[0]
    barriers = np.searchsorted(np.sort(broken.index.to_numpy()), rows.index.to_numpy())
    filled = rows.copy()
    findings = []
    for name in names:
        if name not in rows:
            continue
        blank = rows[name] == ""
        texts = rows[name].where(~blank).groupby([file, barriers]).ffill().fillna("")
        filled[name] = texts
        changed = blank & (texts != "")
        if changed.any():
            what = f"Blank cells ({name}) repeat the cell above, as the study declares"
            sources = rows["source"][changed]
            findings.append(finding("filled down", what, sources=sources, done="Filled"))
    return filled, tuple(findings)


def sift_without_required(rows: pd.DataFrame, names: tuple[str, ...]) -> Sifted:
    """Rows without those in which one of the named columns is blank."""
    pieces: list[pd.DataFrame] = []
    for name in names:
        mend = f"Write the {name} in the file"
        sifted = sift(rows, rows[name] == "", reason=f"no {name}", column=name, mend=mend)
        rows = sifted.rows
        pieces.extend(sifted.set_aside)
    return Sifted(rows, tuple(pieces))
