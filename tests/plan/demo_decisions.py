"""The decisions on the made-up fleet's clean log over a hundred seeds, written to a table.

Run it from the repository's root: ``python -m tests.plan.demo_decisions``. It takes some five
minutes on one core and writes tests/references/demo_decisions.csv, one row per seed and item,
which tests/plan/test_demo_decisions.py reads and of which it measures two seeds anew.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

import relkit
from relkit.demo.write import write_clean_demo
from relkit.plan.build import plan_of
from relkit.plan.parts import parts_of

TABLE = Path(__file__).parents[1] / "references" / "demo_decisions.csv"
SEEDS = range(1, 101)
KEYS = ["component", "location"]
#: What the triage says where replacing by age would pay but tests come first.
MAY_PAY = "replacing by age may pay besides"


def decisions_of(seed: int, folder: Path) -> pd.DataFrame:
    """Return what the plan decides for each item of one seed's log, and the truth behind it."""
    study = relkit.read_study(write_clean_demo(folder, seed=seed))
    intervals = plan_of(parts_of(relkit.read_log(study), study)).intervals
    truth = pd.read_csv(folder / "truth.csv")
    rows = intervals.merge(truth, on=KEYS, suffixes=("", "_true"))
    refused = rows["refused"].str.contains("planned replacement refused", regex=False)
    return pd.DataFrame(
        {
            "seed": seed,
            **{name: rows[name] for name in KEYS},
            "failures": rows["failures"].round(2),
            "shape_true": rows["shape_true"],
            "scale_true": rows["scale_h"],
            "cost_planned": rows["cost_planned"],
            "cost_failure": rows["cost_failure"],
            "task_true": rows["task_true"],
            "task": rows["task"],
            "interval": rows["interval"].round(1),
            "replacement_refused": refused & ~rows["refused"].str.contains(MAY_PAY, regex=False),
        }
    )


def measured(seeds: Iterable[int]) -> pd.DataFrame:
    """Decisions over the seeds, each log made, planned and thrown away."""
    parts = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            parts.append(decisions_of(seed, Path(folder)))
        sys.stdout.write(f"seed {seed}\n")
        sys.stdout.flush()
    return pd.concat(parts, ignore_index=True)


if __name__ == "__main__":
    measured(SEEDS).to_csv(TABLE, index=False)
