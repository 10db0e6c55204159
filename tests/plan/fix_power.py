"""How often any test could see the demo's training, against how often the plan's test does.

The joints of made-up fleets, with the time that each could be watched, get new lives: after the
training by their true law, or by that of before (no effect). A test that knows both true laws
is the best there can be (Neyman and Pearson); what it misses no other test can be asked to find.
Run as a script it writes ``tests/references/fix_power.csv`` (some two minutes on one core).
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.demo.truth import FIX_DAY, TYPE_TRUTHS
from relkit.demo.write import write_clean_demo
from relkit.lives.table import build_lives
from relkit.logbook.read import read_log
from relkit.study.read import read_study
from relkit.survival.stratified_ratio import stratified_ratio

TABLE = Path(__file__).parents[1] / "references" / "fix_power.csv"
FLEETS, REPEATS, NULL_SETS = range(1001, 1061), 20, 1000

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def watched(seed: int) -> tuple[Floats, Flags]:
    """Return how long each joint of a fleet could be watched [h], and whether it came after."""
    with tempfile.TemporaryDirectory() as folder:
        study = read_study(write_clean_demo(folder, seed=seed))
        lives = build_lives(read_log(study), study)
    end, start = lives["ended_on"].max(), pd.Timestamp("2021-01-01")
    days = (lives["ended_on"] - lives["fitted_on"].clip(lower=start)) / pd.Timedelta(days=1)
    use = pd.DataFrame({"hours": lives["age"] - lives["entry"], "days": days})
    total = use.groupby(lives["vehicle"]).sum()
    rate = total["hours"] / total["days"]
    joints = lives[lives["component"].eq("cable, re-made joint")]
    left = (end - joints["fitted_on"]) / pd.Timedelta(days=1)
    hours = (left * rate[joints["vehicle"]].to_numpy()).to_numpy(np.float64)
    return np.maximum(hours, 1.0), (joints["fitted_on"] >= FIX_DAY).to_numpy()


def log_ratio(age: Floats, failed: Flags) -> float:
    """Log-likelihood of the law after the training less that of the law before."""

    def log_likelihood(code: int) -> Floats:
        shape, scale = TYPE_TRUTHS[code].shape, TYPE_TRUTHS[code].scale
        density = np.log(shape / scale) + (shape - 1) * np.log(age / scale)
        return failed * density - (age / scale) ** shape

    return float((log_likelihood(2) - log_likelihood(1)).sum())


def drawn(
    limit: Floats, after: Flags, works: bool, rng: np.random.Generator
) -> tuple[Floats, Flags]:
    """Return new ages and failures of all joints, cut off where watching ended."""
    new = after & works
    shape = np.where(new, TYPE_TRUTHS[2].shape, TYPE_TRUTHS[1].shape)
    scale = np.where(new, TYPE_TRUTHS[2].scale, TYPE_TRUTHS[1].scale)
    life = np.maximum(scale * rng.standard_exponential(len(limit)) ** (1 / shape), 0.5)
    return np.minimum(life, limit), life <= limit


def power(fleets: range, repeats: int, null_sets: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return the share of fleets in which each test says "fewer failures", one-sided."""
    rows = []
    for seed in fleets:
        limit, after = watched(seed)
        if not after.any():
            continue
        null = [drawn(limit, after, False, rng) for _ in range(null_sets)]
        best = np.quantile([log_ratio(age[after], bad[after]) for age, bad in null], [0.95, 0.9])
        for works in (True, False):
            for _ in range(repeats):
                age, failed = drawn(limit, after, works, rng)
                found = stratified_ratio(age, failed, after)
                half = found.p_value / 2 if found.hazard_ratio < 1 else 1 - found.p_value / 2
                top = log_ratio(age[after], failed[after])
                known = top > best
                rows.append((works, *known, half < 0.05, half < 0.1))
    names = ["works", "best_at_5", "best_at_10", "ours_at_5", "ours_at_10"]
    table = pd.DataFrame(rows, columns=names)
    mean = table.groupby("works").mean().round(3)
    return mean.assign(fleets=table.groupby("works").size()).reset_index()


def main() -> None:
    """Measure and write the table."""
    power(FLEETS, REPEATS, NULL_SETS, np.random.default_rng(7)).to_csv(
        TABLE, index=False, lineterminator="\n"
    )


if __name__ == "__main__":
    sys.exit(main())
