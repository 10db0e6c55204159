"""Backtest on logs with a known truth: coverage of forecasts, false alarms, changes found.

Run as ``python -m tests.whatif.backtest_coverage`` from the project's folder; writes the tables
``tests/references/backtest_coverage.csv`` and ``backtest_drift.csv``. About 9 s a log.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from relkit.whatif.backtest import Backtest, backtest_of_log
from relkit.whatif.backtest_tables import coverage_table, score_table
from tests.whatif.simulated_logs import simulated_log

REFERENCES = Path(__file__).parents[1] / "references"
#: Logs whose truth stays, and logs that age so many times as fast from the middle on.
STEADY, CHANGED, PACES = 40, 10, (1.5, 2.0)


def backtests_of(
    seeds: Iterable[int], *, pace: float = 1.0, every_months: int = 3
) -> list[Backtest]:
    """Return the backtests of some simulated logs, each from 400 histories a date."""
    return [
        backtest_of_log(
            *simulated_log(seed, pace_after_change=pace),
            (3, 12),
            every_months=every_months,
            histories=400,
        )
        for seed in seeds
    ]


def coverage_of(tests: list[Backtest]) -> pd.DataFrame:
    """Return the coverage over several logs, with the score against the naive forecasts."""
    whole = pd.concat([test.forecasts for test in tests])
    table = coverage_table(whole[whole["level"] == "stratum"])
    scores = score_table(whole[whole["level"] == "stratum"])
    names = ["method", "months", "level_of"]
    return table[table["months"] > 0].merge(scores[[*names, "score", "gain", "ratio"]], on=names)


def flags_of(tests: list[Backtest], pace: float) -> dict[str, float]:
    """Return in how many logs a change was flagged, and where."""
    flagged = [test.drift[test.drift["flagged"].astype(bool)] for test in tests]
    return {
        "pace": pace,
        "logs": len(tests),
        "flagged": sum(len(rows) > 0 for rows in flagged),
        "whole_fleet": sum((rows["level"] == "all").any() for rows in flagged),
        "strata": sum((rows["level"] == "stratum").sum() for rows in flagged) / len(tests),
    }


if __name__ == "__main__":
    steady = backtests_of(range(STEADY))
    coverage_of(steady).round(4).to_csv(REFERENCES / "backtest_coverage.csv", index=False)
    flags = [flags_of(steady, 1.0)]
    for pace in PACES:
        flags.append(flags_of(backtests_of(range(100, 100 + CHANGED), pace=pace), pace))
        pd.DataFrame(flags).round(3).to_csv(REFERENCES / "backtest_drift.csv", index=False)
