"""Missing columns and tables: what can no longer be answered is said."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]


def told(log: RepairLog, rule: str) -> dict[str, str]:
    rows = log.findings[log.findings["rule"] == rule]
    return dict(zip(rows["what"], rows["severity"], strict=True))


def test_minimum_log_is_read_and_says_what_it_lacks(log_of: Reader) -> None:
    text = "Start,Asset,Text\n05/01/2023,A1,fan belt\n06/01/2023,A2,hose\n0/1/00,A2,x\n"
    columns = {"date": "Start", "vehicle": "Asset", "note": "Text"}
    source = {"path": "log.csv", "date_format": "day first", "columns": columns}
    log = log_of({"log.csv": text}, {"files": {"log": [source]}})
    assert len(log.jobs) == 2
    assert log.jobs["component"].tolist() == ["", ""]
    assert log.set_aside["reason"].tolist() == ["unusable date"]
    lacking = told(log, "missing column")
    assert any("no life can be built" in what for what in lacking)
    assert sum(severity == "limits" for severity in lacking.values()) == 3
    tables = told(log, "missing table")
    assert any(
        "no register" in what and "gaps between rows are not lives" in what for what in tables
    )


def test_fixed_values_and_counters_are_not_missing(
    log_of: Reader, files_with: Callable[..., dict[str, Any]]
) -> None:
    text = "date,vehicle,component,hours\n2023-01-05,GR-01,camera,5\n"
    files = files_with(fixed={"finding": "failed", "action": "replaced", "location": "front"})
    lacking = " ".join(told(log_of({"log.csv": text}, {"files": files}), "missing column"))
    for name in ("component", "finding", "action", "location", "reading"):
        assert f'"{name}" in the log' not in lacking
    assert '"job" in the log' in lacking


def test_counter_clock_without_readings_is_limited(log_of: Reader) -> None:
    text = "date,vehicle,component\n2023-01-05,GR-01,camera\n"
    files = {"log": [{"path": "log.csv"}]}
    log = log_of({"log.csv": text}, {"files": files, "clock": "km"})
    assert (
        told(log, "missing table")[
            "There are no meter readings: only calendar time can be used, not km"
        ]
        == "limits"
    )
