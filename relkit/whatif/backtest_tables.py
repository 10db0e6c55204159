"""Coverage and scores of past forecasts, method by method.

Layer: whatif. Counting and averaging of the rows that backtest_cuts.py makes.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.whatif.backtest_scores import LEVELS, inside_share

__all__ = ["NAIVE", "coverage_table", "place_counts", "score_table"]

#: Forecasts that a fleet could make without this package.
NAIVE = ("last year's rate", "constant rate")
#: Classes of the outcomes' places in their forecasts.
CLASSES = 10


def coverage_table(forecasts: pd.DataFrame) -> pd.DataFrame:
    """Share of outcomes inside the prediction intervals.

    Parameters
    ----------
    forecasts : DataFrame
        Rows of a backtest.

    Returns
    -------
    DataFrame
        Per ``method``, ``months`` (0: all horizons), ``level_of`` ("stratum" or "all"):
        ``wanted`` share, ``inside`` (share within the whole-number ends, which hold more than
        their share even of a right forecast), ``calibrated`` (share by randomised places, which
        a right forecast keeps), ``forecasts``.
    """
    rows = []
    groups = [*forecasts.groupby(["method", "level", "months"], sort=False)]
    groups += [((m, k, 0), g) for (m, k), g in forecasts.groupby(["method", "level"], sort=False)]
    for (method, kind, months), group in groups:
        for level in LEVELS:
            name = f"{level * 100:.0f}"
            inside = group["seen"].between(group[f"low_{name}"], group[f"high_{name}"])
            rows.append(
                {
                    "method": method,
                    "level_of": kind,
                    "months": months,
                    "wanted": level,
                    "inside": float(inside.mean()),
                    "calibrated": inside_share(group["place"].to_numpy(), level),
                    "forecasts": len(group),
                }
            )
    return pd.DataFrame(rows)


def score_table(forecasts: pd.DataFrame) -> pd.DataFrame:
    """Mean scores, and how many more failures came than were expected.

    Returns
    -------
    DataFrame
        Per ``method``, ``level_of``, ``months``: ``score`` (mean continuous ranked probability
        score; smaller is better), ``gain`` (share of the better naive method's score that is
        saved; negative: worse), ``expected`` and ``seen`` (sums over the forecasts), ``ratio``
        (seen over expected), ``forecasts``.
    """
    groups = forecasts.groupby(["method", "level", "months"], sort=False)
    table = groups.agg(
        score=("score", "mean"),
        expected=("expected", "sum"),
        seen=("seen", "sum"),
        forecasts=("seen", "size"),
    ).reset_index()
    naive = table[table["method"].isin(NAIVE)].groupby(["level", "months"])["score"].min()
    best = table.join(naive.rename("best"), on=["level", "months"])["best"]
    ratio = table["seen"] / table["expected"].where(table["expected"] > 0)
    gain = 1 - table["score"] / best.where(best > 0)
    return table.assign(gain=gain, ratio=ratio).rename(columns={"level": "level_of"})


def place_counts(forecasts: pd.DataFrame, method: str, level: str = "stratum") -> pd.DataFrame:
    """Outcomes by their place in the forecast, in ten classes of equal probability.

    Returns
    -------
    DataFrame
        ``begin``, ``end``, ``outcomes``, ``expected``: were the forecasts right, each class
        would hold a tenth.
    """
    chosen = forecasts[(forecasts["method"] == method) & (forecasts["level"] == level)]
    edges = np.linspace(0.0, 1.0, CLASSES + 1)
    counts, _ = np.histogram(chosen["place"].to_numpy(dtype=np.float64), bins=edges)
    return pd.DataFrame(
        {
            "begin": edges[:-1],
            "end": edges[1:],
            "outcomes": counts,
            "expected": len(chosen) / CLASSES,
        }
    )
