"""CSV, TSV and other delimited text to text tables, fast where the file is clean.

Layer: logbook. All columns are read as text by pyarrow; broken files go line by line.
"""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

from relkit.errors import InputError
from relkit.logbook.encodings import Decoded, decode
from relkit.logbook.packed_files import file_bytes
from relkit.logbook.text_lines import (
    SettledLines,
    fitted,
    odd_lines,
    row_of_text,
    settled_lines,
    split_lines,
)
from relkit.logbook.text_table import (
    HEAD_ROWS,
    BrokenRow,
    TextTable,
    header_names,
    header_rows_present,
    table_of_records,
    tidy_name,
    without_blank_rows,
)
from relkit.study.settings import Source

__all__ = ["DELIMITERS", "read_text_file"]

#: Delimiters that are tried, the commonest first.
DELIMITERS = (",", ";", "\t", "|")

#: So much of a file is looked at for its header and delimiter [bytes].
HEAD_BYTES = 1 << 18


def read_text_file(
    path: Path, *, file: str, source: Source, wanted: tuple[str, ...], study_path: str
) -> TextTable:
    """Rows of a delimited text file.

    Parameters
    ----------
    path : Path
        The file.
    file : str
        Its name in messages and row ids.
    source : Source
        Header rows, delimiter and encoding, as far as declared.
    wanted : tuple of str
        Column names that the study asks for: they tell the delimiter.
    study_path : str
        The study file, for messages.

    Raises
    ------
    InputError
        The file is empty or no text, its bytes do not fit, or the header is not there.
    """
    decoded = decode(file_bytes(path, file), file=file, encoding=source.encoding, path=study_path)
    head, offsets = _head_records(decoded)
    header_rows_present(
        len(head), file=file, header_row=source.header_row, header_rows=source.header_rows
    )
    first, last = source.header_row - 1, source.header_row + source.header_rows - 1
    delimiter = source.delimiter or _delimiter(head[first:last], wanted)
    cells = [_cells(record, delimiter) for record in head]
    names, last_names = header_names(cells[first:last])
    if not any(names):
        raise InputError(
            "the header row is blank",
            file=file,
            row=source.header_row,
            mend="Write the row of the column names as header_row of this source",
        )
    table = _rows_below(decoded, offsets[last - 1], delimiter, names, last + 1)
    return replace(
        table,
        file=file,
        last_names=last_names,
        encoding=decoded.encoding,
        delimiter=delimiter,
        head=tuple(tuple(record) for record in cells[:HEAD_ROWS]),
        findings=decoded.findings,
    )


def _head_records(decoded: Decoded) -> tuple[list[str], list[int]]:
    """Return the first records of a file and where each ends (bytes, or characters if damaged)."""
    lines, whole = _head_lines(decoded)
    records: list[str] = []
    ends: list[int] = []
    place = end = 0
    while place < len(lines):
        taken = _lines_of_record([line for line, _ in lines[place : place + HEAD_ROWS]])
        chosen = lines[place : place + taken]
        end += sum(length for _, length in chosen)
        place += taken
        records.append(" ".join(line for line, _ in chosen))
        ends.append(end)
    return (records, ends) if whole else (records[:-1], ends[:-1])


def _head_lines(decoded: Decoded) -> tuple[list[tuple[str, int]], bool]:
    """Return the first lines with their lengths, ends included, and whether those are all."""
    whole = len(decoded.text or decoded.data) <= HEAD_BYTES
    if decoded.damaged:
        pieces = re.split("(\r\n|\n|\r)", decoded.text[:HEAD_BYTES])
        lengths = [len(piece) for piece in pieces]
    else:
        split = re.split(b"(\r\n|\n|\r)", decoded.data[:HEAD_BYTES])
        pieces = [piece.decode("utf-8", errors="replace") for piece in split]
        lengths = [len(piece) for piece in split]
    pieces.append("")
    lengths.append(0)
    lines = [
        (pieces[place], lengths[place] + lengths[place + 1]) for place in range(0, len(pieces), 2)
    ]
    return (lines if lines[-1][1] else lines[:-1]), whole


def _lines_of_record(lines: list[str]) -> int:
    """Return how many of the lines the first record takes: more than one if quotes span them."""
    quotes = 0
    for taken, line in enumerate(lines, start=1):
        quotes += line.count('"')
        if quotes % 2 == 0:
            return taken
    return 1


def _cells(record: str, delimiter: str) -> list[str]:
    cells, problem = row_of_text(record.replace("\r", " ").replace("\n", " "), delimiter)
    return record.split(delimiter) if problem else cells


def _delimiter(header: list[str], wanted: tuple[str, ...]) -> str:
    """Delimiter under which most of the wanted names are found; else the most frequent."""
    asked = {tidy_name(name).casefold() for name in wanted}
    best, best_score = ",", (0, 0)
    for delimiter in DELIMITERS:
        rows = [next(csv.reader([row], delimiter=delimiter), []) for row in header]
        names, last_names = header_names(rows)
        found = {name.casefold() for name in (*names, *last_names)}
        score = (len(asked & found), len(names) - 1)
        if score > best_score:
            best, best_score = delimiter, score
    return best


