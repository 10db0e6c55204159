"""The workbook: the plan's tables as sheets with filters, number formats and the cautions.

Layer: present. XlsxWriter is loaded when used. The same plan gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.atomic import replacing
from relkit.present.columns import (
    DUE,
    FINDINGS,
    FITS,
    INTERVALS,
    LIVES,
    SET_ASIDE,
    SPARES,
    VISITS,
    Column,
    heading,
    present_in,
)
from relkit.present.csv_files import about, safe_text
from relkit.present.matter_parts import TREATMENTS_TRIED
from relkit.present.noticed_parts import noticed_sheets
from relkit.present.page_parts import strata_columns
from relkit.present.wording import task_words
from relkit.present.work_columns import work_sheets

__all__ = ["write_workbook"]

#: Most rows of a sheet; longer tables are whole in the CSV files and the sheet says so.
_MOST_ROWS = 100_000

_NUMBER_FORMATS = {
    "count": "#,##0",
    "number": "#,##0.00",
    "amount": "#,##0",
    "exact": "#,##0.###",
    "share": "0.0%",
    "date": "yyyy-mm-dd",
}


def write_workbook(plan: Plan, path: str | Path) -> Path:
    """Write the plan as an Excel workbook and return its path.

    Sheets: What to do, Intervals, Due list, Spares, Fits, Lives, Findings, Set aside,
    About & cautions, and one for each further table that was made. Texts are never taken for
    formulas or links.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    path : str or Path
        The file; it appears whole or not at all.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    import xlsxwriter

    path = Path(path)
    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
        "default_date_format": "yyyy-mm-dd",
    }
    with replacing(path) as temporary:
        book = xlsxwriter.Workbook(str(temporary), options)
        book.set_properties(
            {
                "title": f"{plan.study.name}: maintenance plan",
                "comments": f"relkit {plan.version}",
                "created": plan.observed_until,
            }
        )
        _write_sheets(book, plan)
        book.close()
    return path


def _write_sheets(book: Any, plan: Plan) -> None:
    by, formats = plan.study.by, _formats(book)
    sheets: tuple[tuple[str, pd.DataFrame, Sequence[Column]], ...] = (
        ("What to do", _to_do(plan), strata_columns(VISITS, by)),
        ("Intervals", plan.intervals, strata_columns(INTERVALS, by)),
        ("Due list", plan.due, strata_columns(DUE, by)),
        ("Spares", plan.spares, SPARES),
        ("Fits", plan.fits, strata_columns(FITS, by)),
        ("Lives", plan.lives, LIVES),
        ("Findings", plan.findings, FINDINGS),
        ("Treatments tried", plan.treatments_tried, strata_columns(TREATMENTS_TRIED, by)),
        ("Set aside", plan.set_aside, SET_ASIDE),
        *work_sheets(plan),
        *noticed_sheets(plan),
    )
    cut = []
    for name, table, columns in sheets:
        if not len(table.columns):  # a table that was not made
            continue
        _write_sheet(book, name, table, columns, plan, formats)
        if len(table) > _MOST_ROWS:
            cut.append(f"{name}: the first {_MOST_ROWS:,} of {len(table):,} rows; the CSV has all.")
    _write_about(book, plan, cut, formats)


def _to_do(plan: Plan) -> pd.DataFrame:
    """Visits, then the items without regular work."""
    visits = plan.visits
    idle = plan.intervals[plan.intervals["interval"].isna()]
    shared = [name for name in visits.columns if name in idle.columns and name != "status"]
    rest = idle[shared].assign(vehicles="all", service="no regular work")
    rows = [*visits.to_dict("records"), *rest.to_dict("records")]
    return pd.DataFrame(rows, columns=visits.columns)


def _formats(book: Any) -> dict[str, Any]:
    formats = {
        kind: book.add_format({"num_format": code, "valign": "top"})
        for kind, code in _NUMBER_FORMATS.items()
    }
    formats["text"] = book.add_format({"text_wrap": True, "valign": "top"})
    formats["quoted"] = book.add_format({"text_wrap": True, "valign": "top", "quote_prefix": True})
    formats["head"] = book.add_format(
        {"bold": True, "text_wrap": True, "valign": "bottom", "bottom": 2, "bg_color": "#EAF0F3"}
    )
    formats["bold"] = book.add_format({"bold": True, "valign": "top", "text_wrap": True})
    return formats


def _write_sheet(
    book: Any,
    name: str,
    table: pd.DataFrame,
    columns: Sequence[Column],
    plan: Plan,
    formats: dict[str, Any],
) -> None:
    sheet = book.add_worksheet(name)
    table = table.head(_MOST_ROWS)
    place = 0
    for column in present_in(columns, table):
        title = heading(column, plan.study.clock, plan.study.costs.currency)
        parts = [(column.name, title)]
        if column.lower:
            parts += [(column.lower, f"{title}, low"), (column.upper, f"{title}, high")]
        for source, text in parts:
            sheet.write_string(0, place, text, formats["head"])
            sheet.set_column(place, place, column.width)
            _write_column(sheet, place, table[source], column, formats)
            place += 1
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(len(table), 1), max(place - 1, 0))
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_footer("&L&F, &A&RPage &P of &N")


def _write_column(
    sheet: Any, place: int, values: pd.Series, column: Column, formats: dict[str, Any]
) -> None:
    if column.kind in ("text", "task", "flag"):
        for row, text in enumerate(_texts(values, column), start=1):
            if text:
                guarded = formats["text"] if safe_text(text) == text else formats["quoted"]
                sheet.write_string(row, place, text[:32_767], guarded)
        return
    shape = formats[column.kind]
    known = values.notna().to_numpy()
    for row, value in enumerate(values.tolist(), start=1):
        if not known[row - 1]:
            continue
        if column.kind == "date":
            sheet.write_datetime(row, place, pd.Timestamp(value).to_pydatetime(), shape)
        elif value in (float("inf"), float("-inf")):
            sheet.write_string(row, place, "without limit", formats["text"])
        else:
            sheet.write_number(row, place, value, shape)


def _texts(values: pd.Series, column: Column) -> list[str]:
    known = values.notna().to_numpy()
    words = []
    for value, use in zip(values.tolist(), known, strict=True):
        if not use:
            words.append("")
        elif column.kind == "flag":
            words.append(column.words[0] if value else column.words[1])
        else:
            words.append(task_words(value).verb if column.kind == "task" else str(value))
    return words


def _write_about(book: Any, plan: Plan, cut: Sequence[str], formats: dict[str, Any]) -> None:
    sheet = book.add_worksheet("About & cautions")
    sheet.set_column(0, 0, 34)
    sheet.set_column(1, 1, 110)
    rows = [*about(plan), *(("Not all rows", text) for text in cut)]
    for row, (name, text) in enumerate(rows):
        sheet.write_string(row, 0, name, formats["bold"])
        guarded = formats["text"] if safe_text(text) == text else formats["quoted"]
        sheet.write_string(row, 1, text, guarded)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
