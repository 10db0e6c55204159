"""Interval between checks by cost: the square-root rule, the optimum for known parameters."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.check_costs import check_interval_by_cost
from relkit.decisions.harmful_check_intervals import best_check_interval
from relkit.decisions.inspection_rules import inspection_interval_by_cost

COSTS = {"cost_check": 6.0, "cost_fault": 100.0, "cost_per_undetected_hour": 2.4}


def test_random_failures_follow_the_square_root_rule() -> None:
    # Source: classic square-root rule, sqrt(2 c_i MTTF / c_d) = 200 h.
    rule = inspection_interval_by_cost(
        mean_life=8000.0, cost_inspection=6.0, cost_per_undetected_hour=2.4
    )
    found = check_interval_by_cost(scale=[[8000.0]], shape=[[1.0]], **COSTS)
    assert found.interval[0] == pytest.approx(float(rule), rel=0.06)


@pytest.mark.parametrize(("detection", "harm"), [(1.0, 0.0), (0.7, 0.002)])
def test_known_parameters_give_the_known_optimum(detection: float, harm: float) -> None:
    # Source: the package's optimum for known parameters.
    checks = {"detection": detection, "harm": harm}
    best = best_check_interval(scale=9000.0, shape=1.4, **COSTS, **checks)
    found = check_interval_by_cost(scale=[[9000.0]], shape=[[1.4]], **COSTS, **checks)
    assert found.interval[0] == pytest.approx(float(best.interval), rel=0.06)
    assert found.cost_rate[0] == pytest.approx(float(best.cost_rate), rel=0.005)
    assert found.unavailability[0] == pytest.approx(float(best.unavailability), rel=0.08)


def test_doubt_gives_a_range_around_the_interval() -> None:
    rng = np.random.default_rng(1)
    found = check_interval_by_cost(
        scale=9000 * rng.lognormal(0, 0.4, (1, 200)), shape=rng.normal(1.4, 0.1, (1, 200)), **COSTS
    )
    assert found.lower[0] < found.interval[0] < found.upper[0]


def test_checks_that_cost_more_than_staying_failed_are_never_made() -> None:
    found = check_interval_by_cost(
        scale=[[9000.0]], shape=[[1.4]], cost_check=1e9, cost_fault=0.0,
        cost_per_undetected_hour=0.01,
    )  # fmt: skip
    assert np.isinf(found.interval[0])
    assert found.unavailability[0] == 1.0


def test_bad_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="cost_check"):
        check_interval_by_cost(scale=[[9.0]], shape=[[1.0]], **{**COSTS, "cost_check": 0.0})
