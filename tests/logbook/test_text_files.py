"""Delimited text: delimiter, headers, blank lines, quotes, ragged rows; row numbers exact."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from relkit.errors import InputError
from relkit.logbook.text_files import read_text_file
from relkit.logbook.text_table import TextTable
from relkit.study.settings import Source


@pytest.fixture
def table_of(tmp_path: Path) -> Callable[..., TextTable]:
    def read(content: str | bytes, **settings: Any) -> TextTable:
        path = tmp_path / "log.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        source = Source(path="log.csv", **settings)
        return read_text_file(
            path, file="log.csv", source=source, wanted=("date", "vehicle"), study_path="study.toml"
        )

    return read


def cells(table: TextTable) -> list[list[str]]:
    columns = [column.to_pylist() for column in table.cells.columns]
    return [list(row) for row in zip(*columns, strict=True)]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiter_is_found_by_the_names_asked_for(
    table_of: Callable[..., TextTable], delimiter: str
) -> None:
    lines = ["note, if any|vehicle|date", "a; b, c|GR-01|2023-01-05"]
    table = table_of("\n".join(line.replace("|", delimiter) for line in lines[:1]) + "\n")
    assert table.delimiter == delimiter or delimiter == ","
    text = f"vehicle{delimiter}date{delimiter}note\nGR-01{delimiter}2023-01-05{delimiter}x\n"
    table = table_of(text)
    assert (table.delimiter, table.names) == (delimiter, ("vehicle", "date", "note"))
    assert cells(table) == [["GR-01", "2023-01-05", "x"]]


def test_rows_are_numbered_as_a_spreadsheet_shows_them(table_of: Callable[..., TextTable]) -> None:
    # Own algebra: header 1, a 2, blank 3, two lines in one cell 4, b 5, commas only 6, c 7.
    text = 'date,vehicle,note\n1,a,\n\n2,b,"two\nlines"\n3,c,\n,,\n4,d,\n'
    table = table_of(text)
    assert table.rows.tolist() == [2, 4, 5, 7]
    assert table.blank_rows == 2
    assert cells(table)[1] == ["2", "b", "two\nlines"]


def test_ragged_rows_cost_themselves_only(table_of: Callable[..., TextTable]) -> None:
    text = "date,vehicle,note\n1,a,x\n2,b\n3,c,x,y\n4,d,x,,\n5,e,z\n"
    table = table_of(text)
    assert table.rows.tolist() == [2, 5, 6]
    assert cells(table)[1] == ["4", "d", "x"]
    assert [(one.row, one.reason) for one in table.broken] == [
        (3, "too few fields"),
        (4, "too many fields"),
    ]
    assert table.broken[0].value == "2 fields, the header has 3"


def test_unnamed_last_columns_may_be_missing(table_of: Callable[..., TextTable]) -> None:
    table = table_of("date,vehicle,,\n1,a\n2,b,c,d\n")
    assert table.rows.tolist() == [2, 3]
    assert not table.broken


def test_a_quote_that_never_closes_costs_one_row(table_of: Callable[..., TextTable]) -> None:
    text = 'date,vehicle,note\n1,a,"open\n2,b,"shut"\n3,c,plain\n4,d,"say ""hi"""\n'
    table = table_of(text)
    assert table.rows.tolist() == [3, 4, 5]
    assert [(one.row, one.reason) for one in table.broken] == [(2, "broken quotes")]
    assert cells(table)[2] == ["4", "d", 'say "hi"']


def test_uneven_rows_after_a_cell_over_lines_keep_their_numbers(
    table_of: Callable[..., TextTable],
) -> None:
    table = table_of('date,vehicle,note\n1,a,"two\nlines"\n2,b\n3,c,x\n4,d,"open\n5,e\n')
    assert table.rows.tolist() == [2, 4]
    assert [(one.row, one.reason) for one in table.broken] == [
        (3, "too few fields"),
        (5, "broken quotes"),
        (6, "too few fields"),
    ]


