"""Lines of delimited text that are no whole rows by themselves, settled one by one.

Layer: logbook. One bad row costs that row only, never the rows after it.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from relkit.logbook.encodings import BROKEN_BYTE
from relkit.logbook.text_table import BrokenRow

__all__ = ["SettledLines", "fitted", "odd_lines", "row_of_text", "settled_lines", "split_lines"]

#: A quoted cell may hold so many line breaks; a longer one is an unclosed quote.
MOST_LINES = 100

_CONTROL = re.compile("[\x00-\x08\x0e-\x1f\x7f]")
_UNCLOSED = "unexpected end of data"


@dataclass(frozen=True, slots=True, eq=False)
class SettledLines:
    """What became of the odd lines, and the row number of every line."""

    records: list[list[str]]  #: rows with the right number of cells
    record_rows: list[int]  #: their row numbers
    broken: list[BrokenRow]
    blank_rows: int
    taken: NDArray[np.bool_]  #: for each line: it was settled here
    rows: NDArray[np.int64]  #: for each line: the number of the row it belongs to


def split_lines(text: str) -> list[str]:
    """Lines of a text; the last line end begins no new line."""
    lines = re.split("\r\n|\n|\r", text) if "\r" in text else text.split("\n")
    if lines and lines[-1] == "":
        lines.pop()
    return lines


def odd_lines(lines: list[str], delimiter: str, *, readable: bool = False) -> NDArray[np.int64]:
    """Places of the lines that are no whole rows by themselves.

    A line is one if each quote stands where it may: at the ends of a cell, or doubled within a
    quoted cell, or inside a cell that does not begin with one. Lines with characters that no
    text has are odd too; ``readable`` says that there are none, which saves the search.
    """
    if readable:
        unreadable = np.zeros(len(lines), dtype=bool)
    else:
        found = (_unreadable(line) for line in lines)
        unreadable = np.fromiter(found, dtype=bool, count=len(lines))
    odd = np.flatnonzero(unreadable)
    quoted = [n for n, line in enumerate(lines) if '"' in line]
    quoted = [n for n in quoted if not unreadable[n]] if len(odd) else quoted
    if not quoted:
        return odd
    sign = re.escape(delimiter)
    cell = rf'(?:"(?:[^"]|"")*"|[^"{sign}][^{sign}]*|)'
    array = pa.array([lines[n] for n in quoted], type=pa.string())
    whole = pc.match_substring_regex(array, rf"^{cell}(?:{sign}{cell})*$")
    broken = np.array(quoted)[~whole.to_numpy(zero_copy_only=False)]
    return np.union1d(odd, broken).astype(np.int64)


def settled_lines(
    lines: list[str],
    odd: NDArray[np.int64],
    *,
    delimiter: str,
    names: tuple[str, ...],
    first_row: int,
) -> SettledLines:
    """Rows that the odd lines make: cells over several lines joined, the others broken.

    Parameters
    ----------
    lines : list of str
        All lines below the header; broken bytes marked as surrogates.
    odd : int array
        Places of the odd ones, from :func:`odd_lines`.
    delimiter : str
        What parts the cells.
    names : tuple of str
        The header: says how many cells a row has.
    first_row : int
        Row number of the first line.
    """
    records: list[list[str]] = []
    record_rows: list[int] = []
    broken: list[BrokenRow] = []
    taken = np.zeros(len(lines), dtype=bool)
    folded = np.zeros(len(lines), dtype=np.int64)
    next_line = count = blank_rows = 0
    for place in odd.tolist():
        if place < next_line:
            continue
        row = first_row + place - count
        used, outcome = _next_row(lines, place, delimiter, names, row)
        taken[place : place + used] = True
        folded[place + 1 : place + used] = 1
        next_line, count = place + used, count + used - 1
        if isinstance(outcome, BrokenRow):
            broken.append(outcome)
        elif any(cell.strip() for cell in outcome):
            records.append(outcome)
            record_rows.append(row)
        else:
            blank_rows += 1
    rows = first_row + np.arange(len(lines)) - np.cumsum(folded)
    return SettledLines(records, record_rows, broken, blank_rows, taken, rows)


def _next_row(
    lines: list[str], place: int, delimiter: str, names: tuple[str, ...], row: int
) -> tuple[int, list[str] | BrokenRow]:
    """Return how many lines the row at ``place`` takes, and its cells or what is wrong with it."""
    line = lines[place]
    if _unreadable(line):
        return 1, _unreadable_row(line, row)
    cells, problem = row_of_text(line, delimiter)
    if not problem:
        return 1, fitted(cells, names, row)
    if problem == _UNCLOSED:
        joined = _joined(lines, place, delimiter, len(names))
        if joined is not None:
            used, cells = joined
            text = "\n".join(lines[place : place + used])
            bad = _unreadable_row(text, row) if _unreadable(text) else None
            return used, bad or fitted(cells, names, row)
    mend = "Close the quotation mark, or remove it"
    return 1, BrokenRow(row, "broken quotes", "a quotation mark without its pair", mend)


def _unreadable(text: str) -> bool:
    if text.isascii() and text.isprintable():
        return False
    return bool(BROKEN_BYTE.search(text) or _CONTROL.search(text))


def _unreadable_row(text: str, row: int) -> BrokenRow:
    found = BROKEN_BYTE.search(text) or _CONTROL.search(text)
    # the text around it is not shown: it may be the name of a person
    shown = found[0].encode("utf-8", "surrogateescape").hex() if found else ""
    value = f"byte {shown} at character {found.start() + 1 if found else 0}"
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
        if '"' not in last:  # the cell cannot end here
            continue
        # joined lines are parsed as one: the reader takes a list of lines as one text
        ended = [line + "\n" for line in lines[place : place + used]]
        try:
            parsed = list(csv.reader(ended, delimiter=delimiter, strict=True))
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
