"""Block replacement, minimal repair and replace-now against closed forms and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.decisions.replacement_policies import (
    block_replacement_cost_rate,
    minimal_repair_interval,
    replace_at_this_visit,
)

CHUTE = {"scale": 1700.0, "shape": 3.0, "cost_planned": 355.0, "cost_failure": 1290.0}


def test_block_replacement_of_random_failures() -> None:
    # Source: closed form, M(T) = T / scale: c_p / T + c_f / scale.
    rate = block_replacement_cost_rate(
        [500.0, 5000.0], scale=1000.0, shape=1.0, cost_planned=10.0, cost_failure=70.0
    )
    np.testing.assert_allclose(rate, [10 / 500 + 0.07, 10 / 5000 + 0.07], rtol=1e-6)


def test_block_replacement_by_simulation() -> None:
    # Independent simulation, 100,000 blocks of 1200 h; bound: three standard errors.
    rng = np.random.default_rng(21)
    count, block = 100_000, 1200.0
    failures = np.zeros(count)
    clock = 1700 * rng.weibull(3.0, count)
    while (clock <= block).any():
        failures += clock <= block
        clock = clock + 1700 * rng.weibull(3.0, count)
    rate = block_replacement_cost_rate(block, **CHUTE)
    seen = (355 + 1290 * failures.mean()) / block
    assert abs(seen - float(rate)) < 3 * 1290 * failures.std() / math.sqrt(count) / block


def test_block_costs_more_than_age_replacement() -> None:
    # Source: Barlow and Proschan 1965 (from memory): nearly new items are thrown away.
    best = replacement_age(**CHUTE)
    blocks = block_replacement_cost_rate(np.linspace(300, 3000, 100), **CHUTE)
    assert blocks.min() > best.cost_rate


def test_minimal_repair_is_the_lowest_of_its_cost_curve() -> None:
    # Source: Barlow and Hunter 1960, policy II: [c_p + c_m (T / scale)^shape] / T, minimised
    # by brute force.
    ages = np.linspace(50, 8000, 200_000)
    for shape in (1.3, 2.0, 4.0):
        best = minimal_repair_interval(
            scale=1000.0, shape=shape, cost_planned=400.0, cost_repair=90.0
        )
        curve = (400 + 90 * (ages / 1000) ** shape) / ages
        assert float(best.interval) == pytest.approx(ages[np.argmin(curve)], rel=1e-3)
        assert float(best.cost_rate) == pytest.approx(curve.min(), rel=1e-6)


def test_minimal_repair_needs_wear() -> None:
    # Source: limits of the cost curve for T to infinity.
    best = minimal_repair_interval(
        scale=1000.0, shape=[0.7, 1.0], cost_planned=400.0, cost_repair=90.0
    )
    assert np.isinf(best.interval).all()
    np.testing.assert_allclose(best.cost_rate, [0.0, 0.09])


def test_the_best_age_is_where_replacing_begins_to_pay() -> None:
    # Source: Barlow and Hunter's condition, h(T)(c_f - c_p) = C(T) at the best age.
    best = replacement_age(**CHUTE)
    verdict = replace_at_this_visit(
        float(best.age) * np.array([0.999, 1.001]), **CHUTE, renewed_cost_rate=best.cost_rate
    )
    assert verdict.replace.tolist() == [False, True]
    np.testing.assert_allclose(verdict.waiting_cost_rate, best.cost_rate, rtol=5e-3)


def test_a_far_next_visit_brings_replacement_forward() -> None:
    # Source: expected cost until the next visit by quadrature of R, against C* for that use.
    best = replacement_age(**CHUTE)
    age, ahead = 700.0, 800.0
    times = age + (np.arange(40_000) + 0.5) * ahead / 40_000
    alive = np.exp((age / 1700) ** 3 - (times / 1700) ** 3)
    failed = -math.expm1((age / 1700) ** 3 - ((age + ahead) / 1700) ** 3)
    waiting = failed * (1290 - 355) / (alive.mean() * ahead)
    verdict = replace_at_this_visit(
        age, **CHUTE, renewed_cost_rate=best.cost_rate, next_visit=[0.0, 1.0, ahead]
    )
    assert float(verdict.waiting_cost_rate[2]) == pytest.approx(waiting, rel=1e-7)
    assert verdict.waiting_cost_rate[1] == pytest.approx(verdict.waiting_cost_rate[0], rel=2e-3)
    assert verdict.replace.tolist() == [False, False, True]


def test_cheap_failures_are_never_replaced_early() -> None:
    verdict = replace_at_this_visit(
        5000.0, scale=1000.0, shape=3.0, cost_planned=9.0, cost_failure=8.0, renewed_cost_rate=0.01
    )
    assert not verdict.replace


def test_cost_rate_at_a_visit_grid() -> None:
    # Source: the project's scenario, own computation two ways (see test_age_replacement.py):
    # 985 h to 1,000 costs 0.0 %, 1,122 to 1,250 costs 0.7 %, 985 to 1,500 costs 15 %.
    plough = {"scale": 1900.0, "shape": 2.4, "cost_planned": 355.0, "cost_failure": 1290.0}
    extra = [
        float(cost_rate(age, **life) / replacement_age(**life).cost_rate - 1)
        for age, life in ((1000.0, CHUTE), (1250.0, plough), (1500.0, CHUTE))
    ]
    assert [f"{100 * x:.1f}" for x in extra[:2]] == ["0.0", "0.7"]
    assert round(100 * extra[2]) == 15


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="cost_repair at position"):
        minimal_repair_interval(scale=1.0, shape=2.0, cost_planned=1.0, cost_repair=0.0)
    with pytest.raises(ValueError, match=r"age at position \(\) is 0"):
        replace_at_this_visit(0.0, **CHUTE, renewed_cost_rate=1.0)
    with pytest.raises(ValueError, match="interval at position"):
        block_replacement_cost_rate(-1.0, **CHUTE)
