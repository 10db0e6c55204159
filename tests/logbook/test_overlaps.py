"""Duplicates: what shows that two rows tell of the same work, and what speaks against it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
NAMES = (
    "job,date,vehicle,component,location,finding,action,hours,serial_out,serial_in,"
    "labour_hours,cost,note"
)
FIRST = {
    "job": "J1",
    "date": "2023-01-05",
    "vehicle": "GR-01",
    "component": "camera",
    "location": "front",
    "finding": "failed",
    "action": "replaced",
    "hours": "1000",
    "serial_out": "K1",
    "serial_in": "K2",
    "labour_hours": "1.5",
    "cost": "300.25",
    "note": "camera dead, new one fitted",
}
BARE = dict.fromkeys(
    ("job", "hours", "serial_out", "serial_in", "labour_hours", "cost", "note"), ""
)


def two_rows(
    log_of: Reader, first: dict[str, str], second: dict[str, str], **more: Any
) -> RepairLog:
    lines = [NAMES] + [
        ",".join(f'"{row[name]}"' for name in NAMES.split(",")) for row in (first, second)
    ]
    files = {
        "log": [{"path": "log.csv", "counters": {"engine_hours": "hours"}}],
        "register": [{"path": "register.csv"}],
    }
    return log_of({"log.csv": "\n".join(lines) + "\n"}, {"files": files, **more})


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"vehicle": "gr 01", "component": "CAMERA"},
        {"job": "J9"},
        {"job": "J9", "date": "2023-01-07"},
        {"job": "J9", "date": "2023-01-07", "finding": "", "note": ""},
        {"job": "J9", "date": "2023-01-08", "note": "camera dead, new one ftted", "cost": "1"},
        {**BARE, "job": "J9", "serial_out": "K1"},
        {**BARE, "job": "J9", "date": "2023-01-06", "hours": "1000"},
        {**BARE, "job": "J9", "date": "2023-01-06", "labour_hours": "1.5", "cost": "300.25"},
        {**BARE, "job": ""},
    ],
)
def test_second_entry_is_set_aside(log_of: Reader, change: dict[str, str]) -> None:
    log = two_rows(log_of, FIRST, {**FIRST, **change})
    assert log.set_aside[["source", "reason", "value"]].to_numpy().tolist() == [
        ["log.csv:3", "duplicate", "log.csv:2"]
    ]
    assert log.jobs["source"].tolist() == ["log.csv:2"]


@pytest.mark.parametrize(
    "change",
    [
        {"job": "J9", "date": "2023-01-09"},
        {"job": "J9", "date": "2023-01-06", "serial_in": "K3"},
        {"job": "J9", "date": "2023-01-06", "location": "rear high"},
        {"job": "J9", "date": "2023-01-06", "finding": "planned"},
        {"job": "J9", "date": "2023-01-06", "action": "tested"},
        {**BARE, "job": "J9", "date": "2023-01-06"},
        {"job": "J1", "date": "2023-01-06"},
        {"cost": "55", "note": "labour"},
        {"job": "J9", "cost": "55"},
        {"job": "J9", "vehicle": "GR-02", "component": "cable", "location": "rear high"},
    ],
)
def test_other_work_is_kept(log_of: Reader, change: dict[str, str]) -> None:
    log = two_rows(log_of, FIRST, {**FIRST, **change})
    assert len(log.set_aside) == 0
    assert len(log.jobs) == 2


def test_earliest_entry_is_kept_whatever_the_order(log_of: Reader) -> None:
    log = two_rows(log_of, {**FIRST, "job": "J9", "date": "2023-01-07"}, FIRST)
    assert log.jobs["source"].tolist() == ["log.csv:3"]
    assert log.set_aside["value"].tolist() == ["log.csv:3"]


def test_same_work_with_nothing_in_common_is_pointed_out(log_of: Reader) -> None:
    first = {**FIRST, **BARE}
    log = two_rows(log_of, first, {**first, "date": "2023-01-07"})
    told = log.findings[log.findings["rule"] == "possible duplicates"]
    assert told["where"].tolist() == ["log.csv:3"]
    assert len(log.jobs) == 2


def test_distance_in_days_is_a_setting(log_of: Reader) -> None:
    second = {**FIRST, "job": "J9", "date": "2023-01-14"}
    assert len(two_rows(log_of, FIRST, second).jobs) == 2
    longer = two_rows(log_of, FIRST, second, treatments={"duplicate_days": 10})
    assert len(longer.jobs) == 1
    near = {**FIRST, "job": "J9", "date": "2023-01-06"}
    none = two_rows(log_of, FIRST, near, treatments={"duplicate_days": 0})
    assert len(none.jobs) == 2


def test_kept_row_learns_what_only_its_duplicate_says(log_of: Reader) -> None:
    first = {**FIRST, "finding": "", "serial_in": ""}
    log = two_rows(log_of, first, {**FIRST, "job": "J9"})
    row = log.jobs.iloc[0]
    assert (row["finding"], row["serial_in"]) == ("failed", "K2")
    told = log.findings[log.findings["rule"] == "filled from a duplicate"]
    assert told["where"].tolist() == ["log.csv:2"]


def test_meter_that_stands_still_is_no_evidence_for_another_action(log_of: Reader) -> None:
    first = {**FIRST, **BARE, "hours": "1000"}
    log = two_rows(log_of, first, {**first, "date": "2023-01-06", "action": ""})
    assert len(log.jobs) == 2


def test_many_entries_of_one_job_leave_one(log_of: Reader) -> None:
    lines = [NAMES]
    for n in range(7):
        row = {**FIRST, "job": f"J{n}", "date": f"2023-01-{5 + n // 3:02}"}
        lines.append(",".join(f'"{row[name]}"' for name in NAMES.split(",")))
    files = {"log": [{"path": "log.csv", "columns": {}}], "register": [{"path": "register.csv"}]}
    log = log_of({"log.csv": "\n".join(lines)}, {"files": files})
    assert log.jobs["job"].tolist() == ["J0"]
    assert set(log.set_aside["value"]) == {"log.csv:2"}


def test_rows_without_a_component_are_left_alone(log_of: Reader) -> None:
    first = {**FIRST, "component": "", "location": ""}
    log = two_rows(log_of, first, {**first, "job": "J9"})
    assert len(log.jobs) == 2
