"""Numbers at risk and running sums by stratum against plain counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.survival.risk_sets import blocks, risk_index, running_sums, running_survival, spans


def test_numbers_at_risk_agree_with_a_plain_count() -> None:
    # Source: independent count; at risk means entry < age <= end.
    rng = np.random.default_rng(0)
    cell, end = rng.integers(0, 5, 200), rng.integers(1, 20, 200).astype(float)
    entry, weight = np.floor(end * rng.random(200)), rng.integers(1, 4, 200).astype(float)
    ages = np.array([2.0, 3.0, 7.5, 11.0, 19.0])
    index = risk_index(ages, cell, entry, end, weight)
    for rank, age in enumerate(ages):
        found = index.sums(np.arange(5), np.full(5, rank))
        for code in range(5):
            inside = (cell == code) & (entry < age) & (age <= end)
            assert found[code] == weight[inside].sum()


def test_running_sums_start_anew_and_keep_their_digits() -> None:
    # Reference library: pandas' grouped cumsum; noughts stay exactly nought in a long batch.
    rng = np.random.default_rng(1)
    code = np.repeat(np.arange(5000), rng.integers(1, 40, 5000))
    values = rng.random(len(code)) ** 4 * 10
    values[code % 2 == 1] = 0.0
    expected = pd.Series(values).groupby(code).cumsum().to_numpy()
    np.testing.assert_allclose(running_sums(values, code), expected, rtol=1e-11)
    assert (running_sums(values, code)[code % 2 == 1] == 0).all()
    assert len(running_sums(np.zeros(0), np.zeros(0, np.int64))) == 0


def test_running_survival_ends_at_nought() -> None:
    # Closed form: 3/4, 1/2 and then all are gone; the next stratum starts at 1.
    before, after = running_survival(
        np.array([4.0, 3.0, 2.0, 5.0]), np.array([1.0, 1.0, 2.0, 1.0]), np.array([0, 0, 0, 1])
    )
    np.testing.assert_allclose(before, [1, 0.75, 0.5, 1])
    np.testing.assert_allclose(after, [0.75, 0.5, 0, 0.8])


def test_blocks_lay_runs_end_to_end() -> None:
    assert blocks(np.array([5, 0, 9]), np.array([2, 0, 3])).tolist() == [5, 6, 9, 10, 11]


def test_lengths_and_values_are_checked() -> None:
    with pytest.raises(ValueError, match=r"entry has shape \(1,\): give one value for each of 2"):
        spans([1.0, 2.0], entry=[0.0])
    with pytest.raises(ValueError, match=r"count at position \(0,\) is -1"):
        spans([1.0], count=[-1.0])
    with pytest.raises(ValueError, match="stratum must hold 2 codes"):
        spans([1.0, 2.0], stratum=[0])
