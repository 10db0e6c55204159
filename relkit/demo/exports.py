"""Dirty rows as the files that the depots sent, and the key of every row in them.

Layer: demo. Row numbers count as a person sees them: the first line or sheet row is 1.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["EXPORTS", "Export", "csv_text", "exported_log", "key_rows"]


@dataclass(frozen=True, slots=True)
class Export:
    """One file of the log: which rows, which form."""

    name: str
    year: int
    depot: str = ""  #: blank: both
    columns: tuple[tuple[str, str], ...] = ()  #: heading and our column, in order
    date_pattern: str = "%d/%m/%Y"
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"


_COLUMNS_2022 = (
    ("Job no.", "job"), ("Opened", "date"), ("Finished", "done"), ("Vehicle", "vehicle"),
    ("Depot", "depot"), ("Part", "component"), ("Position", "location"), ("Found", "finding"),
    ("Done", "action"), ("Hours", "engine_hours"), ("Serial off", "serial_out"),
    ("Serial on", "serial_in"), ("Down h", "downtime_hours"), ("Labour h", "labour_hours"),
    ("Cost", "cost"), ("Remarks", "note"), ("Technician", "technician"), ("Driver", "driver"),
)  # fmt: skip
_COLUMNS_LATER = (
    ("Job", "job"), ("Date", "date"), ("Date done", "done"), ("Vehicle", "vehicle"),
    ("Item", "component"), ("Mounted at", "location"), ("Fault", "finding"), ("Work", "action"),
    ("Engine hours", "engine_hours"), ("Old serial", "serial_out"), ("New serial", "serial_in"),
    ("Downtime h", "downtime_hours"), ("Labour h", "labour_hours"), ("Cost", "cost"),
    ("Note", "note"), ("Technician", "technician"),
)  # fmt: skip
#: Workbook of 2021: heading over several columns, own heading, our column.
_COLUMNS_2021 = (
    ("Vehicle", "", "vehicle"), ("Job", "number", "job"), ("Job", "opened", "date"),
    ("Item", "part", "component"), ("Item", "position", "location"),
    ("Work", "found", "finding"), ("Work", "done", "action"), ("Meter", "hours", "engine_hours"),
    ("Serial", "off", "serial_out"), ("Serial", "on", "serial_in"),
    ("Time", "down", "downtime_hours"), ("Time", "labour", "labour_hours"), ("Cost", "", "cost"),
    ("Remarks", "", "note"), ("Technician", "", "technician"),
)  # fmt: skip
_HEADER_ROW_2021 = 3  #: a title and a blank row stand above
_NUMBERS = ("engine_hours", "downtime_hours", "labour_hours", "cost")

EXPORTS: tuple[Export, ...] = (
    Export("log_2021.xlsx", 2021),
    Export("log_2022.csv", 2022, "", _COLUMNS_2022, delimiter=";", decimal=",", encoding="cp1252"),
    *(
        Export(f"log_{year}_{depot.lower()}.csv", year, depot, _COLUMNS_LATER, pattern, **form)
        for depot, pattern, form in (
            ("Quillmoor", "%d/%m/%Y", {}),
            ("Harnfield", "%m/%d/%Y", {"encoding": "utf-8-sig"}),
        )
        for year in (2023, 2024, 2025)
    ),
)


def exported_log(rows: pd.DataFrame) -> tuple[dict[str, bytes], pd.DataFrame]:
    """Return the files of the log, name to content, and the key of their rows.

    Parameters
    ----------
    rows : DataFrame
        Dirty rows, by ``file_day``.

    Returns
    -------
    files : dict
        Name to content; the same rows give the same bytes.
    key : DataFrame
        source ("FILE:ROW"), kind, row_class, planted, truth: one row per row of the files.
    """
    files, keys = {}, []
    year = rows["file_day"].to_numpy().astype("datetime64[D]").astype("datetime64[Y]")
    number = year.astype(int) + 1970
    for export in EXPORTS:
        chosen = (number == export.year) & (rows["depot"].eq(export.depot) | (export.depot == ""))
        part = _with_done(rows[chosen])
        if export.name.endswith(".xlsx"):
            part = _by_vehicle(part)
            files[export.name], first_row = _workbook(part), _HEADER_ROW_2021 + 2
        else:
            part = _with_totals(part)
            files[export.name], first_row = _delimited(part, export), 2
        keys.append(key_rows(part, export.name, "log", first_row))
    return files, pd.concat(keys, ignore_index=True)


def key_rows(rows: pd.DataFrame, file: str, kind: str, first_row: int) -> pd.DataFrame:
    """Return the key of rows that stand one below the other in a file from ``first_row`` on."""
    numbers = np.arange(first_row, first_row + len(rows)).astype(str).astype(object)
    return pd.DataFrame(
        {
            "source": file + ":" + numbers,
            "kind": kind,
            "row_class": rows["row_class"].to_numpy(),
            "planted": rows["planted"].to_numpy(),
            "truth": rows["truth"].to_numpy(),
        }
    )


def csv_text(rows: list[list[str]], delimiter: str = ",") -> str:
    """Return lines of quoted cells, each ended by a line feed."""
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return buffer.getvalue()


def _with_done(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with the date on which the work was done, as a date."""
    done = np.floor(rows["done_day"].fillna(rows["day"]))
    days = np.maximum(done, rows["day"]).to_numpy().astype("datetime64[D]")
    return rows.assign(done=days.astype("datetime64[ns]"), total="")


