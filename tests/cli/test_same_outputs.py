"""Outputs of a plan: the old or the new after a kill, the same bytes each time, no leftovers."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

FIRST = """name = "first"
[files]
log = [{ path = "jobs.csv" }]
register = [{ path = "items.csv", covariates = { depot = "depot" } }]
[window]
start = 2020-01-01
end = 2024-12-31
"""


@pytest.fixture(scope="module")
def kill_moments() -> ModuleType:
    found = importlib.util.spec_from_file_location(
        "kill_moments", Path(__file__).with_name("kill_moments.py")
    )
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


@pytest.fixture
def studies(tmp_path: Path) -> tuple[Path, Path]:
    jobs = ["date,vehicle,component,location,finding,action"]
    items = ["vehicle,component,location,fitted_on,depot"]
    for number in range(60):
        day = f"202{number % 4}-{1 + number % 12:02d}-1{number % 10}"
        part = ("camera", "cable", "display")[number % 3]
        jobs.append(
            f"{day},V{number % 9},{part},rear,{('failed', 'view dark')[number % 2]},replaced"
        )
    jobs.append("31/31/2022,V1,camera,rear,failed,replaced")
    for number in range(12):
        for part in ("camera", "cable", "display"):
            items.append(f"V{number},{part},rear,2019-02-{1 + number:02d},{'NS'[number % 2]}")
    (tmp_path / "jobs.csv").write_text("\n".join(jobs) + "\n")
    (tmp_path / "items.csv").write_text("\n".join(items) + "\n")
    first, second = tmp_path / "first.toml", tmp_path / "second.toml"
    first.write_text(FIRST)
    second.write_text(FIRST.replace("first", "second").replace("2024-12-31", "2024-06-30"))
    return first, second


@pytest.mark.slow
def test_a_killed_run_leaves_the_old_outputs_or_the_new(
    kill_moments: ModuleType, studies: tuple[Path, Path], tmp_path: Path
) -> None:
    # Source: the promise of `relkit plan --help`; more kills are tried by hand.
    rng = np.random.default_rng(3)
    seen = kill_moments.killed_at_random(studies, tmp_path / "out", 6, rng)
    assert seen["mixed"] == 0
    assert sum(seen.values()) == 6


@pytest.mark.slow
def test_a_second_run_gives_the_same_bytes_whatever_the_hashes(
    kill_moments: ModuleType, studies: tuple[Path, Path], tmp_path: Path
) -> None:
    # Source: common practice: the order of sets of texts differs between the two processes.
    runs = []
    for seed in ("1", "2"):
        out = tmp_path / "out"
        words = [sys.executable, "-m", "relkit", "plan", str(studies[0]), "--out", str(out), "-q"]
        subprocess.run(
            words, env={**os.environ, "PYTHONHASHSEED": seed}, check=True, capture_output=True
        )
        runs.append(kill_moments.outputs(out))
    assert {"plan.html", "plan.xlsx", "tables/about.csv", "tables/set_aside.csv"} <= set(runs[0])
    assert runs[0] == runs[1]
