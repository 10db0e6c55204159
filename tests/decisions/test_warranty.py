"""Claims missed and expected, against published limits, closed forms and simulation."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.warranty import claims_expected, claims_missed
from tests.decisions.simulation import failures_over_horizon


def test_each_kind_of_life_is_told_apart() -> None:
    found = claims_missed(
        [100.0, 100.0, 800.0, 800.0, np.nan, 730.0],
        [True, True, True, True, True, True],
        [True, False, False, True, False, False],
        [0, 0, 0, 0, 0, 1],
        warranty_time=730.0,
    )
    assert found.missed.tolist() == [False, True, False, False, False, True]  # last day: inside
    assert found.not_known.tolist() == [False, False, False, False, True, False]
    assert found.claimed_outside.tolist() == [False, False, False, True, False, False]
    assert found.failures_inside.tolist() == [2, 1]
    assert found.missed_count.tolist() == [1, 1]
    assert found.not_known_count.tolist() == [1, 0]
    assert found.exposure.tolist() == [100 + 100 + 730 + 730, 730]


def test_use_ends_a_warranty_too() -> None:
    found = claims_missed(
        [300.0, 300.0, 300.0, np.nan],
        [True] * 4,
        [False] * 4,
        [0, 0, 0, 0],
        warranty_time=730.0,
        age=[1500.0, 3000.0, np.nan, 3000.0],
        warranty_use=2000.0,
    )
    assert found.missed.tolist() == [True, False, False, False]
    # the reading is missing: cannot tell; the date is missing but the use alone ends it
    assert found.not_known.tolist() == [False, False, True, False]
    # 300 d, of which two thirds for the second at an even rate of use
    assert found.exposure.tolist() == pytest.approx([300 + 200 + 300])


def test_unfailed_lives_are_no_claims_but_count_as_exposure() -> None:
    found = claims_missed([400.0], [False], [False], [0], warranty_time=365.0)
    assert found.failures_inside.tolist() == [0]
    assert found.exposure.tolist() == [365.0]
    assert np.isnan(found.missed_share[0])
    assert found.failure_rate.tolist() == [0.0]
    # Source: rule of three in its exact form, -ln(0.025) over the exposure (two-sided 95 %)
    assert found.failure_rate_upper[0] == pytest.approx(-np.log(0.025) / 365.0)


def test_limits_of_the_share_missed() -> None:
    # Source: Clopper and Pearson limits of 1 in 10, 95 %: 0.0025 to 0.4450 (widely tabulated,
    # from memory); of 0 in 10: 0 to 1 - 0.025^(1/10) = 0.3085, closed form.
    one = claims_missed(
        np.full(10, 10.0),
        np.ones(10, bool),
        np.arange(10) > 0,
        np.zeros(10, int),
        warranty_time=100.0,
    )
    assert one.missed_share_lower[0] == pytest.approx(0.0025, abs=5e-5)
    assert one.missed_share_upper[0] == pytest.approx(0.4450, abs=5e-5)
    none = claims_missed(
        np.full(10, 10.0),
        np.ones(10, bool),
        np.ones(10, bool),
        np.zeros(10, int),
        warranty_time=100.0,
    )
    assert none.missed_share_lower[0] == 0.0
    assert none.missed_share_upper[0] == pytest.approx(1 - 0.025**0.1)


def test_a_stratum_without_lives_is_a_row_of_its_own() -> None:
    found = claims_missed([10.0], [True], [False], [1], warranty_time=100.0, n_strata=3)
    assert found.failures_inside.tolist() == [0, 1, 0]
    assert np.isnan(found.failure_rate[[0, 2]]).all()


def test_random_failures_have_a_closed_form() -> None:
    # Shape 1: expected claims are use left over mean life, whatever the age.
    ahead = claims_expected(
        [0.0, 100.0, 400.0],
        [0.0, 900.0, 100.0],
        [0, 0, 1],
        use_rate=[4.0, 4.0, 2.0],
        scale=[[5000.0], [8000.0]],
        shape=1.0,
        warranty_time=365.0,
    )
    assert ahead.days_left.tolist() == [365.0, 265.0, 0.0]
    np.testing.assert_allclose(ahead.expected, [(365 + 265) * 4 / 5000, 0.0], rtol=1e-6)
    assert ahead.items.tolist() == [2, 0]
    first = 1 - np.exp(-365 * 4 / 5000)
    assert ahead.failure_probability[0] == pytest.approx(first)


def test_expected_claims_agree_with_simulation() -> None:
    # Event by event, 3 standard errors; 20,000 positions like each of three. Use ends all three.
    age, days, rate = np.array([0.0, 1500.0, 2500.0]), np.array([0.0, 300.0, 500.0]), 5.0
    law = {"scale": 2500.0, "shape": 2.5}
    ahead = claims_expected(
        days,
        age,
        [0, 0, 0],
        use_rate=rate,
        scale=[[2500.0]],
        shape=[[2.5]],
        warranty_time=1000.0,
        warranty_use=4600.0,
    )
    rng, mean, variance = np.random.default_rng(3), 0.0, 0.0
    for reached, left in zip(age, ahead.days_left, strict=True):
        count = failures_over_horizon(rng, left * rate, np.full(20_000, reached), **law)
        mean, variance = mean + count.mean(), variance + count.var() / 20_000
    assert ahead.days_left.tolist() == [920.0, 620.0, 420.0]
    assert abs(mean - ahead.expected[0]) < 3 * np.sqrt(variance)


def test_time_ahead_and_doubt_about_the_scale() -> None:
    # Claims add up over time; doubt widens the limits (Jensen, own algebra).
    how = {"use_rate": 4.0, "shape": 1.0, "warranty_time": 730.0}
    many = (np.zeros(200), np.zeros(200), np.zeros(200, dtype=int))
    whole = claims_expected(*many, **how, scale=[[7300.0, 7300.0]])
    year = claims_expected(*many, **how, scale=[[7300.0, 7300.0]], ahead=365.0)
    np.testing.assert_allclose(whole.expected, 2 * year.expected, rtol=1e-6)
    unsure = claims_expected(*many, **how, scale=[[4000.0, 20_000.0]])
    assert unsure.upper[0] - unsure.lower[0] > whole.upper[0] - whole.lower[0]


def test_a_vehicle_that_stands_still_makes_no_claims() -> None:
    ahead = claims_expected(
        [10.0], [0.0], [0], use_rate=0.0, scale=[[100.0]], shape=[[2.0]], warranty_time=100.0
    )
    assert ahead.days_left.tolist() == [90.0]
    assert ahead.expected.tolist() == [0.0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"calendar_age": [-1.0, 2.0]}, "calendar_age at position"),
        ({"failed": [1, 0]}, "failed is int"),
        ({"claimed": [True]}, "claimed is bool of shape"),
        ({"stratum": [0.0, 1.0]}, "stratum is float"),
        ({"warranty_time": 0.0}, "warranty_time at position"),
        ({"warranty_use": -5.0}, "warranty_use at position"),
        ({"confidence_level": 1.0}, "confidence_level is 1"),
        ({"n_strata": 1}, "stratum at position"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    values: dict[str, object] = {
        "calendar_age": [1.0, 2.0],
        "failed": [True, False],
        "claimed": [False, False],
        "stratum": [0, 1],
        "warranty_time": 100.0,
    }
    with pytest.raises(ValueError, match=message):
        claims_missed(**(values | change))


def test_no_time_ahead_is_refused() -> None:
    with pytest.raises(ValueError, match="ahead is 0"):
        claims_expected(
            [1.0],
            [1.0],
            [0],
            use_rate=1.0,
            scale=[[9.0]],
            shape=[[1.0]],
            warranty_time=9.0,
            ahead=0.0,
        )
