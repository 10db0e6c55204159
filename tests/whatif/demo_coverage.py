"""Backtest of the made-up fleet over several seeds: whether 80 % ranges keep 70 to 90 %.

Run as ``python -m tests.whatif.demo_coverage`` from the project's folder; writes
``tests/references/demo_coverage.csv``. About 25 s a seed.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd

from relkit.demo.write import write_demo
from relkit.study.read import read_study
from relkit.whatif.backtest import backtest

REFERENCES = Path(__file__).parents[1] / "references"
SEEDS = range(1, 6)


def demo_coverage(seed: int, *, every_months: int = 3) -> pd.DataFrame:
    """Return coverage and scores of 12-month forecasts of one dirty demo log."""
    with tempfile.TemporaryDirectory() as folder:
        _, study = write_demo(Path(folder), seed=seed)
        past = backtest(read_study(study), (12,), every_months=every_months, histories=400)
    names = ["method", "months", "level_of"]
    table = past.coverage[past.coverage["months"] == 12]
    return table.merge(past.scores[[*names, "gain", "ratio"]], on=names).assign(seed=seed)


if __name__ == "__main__":
    done = []
    for seed in SEEDS:
        done.append(demo_coverage(seed))
        whole = pd.concat(done).round(4)
        whole.to_csv(REFERENCES / "demo_coverage.csv", index=False)
