"""Sums over strata against loops; sorting only where it is needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from relkit.survival.strata import of_wanted, sorted_strata, strata_of_sizes


@dataclass(frozen=True)
class Result:
    """As results of this layer are: arrays, and lists of arrays, by stratum."""

    values: NDArray[np.int64]
    several: list[NDArray[np.int64]]


def test_sums_maxima_and_minima_agree_with_a_loop() -> None:
    # Source: independent reference in this test, one stratum at a time.
    rng = np.random.default_rng(11)
    codes, values = rng.integers(0, 40, 500), rng.normal(size=500)
    strata = sorted_strata(codes)
    arranged = strata.arranged(values)
    loop = [values[codes == code] for code in range(40)]
    np.testing.assert_allclose(strata.sums(arranged), [v.sum() for v in loop], rtol=1e-12)
    np.testing.assert_array_equal(strata.maxima(arranged), [v.max() for v in loop])
    np.testing.assert_array_equal(strata.minima(arranged), [v.min() for v in loop])
    np.testing.assert_array_equal(strata.given_order(arranged), values)
    np.testing.assert_array_equal(strata.arranged(codes), strata.codes())


def test_a_stratum_without_rows_has_an_empty_sum_not_its_neighbours() -> None:
    # Source: own algebra; a reduction by row offsets alone would repeat the next stratum.
    strata = sorted_strata([0, 0, 2], 4)
    assert strata.sizes.tolist() == [2, 0, 1, 0]
    assert strata.sums(np.array([1.0, 2.0, 5.0])).tolist() == [3.0, 0.0, 5.0, 0.0]
    assert strata.maxima(np.array([1.0, 2.0, 5.0])).tolist() == [2.0, -np.inf, 5.0, -np.inf]
    assert sorted_strata([], 0).n_rows == 0


def test_sorted_rows_are_not_sorted_again() -> None:
    # Common practice.
    assert sorted_strata([0, 0, 1, 3]).order is None
    assert sorted_strata([1, 0]).order is not None


def test_rows_of_one_stratum_keep_their_order_also_with_many_strata() -> None:
    # Source: own algebra; above 65,535 strata another sort is used.
    for count in (1000, 70_000):
        codes = np.repeat(np.arange(count)[::-1], 2)
        strata = sorted_strata(codes)
        rows = strata.arranged(np.arange(2 * count))
        assert (np.diff(rows.reshape(-1, 2), axis=1) == 1).all()
        assert (strata.arranged(codes) == strata.codes()).all()


def test_wanted_strata_are_taken_from_arrays_and_lists() -> None:
    # Common practice.
    part = of_wanted(Result(np.array([1, 2]), [np.array([3, 4])]), np.array([False, True]))
    assert (part.values.tolist(), part.several[0].tolist()) == ([2], [4])
    assert strata_of_sizes(np.array([2, 3])).starts.tolist() == [0, 2]


@pytest.mark.parametrize(
    ("codes", "message"),
    [
        ([0, -1], r"codes at position 1 is -1: must be from 0 to 1 \(1 of 2 values are not\)"),
        ([0, 2], "codes at position 1 is 2: must be from 0 to 1"),
        ([0.5], "codes are of type float64: must be integers"),
    ],
)
def test_bad_codes_are_named(codes: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        sorted_strata(codes, 2)
