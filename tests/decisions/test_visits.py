"""Tasks grouped at visits, against every plan there is and known cases."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from relkit.decisions import visits as module
from relkit.decisions.visits import VisitPlan, grouped_visits

Floats = NDArray[np.float64]


def every_plan(
    penalty: Floats, set_up: Floats, hours: Floats, capacity: Floats
) -> tuple[float, NDArray[np.bool_] | None]:
    """Second implementation: all subsets of visits for each task, all combinations of them."""
    tasks, places, _ = penalty.shape
    ways = [
        np.array(way, dtype=bool) for way in itertools.product([False, True], repeat=places - 2)
    ]
    costs = np.empty((tasks, len(ways)))
    for i, (j, way) in itertools.product(range(tasks), enumerate(ways)):
        stops = [0, *(np.flatnonzero(way) + 1).tolist(), places - 1]
        costs[i, j] = sum(penalty[i, u, v] for u, v in itertools.pairwise(stops))
    best, chosen = np.inf, None
    for combination in itertools.product(range(len(ways)), repeat=tasks):
        done = np.array([ways[j] for j in combination])
        if (hours @ done > capacity + 1e-9).any():
            continue
        cost = sum(costs[i, j] for i, j in enumerate(combination))
        cost += set_up[done.any(axis=0)].sum()
        if cost < best - 1e-12:
            best, chosen = cost, done
    return float(best), chosen


def random_problem(seed: int) -> tuple[Floats, Floats, Floats, Floats]:
    rng = np.random.default_rng(seed)
    tasks, visits = [(3, 3), (4, 2), (2, 5), (3, 4)][seed % 4]
    penalty = rng.exponential(100.0, (tasks, visits + 2, visits + 2))  # of no particular form
    penalty[rng.random(penalty.shape) < 0.15] = np.inf  # past a maximum
    set_up = np.where(rng.random(visits) < 0.3, 0.0, rng.exponential(80.0, visits))
    hours = rng.uniform(0.0, 3.0, tasks)
    capacity = np.where(rng.random(visits) < 0.2, np.inf, rng.uniform(1.0, 6.0, visits))
    return penalty, set_up, hours, capacity


def check_consistency(plan: VisitPlan, penalty: Floats, set_up: Floats) -> None:
    for i, way in enumerate(plan.done):
        stops = [0, *(np.flatnonzero(way) + 1).tolist(), penalty.shape[1] - 1]
        own = sum(penalty[i, u, v] for u, v in itertools.pairwise(stops))
        assert plan.penalty[i] == pytest.approx(own)
    assert plan.made.tolist() == plan.done.any(axis=0).tolist()
    assert plan.set_up_cost == pytest.approx(set_up[plan.made].sum())
    assert plan.total_cost == pytest.approx(plan.set_up_cost + plan.penalty.sum())


@pytest.mark.parametrize("seed", range(40))
def test_equal_to_every_plan_tried(seed: int) -> None:
    penalty, set_up, hours, capacity = random_problem(seed)
    best, _ = every_plan(penalty, set_up, hours, capacity)
    plan = grouped_visits(penalty, set_up=set_up, bay_hours=hours, capacity=capacity)
    if np.isinf(best):
        assert plan.status != "ok"
        assert not plan.done.any() or np.isinf(plan.penalty).any()
        return
    assert plan.status == "ok"
    assert plan.total_cost == pytest.approx(best)
    assert plan.lower_bound == pytest.approx(best)
    assert (plan.bay_hours <= capacity * (1 + 1e-9)).all()
    assert (plan.grouping_cost >= -1e-9).all()
    check_consistency(plan, penalty, set_up)


def test_the_random_problems_try_scarce_hours_and_refusals() -> None:
    # The test above means little unless capacity changes some answers and forbids others.
    changed = refused = 0
    for seed in range(40):
        penalty, set_up, hours, capacity = random_problem(seed)
        tight = grouped_visits(penalty, set_up=set_up, bay_hours=hours, capacity=capacity)
        loose = grouped_visits(penalty, set_up=set_up)
        changed += tight.status == "ok" and tight.total_cost > loose.total_cost + 1e-9
        refused += tight.status == module.NO_HOURS
    assert changed >= 3
    assert refused >= 2


def test_grouping_pays_where_the_set_up_is_dearer_than_moving() -> None:
    # Source: the rule of Wildeman, Dekker and Smit 1997: group if the set-up saved is more
    # than the sum of the penalties (own numbers: 100 against 30, then 20 against 30).
    penalty = np.zeros((2, 4, 4))
    penalty[:, 0, 3] = 500.0
    penalty[0, 0, 2] = penalty[1, 0, 1] = 30.0
    dear = grouped_visits(penalty, set_up=100.0)
    assert dear.made.sum() == 1
    assert dear.total_cost == 130.0
    assert sorted(dear.grouping_cost.tolist()) == [0.0, 30.0]
    cheap = grouped_visits(penalty, set_up=20.0)
    assert cheap.done.tolist() == [[True, False], [False, True]]
    assert (cheap.total_cost, cheap.ungrouped_cost) == (40.0, 40.0)


def test_grouping_cost_is_over_what_the_task_would_cost_alone() -> None:
    # The first task loses 7 at its best visit already; with the second it loses 12.
    penalty = np.zeros((2, 4, 4))
    penalty[:, 0, 3] = 500.0
    penalty[0, 0, 1:3] = 7.0, 12.0
    penalty[1, 0, 1] = 90.0
    plan = grouped_visits(penalty, set_up=50.0)
    assert plan.done.tolist() == [[False, True], [False, True]]
    assert plan.penalty_alone.tolist() == [7.0, 0.0]
    assert plan.penalty.tolist() == [12.0, 0.0]
    assert plan.grouping_cost.tolist() == [5.0, 0.0]
    assert (plan.total_cost, plan.ungrouped_cost) == (62.0, 107.0)


def test_places_that_lie_behind_are_not_read() -> None:
    penalty, set_up, hours, capacity = random_problem(1)
    behind = np.tril(np.ones(penalty.shape[1:], dtype=bool))
    strange = penalty.copy()
    strange[:, behind] = np.nan
    plans = [
        grouped_visits(table, set_up=set_up, bay_hours=hours, capacity=capacity)
        for table in (penalty, strange)
    ]
    assert plans[0].total_cost == plans[1].total_cost


def test_a_maximum_is_never_passed() -> None:
    penalty = np.zeros((2, 4, 4))
    penalty[0, 0, 2:] = np.inf  # the first task only by visit 1
    penalty[1, 0, 1] = 30.0
    penalty[1, 0, 3] = np.inf  # the second by visit 2
    plan = grouped_visits(penalty, set_up=[10_000.0, 5.0])
    assert plan.done[0, 0]
    assert plan.status == "ok"


def test_a_task_that_no_visit_serves_is_named_and_the_rest_planned() -> None:
    penalty = np.zeros((2, 3, 3))
    penalty[0] = np.inf
    penalty[1, 0, 2] = 50.0
    plan = grouped_visits(penalty, set_up=10.0)
    assert plan.status == module.NO_VISIT
    assert np.isinf(plan.penalty[0])
    assert plan.done.tolist() == [[False], [True]]
    assert plan.total_cost == 10.0


def test_too_few_bay_hours_are_a_stated_conflict() -> None:
    penalty = np.zeros((3, 3, 3))
    penalty[:, 0, 2] = np.inf
    plan = grouped_visits(penalty, set_up=0.0, bay_hours=2.0, capacity=5.0)
    assert plan.status == module.NO_HOURS
    assert not plan.done.any()


def test_scarce_hours_beyond_proof_keep_every_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_BRANCHES", 1)
    worse = 0
    for seed in range(40):
        penalty, set_up, hours, capacity = random_problem(seed)
        best, _ = every_plan(penalty, set_up, hours, capacity)
        plan = grouped_visits(penalty, set_up=set_up, bay_hours=hours, capacity=capacity)
        if plan.status != module.NOT_PROVEN:
            continue
        worse += 1
        assert plan.status != module.NO_HOURS or np.isinf(best)
        assert (plan.bay_hours <= capacity * (1 + 1e-9)).all()
        assert plan.lower_bound <= best + 1e-9 <= plan.total_cost + 2e-9
        check_consistency(plan, penalty, set_up)
    assert worse >= 1


def test_the_plan_beyond_proof_counts_set_ups(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two tasks fit into a visit. Two stay at the first; the others lose 9 at the third, where
    # one of them would lose 8 at the second: not worth a set-up of 100.
    monkeypatch.setattr(module, "MOST_BRANCHES", -1)
    penalty = np.zeros((4, 5, 5))
    penalty[:, 0, 4] = 500.0
    penalty[:, 0, 2:4] = 30.0
    penalty[2, 0, 2:4] = 20.0, 9.0
    penalty[3, 0, 2:4] = 8.0, 9.0
    plan = grouped_visits(penalty, set_up=100.0, bay_hours=1.0, capacity=2.0)
    assert plan.status == module.NOT_PROVEN
    assert plan.done[2:].tolist() == [[False, False, True]] * 2
    assert plan.total_cost == 218.0


def test_order_of_tasks_and_unit_of_money_do_not_matter() -> None:
    penalty, set_up, hours, capacity = random_problem(3)
    plan = grouped_visits(penalty, set_up=set_up, bay_hours=hours, capacity=capacity)
    turned = grouped_visits(
        100 * penalty[::-1], set_up=100 * set_up, bay_hours=hours[::-1], capacity=capacity
    )
    assert turned.total_cost == pytest.approx(100 * plan.total_cost)
    np.testing.assert_array_equal(turned.done[::-1], plan.done)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"penalty": np.zeros((2, 3))}, r"penalty has shape \(2, 3\)"),
        ({"penalty": np.full((2, 4, 4), np.nan)}, "penalty at position"),
        ({"set_up": -1.0}, "set_up at position"),
        ({"bay_hours": -1.0}, "bay_hours at position"),
        ({"capacity": np.nan}, "capacity at position"),
        ({"penalty": np.zeros((1, 17, 17))}, "set_up is above 0 at 15 visits"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    good = {"penalty": np.zeros((2, 4, 4)), "set_up": 1.0, "bay_hours": 1.0, "capacity": 9.0}
    values = good | change
    with pytest.raises(ValueError, match=message):
        grouped_visits(values.pop("penalty"), **values)
