"""Totals, footers and repeated headers are no jobs; merged cells are filled where declared."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
HEADER = "job,date,vehicle,component,location,finding,action,cost\n"
JOB = "J1,2023-01-05,GR-01,camera,front,failed,replaced,300\n"


def settings(**source: Any) -> dict[str, Any]:
    return {
        "files": {"log": [{"path": "log.csv", **source}], "register": [{"path": "register.csv"}]}
    }


@pytest.mark.parametrize(
    "row",
    [
        ",Total January,,,,,,300",
        "Total,,,,,,,300",
        ",,TOTAL 2023,,,,,300",
        "Sub-total:,2023-01-31,,,,,,300",
        ",2023-01-31,Total,,,,,300",
        ",,,Summe,,,,300",
        "Page 3,,,,,,,",
        ",,,,,,,300",
        "End of report,,,,,,,",
        "job,date,vehicle,component,location,finding,action,cost",
        "JOB,DATE,VEHICLE,,,,,",
    ],
)
def test_row_is_no_job(log_of: Reader, row: str) -> None:
    log = log_of({"log.csv": HEADER + JOB + row + "\n"}, settings())
    assert log.set_aside[["source", "reason"]].to_numpy().tolist() == [["log.csv:3", "not a job"]]
    assert len(log.jobs) == 1


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("J2,,GR-01,camera,front,failed,replaced,3", "no date"),
        ("J2,2023-01-05,,camera,front,failed,replaced,3", "no vehicle"),
        ("J2,2023-01-05,Total 7,camera,front,failed,replaced,3", "unknown vehicle"),
    ],
)
def test_incomplete_job_is_not_taken_for_a_total(log_of: Reader, row: str, reason: str) -> None:
    log = log_of({"log.csv": HEADER + JOB + row + "\n"}, settings())
    assert log.set_aside["reason"].tolist() == [reason]


def test_original_is_shown_without_what_is_blank(log_of: Reader) -> None:
    log = log_of({"log.csv": HEADER + JOB + ",Total January,,,,,,300\n"}, settings())
    assert log.set_aside["original"].tolist() == ["date=Total January | cost=300"]


def test_merged_cells_are_filled_only_where_declared(log_of: Reader) -> None:
    text = HEADER + JOB + "J2,2023-02-05,,camera,front,failed,replaced,3\n"
    log = log_of({"log.csv": text}, settings(fill_down=["vehicle"]))
    assert log.jobs["vehicle"].tolist() == ["GR-01", "GR-01"]
    assert log.findings.loc[log.findings["rule"] == "filled down", "rows"].tolist() == [1]
    log = log_of({"log.csv": text}, settings())
    assert log.set_aside["reason"].tolist() == ["no vehicle"]


def test_total_between_merged_cells_is_not_filled_from(log_of: Reader) -> None:
    text = (
        HEADER + JOB + ",,Total,,,,,300\n" + "J2,2023-02-05,,camera,rear high,failed,replaced,3\n"
    )
    log = log_of({"log.csv": text}, settings(fill_down=["vehicle"]))
    assert log.jobs["vehicle"].tolist() == ["GR-01", "GR-01"]
    assert log.set_aside["reason"].tolist() == ["not a job"]


def test_broken_row_stops_the_filling(log_of: Reader) -> None:
    # The broken row may have begun the next vehicle's block: its blanks must not be guessed.
    text = (
        HEADER
        + JOB
        + "J2,2023-02-05,GR-02,cable\n"
        + "J3,2023-03-05,,cable,rear high,failed,replaced,3\n"
    )
    log = log_of({"log.csv": text}, settings(fill_down=["vehicle"]))
    assert log.set_aside["reason"].tolist() == ["too few fields", "no vehicle"]


def test_filling_does_not_run_into_the_next_file(log_of: Reader) -> None:
    second = HEADER + "J2,2023-02-05,,camera,front,failed,replaced,3\n"
    log = log_of(
        {"in/1.csv": HEADER + JOB, "in/2.csv": second},
        settings(path="in/*.csv", fill_down=["vehicle"]),
    )
    assert log.set_aside["source"].tolist() == ["in/2.csv:2"]


def test_marks_for_blanks_are_blank(log_of: Reader) -> None:
    text = HEADER + "NULL,2023-01-05,GR-01,camera,front,n/a,replaced,NaN\n"
    log = log_of({"log.csv": text}, settings())
    row = log.jobs.iloc[0]
    assert (row["job"], row["finding"]) == ("", "")
    assert "marks for blanks" in set(log.findings["rule"])
    assert "unusable number" not in set(log.findings["rule"])
