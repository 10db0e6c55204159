"""Penalties of moving tasks from their best ages, against quadrature of the marginal cost."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.decisions.visit_penalties import interval_penalties, replacement_penalties
from relkit.decisions.visits import grouped_visits

CHUTE = {"scale": 1700.0, "shape": 3.0, "cost_planned": 355.0, "cost_failure": 1290.0}
VISITS = [250.0, 500.0, 985.0, 1500.0, 2500.0]


def survival(t: float) -> float:
    return float(np.exp(-((t / 1700.0) ** 3)))


def marginal(t: float) -> float:
    """Extra cost of keeping an item an hour longer at age t: h(t)(c_f - c_p) - C*."""
    best_rate = float(replacement_age(**CHUTE).cost_rate)
    return 3 / 1700.0 * (t / 1700.0) ** 2 * (1290.0 - 355.0) - best_rate


def test_penalty_is_the_integral_of_the_marginal_cost() -> None:
    # Source: R. Dekker, R. E. Wildeman and R. van Egmond 1996 (from memory); quadrature.
    best = float(replacement_age(**CHUTE).age)
    table = replacement_penalties(VISITS, horizon=3000.0, age=0.0, **CHUTE)[0]
    for place, visit in enumerate(VISITS):
        expected, _ = quad(lambda t: marginal(t) * survival(t), best, visit)
        assert table[0, place + 1] == pytest.approx(expected, abs=1e-6)
    # from the first visit to the fourth: a cycle of 1,250 h; from the last: 500 h so far
    expected, _ = quad(lambda t: marginal(t) * survival(t), best, 1250.0)
    assert table[1, 4] == pytest.approx(expected, abs=1e-6)
    assert table[5, 6] == pytest.approx(0.0, abs=1e-9)
    # from the third visit to the end 2,015 h: replaced at once there
    expected, _ = quad(lambda t: marginal(t) * survival(t), best, 2015.0)
    assert table[3, 6] == pytest.approx(expected, abs=1e-6)


def test_penalty_is_the_cycle_cost_above_the_best_rate() -> None:
    # Closed form: (C(T) - C*) int R, with the integral by quadrature.
    best = replacement_age(**CHUTE)
    table = replacement_penalties(VISITS, horizon=3000.0, age=0.0, **CHUTE)[0]
    for place, visit in enumerate(VISITS):
        use, _ = quad(survival, 0, visit)
        extra = (float(cost_rate(visit, **CHUTE)) - float(best.cost_rate)) * use
        assert table[0, place + 1] == pytest.approx(extra, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("age", [400.0, 1400.0])
def test_the_item_present_has_lived_to_its_age(age: float) -> None:
    best = float(replacement_age(**CHUTE).age)
    table = replacement_penalties(VISITS, horizon=3000.0, age=age, **CHUTE)[0]
    for place, visit in enumerate(VISITS):
        expected, _ = quad(lambda t: marginal(t) * survival(t), max(best, age), age + visit)
        assert table[0, place + 1] == pytest.approx(expected / survival(age), rel=1e-6)


def test_maxima_close_what_lies_past_them() -> None:
    table = replacement_penalties(VISITS, horizon=2500.0, age=[0.0, 300.0], **CHUTE, maximum=800.0)
    assert np.isfinite(table[0, 0]).tolist() == [False, True, True, False, False, False, False]
    assert np.isfinite(table[1, 0]).tolist() == [False, True, True, False, False, False, False]
    assert np.isfinite(table[0, 2]).tolist() == [False, False, False, True, False, False, False]
    # doing it at the maximum costs no extra over what the maximum allows
    exact = replacement_penalties([800.0, 1600.0], horizon=1600.0, age=0.0, **CHUTE, maximum=800.0)
    np.testing.assert_allclose(exact[0, [0, 1, 2], [1, 2, 3]], 0.0, atol=1e-9)


def test_items_without_wear_are_left_alone() -> None:
    table = replacement_penalties(
        VISITS,
        horizon=3000.0,
        age=500.0,
        scale=9000.0,
        shape=1.0,
        cost_planned=355.0,
        cost_failure=1290.0,
    )
    plan = grouped_visits(table, set_up=0.0)
    assert not plan.done.any()
    assert plan.total_cost == pytest.approx(0.0, abs=1e-9)


def test_interval_penalty_of_a_square_root_rule() -> None:
    # Closed form: c / t + k t has its best at sqrt(c / k); (C(t) - C*) t = k (t - best)^2.
    def rate(t: np.ndarray) -> np.ndarray:
        return np.asarray(6.0 / t + 1.5e-4 * t)

    table = interval_penalties(
        [150.0, 200.0, 350.0], horizon=500.0, elapsed=[0.0, 100.0], best=200.0, cost_rate=rate
    )
    square = 1.5e-4 * (np.array([150.0, 200.0, 350.0]) - 200.0) ** 2
    np.testing.assert_allclose(table[0, 0, 1:4], square, atol=1e-9)
    later = 1.5e-4 * (np.array([250.0, 300.0, 450.0]) - 200.0) ** 2
    np.testing.assert_allclose(table[1, 0, 1:4], later, atol=1e-9)
    np.testing.assert_allclose(table[0, 1, 3], 0.0, atol=1e-9)  # 200 h between the visits
    np.testing.assert_allclose(table[0, 3, 4], 0.0, atol=1e-9)  # 150 h so far: still time
    # a task overdue already: only the further delay counts
    late = interval_penalties([50.0], horizon=50.0, elapsed=[300.0], best=200.0, cost_rate=rate)
    np.testing.assert_allclose(late[0, 0, 1], 1.5e-4 * (150.0**2 - 100.0**2), atol=1e-9)


def test_interval_penalty_where_never_is_best() -> None:
    table = interval_penalties(
        [100.0], horizon=200.0, elapsed=[50.0], best=np.inf, cost_rate=lambda t: 5.0 / t + 1.0
    )
    np.testing.assert_allclose(table[0, 0, 1:], [5.0, 0.0], atol=1e-9)


def test_money_saved_by_one_visit_for_two_cameras() -> None:
    # Brute force over the visit of each (two tasks, each done once or never before the end).
    table = replacement_penalties(
        [700.0, 985.0, 1200.0],
        horizon=1200.0,
        age=[0.0, 250.0],
        **CHUTE,
    )
    plan = grouped_visits(table, set_up=45.0)
    single = [{(v,): t[0, v + 1] + t[v + 1, 4] for v in range(3)} | {(): t[0, 4]} for t in table]
    best = min(
        cost_a + cost_b + 45.0 * len({*way_a, *way_b})
        for way_a, cost_a in single[0].items()
        for way_b, cost_b in single[1].items()
    )
    assert plan.total_cost == pytest.approx(best)
    assert plan.total_cost <= plan.ungrouped_cost


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"visits": [200.0, 100.0]}, "visits do not rise"),
        ({"visits": [0.0]}, "visits at position"),
        ({"horizon": 100.0}, "horizon is 100"),
        ({"age": -1.0}, "age at position"),
        ({"maximum": 0.0}, "maximum at position"),
        ({"cost_planned": -5.0}, "cost_planned at position"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    values = {"visits": [250.0, 500.0], "horizon": 500.0, "age": 0.0} | CHUTE | change
    with pytest.raises(ValueError, match=message):
        replacement_penalties(values.pop("visits"), **values)
