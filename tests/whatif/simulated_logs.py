"""Repair logs with a known truth: renewal histories of a small fleet, as a study reads them."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.jobs import JOB_COLUMNS
from relkit.logbook.read import RepairLog
from relkit.study.read import study_from_mapping
from relkit.study.settings import Study

#: True shapes, and scales in days: 2 to 60 failures a component over the log.
SHAPES = np.array([1.0, 1.0, 1.3, 1.3, 1.8, 1.8, 2.4, 2.4, 3.0, 3.0])
SCALES = np.array([20_000.0, 5000, 9000, 3500, 6000, 2500, 4500, 2200, 3500, 2000])
VEHICLES = 60
BEGIN, END, CHANGE = (np.datetime64(day) for day in ("2019-01-01", "2025-01-01", "2022-01-01"))


def simulated_log(seed: int, *, pace_after_change: float = 1.0) -> tuple[RepairLog, Study]:
    """Return six years of a made-up fleet; from the middle on items may age faster or slower."""
    source = np.random.default_rng([seed, 20_250])
    start = BEGIN + source.integers(-4 * 365, 3 * 365, VEHICLES).astype("timedelta64[D]")
    rows = [
        (f"V{vehicle:02d}", f"part {kind}", fitted, failed)
        for vehicle in range(VEHICLES)
        for kind in range(len(SHAPES))
        for fitted, failed in _stays(source, start[vehicle], kind, pace_after_change)
    ]
    stays = pd.DataFrame(rows, columns=["vehicle", "component", "fitted_on", "failed_on"])
    failures = stays[(stays["failed_on"] >= BEGIN) & (stays["failed_on"] < END)]
    # in place when the log begins, or fitted with the vehicle
    first = stays[stays["failed_on"] >= BEGIN].drop_duplicates(["vehicle", "component"])
    return _log(failures, first), _study()


def _stays(
    source: np.random.Generator, start: np.datetime64, kind: int, pace: float
) -> list[tuple[np.datetime64, np.datetime64]]:
    """Fitting and failure of each item at one position, on days; the last fails after the log."""
    days = float((start - CHANGE).astype(int))  # before the change a day ages an item by a day
    end = _aged(float((END - CHANGE).astype(int)), pace)
    age, stays = _aged(days, pace), []
    while age < end:
        left = age + SCALES[kind] * source.weibull(SHAPES[kind])
        stays.append((_day(age, pace), _day(left, pace)))
        age = left
    return stays


def _aged(days: float, pace: float) -> float:
    return days if days < 0 else days * pace


def _day(age: float, pace: float) -> np.datetime64:
    days = age if age < 0 else age / pace
    # to the minute: no two instants alike
    return CHANGE.astype("datetime64[m]") + np.timedelta64(int(days * 1440), "m")


def _log(failures: pd.DataFrame, first: pd.DataFrame) -> RepairLog:
    failures = failures.sort_values("failed_on").reset_index(drop=True)
    source = pd.Series([f"log.csv:{row + 2}" for row in failures.index], dtype=object)
    numbers = ("reading", "quantity", "downtime_hours", "labour_hours", "cost")
    jobs = pd.DataFrame(
        {
            "source": source,
            "event": source,
            "date": failures["failed_on"].astype("datetime64[ns]"),
            "date_is_day": False,
            "vehicle": failures["vehicle"],
            "component": failures["component"],
            "location": "front",
            "finding": "failed",
            "action": "replaced",
            "closed": np.datetime64("NaT", "ns"),
            **dict.fromkeys(numbers, np.nan),
        }
    )
    jobs = jobs.assign(**{name: "" for name in JOB_COLUMNS if name not in jobs})
    fitments = pd.DataFrame(
        {
            "source": [f"register.csv:{row + 2}" for row in range(len(first))],
            "vehicle": first["vehicle"].to_numpy(),
            "component": first["component"].to_numpy(),
            "location": "front",
            "fitted_on": first["fitted_on"].astype("datetime64[ns]").to_numpy(),
            "serial": "",
            "type": "",
            "removed_on": np.datetime64("NaT", "ns"),
            "vehicle_left_on": np.datetime64("NaT", "ns"),
        }
    )
    return RepairLog(jobs=jobs, fitments=fitments, **_nothing_else())


def _nothing_else() -> dict[str, pd.DataFrame]:
    none: NDArray[np.datetime64] = np.zeros(0, dtype="datetime64[ns]")
    texts = {
        "readings": ("source", "vehicle", "counter"),
        "inspections": ("source", "vehicle", "location", "component", "result"),
        "set_aside": ("source", "kind", "reason", "column", "value", "mend", "original"),
        "findings": ("rule", "what", "where", "done", "severity"),
        "files": ("file", "kind", "encoding", "delimiter", "date_format"),
        "changes": ("rule", "source", "column", "old", "new"),
    }
    frames = {
        name: pd.DataFrame({column: pd.Series(dtype=object) for column in columns})
        for name, columns in texts.items()
    }
    frames["readings"] = frames["readings"].assign(date=none, reading=np.zeros(0))
    frames["inspections"] = frames["inspections"].assign(date=none)
    frames["findings"] = frames["findings"].assign(rows=np.zeros(0, dtype=np.int64))
    frames["files"] = frames["files"].assign(rows=np.zeros(0, dtype=np.int64))
    return frames


def _study() -> Study:
    return study_from_mapping(
        {
            "name": "Simulated log",
            "clock": "days",
            "window": {"start": date(2019, 1, 1), "end": date(2024, 12, 31)},
            "files": {"log": [{"path": "log.csv"}], "register": [{"path": "register.csv"}]},
        }
    )
