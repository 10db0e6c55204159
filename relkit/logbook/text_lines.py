"""Reading delimited text line by line, for files whose quotes, bytes or fields are broken.

Layer: logbook. Slow and careful: one bad row costs that row only, never the rows after it.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from relkit.logbook.encodings import BROKEN_BYTE
from relkit.logbook.text_table import BrokenRow

__all__ = ["MOST_LINES", "LineRecords", "fitted", "read_lines", "row_of_text"]

#: A quoted cell may hold so many line breaks; a longer one is an unclosed quote.
MOST_LINES = 100

_CONTROL = re.compile("[\x00-\x08\x0e-\x1f\x7f]")
_UNCLOSED = "unexpected end of data"


@dataclass(frozen=True, slots=True, eq=False)
class LineRecords:
    """What reading line by line gave."""

    records: list[list[str]]  #: rows with the right number of cells
    rows: list[int]  #: their row numbers
    broken: list[BrokenRow]
    blank_rows: int


def read_lines(text: str, *, delimiter: str, names: tuple[str, ...], first_row: int) -> LineRecords:
    """Rows of a text, each physical line on its own unless a quoted cell truly spans several.

    Parameters
    ----------
    text : str
        The text below the header; broken bytes marked as surrogates.
    delimiter : str
        What parts the cells.
    names : tuple of str
        The header: says how many cells a row has.
    first_row : int
        Row number of the first line.
    """
    lines = re.split("\r\n|\n|\r", text)
    if lines and lines[-1] == "":
        lines.pop()
    records: list[list[str]] = []
    rows: list[int] = []
    broken: list[BrokenRow] = []
    blank_rows, place, row = 0, 0, first_row
    while place < len(lines):
        used, outcome = _next_row(lines, place, delimiter, names, row)
        if isinstance(outcome, BrokenRow):
            broken.append(outcome)
        elif not any(cell.strip() for cell in outcome):
            blank_rows += 1
        else:
            records.append(outcome)
            rows.append(row)
        place, row = place + used, row + 1
    return LineRecords(records, rows, broken, blank_rows)


def _next_row(
    lines: list[str], place: int, delimiter: str, names: tuple[str, ...], row: int
) -> tuple[int, list[str] | BrokenRow]:
    """Return how many lines the row at ``place`` takes, and its cells or what is wrong with it."""
    line = lines[place]
    bad = _unreadable(line, row)
    if bad is not None:
        return 1, bad
    if '"' not in line:
        return 1, fitted(line.split(delimiter), names, row)
    cells, problem = row_of_text(line, delimiter)
    if not problem:
        return 1, fitted(cells, names, row)
    if problem == _UNCLOSED:
        joined = _joined(lines, place, delimiter, len(names))
        if joined is not None:
            used, cells = joined
            bad = _unreadable("\n".join(lines[place : place + used]), row)
            return used, bad or fitted(cells, names, row)
    mend = "Close the quotation mark, or remove it"
    value = "a quotation mark without its pair"
    return 1, BrokenRow(row, "broken quotes", value, mend)


def _unreadable(line: str, row: int) -> BrokenRow | None:
    if line.isascii() and line.isprintable():
        return None
    found = BROKEN_BYTE.search(line) or _CONTROL.search(line)
    if found is None:
        return None
    # the text around it is not shown: it may be the name of a person
    shown = found[0].encode("utf-8", "surrogateescape").hex()
    value = f"byte {shown} at character {found.start() + 1}"
    mend = "Correct the characters in the file, or declare the encoding it was written in"
    return BrokenRow(row, "unreadable bytes", value, mend)


def row_of_text(text: str, delimiter: str) -> tuple[list[str], str]:
    """Cells of one row, and the problem if its quotes do not pair."""
    try:
        parsed = list(csv.reader([text], delimiter=delimiter, strict=True))
    except csv.Error as error:
        return [], str(error)
    return (parsed[0] if parsed else []), ""


def _joined(
    lines: list[str], place: int, delimiter: str, width: int
) -> tuple[int, list[str]] | None:
    """Return lines and cells of a row whose quoted cell spans several lines, if it is one.

    A line that would make a whole row by itself speaks against it: then a quote is missing.
    """
    for used in range(2, min(MOST_LINES, len(lines) - place) + 1):
        last = lines[place + used - 1]
        if last.count('"') % 2 == 0 and _is_whole_row(last, delimiter, width):
            return None
        # joined lines are parsed as one: the reader takes a list of lines as one text
        try:
            parsed = list(
                csv.reader(
                    [line + "\n" for line in lines[place : place + used]],
                    delimiter=delimiter,
                    strict=True,
                )
            )
        except csv.Error as error:
            if str(error) != _UNCLOSED:
                return None
            continue
        return (used, parsed[0]) if len(parsed) == 1 else None
    return None


def _is_whole_row(line: str, delimiter: str, width: int) -> bool:
    cells, problem = row_of_text(line, delimiter)
    return width > 2 and not problem and len(cells) == width


def fitted(cells: list[str], names: tuple[str, ...], row: int) -> list[str] | BrokenRow:
    """Cells made as many as the header's, where only blank or unnamed ones differ."""
    width = len(names)
    if len(cells) == width:
        return cells
    if not any(cell.strip() for cell in cells):
        return [""] * width
    if len(cells) > width:
        if not any(cell.strip() for cell in cells[width:]):
            return cells[:width]
        mend = "Put a cell that holds the delimiter into quotation marks, or remove the extra cells"
        reason = "too many fields"
    else:
        if not any(names[len(cells) :]):
            return cells + [""] * (width - len(cells))
        mend = "Complete the row: cells are missing, or the row was cut off"
        reason = "too few fields"
    value = f"{len(cells)} fields, the header has {width}"
    return BrokenRow(row, reason, value, mend)
