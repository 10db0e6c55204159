"""Corrected rows are fed back: they replace the rows set aside, and no count goes wrong."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from relkit.errors import InputError
from relkit.logbook.read import RepairLog
from relkit.present.csv_files import safe_text

Reader = Callable[..., RepairLog]
LOG = """Job,Opened,Unit,component,location,finding,action,hours,note
J1,2023-13-05,GR-01,camera,rear high,failed,replaced,1000,dead
J2,2023-02-07,GR-02,cabel,rear high,failed,replaced,1500,worn
J3,2023-03-09,GR-01
J4,2023-03-10,GR-01,camera,front,no fault found,tested,1100,=ok
"""
SOURCE: Mapping[str, Any] = {
    "path": "log.csv",
    "columns": {"job": "Job", "date": "Opened", "vehicle": "Unit"},
    "counters": {"engine_hours": "hours"},
}
DATE, WORD, BROKEN = "log.csv:2", "log.csv:3", "log.csv:4"


@pytest.fixture
def read(log_of: Reader) -> Callable[..., RepairLog]:
    def log(corrections: bytes | str | None = None, more: Any = (), text: str = LOG) -> RepairLog:
        files: dict[str, Any] = {
            "log": [dict(SOURCE)],
            "register": [{"path": "register.csv", "covariates": {"depot": "depot"}}],
        }
        written: dict[str, Any] = {"log.csv": text}
        if corrections is not None:
            files["corrections"] = [{"path": "corrections.csv"}, *more]
            written["corrections.csv"] = corrections
        words = {"component": {"camera": [], "cable": []}}
        return log_of(written, {"files": files, "words": words})

    return log


def edited(log: RepairLog, corrected: Mapping[str, str]) -> bytes:
    """Return the table of rows set aside as a spreadsheet saves it, a column filled in."""
    table = log.set_aside.assign(corrected=log.set_aside["source"].map(corrected).fillna(""))
    for name in table.columns:
        table[name] = table[name].map(safe_text)
    text = io.StringIO()
    table.to_csv(text, index=False, sep=";")
    return text.getvalue().encode("cp1252")


ALL = {
    DATE: "2023-01-05",
    WORD: "cable",
    BROKEN: "job=J3 | date=2023-03-09 | vehicle=GR-01 | component=camera | location=front | "
    "finding=failed | action=replaced | hours=1050 | note=left | right",
}


def test_corrected_rows_are_read_and_the_count_stays_right(read: Any) -> None:
    # Source: counted by hand: 4 rows, 3 of them set aside, each corrected.
    first = read()
    assert set(first.set_aside["source"]) == {DATE, WORD, BROKEN}
    log = read(edited(first, ALL))
    assert log.set_aside.empty
    jobs = log.jobs.set_index("source")
    assert len(jobs) == log.files["rows"].iloc[0] == 4
    assert str(jobs.loc[DATE, "date"]) == "2023-01-05 00:00:00"
    assert jobs.loc[WORD, "component"] == "cable"
    assert jobs.loc[BROKEN, ["job", "reading", "note"]].tolist() == ["J3", 1050, "left | right"]
    told = log.findings.set_index("rule").loc["corrected by a person"]
    assert (told["rows"], told["where"]) == (3, ", ".join((DATE, WORD, BROKEN)))


def test_lines_that_are_not_filled_in_say_nothing(read: Any) -> None:
    # Source: common practice: the whole table is copied, some lines are corrected.
    first = read()
    log = read(edited(first, {WORD: ALL[WORD]}))
    assert sorted(log.set_aside["source"]) == [DATE, BROKEN]
    assert len(log.jobs) == 2


def test_a_correction_that_is_still_wrong_shows_the_row_as_the_file_has_it(read: Any) -> None:
    # Source: provenance: the original stays the original.
    first = read()
    log = read(edited(first, {DATE: "2023-14-05"}))
    row = log.set_aside.set_index("source").loc[DATE]
    assert row["value"] == "2023-14-05"
    assert row["original"] == first.set_aside.set_index("source").loc[DATE, "original"]
    again = read(edited(log, {DATE: "2023-01-05"}))
    assert DATE in set(again.jobs["source"])


def test_the_names_of_the_file_and_ours_both_serve(read: Any) -> None:
    # Source: own words: "Opened" is what the file calls the date.
    text = f"source,corrected\n{DATE},Opened=2023-01-06 | engine_hours=7 | finding=\n"
    log = read(text)
    row = log.jobs.set_index("source").loc[DATE]
    assert (str(row["date"])[:10], row["reading"], row["finding"]) == ("2023-01-06", 7, "")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("source,corrected\nlog.csv:99,note=x\n", r"csv, row 2: log.csv:99: there is no such row"),
        (
            "source,corrected\nlog.csv,note=x\n",
            "the study reads no such file.*register.csv|log.csv",
        ),
        ("source,corrected\nlgo.csv:2,note=x\n", 'no such file.*nearest file is "log.csv"'),
        (f"source,kind,corrected\n{DATE},register,note=x\n", "reads no such register file"),
        (f"source,corrected\n{DATE},nothing=x\n", '"" is no column of the row.*names are: job'),
        (f"source,column,corrected\n{DATE},Closed,x\n", '"Closed" is no column of the row'),
        (f"source,corrected\n{DATE},note=x\n{DATE},note=y\n", "twice.*corrections.csv, row 2"),
        (f"source,corrected\n{DATE},note=x,y\n", "row 2: too many fields"),
        (f"source,value\n{DATE},x\n", 'column "corrected": there is no such column'),
        ("", "corrections.csv: the file is empty"),
        (
            f"source,original,corrected\n{DATE},job=J9 | note=dead,note=x\n",
            "the row is another one now: job=J1",
        ),
    ],
)
def test_a_correction_that_cannot_be_used_is_refused(read: Any, text: str, message: str) -> None:
    # Source: common practice: a correction is never lost without a word.
    with pytest.raises(InputError, match=message):
        read(text)


def test_a_row_that_moved_is_not_corrected_by_mistake(read: Any) -> None:
    # Source: common practice: a log exported again has other rows under the same numbers.
    corrections = edited(read(), {DATE: "2023-01-05"})
    lines = LOG.splitlines(keepends=True)
    moved = lines[0] + "J0,2023-01-01,GR-02,cable,rear high,failed,replaced,9,new\n" + LOG[61:]
    with pytest.raises(InputError, match="the row is another one now: job=J0"):
        read(corrections, text=moved)


def test_dates_shown_in_another_form_are_the_same_row(read: Any) -> None:
    # Source: rows set aside while lives are built show dates as ISO 8601 and our words.
    text = (
        "source,original,corrected\n"
        "log.csv:5,date=2023-03-10 00:00:00 | job=J4 | component=view camera,action=none\n"
    )
    assert read(text).jobs.set_index("source").loc["log.csv:5", "action"] == "none"


def test_rows_of_the_register_are_corrected_too(read: Any) -> None:
    # Source: counted by hand.
    text = "source,corrected\nregister.csv:3,location=kerb side\n"
    fitments = read(text).fitments.set_index("source")
    assert fitments.loc["register.csv:3", "location"] == "kerb side"


def test_the_files_are_left_alone(read: Any, tmp_path: Path) -> None:
    # Source: common practice.
    corrections = edited(read(), ALL)
    before = (tmp_path / "log.csv").read_bytes()
    read(corrections)
    assert (tmp_path / "log.csv").read_bytes() == before
    assert (tmp_path / "corrections.csv").read_bytes() == corrections


def test_a_workbook_serves_as_well(log_of: Reader) -> None:
    # Source: the same correction, saved by a spreadsheet.
    out = io.BytesIO()
    pd.DataFrame({"source": [WORD], "corrected": ["component=cable"]}).to_excel(out, index=False)
    files = {"log": [dict(SOURCE)], "corrections": [{"path": "fix.xlsx"}]}
    log = log_of({"log.csv": LOG, "fix.xlsx": out.getvalue()}, {"files": files})
    assert log.jobs.set_index("source").loc[WORD, "component"] == "cable"


def test_old_and_new_cells_are_in_the_change_list(read: Any) -> None:
    # Source: the two corrected cells of the row.
    text = f"source,corrected\n{DATE},date=2023-01-06 | hours=7\n"
    lines = read(text).changes
    ours = lines[lines["rule"] == "corrected by a person"]
    assert ours[["source", "old", "new"]].to_numpy().tolist() == [
        [DATE, "2023-13-05", "2023-01-06"],
        [DATE, "1000", "7"],
    ]
