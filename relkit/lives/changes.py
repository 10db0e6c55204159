"""Lines of the change list: what a rule changed, at which row, from what to what.

Layer: lives. The raw file is never changed; the list tells how it was read.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from relkit.logbook.changes import COLUMNS, change_lines, joined_changes

__all__ = ["COLUMNS", "change_lines", "joined_changes", "meter_changes"]


def meter_changes(corrections: pd.DataFrame) -> pd.DataFrame:
    """Corrected meter readings as lines of the change list."""
    parts = [
        change_lines(
            str(rule),
            lines["source"],
            lines["counter"].to_numpy(dtype=object),
            _numbers(lines["old"]),
            _numbers(lines["new"]),
        )
        for rule, lines in corrections.groupby("rule", sort=False)
    ]
    return joined_changes(parts)


def _numbers(values: pd.Series[Any]) -> list[str]:
    return ["" if np.isnan(value) else f"{value:.10g}" for value in values]
