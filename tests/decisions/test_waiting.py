"""Value of waiting for data, against exact sums over small worlds and limits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.decisions.age_replacement import cost_rate
from relkit.decisions.renewal import renewals
from relkit.decisions.waiting import ACT, NO_ITEMS, SAFETY, SAME, ValueOfWaiting, value_of_waiting

COSTS = {"cost_planned": 300.0, "cost_failure": 900.0}
#: One draw wears, the other does not: replacing at 1,000 h is right in one world only.
WORLDS = {"scale": [[2000.0, 2000.0]], "shape": [[1.0, 3.5]]}


def found(**change: object) -> ValueOfWaiting:
    values: dict[str, object] = {
        "ages": np.linspace(0.0, 2000.0, 10),
        "stratum": np.zeros(10, dtype=int),
        "use_waiting": 800.0,
        "use_horizon": 10_000.0,
        "safety": False,
        "simulations": 400,
        "rng": 1,
        **WORLDS,
        **COSTS,
    }
    return value_of_waiting(**(values | change))


def test_one_item_two_worlds_by_exact_sums() -> None:
    # Second implementation: one item of age 0 either fails at t in the wait, or does not; the
    # chance that the draw is the one that wears follows by Bayes; integral by a fine sum.
    ages = np.concatenate([np.geomspace(100.0, 6000.0, 400), [np.inf]])
    costs = np.stack([cost_rate(ages, scale=2000.0, shape=b, **COSTS) for b in (1.0, 3.5)])
    now = costs.mean(axis=0).min()
    wait, steps = 1500.0, 4000
    t = (np.arange(steps) + 0.5) * wait / steps
    density = [
        b / 2000.0 * (t / 2000.0) ** (b - 1) * np.exp(-((t / 2000.0) ** b)) for b in (1.0, 3.5)
    ]
    after = 0.0
    for chance in (np.stack(density) * wait / steps).T:
        after += (0.5 * chance @ costs).min()
    good = np.array([math.exp(-((wait / 2000.0) ** b)) for b in (1.0, 3.5)])
    after += (0.5 * good @ costs).min()
    seen = found(
        ages=[0.0],
        stratum=[0],
        use_waiting=wait,
        simulations=20_000,
    )
    # the exact sum counts one life only; a second failure in the wait adds a little
    assert float(seen.data_value[0]) == pytest.approx(now - after, rel=0.08)
    assert float(seen.data_value_error[0]) < 0.02 * (now - after)
    regret = now - 0.5 * costs.min(axis=1).sum()
    assert float(seen.regret_now[0]) == pytest.approx(regret, rel=0.02)


def test_more_data_leave_less_regret() -> None:
    shorter, longer = found(use_waiting=300.0), found(use_waiting=3000.0)
    assert longer.data_value[0] > shorter.data_value[0] > 0
    assert 0 <= longer.regret_after[0] < shorter.regret_after[0] < shorter.regret_now[0]
    np.testing.assert_allclose(
        shorter.regret_now - shorter.regret_after, shorter.data_value, rtol=1e-9
    )


def test_ample_data_leave_no_regret() -> None:
    seen = found(ages=np.zeros(300), stratum=np.zeros(300, dtype=int), use_waiting=5000.0)
    assert seen.regret_after[0] < 1e-3 * seen.regret_now[0]
    assert seen.data_value[0] == pytest.approx(float(seen.regret_now[0]), rel=1e-3)


def test_known_parameters_leave_nothing_to_learn() -> None:
    seen = found(scale=[[2000.0] * 5], shape=[[3.0] * 5])
    assert seen.data_value.tolist() == pytest.approx([0.0], abs=1e-12)
    assert seen.status.tolist() == [ACT]
    assert not seen.wait[0]
    assert seen.cost_of_waiting[0] > 0


def test_waiting_costs_what_todays_practice_costs_more() -> None:
    # Closed form: the difference of average cost rates times the use waited.
    seen = found()
    ages = np.array([float(seen.age_now[0]), np.inf])
    mean = np.mean([cost_rate(ages, scale=2000.0, shape=b, **COSTS) for b in (1.0, 3.5)], axis=0)
    assert seen.cost_of_waiting[0] == pytest.approx((mean[1] - mean[0]) * 800.0 * 10, rel=1e-3)
    assert seen.gain[0] == pytest.approx(seen.data_value[0] * (10_000.0 - 800.0) * 10)


def test_failures_to_come_are_those_of_the_draws() -> None:
    # Random failures: use over mean life, whatever the draws' order.
    seen = found(scale=[[1000.0, 4000.0]], shape=[[1.0, 1.0]], simulations=4000)
    expected = 10 * 800.0 * (1 / 1000 + 1 / 4000) / 2
    assert float(seen.new_failures[0]) == pytest.approx(expected, rel=0.05)


def test_failures_to_come_of_items_that_wear() -> None:
    # Source: the renewal function from each present age, tested on published tables.
    ages = np.linspace(0.0, 2000.0, 10)
    seen = found(scale=[[1000.0]], shape=[[3.0]], use_waiting=1500.0, simulations=4000)
    expected = renewals(1500.0, scale=1000.0, shape=3.0, age=ages).expected.sum()
    assert float(seen.new_failures[0]) == pytest.approx(expected, rel=0.01)
    # replaced at 300 h, those older at once: short lives only, 1 - exp(-0.027) of them fail
    held = found(
        scale=[[1000.0]], shape=[[3.0]], use_waiting=1500.0, present_age=300.0, simulations=4000
    )
    cycles = 10 * 1500.0 / 300.0
    assert float(held.new_failures[0]) == pytest.approx(cycles * -np.expm1(-0.027), rel=0.05)


def test_a_safety_item_never_waits() -> None:
    free = found(present_age=[1000.0], use_horizon=1e6)
    held = found(present_age=[1000.0], use_horizon=1e6, safety=True)
    assert free.wait[0]
    assert not held.wait[0]
    assert held.status.tolist() == [SAFETY]
    assert np.isnan(held.net_value[0])


def test_where_todays_practice_is_the_best_known_nothing_is_lost() -> None:
    seen = found(scale=[[2000.0, 2500.0]], shape=[[0.9, 1.0]])
    assert np.isinf(seen.age_now[0])
    assert seen.cost_of_waiting.tolist() == [0.0]
    assert seen.status.tolist() == [SAME]


def test_strata_are_worked_apart_and_one_without_items_learns_nothing() -> None:
    both = found(
        ages=[0.0, 500.0],
        stratum=[0, 0],
        scale=[[2000.0, 2000.0], [900.0, 900.0]],
        shape=[[1.0, 3.5], [1.0, 2.0]],
    )
    assert both.status.tolist()[1] == NO_ITEMS
    assert both.data_value[1] == pytest.approx(0.0, abs=1e-12)
    assert both.data_value[0] > 0


def test_the_same_seed_gives_the_same_answer() -> None:
    np.testing.assert_array_equal(found().data_value, found().data_value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"use_waiting": 0.0}, "use_waiting at position"),
        ({"use_horizon": 100.0}, "use_horizon is below use_waiting"),
        ({"present_age": 0.0}, "present_age at position"),
        ({"cost_failure": -1.0}, "cost_failure at position"),
        ({"simulations": 1}, "simulations is 1"),
        ({"stratum": np.zeros(10)}, "stratum must hold"),
        ({"stratum": np.ones(10, dtype=int)}, "stratum at position"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        found(**change)
