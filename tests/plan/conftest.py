"""Small hand-made studies and hand-made evidence for the tests of the plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.decisions.tasks import triage
from relkit.plan.choices import Choices
from relkit.plan.evidence import Evidence
from relkit.plan.result import Plan
from relkit.plan.stratum_settings import stratum_settings
from relkit.study.settings import Study

HEAD = """
name = "Hand-made"
clock = "{clock}"
by = {by}

[window]
start = 2022-01-01
end = 2023-12-31

[[files.log]]
path = "log.csv"

[[files.register]]
path = "register.csv"
covariates = {{ class = "class" }}

[[files.readings]]
path = "readings.csv"
counters = {{ engine_hours = "engine_hours" }}

[[files.inspections]]
path = "inspections.csv"
"""
LOG = "date,vehicle,component,location,finding,action"
REGISTER = "vehicle,class,component,location,type,fitted_on,removed_on,vehicle_left_on"
INSPECTIONS = "date,vehicle,component,location,result"
#: Use of each vehicle [h per day]; readings begin at 0 h on 2021-01-01.
USE = {"V1": 2.0, "V2": 4.0, "V3": 4.0, "V4": 8.0}

MadeStudy = Callable[..., Study]
MadePlan = Callable[..., Plan]


def default_register() -> list[str]:
    rows = []
    for vehicle in USE:
        kind = "small" if vehicle in ("V1", "V2") else "large"
        for component, location in (("camera", "front"), ("camera", "rear"), ("lead", "chassis")):
            rows.append(f"{vehicle},{kind},{component},{location},,2021-06-01,,")
    return rows


def default_log() -> list[str]:
    """Failures every 150 days or so at the front of each vehicle, two leads, no rear camera."""
    rows = []
    for number, vehicle in enumerate(USE):
        for day in range(20 + 11 * number, 720, 149):
            date = pd.Timestamp("2022-01-01") + pd.Timedelta(days=day)
            rows.append((date, f"{date:%Y-%m-%d},{vehicle},camera,front,failed,replaced"))
    for text in ("2022-06-10,V1", "2023-03-10,V4"):
        rows.append((pd.Timestamp(text[:10]), f"{text},lead,chassis,failed,replaced"))
    return [row for _, row in sorted(rows)]


@pytest.fixture
def made_study(tmp_path: Path) -> MadeStudy:
    """Return a function that writes a small study and reads it."""

    def make(
        settings: str = "",
        *,
        clock: str = "engine_hours",
        by: Sequence[str] = ("component", "location"),
        log: Sequence[str] | None = None,
        register: Sequence[str] | None = None,
        inspections: Sequence[str] = ("2023-10-01,V1,,,pass",),
        use: dict[str, float] | None = None,
        folder: str = "study",
    ) -> Study:
        place = tmp_path / folder
        place.mkdir(exist_ok=True)
        months = pd.date_range("2021-01-01", "2024-01-01", freq="MS")
        meters = [
            f"{vehicle},{month:%Y-%m-%d},{rate * (month - months[0]).days:.1f}"
            for vehicle, rate in (use or USE).items()
            for month in months
        ]
        tables = {
            "log.csv": [LOG, *(default_log() if log is None else log)],
            "register.csv": [REGISTER, *(default_register() if register is None else register)],
            "readings.csv": ["vehicle,date,engine_hours", *meters],
            "inspections.csv": [INSPECTIONS, *inspections],
        }
        for name, rows in tables.items():
            (place / name).write_text("\n".join(rows) + "\n", encoding="utf-8")
        head = HEAD.format(clock=clock, by=list(by))
        (place / "study.toml").write_text(head + settings, encoding="utf-8")
        return relkit.read_study(place / "study.toml")

    return make


@pytest.fixture
def made_plan(made_study: MadeStudy) -> MadePlan:
    """Return a function that plans a small study; arguments as for ``made_study``."""

    def make(settings: str = "", **options: object) -> Plan:
        return relkit.build_plan(made_study(settings, **options))

    return make


@pytest.fixture
def known_evidence() -> Callable[[pd.DataFrame], Evidence]:
    """Evidence whose parameters are known exactly: every draw is the stated shape and scale."""

    def make(strata: pd.DataFrame, draws: int = 8) -> Evidence:
        defaults = {
            "lives": 40.0,
            "failures": 30.0,
            "exposure": 50_000.0,
            "probability_of_wear": 0.99,
            "shape_source": "own data",
            "status": "ok",
            "reason": "",
        }
        fits = strata.assign(**{k: v for k, v in defaults.items() if k not in strata})
        for name in ("shape", "scale", "b10"):
            for end in ("", "_lower", "_upper"):
                if name + end not in fits:
                    fits[name + end] = fits.get(name, np.nan)
        lives = pd.DataFrame(
            columns=["component", "location", "stratum_location", "masked_job"], dtype=object
        )
        lives["ended_on"] = pd.Series(dtype="datetime64[ns]")
        lives["ended_by"] = pd.Series(dtype=object)
        shape, scale = (
            np.repeat(fits[name].to_numpy(dtype=float)[:, None], draws, axis=1)
            for name in ("shape", "scale")
        )
        return Evidence(lives=lives, fits=fits, curves=pd.DataFrame(), shape=shape, scale=scale)

    return make


@pytest.fixture
def given_tasks() -> Callable[..., Choices]:
    """Choices with the tasks and best intervals that a test states."""

    def make(found: Evidence, study: Study, task: Sequence[str], best: Sequence[float]) -> Choices:
        settings = tuple(
            stratum_settings(study, component, location)
            for component, location in zip(
                found.fits["component"], found.fits["location"], strict=True
            )
        )
        n = len(settings)
        chosen = triage(
            evident=[s.evident for s in settings],
            safety=[s.safety for s in settings],
            failures=found.fits["failures"].to_numpy(),
            probability_of_wear=0.9,
            shape_upper=2.0,
            saving=0.1,
            cost_planned=1.0,
            cost_failure=2.0,
        )
        chosen.task[:] = np.array(task).astype(chosen.task.dtype)
        none = np.full(n, -1, dtype=np.int64)
        values = np.asarray(best, dtype=float)
        return Choices(
            settings=settings,
            triage=chosen,
            replacement=None,
            replacement_row=none,
            finding=None,
            finding_row=none,
            inspection=None,
            inspection_row=none,
            best=values,
            lower=values,
            upper=values,
        )

    return make
