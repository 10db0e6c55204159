"""The workbook, read back by another library."""

from __future__ import annotations

import dataclasses
import zipfile
from datetime import datetime
from pathlib import Path

import openpyxl
import pandas as pd

from relkit.plan.result import Plan
from relkit.present.cautions import CAUTIONS
from relkit.present.workbook import write_workbook

SHEETS = [
    "What to do",
    "Intervals",
    "Due list",
    "Spares",
    "Fits",
    "Lives",
    "Findings",
    "Set aside",
    "About & cautions",
]


def columns_of(sheet: object) -> dict[str, list[object]]:
    head, *rows = sheet.iter_rows(values_only=True)  # type: ignore[attr-defined]
    return {str(name): [row[i] for row in rows] for i, name in enumerate(head)}


def test_sheets_numbers_and_dates_are_those_of_the_plan(plan: Plan, tmp_path: Path) -> None:
    # Source: the made plan, read back by openpyxl.
    book = openpyxl.load_workbook(write_workbook(plan, tmp_path / "plan.xlsx"))
    assert book.sheetnames == SHEETS
    intervals = columns_of(book["Intervals"])
    assert intervals["Interval [h], low"][0] == plan.intervals["interval_lower"][0]
    assert intervals["Interval [h]"][6] is None
    assert intervals["Task"][4] == "Test"
    due = columns_of(book["Due list"])
    assert due["Due on"] == [pd.Timestamp(day).to_pydatetime() for day in plan.due["due_on"]]
    assert isinstance(due["Due on"][0], datetime)
    assert len(columns_of(book["Set aside"])["Row"]) == len(plan.set_aside)
    to_do = columns_of(book["What to do"])
    assert to_do["Why"][0].startswith("It wears out")
    assert "no regular work" in to_do["Service"]
    about = dict(book["About & cautions"].iter_rows(values_only=True))
    assert about["Log period"] == "1 Jan 2021 to 30 Jun 2025"
    assert about["Made by"] == "relkit 0.1.0, seed 1"
    for caution in CAUTIONS:
        assert about[f"Caution: {caution.heading}"] == caution.text


def test_headings_stay_and_filter(plan: Plan, tmp_path: Path) -> None:
    # Source: common practice.
    book = openpyxl.load_workbook(write_workbook(plan, tmp_path / "plan.xlsx"))
    for name in SHEETS[:-1]:
        assert book[name].freeze_panes == "B2"
        assert book[name].auto_filter.ref.startswith("A1:")
    share = book["Intervals"].cell(2, [c.value for c in book["Intervals"][1]].index("Saving") + 1)
    assert share.number_format == "0.0%"


def test_no_text_is_a_formula_or_a_link(hostile: Plan, tmp_path: Path) -> None:
    # Source: common practice: texts that begin like formulas are marked as quoted text.
    path = write_workbook(hostile, tmp_path / "plan.xlsx")
    book = openpyxl.load_workbook(path)
    kinds = [cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row]
    assert "f" not in kinds
    assert all(cell.hyperlink is None for row in book["Due list"].iter_rows() for cell in row)
    cell = book["Due list"]["B2"]
    assert (cell.value, cell.style.startswith("Normal"), cell.quotePrefix) == (
        "@SUM(A1)",
        True,
        True,
    )
    with zipfile.ZipFile(path) as archive:
        sheets = [n for n in archive.namelist() if n.startswith("xl/worksheets/")]
        assert not any(b"<f>" in archive.read(name) for name in sheets)


def test_same_plan_same_bytes(plan: Plan, tmp_path: Path) -> None:
    # Source: a run is a function of study and files: the date inside is that of the log's end.
    first = write_workbook(plan, tmp_path / "first.xlsx")
    assert write_workbook(plan, tmp_path / "second.xlsx").read_bytes() == first.read_bytes()
    with zipfile.ZipFile(first) as archive:
        assert b">2025-07-01T00:00:00Z</dcterms:created>" in archive.read("docProps/core.xml")
        assert {entry.date_time[0] for entry in archive.infolist()} == {1980}


def test_nothing_to_do_is_still_a_workbook(empty: Plan, tmp_path: Path) -> None:
    # Source: common practice.
    book = openpyxl.load_workbook(write_workbook(empty, tmp_path / "plan.xlsx"))
    assert book.sheetnames == SHEETS
    assert set(columns_of(book["What to do"])["Vehicles"]) == {"all"}


def test_endless_limits_are_words(plan: Plan, tmp_path: Path) -> None:
    # Source: own algebra: a sheet has no infinity.
    fits = plan.fits.assign(scale_upper=float("inf"))
    path = write_workbook(dataclasses.replace(plan, fits=fits), tmp_path / "plan.xlsx")
    shown = columns_of(openpyxl.load_workbook(path)["Fits"])
    assert set(shown["Weibull scale [h], high"]) == {"without limit"}