def test_a_quote_inside_a_plain_cell_is_a_letter(table_of: Callable[..., TextTable]) -> None:
    assert cells(table_of('date,vehicle,note\n1,a,5" pipe\n')) == [["1", "a", '5" pipe']]


def test_a_broken_byte_costs_one_row(table_of: Callable[..., TextTable]) -> None:
    data = "date,vehicle,note\n1,a,é è à\n2,b,é\n3,c,ç\n".encode()
    place = data.index("2,b,é".encode()) + 4
    table = table_of(data[:place] + data[place + 1 :])
    assert table.rows.tolist() == [2, 4]
    assert [(one.row, one.reason) for one in table.broken] == [(3, "unreadable bytes")]


def test_a_zero_byte_costs_one_row(table_of: Callable[..., TextTable]) -> None:
    text = "date,vehicle,note\n" + "1,a,plenty of text here\n" * 20
    table = table_of(text.replace("plenty", "pl\0nty", 1))
    assert len(table.rows) == 19
    assert [one.row for one in table.broken] == [2]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_all_line_ends_are_lines(table_of: Callable[..., TextTable], end: str) -> None:
    table = table_of(end.join(["date,vehicle", "1,a", "", "2,b"]))
    assert table.rows.tolist() == [2, 4]


def test_header_further_down_and_over_two_rows(table_of: Callable[..., TextTable]) -> None:
    text = "Repairs 2021\n\ndate,vehicle,Meter,,Work\n,,hours,km,\n1,a,5,6,x\n"
    table = table_of(text, header_row=3, header_rows=2)
    assert table.names == ("date", "vehicle", "Meter hours", "Meter km", "Work")
    assert table.rows.tolist() == [5]


def test_line_break_in_a_header_cell(table_of: Callable[..., TextTable]) -> None:
    table = table_of('date,"vehicle\nnumber"\n1,a\n')
    assert table.names == ("date", "vehicle number")
    assert table.rows.tolist() == [2]


def test_header_beyond_the_end_is_refused(table_of: Callable[..., TextTable]) -> None:
    with pytest.raises(InputError, match=r"log\.csv, row 9: the file has 2 rows"):
        table_of("date,vehicle\n1,a\n", header_row=9)
    with pytest.raises(InputError, match="header row is blank"):
        table_of("date,vehicle\n,\n1,a\n", header_row=2)


def by_hand(text: str, width: int) -> dict[int, list[str]]:
    """Row number -> cells by the csv module alone, for text whose quotes are right."""
    rows = csv.reader(io.StringIO(text))
    numbered = enumerate(rows, start=1)
    return {n: row for n, row in numbered if n > 1 and len(row) == width and any(row)}


@pytest.mark.parametrize("seed", range(8))
def test_agrees_with_a_plain_reader_on_random_text(
    table_of: Callable[..., TextTable], seed: int
) -> None:
    # Source: independent reference in this file (the csv module, record by record).
    rng = np.random.default_rng(seed)
    words = ["", "a", "x y", "1,5", "two\nlines", 'say "hi"', "é", "-"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["date", "vehicle", "note"])
    for _ in range(200):
        width = 3 if rng.random() < 0.9 else int(rng.integers(1, 6))
        writer.writerow([words[k] for k in rng.integers(0, len(words), width)])
        if rng.random() < 0.05:
            out.write("\n")
    text = out.getvalue()
    table = table_of(text)
    found = dict(zip(table.rows.tolist(), cells(table), strict=True))
    expected = by_hand(text, 3)
    # rows with blank extra cells are mended by relkit, skipped by the plain reader
    assert {row: found[row] for row in expected} == expected
    mended = set(found) - set(expected)
    assert all(row not in {one.row for one in table.broken} for row in mended)
    last = sum(1 for _ in csv.reader(io.StringIO(text)))
    accounted = len(found) + len(table.broken) + table.blank_rows
    assert accounted == last - 1
