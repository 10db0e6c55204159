"""Small repair logs made in the tests, in the columns that reading a log gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from relkit.study.read import study_from_mapping
from relkit.study.settings import Study

Rows = Sequence[Mapping[str, Any]]

JOB_COLUMNS: dict[str, Any] = {
    "source": "", "job": "", "date": pd.NaT, "date_is_day": True, "vehicle": "", "component": "",
    "location": "", "finding": "", "action": "", "reading": float("nan"), "serial_out": "",
    "serial_in": "", "downtime_hours": float("nan"), "labour_hours": float("nan"),
    "cost": float("nan"), "note": "", "event": "", "closed": pd.NaT, "verdict": "",
}  # fmt: skip
FITMENT_COLUMNS: dict[str, Any] = {
    "source": "", "vehicle": "", "component": "", "location": "", "fitted_on": pd.NaT,
    "serial": "", "type": "", "removed_on": pd.NaT, "vehicle_left_on": pd.NaT,
}  # fmt: skip
READING_COLUMNS: dict[str, Any] = {
    "source": "", "vehicle": "", "date": pd.NaT, "counter": "engine_hours", "reading": 0.0,
}  # fmt: skip
INSPECTION_COLUMNS: dict[str, Any] = {
    "source": "", "vehicle": "", "date": pd.NaT, "location": "", "component": "",
    "result": "pass",
}  # fmt: skip
_SET_ASIDE = ["source", "kind", "reason", "column", "value", "mend", "original"]
_FINDINGS = ["rule", "what", "rows", "where", "done", "severity"]
_FILES = ["file", "kind", "rows", "encoding", "delimiter", "date_format"]
_DATES = ("date", "closed", "fitted_on", "removed_on", "vehicle_left_on")


def frame(rows: Rows, columns: Mapping[str, Any], file: str) -> pd.DataFrame:
    """Rows with their missing columns filled; row 2 of the file is the first."""
    filled = [{**columns, "source": f"{file}:{k + 2}", **row} for k, row in enumerate(rows)]
    names = list(columns) + [n for row in rows for n in row if n not in columns]
    table = pd.DataFrame(filled, columns=list(dict.fromkeys(names)))
    for name in _DATES:
        if name in table:
            table[name] = pd.to_datetime(table[name], format="ISO8601").astype("datetime64[ns]")
    return table


def repair_log(
    jobs: Rows = (),
    fitments: Rows = (),
    readings: Rows = (),
    inspections: Rows = (),
    set_aside: Rows = (),
) -> SimpleNamespace:
    """Return a repair log as reading gives it: each row its own event unless it names one."""
    log = frame(jobs, JOB_COLUMNS, "jobs.csv").sort_values("date", kind="stable")
    timed = log["date"].notna() & (log["date"] != log["date"].dt.normalize())
    log["date_is_day"] = log["date_is_day"] & ~timed
    log["event"] = log["event"].where(log["event"] != "", log["source"])
    return SimpleNamespace(
        jobs=log.reset_index(drop=True),
        fitments=frame(fitments, FITMENT_COLUMNS, "register.csv"),
        readings=frame(readings, READING_COLUMNS, "readings.csv"),
        inspections=frame(inspections, INSPECTION_COLUMNS, "checks.csv"),
        set_aside=pd.DataFrame(list(set_aside), columns=_SET_ASIDE),
        findings=pd.DataFrame(columns=_FINDINGS),
        files=pd.DataFrame(columns=_FILES),
        changes=pd.DataFrame(columns=["rule", "source", "column", "old", "new"]),
    )


def study_with(**parts: Any) -> Study:
    """Return a study in memory: window 2021 and 2022 unless given otherwise."""
    window = {"start": date(2021, 1, 1), "end": date(2022, 12, 31)}
    given = {"name": "test", "files": {"log": [{"path": "jobs.csv"}]}, "window": window, **parts}
    return study_from_mapping(given)


@pytest.fixture(scope="session")
def make_log() -> Callable[..., SimpleNamespace]:
    return repair_log


@pytest.fixture(scope="session")
def make_study() -> Callable[..., Study]:
    return study_with
