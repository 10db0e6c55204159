"""A log from elsewhere: replacements in one file, failures in another, a list of machines.

A study file alone must make it usable; lives, failures, exposure and Weibull fits are compared
with an independent computation in this file (pure Python and lifelines).
"""

from __future__ import annotations

import warnings
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import relkit

STUDY = """
name = "Two-file log"
clock = "days"
by = ["component"]

[window]
start = 2015-01-01T06:00:00
end = 2016-01-01T06:00:00

[[files.log]]
path = "replacements.csv"
columns = { date = "datetime", vehicle = "machineID", component = "comp" }
fixed = { finding = "planned", action = "replaced" }

[[files.log]]
path = "failures.csv"
columns = { date = "datetime", vehicle = "machineID", component = "failure" }
fixed = { finding = "failed" }

[[files.register]]
path = "machines.csv"
columns = { vehicle = "machineID" }
covariates = { model = "model", age = "age" }
carries = [
  { component = "comp1" }, { component = "comp2" },
  { component = "comp3" }, { component = "comp4" },
]
"""

START, END = datetime(2015, 1, 1, 6), datetime(2016, 1, 1, 6)
COMPONENTS = ("comp1", "comp2", "comp3", "comp4")


@dataclass(frozen=True)
class Log:
    """What the files say: machine and component to instants."""

    replaced: dict[tuple[int, str], list[datetime]]
    failed: set[tuple[int, str, datetime]]


def made_log(folder: Path, machines: int, seed: int) -> Log:
    rng = np.random.default_rng(seed)
    replaced: dict[tuple[int, str], list[datetime]] = defaultdict(list)
    failed: set[tuple[int, str, datetime]] = set()
    for machine in range(1, machines + 1):
        for component in COMPONENTS:
            now = datetime(2014, 6, 1, 6) + timedelta(days=15 * int(rng.integers(0, 16)))
            while now < END:
                replaced[machine, component].append(now)
                life = timedelta(hours=3 * max(1, round(60 * 8 * rng.weibull(1.8))))
                planned = timedelta(days=15 * int(rng.integers(2, 8)))
                now += min(life, planned)
                if life <= planned and START <= now < END:
                    failed.add((machine, component, now))
    folder.mkdir(exist_ok=True)
    rows = [(t, m, c) for (m, c), instants in replaced.items() for t in instants]
    frame = pd.DataFrame(rows, columns=["datetime", "machineID", "comp"]).sort_values("machineID")
    frame.to_csv(folder / "replacements.csv", index=False, date_format="%Y-%m-%d %H:%M:%S")
    frame = pd.DataFrame(
        [(t, m, c) for m, c, t in sorted(failed)], columns=["datetime", "machineID", "failure"]
    )
    frame.to_csv(folder / "failures.csv", index=False, date_format="%Y-%m-%d %H:%M:%S")
    ages = rng.integers(0, 21, machines)
    table = {"machineID": range(1, machines + 1), "model": "model1", "age": ages}
    pd.DataFrame(table).to_csv(folder / "machines.csv", index=False)
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    return Log(dict(replaced), failed)


def lives_by_hand(log: Log) -> list[tuple[str, int, float, float, bool]]:
    """(component, machine, entry, age, failed) of each spell that the window sees; days."""
    day = timedelta(days=1)
    lives = []
    for (machine, component), instants in log.replaced.items():
        for begin, after in zip(instants, [*instants[1:], None], strict=True):
            end = min(after or END, END)
            if end <= START or begin >= END:
                continue
            own = after is not None and (machine, component, after) in log.failed
            entry = max(START - begin, timedelta()) / day
            lives.append((component, machine, entry, (end - begin) / day, own and after <= END))
    return lives


@pytest.fixture(scope="module")
def study_and_log(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Log]:
    folder = tmp_path_factory.mktemp("two_files")
    return folder / "study.toml", made_log(folder, machines=60, seed=20150101)


def test_lives_equal_an_independent_computation(study_and_log: tuple[Path, Log]) -> None:
    # Source: second implementation in this file.
    path, log = study_and_log
    study = relkit.read_study(path)
    lives = relkit.build_lives(relkit.read_log(study), study)
    by_hand = pd.DataFrame(
        lives_by_hand(log), columns=["component", "vehicle", "entry", "age", "failed"]
    )
    got = lives.assign(vehicle=lives["vehicle"].astype(int))[list(by_hand.columns)]
    order = ["component", "vehicle", "failed", "entry", "age"]
    pd.testing.assert_frame_equal(
        got.sort_values(order, ignore_index=True),
        by_hand.sort_values(order, ignore_index=True),
        check_dtype=False,
        rtol=1e-12,
    )


def test_fits_equal_lifelines(study_and_log: tuple[Path, Log]) -> None:
    # Source: lifelines' Weibull fit with late entry, on the lives of the second implementation.
    from lifelines import WeibullFitter

    path, log = study_and_log
    study = relkit.read_study(path)
    fits = relkit.weibull_fits(relkit.build_lives(relkit.read_log(study), study), by="component")
    fits = fits.set_index("component")
    for component in COMPONENTS:
        rows = [life for life in lives_by_hand(log) if life[0] == component]
        entry, age, failed = (np.array([row[i] for row in rows]) for i in (2, 3, 4))
        assert fits.loc[component, "failures"] == failed.sum()
        assert fits.loc[component, "lives"] == len(rows)
        assert fits.loc[component, "exposure"] == pytest.approx((age - entry).sum(), rel=1e-12)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # lifelines' own deprecation notes
            peer = WeibullFitter().fit(age, failed, entry=entry)
        assert fits.loc[component, "shape"] == pytest.approx(peer.rho_, rel=1e-4)
        assert fits.loc[component, "scale"] == pytest.approx(peer.lambda_, rel=1e-4)


def test_every_row_is_accounted_for(study_and_log: tuple[Path, Log]) -> None:
    # Source: the project's own rule: rows read = rows used + rows set aside.
    path, log = study_and_log
    plan = relkit.build_plan(relkit.read_study(path))
    rows = sum(len(instants) for instants in log.replaced.values()) + len(log.failed)
    classes = plan.row_classes[plan.row_classes["kind"] == "log"]
    assert len(classes) == rows
    assert classes["source"].is_unique
    assert (classes["row_class"] == "failure").sum() == len(log.failed)
    assert not (classes["row_class"] == "set aside").any()
