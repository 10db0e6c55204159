"""Did the truth change? Outcomes that leave their forecasts to one side for good.

Layer: whatif. Forecasts made one after the other, each with all that was known, should be
right as often as they say, independently of each other.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

__all__ = ["FALSE_ALARMS", "change_test", "drift_table"]

Floats = NDArray[np.float64]

#: Probability that a log whose truth does not change has any stratum flagged [1].
FALSE_ALARMS = 0.05
#: Random sequences that the law of the test statistic is taken from.
SEQUENCES = 40_000
#: Failures expected or seen, over all forecasts, from which a stratum is tested.
LEAST_FAILURES = 5.0


def change_test(place: Floats) -> tuple[float, int, float]:
    """Test places of outcomes in forecasts made one after the other.

    Parameters
    ----------
    place : ndarray of shape (n,)
        Randomised places, the earliest first.

    Returns
    -------
    statistic : float
        Largest standardised sum of normal scores from some forecast on; positive: more came.
    since : int
        The forecast from which on.
    p_value : float
        Probability of one so large, to either side, where all forecasts are right.

    Notes
    -----
    Places of one-step forecasts are independent and evenly spread where each is the right
    conditional distribution. The law of the largest sum is simulated.

    References
    ----------
    .. [1] A. P. Dawid, Statistical theory: the prequential approach, Journal of the Royal
       Statistical Society A 147, 1984 (from memory). The test: own choice.
    """
    score = ndtri(np.clip(place, 1e-4, 1 - 1e-4))
    sums = np.cumsum(score[::-1])[::-1] / np.sqrt(np.arange(len(score), 0, -1))
    since = int(np.abs(sums).argmax())
    usual = _largest_sums(len(score))
    beyond = len(usual) - np.searchsorted(usual, abs(sums[since]), side="left")
    return float(sums[since]), since, float((beyond + 1) / (len(usual) + 1))


@cache
def _largest_sums(length: int) -> Floats:
    """Largest absolute standardised sums of random sequences, in ascending order."""
    score = np.random.default_rng(length).standard_normal((SEQUENCES, length))
    sums = np.cumsum(score[:, ::-1], axis=1) / np.sqrt(np.arange(1, length + 1))
    return np.sort(np.abs(sums).max(axis=1))


def drift_table(forecasts: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Test each stratum, and all together, for outcomes that leave their forecasts.

    Parameters
    ----------
    forecasts : DataFrame
        Rows of a backtest; its own forecasts of the shortest horizon are taken.
    by : list of str
        Columns that make a stratum.

    Returns
    -------
    DataFrame
        ``level``, the columns of ``by``, ``dates`` (forecasts), ``expected``, ``seen``,
        ``since``, ``expected_since``, ``seen_since``, ``p_value`` (of any stratum being so far
        off), ``flagged``. At most 5 % of logs without a change have a flag.
    """
    own = forecasts[(forecasts["method"] == "relkit")]
    own = own[own["months"] == own["months"].min()].sort_values("made_on", kind="stable")
    rows = []
    for keys, group in own.groupby(["level", *by], sort=False):
        expected, seen = float(group["expected"].sum()), int(group["seen"].sum())
        if len(group) < 2 or max(expected, seen) < LEAST_FAILURES:
            continue
        statistic, since, p_value = change_test(group["place"].to_numpy(dtype=np.float64))
        later = group.iloc[since:]
        rows.append(
            {
                **dict(zip(["level", *by], keys, strict=True)),
                "dates": len(group),
                "expected": expected,
                "seen": seen,
                "since": later["made_on"].iloc[0],
                "expected_since": float(later["expected"].sum()),
                "seen_since": int(later["seen"].sum()),
                "statistic": statistic,
                "p_value": p_value,
            }
        )
    columns = ["level", *by, *_COLUMNS]
    if not rows:
        return pd.DataFrame(columns=columns)
    table = pd.DataFrame(rows)
    # Sidak: as if the strata were independent
    table["p_value"] = -np.expm1(len(table) * np.log1p(-table["p_value"].clip(upper=1 - 1e-12)))
    table["flagged"] = table["p_value"] < FALSE_ALARMS
    return table.sort_values("p_value", kind="stable")[columns].reset_index(drop=True)


_COLUMNS = (
    "dates",
    "expected",
    "seen",
    "since",
    "expected_since",
    "seen_since",
    "statistic",
    "p_value",
    "flagged",
)
