"""Readings in long form and inspections with their results."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.errors import InputError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
LOG_SOURCE = {"path": "log.csv", "counters": {"engine_hours": "hours"}}


def settings(**more: Any) -> dict[str, Any]:
    files = {"log": [LOG_SOURCE], "register": [{"path": "register.csv"}], **more}
    return {"clock": "engine_hours", "files": files}


WIDE = "vehicle,date,hours,km\nGR-01,2023-01-01,900,9000\ngr 2,2023-01-02,,12000\n"


def test_wide_readings_become_long_and_jobs_are_appended(log_of: Reader) -> None:
    source = {"path": "meters.csv", "counters": {"engine_hours": "hours", "km": "km"}}
    log = log_of({"meters.csv": WIDE}, settings(readings=[source]))
    found = log.readings[["source", "vehicle", "counter", "reading"]].to_numpy().tolist()
    assert found == [
        ["meters.csv:2", "GR-01", "engine_hours", 900.0],
        ["meters.csv:2", "GR-01", "km", 9000.0],
        ["meters.csv:3", "GR-02", "km", 12000.0],
        ["log.csv:2", "GR-01", "engine_hours", 1000.0],
        ["log.csv:3", "GR-02", "engine_hours", 1500.0],
        ["log.csv:4", "GR-01", "engine_hours", 1100.0],
    ]


def test_long_readings_with_a_counter_column(log_of: Reader) -> None:
    text = (
        "vehicle,date,counter,reading\nGR-01,2023-01-01,Engine hours,900\nGR-01,2023-01-01,laps,3\n"
    )
    log = log_of({"meters.csv": text}, settings(readings=[{"path": "meters.csv"}]))
    assert log.readings["counter"].tolist()[:2] == ["engine_hours", "laps"]
    told = log.findings[log.findings["rule"] == "unknown counters"]
    assert told["where"].tolist() == ["meters.csv:3"]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("GR-01,2023-01-03,,", "no reading"),
        ("GR-01,2023-01-03,x,", "no reading"),
        ("GR-99,2023-01-03,5,5", "unknown vehicle"),
        (",2023-01-03,5,5", "no vehicle"),
        ("GR-01,,5,5", "no date"),
        ("GR-01,soon,5,5", "unusable date"),
        ("GR-01,2023-01-01,900,9000", "duplicate"),
        ("Total,,5,5", "not an entry"),
    ],
)
def test_unusable_reading_is_set_aside(log_of: Reader, row: str, reason: str) -> None:
    source = {"path": "meters.csv", "counters": {"engine_hours": "hours", "km": "km"}}
    log = log_of({"meters.csv": WIDE + row + "\n"}, settings(readings=[source]))
    assert log.set_aside[["source", "kind", "reason"]].to_numpy().tolist() == [
        ["meters.csv:4", "readings", reason]
    ]


def test_readings_need_a_counter(log_of: Reader) -> None:
    with pytest.raises(InputError, match=r'names no column for "reading".*counters'):
        log_of({"meters.csv": WIDE}, settings(readings=[{"path": "meters.csv"}]))


def test_columns_called_reading_are_of_the_clock(log_of: Reader) -> None:
    text = "vehicle,date,reading\nGR-01,2023-01-01,900\n"
    study = settings(readings=[{"path": "meters.csv"}])
    assert log_of({"meters.csv": text}, study).readings["counter"].iloc[0] == "engine_hours"
    study["clock"] = "km"
    assert log_of({"meters.csv": text}, study).readings["counter"].iloc[0] == "km"


LOOKS = "vehicle,date,component,location,result\n"


@pytest.mark.parametrize(
    ("text", "result"),
    [
        ("OK", "pass"),
        ("Passed", "pass"),
        ("not ok", "fail"),
        ("FAIL", "fail"),
        ("cleaned", "cleaned"),
    ],
)
def test_results_of_looks(log_of: Reader, text: str, result: str) -> None:
    rows = LOOKS + f"GR-01,2023-01-01,camera,front,{text}\n"
    log = log_of({"looks.csv": rows}, settings(inspections=[{"path": "looks.csv"}]))
    assert log.inspections["result"].tolist() == [result]
    told = set(log.findings["rule"])
    assert ("results of looks" in told) is (result == "cleaned")


def test_looks_may_leave_component_and_location_out(log_of: Reader) -> None:
    source = {"path": "looks.csv", "fixed": {"result": "pass"}}
    log = log_of(
        {"looks.csv": "vehicle,date\nGR-01,2023-01-01\nGR-99,2023-01-01\n"},
        settings(inspections=[source]),
    )
    row = log.inspections.iloc[0]
    assert (row["component"], row["location"], row["result"]) == ("", "", "pass")
    assert log.set_aside["reason"].tolist() == ["unknown vehicle"]


def test_look_at_a_place_that_is_not_fitted_is_set_aside(log_of: Reader) -> None:
    rows = LOOKS + "GR-02,2023-01-01,camera,front,pass\n"
    log = log_of({"looks.csv": rows}, settings(inspections=[{"path": "looks.csv"}]))
    assert log.set_aside["reason"].tolist() == ["position not fitted"]
