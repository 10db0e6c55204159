"""The dirty log's files read back, row by row, against the rows and the key."""

from __future__ import annotations

import csv
import io

import numpy as np
import openpyxl
import pandas as pd
import pytest

from relkit.demo.dirt import dirty_rows
from relkit.demo.exports import EXPORTS, csv_text, exported_log
from relkit.demo.frames import DemoHistory
from relkit.demo.spelling import misspelt


@pytest.fixture(scope="module")
def rows(shared_history: DemoHistory) -> pd.DataFrame:
    clean = dirty_rows(shared_history, np.random.default_rng(1), size=1)
    return misspelt(clean, np.random.default_rng(2))


@pytest.fixture(scope="module")
def exported(rows: pd.DataFrame) -> tuple[dict[str, bytes], pd.DataFrame]:
    return exported_log(rows)


def lines(content: bytes, encoding: str, delimiter: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode(encoding)), delimiter=delimiter))


def test_the_key_has_each_row_of_each_file_once(
    rows: pd.DataFrame, exported: tuple[dict[str, bytes], pd.DataFrame]
) -> None:
    # Source: rows of the files counted by the csv module and by openpyxl.
    files, key = exported
    assert list(files) == [export.name for export in EXPORTS]
    assert key["source"].is_unique
    for export in EXPORTS:
        own = key[key["source"].str.startswith(export.name + ":")]
        numbers = own["source"].str.rpartition(":")[2].astype(int).tolist()
        if export.name.endswith(".xlsx"):
            sheet = openpyxl.load_workbook(io.BytesIO(files[export.name])).active
            assert sheet is not None
            assert numbers == list(range(5, sheet.max_row + 1))
        else:
            count = len(lines(files[export.name], export.encoding, export.delimiter))
            assert numbers == list(range(2, count + 1))
    totals = key["planted"].eq("monthly total")
    assert (~totals).sum() == len(rows)
    assert key.loc[totals, "row_class"].eq("set aside").all()
    assert totals.sum() == 12 + 12 + 2 * (12 + 12 + 6)


def test_key_and_row_say_the_same(
    rows: pd.DataFrame, exported: tuple[dict[str, bytes], pd.DataFrame]
) -> None:
    # Source: job numbers and notes of the rows before they were written.
    files, key = exported
    classes = key.set_index("source")["row_class"]
    known = rows.assign(note=rows["note"].str.replace(", ", " \u2013 "))
    for export in EXPORTS[1:]:
        table = lines(files[export.name], export.encoding, export.delimiter)
        places = [ours for _, ours in export.columns]
        job, note, cost = (places.index(name) for name in ("job", "note", "cost"))
        source = known if export.encoding == "cp1252" else rows
        found = {
            (one.job, one.note, f"{one.cost:.2f}".replace(".", export.decimal)): one.row_class
            for one in source.itertuples()
        }
        for number, cells in enumerate(table[1:], start=2):
            if cells[job].startswith("Total"):
                continue
            expected = found[cells[job], cells[note], cells[cost]]
            assert classes[f"{export.name}:{number}"] == expected


def test_dates_are_written_as_each_depot_writes_them(
    exported: tuple[dict[str, bytes], pd.DataFrame],
) -> None:
    # Source: own scenario: one depot writes DD/MM, the other MM/DD; within a file they run on.
    files, _ = exported
    for export in EXPORTS[2:]:
        table = lines(files[export.name], export.encoding, export.delimiter)
        dates = [cells[1] for cells in table[1:] if cells[1]]
        parsed = pd.to_datetime(pd.Series(dates), format=export.date_pattern)
        assert export.date_pattern == ("%m/%d/%Y" if "harn" in export.name else "%d/%m/%Y")
        assert parsed.diff().dropna().dt.days.ge(0).mean() > 0.95  # some years are mistyped
        assert parsed.dt.year.eq(export.year).mean() > 0.97
        day = 1 if export.depot == "Harnfield" else 0
        assert max(int(text.split("/")[day]) for text in dates) > 12


def test_one_file_is_in_an_old_encoding(exported: tuple[dict[str, bytes], pd.DataFrame]) -> None:
    # Source: own scenario: decimal comma in one year's file; a legacy encoding with no-break
    # spaces. Byte 0xA0 is a no-break space and 0x96 a dash in code page 1252.
    content = exported[0]["log_2022.csv"]
    assert b"\xa0" in content
    assert b"\x96" in content
    with pytest.raises(UnicodeDecodeError):
        content.decode("utf-8")
    table = lines(content, "cp1252", ";")
    hours = [cells[9] for cells in table[1:] if cells[9]]
    assert all(text.count(",") == 1 and "." not in text for text in hours)
    assert exported[0]["log_2023_harnfield.csv"].startswith(b"\xef\xbb\xbf")


def test_the_workbook_has_two_header_rows_and_merged_cells(
    exported: tuple[dict[str, bytes], pd.DataFrame],
) -> None:
    # Source: own scenario; read back by openpyxl.
    sheet = openpyxl.load_workbook(io.BytesIO(exported[0]["log_2021.xlsx"])).active
    assert sheet is not None
    table = list(sheet.iter_rows(values_only=True))
    assert table[0][0] == "Repairs 2021, both depots"
    assert table[2][:4] == ("Vehicle", "Job", None, "Item")
    assert table[3][:4] == (None, "number", "opened", "part")
    merged = [one for one in sheet.merged_cells.ranges if one.min_row > 4]
    assert len(merged) > 20
    assert all(one.min_col == one.max_col == 1 for one in merged)
    for one in merged:
        jobs = [table[row - 1][1] for row in range(one.min_row, one.max_row + 1)]
        assert all(jobs)
    assert [row[0] for row in table[-12:]][::11] == ["Total January 2021", "Total December 2021"]


def test_totals_are_the_sums_of_their_month(
    exported: tuple[dict[str, bytes], pd.DataFrame],
) -> None:
    # Source: sums by hand over the lines above.
    table = lines(exported[0]["log_2024_quillmoor.csv"], "utf-8", ",")
    cost = 0.0
    for cells in table[1:]:
        if cells[0].startswith("Total "):
            assert float(cells[13]) == pytest.approx(cost, abs=0.005)
            assert cells[1:12] == [""] * 11
            cost = 0.0
        else:
            cost += float(cells[13])


def test_cells_with_signs_are_quoted() -> None:
    # Source: RFC 4180, section 2: fields with commas or quotes stand in double quotes.
    assert csv_text([["a,b", 'say "x"', "c"]]) == '"a,b","say ""x""",c\n'
