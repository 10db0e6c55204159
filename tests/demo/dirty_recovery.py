"""How well the dirty demo log is read over many seeds, against its key and its truth.

Run ``python tests/demo/dirty_recovery.py`` from the folder of the project; it writes
tests/references/dirty_recovery.csv (some minutes). test_dirty_recovery.py measures two seeds anew.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

import relkit
from relkit.demo.write import write_dirty_demo
from relkit.plan.build import plan_of
from relkit.plan.parts import parts_of
from relkit.plan.result import Plan

__all__ = ["SEEDS", "items_of", "measured", "rows_right"]

SEEDS = range(1, 21)
#: A scale this close to the truth is recovered.
CLOSE = 0.15
TARGET = Path(__file__).parents[1] / "references" / "dirty_recovery.csv"


def plan_of_seed(folder: Path, seed: int) -> Plan:
    """Return the plan of one dirty demo, without further tables."""
    study = relkit.read_study(write_dirty_demo(folder, seed=seed))
    return plan_of(parts_of(relkit.read_log(study), study))


def rows_right(plan: Plan, folder: Path) -> tuple[float, int]:
    """Return the share of log rows in the class of the key, and how many rows have no class."""
    key = pd.read_csv(folder / "key.csv", keep_default_na=False)
    both = key.merge(plan.row_classes, on="source", how="left", suffixes=("_key", ""))
    log = both[both["kind_key"] == "log"]
    right = (log["row_class"] == log["row_class_key"]).mean()
    return float(right), int(both["row_class"].isna().sum())


def items_of(plan: Plan, folder: Path, seed: int) -> pd.DataFrame:
    """Return one row per item: fitted scale over the true one, limits, tasks, what was shown."""
    truth = pd.read_csv(folder / "truth.csv")
    columns = ["component", "location", "scale_h", "task", "shape"]
    renamed = truth[columns].rename(columns={"task": "task_true", "shape": "shape_true"})
    items = plan.intervals.merge(renamed, on=["component", "location"])
    ratio = items["scale"] / items["scale_h"]
    limits = (items["scale_lower"] <= items["scale_h"]) & (items["scale_h"] <= items["scale_upper"])
    wide = items["scale_upper"] / items["scale"] > 1 + CLOSE
    return pd.DataFrame(
        {
            "seed": seed,
            "component": items["component"],
            "location": items["location"],
            "failures": items["failures"].round(1),
            "ratio": ratio.round(4),
            "close": (ratio - 1).abs() <= CLOSE,
            "within_limits": limits,
            "limits_wider": wide | items["scale"].isna(),
            "same_task": items["task"] == items["task_true"],
            "task": items["task"],
            "task_true": items["task_true"],
            "warned": items["warnings"] != "",
            "evidence": items["evidence"],
        }
    )


def measured(seed: int) -> tuple[pd.DataFrame, float, int]:
    """Return the items, the share of rows in the right class and the rows lost, of one seed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = plan_of_seed(folder, seed)
        right, lost = rows_right(plan, folder)
        return items_of(plan, folder, seed).assign(rows_right=round(right, 5)), right, lost


def main() -> None:
    """Measure all seeds, write the table and print what it says."""
    parts = []
    for seed in SEEDS:
        items, right, lost = measured(seed)
        parts.append(items)
        sys.stdout.write(f"seed {seed}: {right:.2%} of rows in the right class, {lost} lost\n")
        sys.stdout.flush()
    table = pd.concat(parts, ignore_index=True)
    table.to_csv(TARGET, index=False)
    sys.stdout.write(summary(table))


def summary(table: pd.DataFrame) -> str:
    """Return the figures in a few lines."""
    many = table[table["failures"] >= 20]
    told = table["limits_wider"] | table["warned"]
    close = table["close"] & table["same_task"]
    lines = [
        f"rows in the right class: {table['rows_right'].min():.2%} at worst, "
        f"{table['rows_right'].mean():.2%} on average",
        f"items: {len(table)}, with 20 failures or more: {len(many)}",
        f"same task: {table['same_task'].mean():.1%}; of those with many "
        f"{many['same_task'].mean():.1%}",
        f"scale within {CLOSE:.0%}: {table['close'].mean():.1%}; of those with many "
        f"{many['close'].mean():.1%}",
        f"truth within the limits shown: {table['within_limits'].mean():.1%}",
        f"median ratio: {table['ratio'].median():.3f}; of those with many "
        f"{many['ratio'].median():.3f}",
        f"misses: {(~close).sum()}, of which told by limits or warning: {(~close & told).sum()}",
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    np.seterr(all="ignore")
    main()
