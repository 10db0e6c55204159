"""Due dates by clock and calendar, states, and chances of failing before."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.decisions.due_list import DueList, due_list, failure_before


def one(**change: object) -> DueList:
    """900 h old, done at 0, every 1000 h, 4 h a day between 2 and 8."""
    usual: dict[str, object] = {
        "age": 900.0,
        "last_done_age": 0.0,
        "interval": 1000.0,
        "use_per_day": 4.0,
        "use_per_day_low": 2.0,
        "use_per_day_high": 8.0,
    }
    return due_list(**(usual | change))  # type: ignore[arg-type]


def test_hours_become_days_with_a_range() -> None:
    # Source: (T - a) / rate, own algebra.
    due = one()
    assert (due.due_age[0], due.due_in[0]) == (1000.0, 100.0)
    assert (due.days_earliest[0], due.days[0], due.days_latest[0]) == (12.5, 25.0, 50.0)
    assert (due.limit[0], due.state[0]) == ("clock", "later")


def test_range_of_the_age_widens_the_range_of_the_date() -> None:
    due = one(age_low=800.0, age_high=950.0)
    assert (due.days_earliest[0], due.days[0], due.days_latest[0]) == (6.25, 25.0, 100.0)


def test_the_calendar_counts_where_it_comes_first() -> None:
    due = one(calendar_maximum=91.0, days_since_done=80.0)
    assert (due.days[0], due.limit[0]) == (11.0, "calendar")
    assert (due.days_earliest[0], due.days_latest[0]) == (11.0, 11.0)


def test_the_calendar_runs_on_for_a_vehicle_that_stands_still() -> None:
    still = {"use_per_day": 0.0, "use_per_day_low": 0.0, "use_per_day_high": 0.0}
    assert np.isinf(one(**still).days[0])
    assert one(**still).limit[0] == ""
    capped = one(**still, calendar_maximum=91.0, days_since_done=30.0)
    assert (capped.days[0], capped.limit[0], capped.state[0]) == (61.0, "calendar", "later")
    late = one(**still, age=1200.0)
    assert (late.state[0], late.days[0]) == ("overdue", 0.0)


@pytest.mark.parametrize(
    ("change", "state"),
    [
        ({}, "later"),
        ({"soon": 25.0}, "due"),
        ({"age": 1000.5}, "overdue"),
        ({"calendar_maximum": 91.0, "days_since_done": 92.0}, "overdue"),
        ({"last_done_age": np.nan}, "never tested"),
        ({"calendar_maximum": 91.0, "days_since_done": np.nan}, "never tested"),
        ({"last_done_age": np.nan, "interval": np.nan}, "later"),
        ({"age": np.nan}, "age unknown"),
        ({"age": np.nan, "calendar_maximum": 91.0, "days_since_done": 92.0}, "overdue"),
        ({"age": np.nan, "interval": np.nan, "calendar_maximum": 91.0}, "later"),
    ],
)
def test_states(change: dict[str, float], state: str) -> None:
    due = one(**change)
    assert due.state.tolist() == [state]
    order = ["overdue", "never tested", "age unknown", "due", "later"]
    assert due.urgency.tolist() == [order.index(state)]


def test_rows_are_independent_and_in_order() -> None:
    # Common practice: one item alone equals the same in a batch.
    rng = np.random.default_rng(2)
    age, done = rng.uniform(500, 1500, 50), rng.uniform(0, 500, 50)
    batch = one(age=age, last_done_age=done)
    for k in (0, 17, 49):
        alone = one(age=age[k], last_done_age=done[k])
        assert alone.days[0] == batch.days[k]
        assert alone.state[0] == batch.state[k]
    np.testing.assert_allclose(batch.due_age, done + 1000.0)


def test_chance_of_failing_against_the_definition() -> None:
    # Source: 1 - R(a + t) / R(a).
    chance = failure_before([250.0], [1500.0], [0], scale=[[1700.0]], shape=[[3.0]])
    expected = 1 - math.exp((1500 / 1700) ** 3 - (1750 / 1700) ** 3)
    assert chance.probability[0] == pytest.approx(expected, rel=1e-12)
    assert chance.lower[0] == chance.upper[0] == chance.probability[0]


def test_limits_come_from_the_draws_of_the_items_stratum() -> None:
    # Source: second way, one item at a time.
    rng = np.random.default_rng(7)
    scale = 3000 * np.exp(0.2 * rng.standard_normal((3, 400)))
    shape = 2 * np.exp(0.2 * rng.standard_normal((3, 400)))
    time, age, code = rng.uniform(0, 900, 20), rng.uniform(0, 4000, 20), rng.integers(0, 3, 20)
    chance = failure_before(time, age, code, scale=scale, shape=shape, confidence_level=0.8)
    for k in range(20):
        s, b = scale[code[k]], shape[code[k]]
        each = 1 - np.exp((age[k] / s) ** b - ((age[k] + time[k]) / s) ** b)
        assert chance.probability[k] == pytest.approx(each.mean(), rel=1e-9)
        limits = np.quantile(each, [0.1, 0.9])
        np.testing.assert_allclose([chance.lower[k], chance.upper[k]], limits, rtol=1e-9)


def test_unknown_ages_have_no_chance_and_past_times_none() -> None:
    chance = failure_before(
        [10.0, np.nan, -5.0], [np.nan, 5.0, 5.0], [0, 0, 0], scale=[[10.0]], shape=[[2.0]]
    )
    assert np.isnan(chance.probability).tolist() == [True, True, False]
    assert chance.probability[2] == 0.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"age": -1.0}, r"age at position \(\) is -1"),
        ({"interval": 0.0}, r"interval at position \(\) is 0"),
        ({"use_per_day_low": 5.0}, "use_per_day at position 0 is 4: must lie between"),
        ({"age_low": 950.0}, "age at position 0 is 900: must lie between"),
        ({"calendar_maximum": 0.0}, "calendar_maximum at position"),
    ],
)
def test_bad_values_are_named(change: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        one(**change)


def test_bad_strata_are_named() -> None:
    with pytest.raises(ValueError, match="stratum at position"):
        failure_before([1.0], [1.0], [3], scale=[[10.0]], shape=[[2.0]])
    with pytest.raises(ValueError, match="must be whole numbers"):
        failure_before([1.0], [1.0], [0.5], scale=[[10.0]], shape=[[2.0]])