def _rows_below(
    decoded: Decoded, start: int, delimiter: str, names: tuple[str, ...], first_row: int
) -> TextTable:
    """Rows below the header; those whose lines are no rows by themselves are settled singly."""
    body = decoded.data[start:]
    if not decoded.damaged and b'"' not in body:
        return _columnar(body, delimiter, names, first_row)
    lines = split_lines(decoded.text[start:] if decoded.damaged else body.decode("utf-8"))
    odd = odd_lines(lines, delimiter, readable=not decoded.damaged)
    if not decoded.damaged and not len(odd):
        return _columnar(body, delimiter, names, first_row)
    settled = settled_lines(lines, odd, delimiter=delimiter, names=names, first_row=first_row)
    rest = [line for line, taken in zip(lines, settled.taken, strict=True) if not taken]
    # a last line end, or a last blank line would be none
    table = _columnar(("\n".join(rest) + "\n" if rest else "").encode(), delimiter, names, 0)
    rows = settled.rows[~settled.taken]
    return _joined_tables(table, rows, settled, names)


def _joined_tables(
    table: TextTable, rows: NDArray[np.int64], settled: SettledLines, names: tuple[str, ...]
) -> TextTable:
    """Put rows read columnar, numbered from 0, and rows settled singly in their order."""
    cells = pa.concat_tables([table.cells, table_of_records(settled.records, len(names))])
    numbers = np.concatenate([rows[table.rows], np.array(settled.record_rows, dtype=np.int64)])
    order = np.argsort(numbers, kind="stable")
    broken = [replace(one, row=int(rows[one.row])) for one in table.broken]
    return replace(
        table,
        cells=cells.take(pa.array(order)),
        rows=numbers[order],
        broken=tuple(sorted([*broken, *settled.broken], key=lambda one: one.row)),
        blank_rows=table.blank_rows + settled.blank_rows,
    )


def _columnar(body: bytes, delimiter: str, names: tuple[str, ...], first_row: int) -> TextTable:
    """Read lines that are each one row; a row with too many or few cells is taken up singly."""
    columns = [str(place) for place in range(len(names))]
    odd: list[tuple[int, str]] = []

    def keep_odd(row: pa.csv.InvalidRow) -> str:
        odd.append((row.number, row.text))
        return "skip"

    if not body:
        return _table(names, table_of_records([], len(names)), np.empty(0, dtype=np.int64))
    cells = pa.csv.read_csv(
        pa.BufferReader(body),
        # one thread: only then does pyarrow number the rows that do not fit
        read_options=pa.csv.ReadOptions(
            column_names=columns, use_threads=False, block_size=max(1 << 24, _longest(body))
        ),
        parse_options=pa.csv.ParseOptions(
            delimiter=delimiter, ignore_empty_lines=False, invalid_row_handler=keep_odd
        ),
        convert_options=pa.csv.ConvertOptions(column_types=dict.fromkeys(columns, pa.string())),
    )
    return _with_uneven_rows(cells, odd, delimiter, names, first_row)


def _longest(body: bytes) -> int:
    """Return a block size that the longest line fits in, cheaply for all but absurd files."""
    if len(body) <= 1 << 24:
        return len(body) + 1
    letters = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero((letters == ord("\n")) | (letters == ord("\r")))
    lengths = np.diff(ends, prepend=-1, append=len(body))
    return 2 * int(lengths.max()) + 2


def _with_uneven_rows(
    cells: pa.Table,
    odd: list[tuple[int, str]],
    delimiter: str,
    names: tuple[str, ...],
    first_row: int,
) -> TextTable:
    """Rows that pyarrow took, and of the others those that only lack blank cells."""
    is_odd = np.zeros(cells.num_rows + len(odd), dtype=bool)
    is_odd[[number - 1 for number, _ in odd]] = True
    rows = first_row + np.flatnonzero(~is_odd)
    broken: list[BrokenRow] = []
    mended: list[list[str]] = []
    mended_rows: list[int] = []
    blank_rows = 0
    for number, text in odd:
        row = first_row + number - 1
        outcome = fitted(_cells(text, delimiter), names, row)
        if isinstance(outcome, BrokenRow):
            broken.append(outcome)
        elif any(outcome):
            mended.append(outcome)
            mended_rows.append(row)
        else:
            blank_rows += 1
    if mended:
        cells = pa.concat_tables([cells, table_of_records(mended, len(names))])
        rows = np.concatenate([rows, np.array(mended_rows, dtype=np.int64)])
        order = np.argsort(rows, kind="stable")
        cells, rows = cells.take(pa.array(order)), rows[order]
    table = _table(names, cells, rows)
    return replace(table, broken=tuple(broken), blank_rows=table.blank_rows + blank_rows)


def _table(names: tuple[str, ...], cells: pa.Table, rows: NDArray[np.int64]) -> TextTable:
    cells, rows, blank_rows = without_blank_rows(cells, rows)
    return TextTable(
        file="", names=names, last_names=names, cells=cells, rows=rows, blank_rows=blank_rows
    )
