"""Tables as they are shown on a page: cells of text with a range, a sort value and a count.

Layer: present. Takes a plan's table and the definition of its columns; escapes nothing (the page
template does).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from relkit.present.columns import Column, heading, present_in, range_text, value_text
from relkit.present.wording import UNKNOWN

__all__ = ["Cell", "ShownTable", "shown_table"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: what is read, the range under it, what it is sorted by, what unfolds from it."""

    text: str
    range: str = ""
    sort: str = ""
    numeric: bool = False
    more: tuple[tuple[str, str], ...] = ()  #: (label, text) pairs behind the text


@dataclass(frozen=True, slots=True)
class ShownTable:
    """A table ready for the page."""

    name: str  #: of the table, for links and the file that holds all of it
    titles: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    total: int  #: rows there are; more than ``rows`` where only the first are shown
    numeric: tuple[bool, ...] = field(default=())


def shown_table(
    name: str, frame: pd.DataFrame, columns: Sequence[Column], clock: str, *, most: int = 2_000
) -> ShownTable:
    """Return the first rows of a table as cells.

    Parameters
    ----------
    name : str
        Of the table.
    frame : DataFrame
        A table of a plan.
    columns : sequence of Column
        What to show; optional columns that the table does not have are left out.
    clock : str
        The study's clock.
    most : int
        Largest number of rows to show.
    """
    columns = present_in(columns, frame)
    head = frame.head(most)
    cells = [_column_cells(head, column) for column in columns]
    return ShownTable(
        name=name,
        titles=tuple(heading(column, clock) for column in columns),
        rows=tuple(zip(*cells, strict=True)),
        total=len(frame),
        numeric=tuple(column.numeric for column in columns),
    )


def _column_cells(frame: pd.DataFrame, column: Column) -> list[Cell]:
    values = frame[column.name].tolist()
    ranges = [""] * len(values)
    if column.lower:
        limits = zip(frame[column.lower].tolist(), frame[column.upper].tolist(), strict=True)
        ranges = [range_text(column, low, high) for low, high in limits]
    return [
        Cell(
            text=(text := value_text(column, value)),
            range="" if span == text else span,
            sort="" if text == UNKNOWN else _sort_value(column, value),
            numeric=column.numeric,
        )
        for value, span in zip(values, ranges, strict=True)
    ]


def _sort_value(column: Column, value: object) -> str:
    """Return what a browser sorts by: numbers as numbers, dates as days; text as it is read."""
    if column.kind == "date":
        return str(pd.Timestamp(value).toordinal())  # type: ignore[arg-type]
    return f"{float(value):.12g}" if column.numeric else ""  # type: ignore[arg-type]
