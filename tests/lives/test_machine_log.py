"""A log made elsewhere, by a study file alone: machines, planned and failed in two files.

Four components per machine; times in the dates; replacements before the observation window; a
list of machines with model and age, but no date fitted.
"""

from __future__ import annotations

import itertools
import random
from collections import defaultdict
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from relkit.lives.table import life_tables
from relkit.logbook.read import read_log
from relkit.study.read import read_study

STUDY = """
name = "machines"
by = ["component"]

[window]
start = 2021-01-01T06:00:00
end = 2022-01-01T06:00:00

[[files.log]]
path = "maintenance.csv"
columns = {date = "datetime", vehicle = "machineID", component = "comp"}
fixed = {finding = "planned", action = "replaced"}

[[files.log]]
path = "failures.csv"
columns = {date = "datetime", vehicle = "machineID", component = "failure"}
fixed = {finding = "failed"}

[[files.register]]
path = "machines.csv"
columns = {vehicle = "machineID"}
covariates = {model = "model", age = "age"}
carries = [
  {component = "comp1"}, {component = "comp2"}, {component = "comp3"}, {component = "comp4"},
]
"""
START, END = datetime(2021, 1, 1, 6), datetime(2022, 1, 1, 6)


def written(folder: Path, *, machines: int, seed: int) -> dict[tuple[str, str], list[Any]]:
    """Write the three files; give the events of each position: (instant, failed)."""
    rng = random.Random(seed)
    maintenance, failures = ["datetime,machineID,comp"], ["datetime,machineID,failure"]
    events: dict[tuple[str, str], list[Any]] = defaultdict(list)
    for number in range(1, machines + 1):
        for comp in ("comp1", "comp2", "comp3", "comp4"):
            if rng.random() < 0.05:
                continue
            at = START - timedelta(days=rng.randrange(1, 180))
            while at <= END:
                failed = at > START and rng.random() < 0.3
                stamp = f"{at:%Y-%m-%d %H:%M:%S},{number},{comp}"
                if not failed or rng.random() < 0.9:  # some failures have no planned row
                    maintenance.append(stamp)
                if failed:
                    failures.append(stamp)
                events[str(number), comp].append((at, failed))
                at += timedelta(days=rng.choice((15, 30, 45, 60, 90)))
    for name, lines in (("maintenance", maintenance), ("failures", failures)):
        body = lines[1:]
        rng.shuffle(body)
        (folder / f"{name}.csv").write_text("\n".join([lines[0], *body]) + "\n")
    listed = [f"{k},model{k % 4 + 1},{k % 20}" for k in range(1, machines + 1)]
    (folder / "machines.csv").write_text("machineID,model,age\n" + "\n".join(listed) + "\n")
    (folder / "study.toml").write_text(STUDY)
    return events


def by_hand(events: dict[tuple[str, str], list[Any]]) -> list[Any]:
    """Lives between successive replacements; what came before the first is not known."""
    lives = []
    for place, rows in events.items():
        bounds = [*rows, (END, None)]
        for (start, _), (end, failed) in itertools.pairwise(bounds):
            if end <= START or start >= end:
                continue
            entry = max((START - start).total_seconds(), 0.0) / 86400
            age = (end - start).total_seconds() / 86400
            lives.append((*place, round(entry, 6), round(age, 6), bool(failed)))
    return sorted(lives)


def test_lives_equal_a_count_by_hand(tmp_path: Path) -> None:
    # Source: independent second implementation in this file.
    events = written(tmp_path, machines=60, seed=2)
    study = read_study(tmp_path / "study.toml")
    log = read_log(study)
    tables = life_tables(log, study)
    lives = tables.lives
    got = [
        (row.vehicle, row.component, round(row.entry, 6), round(row.age, 6), row.failed)
        for row in lives.itertuples()
    ]
    expected = by_hand(events)
    assert sorted(got) == expected
    assert len(lives) > 800
    exposure = sum(age - entry for *_, entry, age, _ in expected)
    assert (lives["age"] - lives["entry"]).sum() == pytest.approx(exposure, abs=1e-3)
    assert tables.set_aside.empty
    rows = tables.row_classes["kind"].value_counts()
    assert rows["log"] == len(log.jobs)
    assert rows["register"] == 60
    assert (lives["entry"] > 0).sum() == sum(entry > 0 for *_, entry, _, _ in expected)
    unknown = tables.findings.set_index("rule").loc["unknown start"]
    assert unknown["rows"] == 240
    assert set(lives["model"]) == {"model1", "model2", "model3", "model4"}
    assert "register_age" in lives
