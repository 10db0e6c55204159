"""Intervals on services: rounding, maxima, conflicts, and the cost of the grid."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.decisions.schedule import ScheduledInterval, interval_by_cost, interval_by_target

Floats = NDArray[np.float64]


def chute(ages: Floats) -> Floats:
    return cost_rate(ages, scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0)


def plough(ages: Floats) -> Floats:
    return cost_rate(ages, scale=1900.0, shape=2.4, cost_planned=355.0, cost_failure=1290.0)


def test_cost_of_rounding_in_the_scenario() -> None:
    # Source: the project's scenario, own computation two ways (see test_age_replacement.py):
    # 985 h to 1,000 costs 0.0 %, 1,122 to 1,250 costs 0.7 %, 985 to 1,500 costs 15 %.
    fine = interval_by_cost([984.8], spacing=250.0, cost_rate=chute)
    assert (fine.interval[0], fine.every_nth[0], fine.binding[0]) == (1000.0, 4, "cost")
    assert fine.cost_penalty[0] == pytest.approx(0.0, abs=5e-4)
    middle = interval_by_cost([1121.7], spacing=[1250.0], cost_rate=plough)
    assert middle.interval[0] == 1250.0
    assert middle.cost_penalty[0] == pytest.approx(0.007, abs=5e-4)
    coarse = interval_by_cost([984.8], spacing=[1500.0], cost_rate=chute)
    assert (coarse.interval[0], coarse.binding[0]) == (1500.0, "service grid")
    assert coarse.cost_penalty[0] == pytest.approx(0.15, abs=5e-3)


@settings(deadline=None, max_examples=100)
@given(st.floats(50, 6000), st.one_of(st.just(np.inf), st.floats(100, 4000)))
def test_cheapest_service_by_brute_force(spacing: float, maximum: float) -> None:
    # Source: every multiple tried.
    best = replacement_age(scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0)
    plan = interval_by_cost(best.age, spacing=spacing, maximum=maximum, cost_rate=chute)
    tried = spacing * np.arange(1, 100)
    tried = tried[tried <= maximum * (1 + 1e-9)]
    endless = float(best.run_to_failure_cost_rate)
    if not len(tried):
        assert plan.every_nth[0] == 0
        assert plan.interval[0] == pytest.approx(min(maximum, float(best.age)))
        assert plan.status[0] == "the maximum of a rule is shorter than one service"
        assert plan.mend[0]
    elif np.isinf(maximum) and chute(tried).min() >= endless:
        assert np.isnan(plan.interval[0])
        assert "costs more than running to failure" in plan.status[0]
    else:
        assert plan.interval[0] == pytest.approx(tried[np.argmin(chute(tried))])
        assert plan.interval[0] <= maximum * (1 + 1e-9)
        assert plan.status[0] == "ok"


def test_a_rule_cuts_and_is_named() -> None:
    plan = interval_by_cost([984.8], spacing=250.0, maximum=800.0, cost_rate=chute)
    assert (plan.interval[0], plan.binding[0]) == (750.0, "rule")
    assert plan.cost_penalty[0] > 0.02
    near = interval_by_cost([984.8], spacing=250.0, maximum=1000.0, cost_rate=chute)
    assert (near.interval[0], near.binding[0]) == (1000.0, "cost")


def test_a_rule_alone_gives_the_longest_service_within_it() -> None:
    plan = interval_by_cost([np.inf, np.nan], spacing=250.0, maximum=800.0, cost_rate=chute)
    assert plan.interval.tolist() == [750.0, 750.0]
    assert plan.binding.tolist() == ["rule", "rule"]


def test_no_interval_where_none_is_called_for() -> None:
    for plan in (
        interval_by_cost([np.inf], spacing=250.0, cost_rate=chute),
        interval_by_target([np.nan], spacing=250.0),
    ):
        assert np.isnan(plan.interval[0])
        assert (plan.every_nth[0], plan.binding[0]) == (0, "")
        assert plan.status[0] == "no interval is called for"


def test_safety_rounds_down_and_never_up() -> None:
    # Invariant: whole services, at most the longest, one more would exceed it.
    rng = np.random.default_rng(4)
    longest, spacing = rng.uniform(100, 5000, 300), rng.uniform(50, 1000, 300)
    maximum = np.where(rng.random(300) < 0.5, np.inf, rng.uniform(100, 3000, 300))
    plan = interval_by_target(longest, spacing=spacing, maximum=maximum)
    allowed = np.minimum(longest, maximum)
    fits = plan.every_nth > 0
    np.testing.assert_allclose(plan.interval[fits], (plan.every_nth * spacing)[fits])
    assert (plan.interval <= allowed * (1 + 1e-9)).all()
    assert ((plan.every_nth + 1) * spacing > allowed).all()
    np.testing.assert_array_equal(plan.interval[~fits], allowed[~fits])
    np.testing.assert_array_equal(plan.binding == "rule", maximum < longest)


def test_rounding_error_does_not_cost_a_service() -> None:
    # Source: 3 x 0.1 is above 0.3 in binary.
    plan = interval_by_target([0.3, 1000.0 * (1 - 1e-12)], spacing=[0.1, 250.0])
    assert plan.every_nth.tolist() == [3, 4]


@pytest.mark.parametrize(
    ("longest", "maximum", "status"),
    [
        (152.0, np.inf, "the longest safe interval is shorter than one service"),
        (630.0, 100.0, "the maximum of a rule is shorter than one service"),
    ],
)
def test_conflicts_are_stated_with_their_mend(longest: float, maximum: float, status: str) -> None:
    plan = interval_by_target([longest], spacing=250.0, maximum=maximum)
    assert plan.every_nth.tolist() == [0]
    assert plan.interval[0] == min(longest, maximum)
    assert plan.status[0] == status
    assert "special visit" in plan.mend[0]


def test_without_services_nothing_is_rounded() -> None:
    plans: list[ScheduledInterval] = [
        interval_by_target([630.0], spacing=np.nan),
        interval_by_cost([984.8], spacing=np.nan, cost_rate=chute),
    ]
    assert [float(plan.interval[0]) for plan in plans] == [630.0, 984.8]
    for plan in plans:
        assert plan.every_nth[0] == 0
        assert plan.status[0] == "no service is given for these vehicles"
        assert plan.mend[0]


def test_unknown_costs_round_down() -> None:
    plan = interval_by_cost(
        [984.8], spacing=300.0, cost_rate=lambda ages: np.full(ages.shape, np.nan)
    )
    assert plan.interval[0] == 900.0
    assert np.isnan(plan.cost_penalty[0])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"spacing": 0.0}, r"spacing at position \(0,\) is 0"),
        ({"maximum": -5.0}, r"maximum at position \(0,\) is -5"),
        ({"maximum": np.nan}, r"maximum at position \(0,\) is nan"),
        ({"longest": 0.0}, r"longest at position \(0,\) is 0"),
    ],
)
def test_bad_values_are_named(change: dict[str, float], message: str) -> None:
    values = {"longest": 500.0, "spacing": 250.0, "maximum": np.inf} | change
    with pytest.raises(ValueError, match=message):
        interval_by_target(values.pop("longest"), **values)
