"""Decisions averaged over draws against exact costs, one draw at a time, and known cases."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.decisions.replacement_uncertainty import (
    ReplacementUnderUncertainty,
    averaged_cost_rate,
    replacement_under_uncertainty,
)

COSTS = {"cost_planned": 300.0, "cost_failure": 900.0}
Floats = NDArray[np.float64]


def draws(seed: int = 1, strata: int = 40, count: int = 200) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    scale = rng.uniform(1500, 9000, (strata, 1)) * np.exp(
        0.3 * rng.standard_normal((strata, count))
    )
    shape = rng.uniform(0.8, 3.5, (strata, 1)) * np.exp(0.25 * rng.standard_normal((strata, count)))
    return scale, shape


@pytest.fixture(scope="module")
def decided() -> tuple[Floats, Floats, ReplacementUnderUncertainty]:
    scale, shape = draws()
    return scale, shape, replacement_under_uncertainty(scale=scale, shape=shape, **COSTS)


def test_equal_draws_give_the_answer_for_known_parameters() -> None:
    # Source: the exact optimum, itself tested against quadrature.
    scale = np.array([1700.0, 1900, 2100, 5500, 15000, 9500, 9500])
    shape = np.array([3.0, 2.4, 2.2, 2.2, 2.0, 10.0, 1.0])
    known = replacement_age(scale=scale, shape=shape, cost_planned=355.0, cost_failure=1290.0)
    drawn = replacement_under_uncertainty(
        scale=np.repeat(scale[:, None], 4, 1),
        shape=np.repeat(shape[:, None], 4, 1),
        cost_planned=355.0,
        cost_failure=1290.0,
    )
    np.testing.assert_allclose(drawn.age, known.age, rtol=3e-3)
    np.testing.assert_allclose(drawn.cost_rate, known.cost_rate, rtol=3e-5)
    np.testing.assert_allclose(drawn.saving, known.saving, atol=2e-5)
    np.testing.assert_allclose(drawn.age_lower, known.age, rtol=3e-3)
    np.testing.assert_allclose(drawn.span_lower[:6], known.span_lower[:6], rtol=5e-3)
    np.testing.assert_allclose(drawn.span_upper, known.span_upper, rtol=7e-3)
    assert drawn.probability_of_saving.tolist() == [1.0] * 6 + [0.0]
    assert drawn.probability_of_wear.tolist() == [1.0] * 6 + [0.0]
    np.testing.assert_allclose(drawn.regret, 0.0, atol=1e-4)


def test_no_age_tried_costs_less_on_average(
    decided: tuple[Floats, Floats, ReplacementUnderUncertainty],
) -> None:
    # Source: exact cost rates averaged over the draws, at 300 ages and at infinity.
    scale, shape, best = decided
    ages = np.geomspace(50, 60_000, 300)
    tried = np.stack(
        [cost_rate(age, scale=scale, shape=shape, **COSTS).mean(axis=1) for age in ages], axis=1
    )
    lowest = np.minimum(tried.min(axis=1), best.run_to_failure_cost_rate)
    assert (best.cost_rate <= lowest * (1 + 1e-4)).all()
    assert (best.cost_rate >= lowest * (1 - 1e-3)).all()


def test_reported_figures_are_those_of_the_draws(
    decided: tuple[Floats, Floats, ReplacementUnderUncertainty],
) -> None:
    # Source: second way, each draw through the exact functions.
    scale, shape, best = decided
    at_age = cost_rate(best.age[:, None], scale=scale, shape=shape, **COSTS)
    own = replacement_age(scale=scale, shape=shape, **COSTS)
    saving = 1 - at_age / own.run_to_failure_cost_rate
    np.testing.assert_allclose(best.cost_rate, at_age.mean(axis=1), rtol=1e-12)
    endless = own.run_to_failure_cost_rate.mean(axis=1)
    np.testing.assert_allclose(best.run_to_failure_cost_rate, endless, rtol=1e-12)
    np.testing.assert_allclose(best.saving, 1 - at_age.mean(axis=1) / endless, atol=1e-12)
    limits = np.quantile(saving, [0.05, 0.95], axis=1)
    np.testing.assert_allclose([best.saving_lower, best.saving_upper], limits, atol=1e-12)
    np.testing.assert_allclose(best.probability_of_saving, (saving > 1e-12).mean(axis=1))
    np.testing.assert_allclose(best.probability_of_wear, (shape > 1).mean(axis=1))
    regret = at_age.mean(axis=1) / own.cost_rate.mean(axis=1) - 1
    np.testing.assert_allclose(best.regret, regret, atol=1e-4)
    ages = np.where(own.saving > 1e-6, own.age, np.inf)
    lower = np.quantile(ages, 0.05, axis=1, method="inverted_cdf")
    np.testing.assert_allclose(best.age_lower, lower, rtol=0.03)


def test_cost_curve_and_span(decided: tuple[Floats, Floats, ReplacementUnderUncertainty]) -> None:
    # Source: exact averages at the curve's ages; at the span's ends 2 % above the best.
    scale, shape, best = decided
    exact = averaged_cost_rate(best.curve_age, scale=scale, shape=shape, **COSTS)
    np.testing.assert_allclose(best.curve_cost_rate, exact, rtol=1e-5)
    for ends in (best.span_lower, best.span_upper):
        there = averaged_cost_rate(ends[:, None], scale=scale, shape=shape, **COSTS)[:, 0]
        inside = np.isfinite(ends) & (ends > best.curve_age[:, 0])
        assert inside.any()
        np.testing.assert_allclose(there[inside], 1.02 * best.cost_rate[inside], rtol=2e-3)


def test_doubt_about_wear_holds_back() -> None:
    # Own algebra: a draw that fails at random loses by replacement, so that doubt lowers the
    # saving below that of the wearing draw alone.
    mixed = replacement_under_uncertainty(
        scale=[[2000.0, 2000.0]], shape=[[3.0, 0.7]], cost_planned=300.0, cost_failure=900.0
    )
    sure = replacement_age(scale=2000.0, shape=3.0, cost_planned=300.0, cost_failure=900.0)
    assert mixed.saving[0] < sure.saving
    assert mixed.age_lower[0] == pytest.approx(float(sure.age), rel=1e-2)
    assert np.isinf(mixed.age_upper[0])
    assert mixed.probability_of_wear[0] == 0.5


def test_random_failures_are_left_alone() -> None:
    # Source: Barlow and Proschan 1965 (from memory): no draw has a planned age.
    rng = np.random.default_rng(3)
    best = replacement_under_uncertainty(
        scale=rng.uniform(1e3, 1e4, (5, 50)), shape=rng.uniform(0.4, 1.0, (5, 50)), **COSTS
    )
    assert np.isinf(best.age).all()
    assert (best.saving == 0).all()
    assert (best.probability_of_saving == 0).all()
    cheap = replacement_under_uncertainty(
        scale=[[1e3]], shape=[[3.0]], cost_planned=9.0, cost_failure=8.0
    )
    assert np.isinf([cheap.age[0], cheap.age_lower[0]]).all()


def test_a_span_beyond_the_curve_is_not_made_up() -> None:
    # Own algebra: at shape 0.25 a good part of all use lies beyond the curve's last age.
    early = replacement_under_uncertainty(scale=[[1e3, 2e3]], shape=[[0.25, 0.25]], **COSTS)
    assert early.curve_cost_rate[0, -1] > 1.02 * early.cost_rate[0]
    assert np.isnan(early.span_lower[0])


def test_strata_do_not_touch_each_other(
    decided: tuple[Floats, Floats, ReplacementUnderUncertainty],
) -> None:
    # Common practice; 40 strata of 200 draws are worked in one chunk, one stratum in another.
    scale, shape, best = decided
    alone = replacement_under_uncertainty(scale=scale[7], shape=shape[7], **COSTS)
    for name in ("age", "cost_rate", "saving_lower", "age_lower", "span_lower", "regret"):
        assert getattr(alone, name)[0] == pytest.approx(getattr(best, name)[7], rel=1e-12)


def test_chunks_make_one_batch() -> None:
    # Invariant: 100 equal strata over several chunks give equal rows.
    scale, shape = draws(strata=1, count=500)
    many = replacement_under_uncertainty(
        scale=np.repeat(scale, 100, 0), shape=np.repeat(shape, 100, 0), **COSTS
    )
    assert np.ptp(many.age) == 0
    assert many.curve_age.shape == (100, 48)
    assert many.draws == 500


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"scale": [[1.0, -1.0]]}, r"scale at position \(0, 1\) is -1"),
        ({"cost_failure": 0.0}, "cost_failure at position"),
        ({"confidence_level": 1.0}, "confidence_level is 1"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    values: dict[str, object] = {"scale": [[1.0, 2.0]], "shape": [[1.0, 2.0]], **COSTS} | change
    with pytest.raises(ValueError, match=message):
        replacement_under_uncertainty(**values)  # type: ignore[arg-type]