def _totals(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per month with the sums that a report adds."""
    month = rows["file_day"].to_numpy().astype("datetime64[D]").astype("datetime64[M]")
    sums = rows.assign(month=month.astype("datetime64[ns]")).groupby("month", as_index=False)
    table = sums[["labour_hours", "cost"]].sum()
    last = table["month"].to_numpy().astype("datetime64[M]") + 1
    file_day = last.astype("datetime64[D]").astype(np.float64) - 0.5
    text = "Total " + table["month"].dt.strftime("%B %Y")
    blank = pd.DataFrame("", index=table.index, columns=rows.columns)
    return blank.assign(
        total=text,
        file_day=file_day,
        labour_hours=table["labour_hours"].round(1),
        cost=table["cost"].round(2),
        date=np.datetime64("NaT", "ns"),
        done=np.datetime64("NaT", "ns"),
        engine_hours=np.nan,
        downtime_hours=np.nan,
        row_class="set aside",
        planted="monthly total",
        truth="no job",
    )


def _with_totals(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with a total after each month, its words in the column of the job number."""
    totals = _totals(rows)
    table = pd.concat([rows, totals.assign(job=totals["total"])], ignore_index=True)
    return table.sort_values("file_day", kind="stable", ignore_index=True)


def _by_vehicle(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows grouped by vehicle, the first one naming it; totals at the end."""
    ordered = rows.sort_values(["owner", "file_day"], kind="stable")
    name = ordered.groupby("owner")["vehicle"].transform("first")
    ordered = ordered.assign(vehicle=name)
    totals = _totals(rows)
    return pd.concat([ordered, totals.assign(vehicle=totals["total"])], ignore_index=True)


def _delimited(rows: pd.DataFrame, export: Export) -> bytes:
    cells = [_cells(rows[ours], ours, export) for _, ours in export.columns]
    lines = [[heading for heading, _ in export.columns], *map(list, zip(*cells, strict=True))]
    text = csv_text(lines, export.delimiter)
    return text.encode(export.encoding)


def _cells(column: pd.Series, name: str, export: Export) -> list[str]:
    """Cells of one column as the file writes them."""
    if name in ("date", "done"):
        return pd.to_datetime(column).dt.strftime(export.date_pattern).fillna("").tolist()
    if name in _NUMBERS:
        numbers = pd.to_numeric(column)
        digits = "{:.2f}" if name == "cost" else "{:.1f}"
        texts = ["" if np.isnan(value) else digits.format(value) for value in numbers]
        return [text.replace(".", export.decimal) for text in texts]
    texts = column.astype(str).tolist()
    if export.encoding != "cp1252":
        return texts
    if name == "note":  # typed in an office program, which made dashes of signs
        return [text.replace(", ", " \N{EN DASH} ") for text in texts]
    return [text.replace(" ", "\N{NO-BREAK SPACE}") for text in texts]


def _workbook(rows: pd.DataFrame) -> bytes:
    """Sheet with a title, two header rows and merged vehicle cells."""
    import xlsxwriter  # loaded on use

    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer, {"in_memory": True, "strings_to_formulas": False, "nan_inf_to_errors": False}
    )
    book.set_properties({"created": datetime(2022, 1, 10), "title": "Repairs 2021"})
    sheet = book.add_worksheet("Repairs")
    sheet.write(0, 0, "Repairs 2021, both depots")
    _write_headings(sheet, book.add_format({"bold": True}))
    dated = book.add_format({"num_format": "dd/mm/yyyy"})
    first = _HEADER_ROW_2021 + 1
    _write_vehicles(sheet, rows["vehicle"].tolist(), first)
    for place, (_, _, name) in enumerate(_COLUMNS_2021):
        column = pd.to_numeric(rows[name]) if name in _NUMBERS else rows[name]
        for row, value in enumerate(column if name != "vehicle" else ()):
            if pd.isna(value) or value == "":
                continue
            if name == "date":
                sheet.write_datetime(first + row, place, value.to_pydatetime(), dated)
            elif name in _NUMBERS:
                sheet.write_number(first + row, place, float(value))
            else:
                sheet.write_string(first + row, place, str(value))
    book.close()
    return buffer.getvalue()


def _write_headings(sheet: Any, bold: Any) -> None:
    """Headings over one or several columns, and each column's own below."""
    top = [heading for heading, _, _ in _COLUMNS_2021]
    upper, lower = _HEADER_ROW_2021 - 1, _HEADER_ROW_2021
    for place, (heading, own, _) in enumerate(_COLUMNS_2021):
        sheet.write(lower, place, own, bold)
        if top.index(heading) != place:
            continue
        last = place + top.count(heading) - 1
        if last > place:
            sheet.merge_range(upper, place, upper, last, heading, bold)
        else:
            sheet.write(upper, place, heading, bold)


def _write_vehicles(sheet: Any, names: list[str], first: int) -> None:
    """Vehicle names, a run of equal ones as one merged cell."""
    start = 0
    for row in range(1, len(names) + 1):
        if row < len(names) and names[row] == names[start]:
            continue
        if row - start > 1:
            sheet.merge_range(first + start, 0, first + row - 1, 0, names[start])
        else:
            sheet.write_string(first + start, 0, names[start])
        start = row
