"""One file's rows as text, with the row numbers that a person sees, before any meaning.

Layer: logbook. A result only, and the reading of header rows shared by all kinds of file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from relkit.errors import InputError
from relkit.logbook.findings import Finding

__all__ = [
    "BrokenRow",
    "TextTable",
    "header_names",
    "header_rows_present",
    "table_of_records",
    "tidy_name",
    "without_blank_rows",
]

#: How many rows at the top are kept, to find a header that stands elsewhere.
HEAD_ROWS = 20


@dataclass(frozen=True, slots=True)
class BrokenRow:
    """A row whose cells cannot be told apart or read."""

    row: int  #: as a person counts it
    reason: str
    value: str
    mend: str


@dataclass(frozen=True, slots=True, eq=False)
class TextTable:
    """Rows of one file. A row number counts as a spreadsheet shows it: blank lines count."""

    file: str  #: name relative to the study's folder
    names: tuple[str, ...]  #: one per column, several header rows joined by a blank
    last_names: tuple[str, ...]  #: one per column, from the last header row alone
    cells: pa.Table  #: text columns "0", "1", ... in the order of the names
    rows: NDArray[np.int64]  #: row number of each entry of ``cells``
    broken: tuple[BrokenRow, ...] = ()
    blank_rows: int = 0
    encoding: str = ""
    delimiter: str = ""
    head: tuple[tuple[str, ...], ...] = ()  #: the first rows of the file, header included
    findings: tuple[Finding, ...] = ()


def tidy_name(name: str) -> str:
    """Return a column name with its blanks, line breaks and no-break spaces made single blanks."""
    return " ".join(name.replace("\ufeff", "").split())


def header_names(rows: Sequence[Sequence[str]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return full and last names of the columns of one or more header rows.

    In the rows above the last, a blank cell repeats the one to its left (a merged cell); where
    the last row is blank, the name is the one above it alone.

    Examples
    --------
    >>> header_names([["Vehicle", "Meter", ""], ["", "hours", "km"]])[0]
    ('Vehicle', 'Meter hours', 'Meter km')
    """
    width = max((len(row) for row in rows), default=0)
    padded = [[tidy_name(cell) for cell in row] + [""] * (width - len(row)) for row in rows]
    last = tuple(padded[-1])
    parts: list[list[str]] = [[] for _ in range(width)]
    for row in padded[:-1]:
        held = ""
        for place, cell in enumerate(row):
            held = cell or held
            if last[place] or cell:
                parts[place].append(held)
    names = tuple(
        " ".join(filter(None, [*above, name])) for above, name in zip(parts, last, strict=True)
    )
    return names, last


def header_rows_present(count: int, *, file: str, header_row: int, header_rows: int) -> None:
    """Refuse a file that ends before the declared header rows do.

    Raises
    ------
    InputError
        Naming how many rows there are.
    """
    if count < header_row + header_rows - 1:
        raise InputError(
            f"the file has {count:,} rows, so there is no header where the study says",
            file=file,
            row=header_row,
            mend="Write the row of the column names as header_row of this source",
        )


def table_of_records(records: Sequence[Sequence[str]], width: int) -> pa.Table:
    """Text columns of rows that all have ``width`` cells."""
    columns = list(zip(*records, strict=True)) if records else [()] * width
    arrays = [pa.array(column, type=pa.string()) for column in columns]
    return pa.table(arrays, names=[str(place) for place in range(width)])


def without_blank_rows(
    cells: pa.Table, rows: NDArray[np.int64]
) -> tuple[pa.Table, NDArray[np.int64], int]:
    """Cells and row numbers without the rows that are blank throughout, and how many were."""
    blank = np.ones(len(rows), dtype=bool)
    for column in cells.columns:
        if not blank.any():
            return cells, rows, 0
        found = pc.equal(pc.utf8_trim_whitespace(column), "")
        blank &= found.to_numpy().astype(bool)
    return cells.filter(pa.array(~blank)), rows[~blank], int(blank.sum())
