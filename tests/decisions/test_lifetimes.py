"""Mean life, conditional survival and survival targets against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.decisions.lifetimes import age_at_survival, failure_probability, hazard, mean_life


def test_mean_life_factor_of_the_standard_table() -> None:
    # Source: Gamma(1 + 1/shape), standard table (from memory), four digits.
    factors = mean_life(scale=1.0, shape=[0.5, 1.0, 2.0, 3.0])
    np.testing.assert_allclose(factors, [2.0, 1.0, 0.8862, 0.8930], atol=6e-5)


def test_burn_in_of_the_textbook_example() -> None:
    # Source: C. E. Ebeling, An Introduction to Reliability and Maintainability Engineering,
    # ch. 4, shape 1/3 and scale 16,000 h, burn-in of 10 h (figures from memory).
    life = {"scale": 16_000.0, "shape": 1 / 3}
    assert float(mean_life(**life)) == pytest.approx(96_000, abs=0.5)
    assert float(age_at_survival(0.5, **life)) == pytest.approx(5328, abs=1)
    assert float(age_at_survival(0.9, **life)) == pytest.approx(18.71, abs=0.01)
    assert float(age_at_survival(0.9, **life, age=10.0)) == pytest.approx(101.24, abs=0.02)


def test_density_and_distribution_of_the_handbook() -> None:
    # Source: NIST/SEMATECH e-Handbook, 8.1.6.2 (T 1000, shape 1.5, scale 5000; recalled).
    failed = float(failure_probability(1000.0, scale=5000.0, shape=1.5))
    assert failed == pytest.approx(0.08556, abs=5e-6)
    density = float(hazard(np.array(1000.0), np.array(5000.0), np.array(1.5))) * (1 - failed)
    assert density == pytest.approx(0.000123, abs=5e-7)


def test_conditional_failure_is_the_ratio_of_survivals() -> None:
    # Source: definition, 1 - R(a + t) / R(a), where no digits are lost.
    expected = 1 - math.exp(-((700 / 400) ** 1.8) + (300 / 400) ** 1.8)
    found = failure_probability(400.0, scale=400.0, shape=1.8, age=300.0)
    assert float(found) == pytest.approx(expected, rel=1e-13)


def test_a_short_time_at_a_great_age_keeps_its_digits() -> None:
    # Source: hazard times time, first term of the series.
    found = failure_probability(1e-9, scale=1.0, shape=[0.5, 1.0, 3.0], age=2.0)
    first = np.array([0.5 * 2**-0.5, 1.0, 3 * 4.0]) * 1e-9
    np.testing.assert_allclose(found, first, rtol=1e-8)


@settings(deadline=None, max_examples=200)
@given(st.floats(1e-6, 1 - 1e-6), st.floats(0.2, 20), st.floats(0.1, 1e6), st.floats(0.0, 5.0))
def test_survival_target_put_back(share: float, shape: float, scale: float, age: float) -> None:
    # Invariant: the share that fails within the time is what the target leaves.
    time = age_at_survival(share, scale=scale, shape=shape, age=age * scale)
    failed = failure_probability(time, scale=scale, shape=shape, age=age * scale)
    assert float(failed) == pytest.approx(1 - share, rel=1e-9)


def test_nothing_fails_in_no_time_and_all_fail_at_last() -> None:
    assert failure_probability(0.0, scale=10.0, shape=3.0, age=[0.0, 5.0]).tolist() == [0.0, 0.0]
    assert failure_probability(1e9, scale=1.0, shape=100.0, age=[0.0, 1e4]).tolist() == [1.0, 1.0]


@pytest.mark.parametrize("survival", [0.0, 1.0, -1.0])
def test_impossible_targets_are_named(survival: float) -> None:
    with pytest.raises(ValueError, match="survival at position"):
        age_at_survival(survival, scale=1.0, shape=1.0)
