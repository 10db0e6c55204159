"""Files that nobody has described yet: delimiter, sheet and header found out, rows as text.

Layer: logbook. What was found is evidence for a person; the study file says it for good.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from relkit.errors import InputError
from relkit.logbook.encodings import decode
from relkit.logbook.json_lines import ENDINGS as JSON_ENDINGS
from relkit.logbook.json_lines import read_json_lines
from relkit.logbook.kind_texts import tidy_texts
from relkit.logbook.parquet_files import read_parquet_file
from relkit.logbook.proposal_headers import is_header_word
from relkit.logbook.text_files import DELIMITERS, read_text_file
from relkit.logbook.text_lines import row_of_text
from relkit.logbook.text_table import TextTable
from relkit.logbook.workbooks import ENDINGS, cell_text, read_workbook
from relkit.study.settings import Source

__all__ = ["FoundTable", "found_tables"]

#: So many lines tell the delimiter, so many rows the header.
_LINES, _HEAD = 200, 25

#: Least share of a table's width that a header row fills.
_FILLED = 0.5

_VALUE = re.compile(r"^[+-]?[\d.,:/ -]*\d[\d.,:/ -]*(?:[TtZ].*)?$")


@dataclass(frozen=True, slots=True, eq=False)
class FoundTable:
    """One table of a file, with how it has to be read."""

    path: Path
    file: str  #: as the study names it
    sheet: str  #: blank for the only sheet, and for files without sheets
    delimiter: str  #: blank where the file has none
    encoding: str
    header_row: int
    header_rows: int
    table: TextTable
    texts: pd.DataFrame  #: one text column per named column, called as the file calls it

    @property
    def names(self) -> tuple[str, ...]:
        """Column names."""
        return tuple(map(str, self.texts.columns))

    @property
    def label(self) -> str:
        """File and sheet, for people."""
        return f"{self.file}, sheet {self.sheet}" if self.sheet else self.file


def found_tables(path: Path, folder: Path) -> tuple[FoundTable, ...]:
    """Return the tables of a file; of a workbook one for each sheet that has rows below a header.

    Parameters
    ----------
    path : Path
        A delimited text file, a workbook or a Parquet file.
    folder : Path
        Where the study file will lie; paths in it are relative to that.

    Raises
    ------
    InputError
        There is no such file, or it is empty, or no table can be found in it.
    """
    file = _relative(path, folder)
    if path.is_dir():
        mend = "Name the files in it one by one"
        raise InputError("is a folder, not a file", file=file, mend=mend)
    if not path.is_file():
        raise InputError("there is no such file", file=file, mend="Correct the path")
    if path.suffix.lower() in ENDINGS:
        return _sheets(path, file)
    if path.suffix.lower() in JSON_ENDINGS:
        table = read_json_lines(path, file=file, source=Source(path=file), wanted=(), study_path="")
        return (replace(_found(path, table, header=(1, 1)), encoding=""),)
    if path.suffix.lower() == ".parquet":
        table = read_parquet_file(path, file=file, source=Source(path=file))
        return (_found(path, table, header=(1, 1)),)
    return (_text_file(path, file),)


def _text_file(path: Path, file: str) -> FoundTable:
    decoded = decode(path.read_bytes(), file=file, encoding=None, path="")
    text = decoded.text or decoded.data[: 1 << 18].decode("utf-8", errors="replace")
    lines = text.splitlines()[:_LINES]
    delimiter = _delimiter(lines)
    rows = [_cells(line, delimiter) for line in lines]
    header_row, header_rows = header_place(rows)
    source = Source(path=file, delimiter=delimiter, header_row=header_row, header_rows=header_rows)
    table = read_text_file(path, file=file, source=source, wanted=(), study_path="")
    return _found(path, table, header=(header_row, header_rows), delimiter=delimiter)


def _sheets(path: Path, file: str) -> tuple[FoundTable, ...]:
    from python_calamine import CalamineError, CalamineWorkbook  # loaded on use

    try:
        workbook = CalamineWorkbook.from_path(str(path))
        heads = {
            name: workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)[:_HEAD]
            for name in workbook.sheet_names
        }
    except CalamineError as error:
        mend = "Save it anew as .xlsx without a password, or export it as CSV"
        raise InputError(f"the workbook cannot be read ({error})", file=file, mend=mend) from None
    found = []
    for name, head in heads.items():
        rows = [[cell_text(cell, ".").strip() for cell in row] for row in head]
        if sum(any(row) for row in rows) < 2:
            continue
        header = header_place(rows)
        source = Source(path=file, sheet=name, header_row=header[0], header_rows=header[1])
        table = read_workbook(path, file=file, source=source)
        sheet = name if len(heads) > 1 else ""
        found.append(_found(path, table, header=header, sheet=sheet))
    if not found:
        mend = "Give a workbook with a header and rows below it"
        raise InputError("no sheet has a table", file=file, mend=mend)
    return tuple(found)


def _found(
    path: Path, table: TextTable, *, header: tuple[int, int], delimiter: str = "", sheet: str = ""
) -> FoundTable:
    columns = {
        name: tidy_texts(table.cells.column(place))
        for place, name in enumerate(table.names)
        if name and table.names.count(name) == 1
    }
    return FoundTable(
        path=path,
        file=table.file,
        sheet=sheet,
        delimiter=delimiter,
        encoding=table.encoding,
        header_row=header[0],
        header_rows=header[1],
        table=table,
        texts=pd.DataFrame(columns, index=table.rows),
    )


def _delimiter(lines: Sequence[str]) -> str:
    """Return the delimiter under which most lines have the same number of cells, above one."""
    best, best_score = ",", (0.0, 0)
    filled = [line for line in lines if line.strip()]
    for delimiter in DELIMITERS:
        counts = Counter(len(_cells(line, delimiter)) for line in filled)
        counts.pop(1, None)
        if not counts:
            continue
        width, lines_of_width = counts.most_common(1)[0]
        score = (round(lines_of_width / max(len(filled), 1), 1), width)
        if score > best_score:
            best, best_score = delimiter, score
    return best


def _cells(line: str, delimiter: str) -> list[str]:
    cells, problem = row_of_text(line, delimiter)
    return line.split(delimiter) if problem else cells


def header_place(rows: Sequence[Sequence[str]]) -> tuple[int, int]:
    """Row of the column names, counted from 1, and how many rows they take.

    The header is the first row that fills at least half of the table's width with distinct words
    that are neither numbers nor dates. The row above belongs to it if that holds two words or
    more; the row below, if it looks like a header and the first repeats a word or has blanks.

    Examples
    --------
    >>> header_place([["Repairs 2021", "", ""], ["", "", ""], ["Vehicle", "Date", "Part"],
    ...               ["A1", "2021-02-03", "pump"]])
    (3, 1)
    """
    width = Counter(_width(row) for row in rows if _width(row)).most_common(1)
    least = max(1, round(_FILLED * (width[0][0] if width else 1)))
    for place, row in enumerate(rows):
        if not _is_header(row, least):
            continue
        above = rows[place - 1] if place else []
        if sum(bool(cell.strip()) for cell in above) >= 2 and _is_header(above, 2):
            return place, 2
        below = rows[place + 1] if place + 1 < len(rows) else []
        if _is_second(row, below, rows[place + 2 :]):
            return place + 1, 2
        return place + 1, 1
    return 1, 1


def _width(row: Sequence[str]) -> int:
    return max((place + 1 for place, cell in enumerate(row) if cell.strip()), default=0)


def _is_header(row: Sequence[str], least: int) -> bool:
    filled = [cell.strip() for cell in row if cell.strip()]
    words = not any(_VALUE.match(cell) for cell in filled)
    return len(filled) >= least and words and max(map(len, filled)) <= 60


def _is_second(first: Sequence[str], row: Sequence[str], later: Sequence[Sequence[str]]) -> bool:
    """Whether the row below a header row belongs to the header too."""
    width = max(_width(first), _width(row))
    cells = [*map(str.strip, first), *[""] * (width - len(first))][:width]
    incomplete = "" in cells or len(set(cells)) < len(cells)
    values = any(_VALUE.match(cell.strip()) for other in later[:5] for cell in other)
    known = sum(is_header_word(cell) for cell in row)
    return incomplete and values and known >= 2 and _is_header(row, 2)


def _relative(path: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive
        return path.as_posix()
