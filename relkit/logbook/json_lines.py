"""JSON lines (one object per line) to text tables.

Layer: logbook. A line that is no flat object costs that line only.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from relkit.logbook.columns import OUR_COLUMNS
from relkit.logbook.encodings import BROKEN_BYTE, decode
from relkit.logbook.findings import Finding, finding
from relkit.logbook.packed_files import file_bytes
from relkit.logbook.text_lines import split_lines
from relkit.logbook.text_table import BrokenRow, TextTable, table_of_records, tidy_name
from relkit.study.settings import Source

__all__ = ["ENDINGS", "read_json_lines"]

#: File name endings of JSON lines.
ENDINGS = (".jsonl", ".ndjson")

_OURS = frozenset(name for names in OUR_COLUMNS.values() for name in names)


class _Number(str):
    """A number as the file writes it."""

    __slots__ = ()


def read_json_lines(
    path: Path, *, file: str, source: Source, wanted: tuple[str, ...], study_path: str
) -> TextTable:
    """Rows of a file with one JSON object per line; a row's number is that of its line.

    A list or object within a wanted value sets its row aside; in other columns it is not read.
    Numbers stay as they are written, with the decimal sign that the source declares.

    Parameters
    ----------
    path, file, source, wanted, study_path
        As for text files.

    Raises
    ------
    InputError
        The file is empty or no text, or its bytes do not fit the encoding.
    """
    data = file_bytes(path, file)
    decoded = decode(data, file=file, encoding=source.encoding, path=study_path)
    lines = split_lines(decoded.text if decoded.damaged else decoded.data.decode("utf-8"))
    asked = _OURS | {tidy_name(name).casefold() for name in wanted}
    names: dict[str, int] = {}
    records: list[dict[str, Any]] = []
    rows: list[int] = []
    broken: list[BrokenRow] = []
    unread: Counter[str] = Counter()
    for row, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        outcome = _record(line, row, asked, unread)
        if isinstance(outcome, BrokenRow):
            broken.append(outcome)
            continue
        for name in outcome:
            names.setdefault(name, len(names))
        records.append(outcome)
        rows.append(row)
    header = tuple(names)
    cells = [[_text(record.get(name), source.decimal) for name in header] for record in records]
    return TextTable(
        file=file,
        names=header,
        last_names=header,
        cells=table_of_records(cells, len(header)),
        rows=np.array(rows, dtype=np.int64),
        broken=tuple(broken),
        blank_rows=len(lines) - len(rows) - len(broken),
        encoding=f"{decoded.encoding} (JSON lines)",
        head=(header,),
        findings=(*decoded.findings, *_not_read(unread, file)),
    )


def _record(
    line: str, row: int, asked: frozenset[str] | set[str], unread: Counter[str]
) -> dict[str, Any] | BrokenRow:
    """Values of one line by name, or what is wrong with it."""
    if not line.isascii() and BROKEN_BYTE.search(line):
        mend = "Correct the characters in the file, or declare the encoding it was written in"
        return BrokenRow(row, "unreadable bytes", "", mend)
    try:
        pairs: Any = _DECODER.decode(line)
    except (ValueError, RecursionError) as error:
        value = str(error) if isinstance(error, json.JSONDecodeError) else "too deep"
        return BrokenRow(row, "no JSON", value, "Write one whole JSON object per line")
    if not isinstance(pairs, tuple):
        return BrokenRow(
            row, "no JSON object", "a list or a single value", "Write one JSON object per line"
        )
    record: dict[str, Any] = {}
    for given, value in pairs:
        name = tidy_name(given)
        if name in record:
            mend = "Keep one of the two values"
            return BrokenRow(row, "a name twice", name, mend)
        if isinstance(value, list | tuple):
            if name.casefold().replace(" ", "_") in asked or name.casefold() in asked:
                mend = "Write one text or number, or leave the column out of the study"
                return BrokenRow(row, "nested value", name, mend)
            unread[name] += 1
        record[name] = None if isinstance(value, list | tuple) else value
    return record


def _text(value: Any, decimal: str) -> str:
    if value is None:
        return ""
    if isinstance(value, _Number):
        text = str(value)
        if "e" in text or "E" in text:
            text = format(float(text), "f").rstrip("0").rstrip(".")
        return text if decimal == "." else text.replace(".", decimal)
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return str(value)


def _not_read(unread: Counter[str], file: str) -> tuple[Finding, ...]:
    if not unread:
        return ()
    what = f"Values are lists or objects: {', '.join(sorted(unread))}"
    done = "Not read: the study does not ask for them"
    one = finding("nested values", what, sources=[file], rows=sum(unread.values()), done=done)
    return (one,)


def _nothing(_: str) -> None:
    """NaN and the infinities, which JSON has not, are blank."""


_DECODER = json.JSONDecoder(
    object_pairs_hook=tuple, parse_float=_Number, parse_int=_Number, parse_constant=_nothing
)
