"""Sheets of workbooks (.xlsx, .xls, .xlsb, .ods) to text tables.

Layer: logbook. Typed cells become text that the source's declared forms read back unchanged.
"""

from __future__ import annotations

import datetime as dt
import difflib
from pathlib import Path
from typing import Any

import numpy as np

from relkit.errors import InputError
from relkit.logbook.findings import Finding, finding
from relkit.logbook.text_table import (
    HEAD_ROWS,
    TextTable,
    header_names,
    header_rows_present,
    table_of_records,
    without_blank_rows,
)
from relkit.study.settings import Source

__all__ = ["ENDINGS", "read_workbook"]

#: File name endings of workbooks.
ENDINGS = (".xlsx", ".xlsm", ".xls", ".xlsb", ".ods")


def read_workbook(path: Path, *, file: str, source: Source) -> TextTable:
    """Rows of one sheet; the first sheet where none is declared.

    Raises
    ------
    InputError
        The file is no workbook, is locked by a password, has no such sheet (the nearest is
        named), the sheet is empty, or the header is not there.
    """
    sheet, sheet_rows, merged = _sheet_rows(path, file, source.sheet)
    if not any(any(cell != "" for cell in row) for row in sheet_rows):
        raise InputError("the sheet is empty", file=file, mend="Name the sheet with the rows")
    decimal = source.decimal
    header_rows_present(
        len(sheet_rows), file=file, header_row=source.header_row, header_rows=source.header_rows
    )
    first, last = source.header_row - 1, source.header_row + source.header_rows - 1
    header = [[cell_text(cell, decimal) for cell in row] for row in sheet_rows[first:last]]
    names, last_names = header_names(header)
    if not any(names):
        raise InputError(
            "the header row is blank",
            file=file,
            row=source.header_row,
            mend="Write the row of the column names as header_row of this source",
        )
    width = len(names)
    records = [[cell_text(cell, decimal) for cell in row] for row in sheet_rows[last:]]
    cells, rows, blank_rows = without_blank_rows(
        table_of_records(records, width), np.arange(last + 1, last + 1 + len(records))
    )
    return TextTable(
        file=file,
        names=names,
        last_names=last_names,
        cells=cells,
        rows=rows,
        blank_rows=blank_rows,
        encoding=f'sheet "{sheet}"',
        findings=_merged_cells(merged, names, last_names, source, file),
        head=tuple(
            tuple(cell_text(cell, decimal) for cell in row) for row in sheet_rows[:HEAD_ROWS]
        ),
    )


def _merged_cells(
    merged: list[tuple[int, int, int]],
    names: tuple[str, ...],
    last_names: tuple[str, ...],
    source: Source,
    file: str,
) -> tuple[Finding, ...]:
    """Return the finding that cells below the header are merged over rows, but not filled down."""
    header_end = source.header_row + source.header_rows - 1
    filled = {source.columns.get(name, name).casefold() for name in source.fill_down}
    rows: dict[str, list[str]] = {}
    for top, bottom, column in merged:
        below = top > header_end and bottom > top and column < len(names)
        if below and not filled & {names[column].casefold(), last_names[column].casefold()}:
            rows.setdefault(names[column] or f"{column + 1}", []).append(f"{file}:{top}")
    return tuple(
        finding(
            "merged cells",
            f'Cells of column "{name}" are merged over several rows',
            sources=sources,
            done="Only the first row has the value; name the column under fill_down to repeat it",
            severity="look",
        )
        for name, sources in rows.items()
    )


def _sheet_rows(
    path: Path, file: str, sheet: str | None
) -> tuple[str, list[list[Any]], list[tuple[int, int, int]]]:
    """Name and cells of a sheet; first and last row and column of each merged block."""
    from python_calamine import CalamineError, CalamineWorkbook  # loaded on use

    try:
        workbook = CalamineWorkbook.from_path(str(path))
        names = list(workbook.sheet_names)
        if not names:
            raise InputError("the workbook has no sheets", file=file, mend="Save it anew as .xlsx")
        if sheet is not None and sheet not in names:
            near = difflib.get_close_matches(sheet, names, n=1, cutoff=0.0)
            raise InputError(
                f'there is no sheet "{sheet}"',
                file=file,
                mend=f'The nearest is "{near[0]}"; the sheets are: {", ".join(names)}',
            )
        wanted = sheet if sheet is not None else names[0]
        found = workbook.get_sheet_by_name(wanted)
        rows: list[list[Any]] = found.to_python(skip_empty_area=False)
        # old versions of the reader, and some forms of workbook, do not tell
        blocks = getattr(found, "merged_cell_ranges", None) or ()
    except CalamineError as error:
        mend = "Save it anew as .xlsx without a password, or export it as CSV"
        raise InputError(f"the workbook cannot be read ({error})", file=file, mend=mend) from None
    merged = [(start[0] + 1, end[0] + 1, start[1]) for start, end in blocks]
    return wanted, rows, merged


def cell_text(value: Any, decimal: str) -> str:
    """Return a typed cell as text: dates as ISO 8601, numbers with the declared decimal sign.

    Examples
    --------
    >>> cell_text(1250.0, ","), cell_text(0.5, ","), cell_text(dt.date(2023, 2, 1), ".")
    ('1250', '0,5', '2023-02-01')
    """
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int | float):
        return _number_text(float(value), decimal)
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M:%S")
    if isinstance(value, dt.timedelta):
        return _number_text(round(value.total_seconds() / 3600, 6), decimal)
    if isinstance(value, dt.time):
        return value.strftime("%H:%M:%S")
    return str(value)


def _number_text(value: float, decimal: str) -> str:
    if value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(value).replace(".", decimal)
