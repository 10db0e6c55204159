"""The whole way of reading a study's files: columns, order, account, a log made elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]


def test_columns_and_order_of_jobs(log_of: Reader, made_log: str) -> None:
    header, *rows = made_log.splitlines()
    log = log_of({"log.csv": "\n".join([header, *rows[::-1]])})
    assert log.jobs.columns.tolist() == [
        *("source", "event", "job", "date", "date_is_day", "vehicle", "component", "location"),
        *("finding", "action", "reading", "reading_counter", "serial_out", "serial_in"),
        *("downtime_hours", "labour_hours", "cost", "note", "closed", "quantity", "verdict"),
    ]
    assert log.jobs["source"].tolist() == ["log.csv:4", "log.csv:3", "log.csv:2"]
    assert log.jobs["date"].dtype == "datetime64[ns]"
    assert log.jobs["date_is_day"].tolist() == [False, True, True]
    assert log.jobs["reading"].tolist() == [1000.0, 1500.0, 1100.0]


def test_frames_without_their_files_are_empty_but_typed(log_of: Reader, made_log: str) -> None:
    log = log_of({"log.csv": made_log}, {"files": {"log": [{"path": "log.csv"}]}})
    assert log.fitments.empty
    assert log.inspections.empty
    assert log.readings.empty
    assert log.fitments["fitted_on"].dtype == "datetime64[ns]"
    assert log.inspections["date"].dtype == "datetime64[ns]"
    assert log.readings["reading"].dtype == "float64"
    assert log.set_aside.empty


def test_files_frame_says_how_each_was_read(log_of: Reader) -> None:
    log = log_of()
    assert log.files.columns.tolist() == [
        *("file", "kind", "rows", "encoding", "delimiter", "date_format", "columns_ignored"),
        "columns_dropped",
    ]
    assert log.files[["file", "kind", "rows"]].to_numpy().tolist() == [
        ["log.csv", "log", 3],
        ["register.csv", "register", 4],
    ]


def test_short_form_has_the_counts(log_of: Reader) -> None:
    assert repr(log_of()) == (
        "RepairLog(3 jobs, 4 fitments, 3 readings, 0 inspections, 0 rows set aside)"
    )


def test_reading_twice_gives_the_same(log_of: Reader) -> None:
    one, two = log_of(), log_of()
    for name in ("jobs", "fitments", "readings", "set_aside", "findings", "files"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


def machines(rng: np.random.Generator) -> dict[str, str]:
    """Return a made-up log: replacements, failures with the same instants, machines."""
    numbers = np.arange(1, 31)
    when = pd.Timestamp("2014-06-01 06:00") + pd.to_timedelta(
        rng.choice(540 * 24, 400, replace=False), unit="h"
    )
    work = pd.DataFrame(
        {
            "datetime": when,
            "machineID": rng.choice(numbers, 400),
            "comp": rng.choice(["comp1", "comp2", "comp3", "comp4"], 400),
        }
    ).sort_values(["machineID", "datetime"])
    failed = work.sample(150, random_state=3).rename(columns={"comp": "failure"}).sort_index()
    listed = pd.DataFrame({"machineID": numbers, "model": "model3", "age": numbers % 20})
    form = "%Y-%m-%d %H:%M:%S"
    return {
        "maintenance.csv": work.to_csv(index=False, date_format=form),
        "failures.csv": failed.to_csv(index=False, date_format=form),
        "machines.csv": listed.to_csv(index=False),
    }


def test_a_log_made_elsewhere_by_a_study_alone(log_of: Reader) -> None:
    names = {"date": "datetime", "vehicle": "machineID"}
    files: dict[str, Any] = {
        "log": [
            {
                "path": "maintenance.csv",
                "columns": {**names, "component": "comp"},
                "fixed": {"finding": "planned", "action": "replaced"},
            },
            {
                "path": "failures.csv",
                "columns": {**names, "component": "failure"},
                "fixed": {"finding": "failed"},
            },
        ],
        "register": [
            {
                "path": "machines.csv",
                "columns": {"vehicle": "machineID"},
                "covariates": {"model": "model", "age": "age"},
                "carries": [{"component": f"comp{n}"} for n in (1, 2, 3, 4)],
            }
        ],
    }
    made = machines(np.random.default_rng(5))
    log = log_of(made, {"files": files})
    assert len(log.jobs) == 550
    assert len(log.fitments) == 120
    assert log.set_aside.empty
    # each failure shares the event of its replacement: own algebra, 400 instants are distinct
    events = log.jobs.groupby("event").size()
    assert len(events) == 400
    assert (events == 2).sum() == 150
    pairs = log.jobs[log.jobs["event"].isin(events.index[events == 2])]
    for _, pair in pairs.groupby("event"):
        assert len(set(pair["date"])) == 1
        assert sorted(pair["finding"]) == ["failed", "planned"]
        assert sorted(pair["action"]) == ["", "replaced"]
    assert not log.jobs["date_is_day"].any()
    assert set(log.fitments["age"]) == {str(n % 20) for n in range(1, 31)}


def all_kinds() -> dict[str, Any]:
    return {
        "log": [{"path": "log.csv", "counters": {"engine_hours": "hours"}}],
        "register": [{"path": "register.csv", "covariates": {"depot": "depot"}}],
        "readings": [{"path": "meters.csv", "counters": {"engine_hours": "hours"}}],
        "inspections": [{"path": "looks.csv"}],
    }


def test_files_with_a_header_only_are_no_error(log_of: Reader) -> None:
    empty = {
        "register.csv": "vehicle,component,location,fitted_on,depot\n",
        "meters.csv": "vehicle,date,hours\n",
        "looks.csv": "vehicle,date,result\n",
    }
    log = log_of(empty, {"files": all_kinds()})
    assert log.files["rows"].tolist() == [3, 0, 0, 0]
    assert log.set_aside["reason"].tolist() == ["unknown vehicle"] * 3
    assert len(log.fitments) == len(log.readings) == len(log.inspections) == 0
    assert log.jobs.empty


def test_log_with_no_usable_row_is_accounted_for(log_of: Reader, made_log: str) -> None:
    text = made_log.replace("2023-", "2o23-")
    log = log_of({"log.csv": text})
    assert log.jobs.empty
    assert log.jobs["date"].dtype == "datetime64[ns]"
    assert log.jobs["event"].tolist() == []
    assert log.set_aside["reason"].tolist() == ["unusable date"] * 3
