"""Intervals between checks that miss and spoil, against brute force and the square-root rule."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.harmful_check_intervals import (
    best_check_interval,
    check_interval_for_target,
)
from relkit.decisions.harmful_checks import checked_function
from relkit.decisions.inspection_rules import inspection_interval_by_cost


def test_best_interval_without_harm_is_the_square_root_rule() -> None:
    # Source: sqrt(2 c_i MTTF / c_d) for random failures and short intervals (from memory).
    best = best_check_interval(
        scale=80_000.0, shape=1.0, cost_check=6.0, cost_fault=0.0, cost_per_undetected_hour=2.4
    )
    rule = inspection_interval_by_cost(
        mean_life=80_000.0, cost_inspection=6.0, cost_per_undetected_hour=2.4
    )
    assert float(best.interval) == pytest.approx(float(rule), rel=0.01)


def test_best_interval_by_brute_force_stops_shrinking_where_checks_harm() -> None:
    # Source: the cost curve itself at 4,000 intervals. Free checks without harm have no best
    # interval; with harm the mending of what they spoil sets one.
    tau = np.geomspace(1.0, 50_000.0, 4000)
    for cost_check, harm in ((0.0, 0.005), (0.0, 0.05), (3.0, 0.005), (3.0, 0.0)):
        best = best_check_interval(
            scale=9000.0,
            shape=1.6,
            cost_check=cost_check,
            cost_fault=400.0,
            cost_per_undetected_hour=2.0,
            detection=0.8,
            harm=harm,
        )
        curve = checked_function(tau, scale=9000.0, shape=1.6, detection=0.8, harm=harm)
        costs = cost_check / tau + 400.0 * curve.faults_found + 2.0 * curve.unavailability
        assert float(best.cost_rate) == pytest.approx(costs.min(), rel=1e-5)
        assert float(best.interval) == pytest.approx(tau[np.argmin(costs)], rel=5e-3)
        assert best.status == "ok"
    free = best_check_interval(
        scale=9000.0, shape=1.6, cost_check=0.0, cost_fault=400.0, cost_per_undetected_hour=2.0
    )
    assert np.isnan(free.interval)
    assert "the shorter the better" in str(free.status)


def test_checking_that_does_not_pay_says_so() -> None:
    best = best_check_interval(
        scale=100.0, shape=1.0, cost_check=1e6, cost_fault=10.0, cost_per_undetected_hour=0.1
    )
    assert np.isposinf(best.interval)
    assert float(best.cost_rate) == 0.1
    assert float(best.unavailability) == 1.0
    assert best.status == "checking costs more than staying failed"


def test_target_is_met_or_refused() -> None:
    target = np.array([0.02, 0.05, 0.3])[:, None]
    harm = np.array([0.0, 0.005, 0.02, 0.1])
    law = {"scale": 9000.0, "shape": 1.4, "detection": 0.7}
    found = check_interval_for_target(target, **law, harm=harm)
    there = checked_function(np.nan_to_num(found.interval, nan=1.0), **law, harm=harm)
    possible = harm / (harm + 0.7) < target
    assert (np.isfinite(found.interval) == possible).all()
    wanted = np.broadcast_to(target, possible.shape)[possible]
    np.testing.assert_allclose(there.unavailability[possible], wanted, rtol=1e-8)
    assert ((found.status == "ok") == possible).all()
    assert "checks themselves" in str(found.status[0, 2])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"cost_check": -1.0}, "cost_check at position"),
        ({"cost_fault": -1.0}, "cost_fault at position"),
        ({"cost_per_undetected_hour": 0.0}, "cost_per_undetected_hour at position"),
        ({"harm": 1.0}, "harm at position"),
    ],
)
def test_bad_values_are_named(change: dict[str, float], message: str) -> None:
    good = {
        "scale": 1000.0,
        "shape": 1.0,
        "cost_check": 1.0,
        "cost_fault": 1.0,
        "cost_per_undetected_hour": 1.0,
    }
    with pytest.raises(ValueError, match=message):
        best_check_interval(**(good | change))


def test_every_shorter_interval_meets_the_target_too() -> None:
    # Items that nearly all fail at one age: unavailability swings with the interval there, so
    # that 0.2105 is met at several; the shortest of them is the answer.
    law = {"scale": 1.0, "shape": 8.0}
    target = 0.2105
    found = check_interval_for_target(target, **law)
    tau = np.linspace(0.01, 0.7, 500)
    share = checked_function(tau, **law).unavailability
    assert (np.diff(np.sign(share - target)) != 0).sum() >= 3
    first = tau[np.argmax(share > target)]
    assert float(found.interval) == pytest.approx(first, abs=0.002)
    assert (share[tau < float(found.interval)] < target).all()


@pytest.mark.parametrize("target", [0.0, 1.0, -0.1])
def test_a_target_of_nothing_or_all_is_refused(target: float) -> None:
    with pytest.raises(ValueError, match="unavailability at position"):
        check_interval_for_target(target, scale=1000.0, shape=1.0)
