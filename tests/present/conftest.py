"""A hand-made plan of ten strata: numbers are invented, only their form is that of a real plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from relkit.plan.result import Plan
from relkit.study.read import study_from_mapping

NAN = float("nan")
UNTIL = datetime(2025, 7, 1)
FOLDER = Path(__file__).parent / "made_plan"
STUDY = {
    "name": "Tarnholt Roads",
    "clock": "engine_hours",
    "files": {"log": [{"path": "jobs_*.csv"}], "register": [{"path": "items.csv"}]},
    "services": [{"name": "250 h service", "every": ["250 engine_hours"]}],
    "rules": [
        {"name": "view test, reversing", "authority": "company", "maximum": ["13 weeks"]},
    ],
}


def _table(name: str) -> pd.DataFrame:
    table = pd.read_csv(FOLDER / f"{name}.csv")
    words = table.select_dtypes("object").columns
    return table.assign(**{word: table[word].fillna("") for word in words})


def _fits(intervals: pd.DataFrame) -> pd.DataFrame:
    names = [c for c in intervals.columns if c.startswith(("shape", "scale", "b10"))]
    keep = ["component", "location", "lives", "failures", "exposure", *names]
    fits = intervals[[*keep, "probability_of_wear", "status"]].copy()
    fits["reason"] = ["" if f >= 5 else "Fewer than 5 failures." for f in fits["failures"]]
    return fits


def _curves(intervals: pd.DataFrame) -> pd.DataFrame:
    frames = []
    for row in intervals.to_dict("records"):
        failures = row["failures"]
        share = np.linspace(0.5, failures - 0.5, failures) / max(row["lives"], failures + 1)
        survival = 1 - share
        spread = 1.96 * np.sqrt(share / np.arange(1, failures + 1))
        columns = {
            "age": row["scale"] * (-np.log(survival)) ** (1 / row["shape"]),
            "at_risk": row["lives"] - np.arange(failures),
            "failures": 1,
            "survival": survival,
            "std_error": spread / 1.96,
            "lower": np.clip(survival - spread, 0.001, 1),
            "upper": np.clip(survival + spread, 0, 0.999),
            "starts_at": 0.0,
        }
        frames.append(_keyed(row, columns))
    return pd.concat(frames, ignore_index=True)


def _cost_curves(intervals: pd.DataFrame) -> pd.DataFrame:
    frames = []
    for row in intervals[intervals["task"] == "planned replacement"].to_dict("records"):
        share = np.linspace(0.15, 2.0, 60)
        powered = share ** row["shape"]
        cost = (355 / share + 935 * powered / share / (1 + powered)) / row["scale"]
        limits = {"cost_rate_lower": 0.85 * cost, "cost_rate_upper": 1.18 * cost}
        frames.append(_keyed(row, {"age": share * row["scale"], "cost_rate": cost, **limits}))
    return pd.concat(frames, ignore_index=True)


def _unavailability_curves(intervals: pd.DataFrame) -> pd.DataFrame:
    frames = []
    step = np.linspace(20, 1500, 60)
    for row in intervals[intervals["task"] == "failure-finding"].to_dict("records"):
        share = 1 - np.exp(-step / (row["scale"] * 2.0))
        limits = {"lower": 0.6 * share, "upper": 1.7 * share}
        frames.append(_keyed(row, {"interval": step, "unavailability": share, **limits}))
    return pd.concat(frames, ignore_index=True)


def _keyed(row: dict[str, object], columns: dict[str, object]) -> pd.DataFrame:
    table = pd.DataFrame(columns)
    table.insert(0, "component", row["component"])
    table.insert(1, "location", row["location"])
    return table


def _due(intervals: pd.DataFrame) -> pd.DataFrame:
    rng = np.random.default_rng(7)
    days_and_counts = {
        "overdue": (-60, 9),
        "never tested": (0, 6),
        "age unknown": (20, 5),
        "due": (45, 14),
        "later": (260, 60),
    }
    state = np.repeat(list(days_and_counts), [n for _, n in days_and_counts.values()])
    n = len(state)
    days = np.array([days_and_counts[s][0] for s in state]) + rng.integers(-15, 15, n)
    known = ~np.isin(state, ["age unknown", "never tested"])
    due_on = pd.Timestamp(UNTIL) + pd.to_timedelta(days, unit="D")
    spread = pd.to_timedelta(np.abs(days) // 4 + 5, unit="D")
    order = np.arange(n)
    chosen = intervals.iloc[rng.integers(0, 6, n)].reset_index(drop=True)
    return pd.DataFrame(
        {
            "vehicle": [f"{('GR', 'SW', 'DT')[i % 3]}-{i % 24 + 1:02d}" for i in order],
            "class": np.array(["gritter", "sweeper", "drain tanker"])[order % 3],
            "depot": np.where(order % 2 == 0, "Quillmoor", "Harnfield"),
            "component": chosen["component"],
            "location": chosen["location"],
            "item": [f"S{4100 + i}" for i in order],
            "task": chosen["task"],
            "age": np.where(known, rng.integers(200, 3000, n), NAN),
            "due_age": np.where(known, chosen["interval"], NAN),
            "due_in": np.where(known, days * 3.1, NAN),
            "due_on": due_on,
            "due_on_earliest": due_on - spread,
            "due_on_latest": due_on + spread,
            "limit": np.array(["hours", "calendar", "rule"])[order % 3],
            "probability_of_failure": 0.02 + 0.2 * rng.random(n),
            "probability_lower": 0.01,
            "probability_upper": 0.31,
            "state": state,
            "last_test": np.where(known, np.datetime64("2025-03-01", "ns"), np.datetime64("NaT")),
            "opened_by": [f"jobs_2024.csv:{120 + 7 * i}" for i in order],
        }
    )


def _set_aside() -> pd.DataFrame:
    reasons = [
        ("log", "duplicate", 54, "Nothing to do.", "job=J1 | vehicle=GR-07"),
        ("log", "unknown date", 4, "Correct the date in the log.", "job=J2 | date=31/02/2023"),
        ("register", "unknown start", 6, "Enter the date of fitting.", "vehicle=DT-02"),
    ]
    rows = [
        (f"{kind}_{reason[:3]}.csv:{9 + i}", kind, reason, "", "", mend, original)
        for kind, reason, count, mend, original in reasons
        for i in range(count)
    ]
    names = ["source", "kind", "reason", "column", "value", "mend", "original"]
    return pd.DataFrame(rows, columns=names)


def _row_classes(set_aside: pd.DataFrame) -> pd.DataFrame:
    counts = {"failure": 312, "interval": 41, "masked": 118, "censored": 97, "recurrence": 260}
    rows = [(f"jobs.csv:{i}", "log", name, "") for name, n in counts.items() for i in range(n)]
    rows += [(f"items.csv:{i}", "register", "register", "") for i in range(600)]
    aside = set_aside[["source", "kind"]].assign(row_class="set aside", detail="")
    used = pd.DataFrame(rows, columns=["source", "kind", "row_class", "detail"])
    return pd.concat([used, aside], ignore_index=True)


def _lives() -> pd.DataFrame:
    order = np.arange(40)
    fitted_on = pd.Timestamp("2021-03-01") + pd.to_timedelta(order * 30, unit="D")
    age = 400.0 + 53 * order
    return pd.DataFrame(
        {
            "vehicle": [f"GR-{i % 24 + 1:02d}" for i in order],
            "component": "camera",
            "location": "spreader chute",
            "item": [f"S{i}" for i in order],
            "fitted_on": fitted_on,
            "ended_on": fitted_on + pd.Timedelta(days=200),
            "entry": 0.0,
            "age": age,
            "age_lower": age,
            "failed": order % 3 == 0,
            "ended_by": np.where(order % 3 == 0, "failure", "still in service"),
            "causes": "",
            "masked_job": "",
            "opened_by": "items.csv:3",
            "closed_by": "jobs_2022.csv:8",
            "age_estimated": False,
            "class": "GR",
            "depot": "Quillmoor",
            "stratum_location": "spreader chute",
        }
    )


def _files() -> pd.DataFrame:
    rows = [
        ("jobs_2021.csv", "log", 392, "cp1252", ";", "day first", "remark2", "technician"),
        ("jobs_2022.csv", "log", 494, "utf-8", ",", "day first", "", "technician"),
        ("items.csv", "register", 606, "utf-8", ",", "year first", "", ""),
    ]
    names = "file kind rows encoding delimiter date_format columns_ignored columns_dropped"
    return pd.DataFrame(rows, columns=names.split())


@pytest.fixture(scope="session")
def plan() -> Plan:
    intervals, set_aside = _table("intervals"), _set_aside()
    return Plan(
        study=study_from_mapping(STUDY),
        intervals=intervals,
        visits=_table("visits"),
        due=_due(intervals),
        spares=_table("spares"),
        fits=_fits(intervals),
        curves=_curves(intervals),
        cost_curves=_cost_curves(intervals),
        unavailability_curves=_unavailability_curves(intervals),
        lives=_lives(),
        findings=_table("findings"),
        set_aside=set_aside,
        row_classes=_row_classes(set_aside),
        files=_files(),
        observed_from=datetime(2021, 1, 1),
        observed_until=UNTIL,
        version="0.1.0",
        warnings=("61 items have no date of fitting: once the register has it, they count.",),
        data_grade="usable with care: 61 dates of fitting are unknown",
        redo_after=datetime(2025, 12, 31),
    )


@pytest.fixture
def hostile(plan: Plan) -> Plan:
    """Names and cells that a page, a sheet or a table must not carry out."""
    wild = "</script><script>alert(1)</script>"
    study = replace(plan.study, name=f"Fleet <b>{wild}", path=Path("study.toml"))
    located = ("intervals", "fits", "curves", "cost_curves", "unavailability_curves", "visits")
    frames = {name: getattr(plan, name).assign(location="=1+1 <i>") for name in located}
    for name in ("intervals", "visits"):
        frames[name] = frames[name].assign(why=f'=HYPERLINK("x") {wild}')
    frames["due"] = plan.due.assign(vehicle="@SUM(A1)", item="+44", location="-in cab")
    frames["set_aside"] = plan.set_aside.assign(original="\t=cmd", value="=1+1")
    return replace(plan, study=study, warnings=(wild,), **frames)


@pytest.fixture
def empty(plan: Plan) -> Plan:
    """Nothing failed, nothing is due, nothing was found."""
    names = "visits due spares curves cost_curves unavailability_curves findings set_aside"
    none = {name: getattr(plan, name).iloc[:0] for name in names.split()}
    starts = ("shape", "scale", "b10", "interval", "best", "span", "saving", "unavail")
    blank = {n: NAN for n in plan.intervals.columns if n.startswith(starts)}
    blank |= {"shape_source": "none", "failures": 0, "rate": 0.0, "rate_lower": 0.0}
    intervals = plan.intervals.assign(task="too few failures to tell", schedule="", **blank)
    fits = plan.fits.assign(**{n: value for n, value in blank.items() if n in plan.fits})
    return replace(plan, intervals=intervals, fits=fits, warnings=(), redo_after=None, **none)
