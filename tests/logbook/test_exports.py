"""Overlapping exports: a job counts once, a changed one as in the newest file, both told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.errors import StudyError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
NAMES = "job,date,vehicle,component,location,finding,action,cost\n"
JUNE = (
    "J1,2023-06-05,GR-01,camera,front,failed,replaced,300\n"
    "J2,2023-06-06,GR-01,camera,rear high,view dark,replaced,100\n"
    "J2,2023-06-06,GR-01,camera,front,view dark,replaced,100\n"
    "J3,2023-06-30,GR-02,cable,rear high,,,\n"
)
JULY = (
    "J3,2023-06-30,GR-02,cable,rear high,failed,replaced,80\n"
    "J2,2023-06-06,GR-01,camera,rear high,view dark,replaced,100\n"
    "J1,2023-06-05,GR-01,camera,front,failed,replaced,300\n"
    "J4,2023-07-03,GR-02,camera,rear high,failed,replaced,310\n"
)


@pytest.fixture
def exports(log_of: Reader) -> Callable[..., RepairLog]:
    def read(files: dict[str, str], **settings: Any) -> RepairLog:
        source = {"path": "in/*.csv", **settings}
        register = {"path": "register.csv", "covariates": {"depot": "depot"}}
        named = {f"in/{name}": NAMES + text for name, text in files.items()}
        return log_of(named, {"files": {"log": [source], "register": [register]}})

    return read


def aside(log: RepairLog) -> list[list[str]]:
    return sorted(log.set_aside[["source", "reason", "value"]].to_numpy().tolist())


def test_a_job_counts_once_and_a_changed_one_as_in_the_newest(exports: Any) -> None:
    # Source: counted by hand: J1 the same, J2 lost a line, J3 was completed, J4 is new.
    log = exports({"2023-06.csv": JUNE, "2023-07.csv": JULY})
    assert sorted(log.jobs["source"]) == [f"in/2023-07.csv:{row}" for row in (2, 3, 4, 5)]
    assert aside(log) == [
        ["in/2023-06.csv:2", "duplicate", "in/2023-07.csv:4"],
        ["in/2023-06.csv:3", "duplicate", "in/2023-07.csv:3"],
        ["in/2023-06.csv:4", "superseded by a newer export", "in/2023-07.csv:3"],
        ["in/2023-06.csv:5", "superseded by a newer export", "in/2023-07.csv:2"],
    ]
    found = log.findings.set_index("rule")
    assert found.loc["seen in several exports", ["rows", "where"]].tolist() == [
        1,
        "in/2023-07.csv:4",
    ]
    assert found.loc["changed between exports", "rows"] == 2
    assert "by the order of their names" in found.loc["changed between exports", "done"]


def test_a_line_that_only_the_newer_export_has_is_a_change(exports: Any) -> None:
    # Source: counted by hand: J2 has one line in the older file and two in the newer.
    lines = JUNE.splitlines(keepends=True)
    log = exports({"a.csv": lines[1], "b.csv": lines[1] + lines[2]})
    assert log.findings.set_index("rule").loc["changed between exports", "rows"] == 1
    assert len(log.jobs) == 2


def test_the_newest_is_told_by_numbers_in_names_or_by_the_study(exports: Any) -> None:
    # Source: 10 is later than 9 though "10" sorts before "9".
    row = "J3,2023-06-30,GR-02,cable,rear high,failed,replaced,"
    files = {"jobs_9.csv": row + "9\n", "jobs_10.csv": row + "10\n"}
    assert exports(files).jobs["cost"].tolist() == [10]
    order = ["in/jobs_10.csv", "in/jobs_9.csv"]
    log = exports(files, export_order=order)
    assert log.jobs["cost"].tolist() == [9]
    assert log.findings["done"].str.contains("by export_order").any()


@pytest.mark.parametrize("order", [["in/a.csv"], ["in/a.csv", "in/b.csv", "in/c.csv"]])
def test_an_order_names_each_file_once(exports: Any, order: list[str]) -> None:
    # Source: common practice.
    with pytest.raises(StudyError, match=r"export_order .* does not name each of its files once"):
        exports({"a.csv": JUNE, "b.csv": JULY}, export_order=order)


def test_a_column_that_the_log_has_not_tells_no_job(exports: Any) -> None:
    # Source: common practice.
    with pytest.raises(StudyError, match=r'same_job of "in/.*" names "number"'):
        exports({"a.csv": JUNE}, same_job=["number"])


def test_numbers_that_begin_anew_are_other_jobs_unless_the_study_says_so(exports: Any) -> None:
    # Source: job numbers of a year's book start at 1 again.
    first = "J1,2022-02-02,GR-01,camera,front,failed,replaced,1\n"
    second = "J1,2023-03-03,GR-02,cable,rear high,failed,replaced,2\n"
    log = exports({"2022.csv": first, "2023.csv": second})
    assert log.jobs["cost"].tolist() == [1, 2]
    told = log.findings.set_index("rule").loc["job numbers in several files"]
    assert (told["rows"], told["severity"]) == (1, "look")
    log = exports({"2022.csv": first, "2023.csv": second}, same_job=["job"])
    assert log.jobs["cost"].tolist() == [2]
    assert aside(log) == [["in/2022.csv:2", "superseded by a newer export", "in/2023.csv:2"]]


def test_no_columns_leave_each_file_for_itself(exports: Any) -> None:
    # Source: common practice; equal rows are duplicates all the same.
    log = exports({"a.csv": JUNE, "b.csv": JULY}, same_job=[])
    assert set(log.set_aside["reason"]) == {"duplicate"}
    assert not log.findings["rule"].str.contains("exports").any()


def test_rows_without_a_job_number_are_left_alone(exports: Any) -> None:
    # Source: common practice.
    row = ",2023-06-30,GR-02,cable,rear high,failed,replaced,"
    assert len(exports({"a.csv": row + "5\n", "b.csv": row + "700\n"}).jobs) == 2
