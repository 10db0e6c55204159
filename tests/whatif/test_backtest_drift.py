"""The test for a change: its rate of false alarms and its power."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr

from relkit.whatif.backtest_drift import FALSE_ALARMS, change_test, drift_table


def forecasts(places: np.ndarray, expected: float = 3.0) -> pd.DataFrame:
    """Rows of a backtest with given places: (n_strata, n_dates)."""
    strata, dates = places.shape
    return pd.DataFrame(
        {
            "method": "relkit",
            "level": "stratum",
            "months": 3,
            "component": np.repeat([f"part {k}" for k in range(strata)], dates),
            "made_on": np.tile(pd.date_range("2020-01-01", periods=dates, freq="QS"), strata),
            "expected": expected,
            "seen": 3,
            "place": places.ravel(),
        }
    )


def test_false_alarms_are_as_rare_as_promised() -> None:
    # Source: 1,000 logs of 10 strata without a change: 5 % flagged, standard error 0.7 %.
    source = np.random.default_rng(1)
    least = [min(change_test(source.random(12))[2] for _ in range(10)) for _ in range(1000)]
    whole = 1 - (1 - np.array(least)) ** 10
    assert np.mean(whole < FALSE_ALARMS) == pytest.approx(FALSE_ALARMS, abs=3 * 0.007)


def test_the_table_flags_as_the_test_of_all_strata_together_says() -> None:
    # Source: the smallest of 10 p-values, raised to that of the smallest of 10 (Sidak).
    places = np.random.default_rng(3).random((10, 12))
    places[4, 6:] = 0.999
    table = drift_table(forecasts(places), ["component"])
    least = min(change_test(row)[2] for row in places)
    assert table["p_value"].iloc[0] == pytest.approx(1 - (1 - least) ** 10)
    assert table["component"].iloc[0] == "part 4"
    assert table["flagged"].tolist() == [True] + [False] * 9
    assert table["since"].iloc[0] == pd.Timestamp("2021-07-01")


def test_a_lasting_shift_is_found_with_its_date() -> None:
    # Source: own algebra: normal scores shifted by 1.5 in the last 8 of 16 dates stand at
    # 1.5 * sqrt(8) = 4.2 standard deviations.
    source = np.random.default_rng(2)
    found = []
    for _ in range(100):
        score = source.standard_normal(16)
        score[8:] += 1.5
        statistic, since, p_value = change_test(ndtr(score))
        found.append((statistic > 0, abs(since - 8) <= 2, p_value < 0.01))
    up, dated, sure = np.mean(found, axis=0)
    assert up == 1
    assert dated > 0.7
    assert sure > 0.85


def test_strata_with_next_to_no_failures_are_left_out() -> None:
    # Source: the promise of LEAST_FAILURES.
    rows = forecasts(np.full((1, 4), 0.5), expected=0.2).assign(seen=0)
    table = drift_table(rows, ["component"])
    assert table.empty
    assert {"flagged", "p_value", "since"} <= set(table.columns)
