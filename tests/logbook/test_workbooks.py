"""Workbooks: sheets, header rows, merged cells, typed cells, and files that are none."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from typing import Any

import openpyxl
import pytest

from relkit.errors import InputError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]


def workbook(rows: list[list[Any]], *, sheet: str = "Jobs", merge: tuple[str, ...] = ()) -> bytes:
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    page.title = sheet
    for row in rows:
        page.append(row)
    for cells in merge:
        page.merge_cells(cells)
    book.create_sheet("Empty")
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


ROWS: list[list[Any]] = [
    ["Repairs 2021"],
    [],
    ["Vehicle", "Day", "Part", "", "Meter"],
    ["", "", "what", "where", "hours"],
    ["GR-01", dt.datetime(2023, 1, 5, 8, 30), "camera", "rear high", 1000.5],
    [None, dt.date(2023, 1, 6), "camera", "front", 1001],
    [None, "7/1/2023", "camera", "front", "n/a"],
    ["Total January", None, None, None, 3],
    ["GR-02", 44935, "cable", "rear high", 1500],
]
SOURCE = {
    "path": "jobs.xlsx",
    "header_row": 3,
    "header_rows": 2,
    "fill_down": ["vehicle"],
    "date_format": "day first",
    "columns": {
        "vehicle": "Vehicle",
        "date": "Day",
        "component": "Part what",
        "location": "where",
    },
    "counters": {"engine_hours": "Meter hours"},
    "fixed": {"finding": "failed", "action": "replaced"},
}


def settings(**changes: Any) -> dict[str, Any]:
    return {"files": {"log": [{**SOURCE, **changes}], "register": [{"path": "register.csv"}]}}


def test_merged_cells_two_header_rows_typed_dates_and_totals(log_of: Reader) -> None:
    data = workbook(ROWS, merge=("A5:A7",))
    log = log_of({"jobs.xlsx": data}, settings(sheet="Jobs"))
    jobs = log.jobs.set_index("source")
    assert jobs["vehicle"].to_dict() == {
        "jobs.xlsx:5": "GR-01",
        "jobs.xlsx:6": "GR-01",
        "jobs.xlsx:7": "GR-01",
        "jobs.xlsx:9": "GR-02",
    }
    assert jobs["date"].astype(str).tolist() == [
        "2023-01-05 08:30:00",
        "2023-01-06 00:00:00",
        "2023-01-07 00:00:00",
        "2023-01-09 00:00:00",
    ]
    assert jobs["reading"].tolist()[:2] == [1000.5, 1001.0]
    assert log.set_aside[["source", "reason", "value"]].to_numpy().tolist() == [
        ["jobs.xlsx:8", "not a job", "Total January"]
    ]
    filled = log.findings[log.findings["rule"] == "filled down"]
    assert filled["rows"].tolist() == [2]


def test_merged_cells_that_are_not_filled_down_are_pointed_out(log_of: Reader) -> None:
    # Source: counted by hand: A5:A7 is merged; a merged header says nothing.
    data = workbook(ROWS, merge=("A5:A7", "A3:A4", "C3:D3"))
    log = log_of({"jobs.xlsx": data}, settings(fill_down=[]))
    told = log.findings.set_index("rule").loc["merged cells"]
    assert told[["what", "where"]].tolist() == [
        'Cells of column "Vehicle" are merged over several rows',
        "jobs.xlsx:5",
    ]
    assert log.files["encoding"].iloc[0] == 'sheet "Jobs"'
    filled = log_of({"jobs.xlsx": data}, settings())
    assert "merged cells" not in set(filled.findings["rule"])


def test_typed_numbers_keep_their_value_under_a_decimal_comma(log_of: Reader) -> None:
    log = log_of({"jobs.xlsx": workbook(ROWS)}, settings(decimal=",", thousands="."))
    assert log.jobs["reading"].tolist()[0] == 1000.5


def test_sheet_that_is_not_there_names_the_nearest(log_of: Reader) -> None:
    with pytest.raises(InputError, match=r'no sheet "Job".*nearest is "Jobs".*Jobs, Empty'):
        log_of({"jobs.xlsx": workbook(ROWS)}, settings(sheet="Job"))


def test_empty_sheet_is_refused(log_of: Reader) -> None:
    with pytest.raises(InputError, match="the sheet is empty"):
        log_of({"jobs.xlsx": workbook(ROWS)}, settings(sheet="Empty"))


def test_header_in_another_row_is_found_for_the_mend(log_of: Reader) -> None:
    with pytest.raises(InputError, match="The name stands in row 3: write header_row = 3"):
        log_of({"jobs.xlsx": workbook(ROWS)}, settings(header_row=1, header_rows=1))


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04nonsense", b"no workbook at all"])
def test_file_that_is_no_workbook_is_refused(log_of: Reader, data: bytes) -> None:
    with pytest.raises(InputError, match=r"jobs\.xlsx: the workbook cannot be read"):
        log_of({"jobs.xlsx": data}, settings())


def test_two_sheets_of_one_workbook_have_row_ids_of_their_own(log_of: Reader) -> None:
    book = openpyxl.Workbook()
    for year in ("2022", "2023"):
        page = book.create_sheet(year)
        page.append(["vehicle", "date", "component", "location"])
        page.append(["GR-01", f"{year}-05-05", "camera", "front"])
    out = io.BytesIO()
    book.save(out)
    sources = [{"path": "jobs.xlsx", "sheet": year} for year in ("2022", "2023")]
    files = {"log": sources, "register": [{"path": "register.csv"}]}
    log = log_of({"jobs.xlsx": out.getvalue()}, {"files": files})
    assert log.jobs["source"].tolist() == ["jobs.xlsx[2022]:2", "jobs.xlsx[2023]:2"]
