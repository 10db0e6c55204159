"""The due list: dates by hand, last tests, and what has no date."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from relkit.plan.due import dates_ahead, last_tests
from relkit.plan.result import Plan

MadePlan = Callable[..., Plan]

HIDDEN = """
[[functions]]
component = "camera"
location = "rear"
evident = false
target_unavailability = 0.02
"""
COSTS = """
[[costs.items]]
planned = 100
failure = 500
"""
UNTIL = pd.Timestamp("2024-01-01")


def rule(maximum: str, task: str = "test", extra: str = "") -> str:
    return f"""
[[rules]]
name = "R"
authority = "law"
maximum = ["{maximum}"]
task = "{task}"
component = "{"camera" if task == "test" else "lead"}"
{extra}
"""


def service(extra: str = "", every: str = "250 engine_hours") -> str:
    return f'\n[[services]]\nname = "S"\nevery = ["{every}"]\n{extra}\n'


def due_of(plan: Plan, component: str, location: str) -> pd.DataFrame:
    due = plan.due[(plan.due["component"] == component) & (plan.due["location"] == location)]
    return due.set_index("vehicle")


def test_replacement_dates_by_hand(made_plan: MadePlan) -> None:
    # Source: own algebra: V4 runs 8 h a day, its front camera was replaced on 2023-10-12 (failures
    # from day 53 in steps of 149 days), so 81 days or 648 h old; due at the interval.
    plan = made_plan(COSTS + service())
    line = plan.intervals.set_index(["component", "location"]).loc[("camera", "front")]
    assert line["task"] == "planned replacement"
    interval = line["interval"]
    row = due_of(plan, "camera", "front").loc["V4"]
    assert row["age"] == pytest.approx(648.0)
    assert row["due_age"] == pytest.approx(interval)
    assert row["due_in"] == pytest.approx(interval - 648.0)
    assert row["due_on"] == UNTIL + pd.Timedelta(days=np.floor((interval - 648.0) / 8))
    assert row["state"] == ("overdue" if interval < 648 else "due")
    assert row["opened_by"].startswith("log.csv:")


def test_test_dates_count_from_the_last_good_test(made_plan: MadePlan) -> None:
    # Source: own algebra: V1 runs 2 h a day and was tested 92 days before the list; the others
    # were fitted before the log began and never tested.
    plan = made_plan(HIDDEN + service())
    interval = plan.visits.set_index("location").loc["rear", "interval"]
    rear = due_of(plan, "camera", "rear")
    assert rear.loc["V1", "due_in"] == pytest.approx(interval - 2 * 92)
    ahead = np.floor((interval - 2 * 92) / 2)
    assert rear.loc["V1", "due_on"] == UNTIL + pd.Timedelta(days=ahead)
    assert (rear.loc[["V2", "V3", "V4"], "state"] == "never tested").all()
    assert (rear.loc[["V2", "V3", "V4"], "due_on"] == UNTIL).all()


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    weeks=st.integers(1, 80),
    ago=st.lists(st.integers(1, 400), min_size=4, max_size=4),
    hidden=st.booleans(),
    served=st.booleans(),
)
def test_no_vehicle_is_due_later_than_its_last_test_and_the_calendar_maximum(
    made_plan: MadePlan, weeks: int, ago: list[int], hidden: bool, served: bool
) -> None:
    # Source: invariant: whether the test is the item's own task or the rule's alone.
    tests = {f"V{n}": UNTIL - pd.Timedelta(days=days) for n, days in enumerate(ago, start=1)}
    plan = made_plan(
        HIDDEN * hidden + rule(f"{weeks} weeks", extra='location = "rear"') + service() * served,
        inspections=[f"{day:%Y-%m-%d},{name},camera,rear,pass" for name, day in tests.items()],
    )
    due = plan.due[plan.due["task"].isin(["failure-finding", "rule check"])]
    due = due[due["location"].isin(["rear", ""])].set_index("vehicle")
    assert set(due.index) == set(tests)
    for vehicle, tested in tests.items():
        latest = tested + pd.Timedelta(weeks=weeks)
        assert due.loc[vehicle, "due_on"] <= latest
        assert (due.loc[vehicle, "state"] == "overdue") == (due.loc[vehicle, "due_on"] < UNTIL)


def test_each_vehicles_own_use_turns_kilometres_into_a_date(made_plan: MadePlan) -> None:
    # Source: own algebra: by calendar study, 500 h are 250 days at 2 h a day, 62.5 at 8 h a day;
    # no item was ever tested but those of this list.
    inspections = [f"2023-12-01,V{n},camera,rear,pass" for n in range(1, 5)]
    plan = made_plan(
        HIDDEN.replace("0.02", "0.9") + rule("500 engine_hours", extra='location = "rear"'),
        clock="days",
        inspections=inspections,
    )
    rear = due_of(plan, "camera", "rear")
    slow, fast = rear.loc["V1", "due_on"], rear.loc["V4", "due_on"]
    assert fast <= pd.Timestamp("2023-12-01") + pd.Timedelta(days=62.5)
    assert fast < slow <= pd.Timestamp("2023-12-01") + pd.Timedelta(days=250)


def test_a_fixed_day_of_the_year_brings_tests_forward_but_replaces_nothing_early(
    made_plan: MadePlan,
) -> None:
    # Source: own algebra: 10 January is 9 days after the window; a camera of 12 weeks is not
    # thrown away for it.
    plain = made_plan(COSTS + HIDDEN + service(), inspections=["2023-12-30,V1,,,pass"])
    dated = made_plan(
        COSTS + HIDDEN + service('on = ["01-10"]'), inspections=["2023-12-30,V1,,,pass"]
    )
    assert due_of(dated, "camera", "rear").loc["V1", "due_on"] == pd.Timestamp("2024-01-10")
    assert due_of(dated, "camera", "rear").loc["V1", "limit"] == "calendar"
    visits = ["next_service_on", "advice", "waiting_costs"]  # the fixed day is a service too
    pd.testing.assert_frame_equal(
        due_of(dated, "camera", "front").drop(columns=visits),
        due_of(plain, "camera", "front").drop(columns=visits),
    )


def test_an_item_of_unknown_age_is_not_called_never_tested(made_plan: MadePlan) -> None:
    # Source: own algebra: V1 stood still all along, so no age is known, but it was tested.
    use = {"V1": 0.0, "V2": 4.0, "V3": 4.0, "V4": 8.0}
    plan = made_plan(COSTS + HIDDEN + rule("13 weeks") + rule("2 years", "replace"), use=use)
    rear = due_of(plan, "camera", "rear").loc["V1"]
    assert np.isnan(rear["age"])
    assert np.isnan(rear["due_age"])
    assert rear["state"] == "overdue"  # 13 weeks after 2023-10-01 is 2023-12-31
    assert rear["due_on"] == pd.Timestamp("2023-12-31")
    assert due_of(plan, "lead", "chassis").loc["V1", "state"] == "age unknown"


def test_vehicles_that_left_and_emptied_positions_are_not_in_the_list(
    made_plan: MadePlan,
) -> None:
    # Source: own algebra.
    register = [
        f"V{n},small,camera,rear,,2021-06-01,,{'2023-03-01' if n == 2 else ''}" for n in (1, 2, 3)
    ]
    log = ["2023-02-01,V1,camera,rear,failed,replaced", "2023-04-01,V3,camera,rear,planned,removed"]
    plan = made_plan(HIDDEN + service(), register=register, log=log)
    assert plan.due["vehicle"].tolist() == ["V1"]
    assert plan.spares["positions"].tolist() == [1]
    assert plan.intervals["positions"].tolist() == [1]
    assert plan.visits["vehicle_count"].tolist() == [1]


def test_last_tests_take_the_latest_visit_that_covered_the_item() -> None:
    # Source: own algebra.
    items = pd.DataFrame(
        {
            "vehicle": ["A", "A", "B", "C"],
            "base": ["camera", "lead", "camera", "camera"],
            "location": ["front", "", "front", "front"],
            "age": [1.0, 1.0, 1.0, np.nan],
            "fitted_on": pd.to_datetime(["2020-01-01", "2023-05-01", "2020-01-01", "2023-01-01"]),
        }
    )
    rows = [
        ("A", "2023-01-01", "", "", "pass"),  # the whole vehicle
        ("A", "2023-02-01", "front", "", "pass"),  # everything at the front
        ("A", "2023-03-01", "", "camera", "pass"),  # all cameras
        ("A", "2023-04-01", "front", "camera", "fail"),  # no good test
        ("B", "2023-06-01", "rear", "camera", "pass"),  # another place
    ]
    inspections = pd.DataFrame(
        rows, columns=["vehicle", "date", "location", "component", "result"]
    ).assign(date=lambda frame: pd.to_datetime(frame["date"]))
    found = last_tests(items, inspections, pd.Timestamp("2022-01-01"))
    expected = pd.to_datetime(pd.Series(["2023-03-01", "2023-05-01", None, None]))
    pd.testing.assert_series_equal(found, expected, check_names=False)


def test_dates_ahead_are_whole_days_and_missing_where_never() -> None:
    # Source: own algebra.
    found = dates_ahead(UNTIL, np.array([0.9, -0.1, np.inf, np.nan, 1e9]))
    assert found.tolist()[:2] == [UNTIL, UNTIL - pd.Timedelta(days=1)]
    assert found.isna().tolist() == [False, False, True, True, True]


def test_the_most_urgent_comes_first(made_plan: MadePlan) -> None:
    # Source: the order stated for the list: overdue, never tested, age unknown, due, later.
    due = made_plan(COSTS + HIDDEN + service() + rule("13 weeks")).due
    order = ["overdue", "never tested", "age unknown", "due", "later"]
    places = due["state"].map(order.index)
    assert places.is_monotonic_increasing
    for _, part in due.groupby("state"):
        assert part["due_on"].is_monotonic_increasing


def test_without_rules_services_and_costs_nothing_is_due(made_plan: MadePlan) -> None:
    # Source: own algebra: nothing has an interval.
    plan = made_plan()
    assert plan.due.empty
    assert {"vehicle", "class", "due_on", "state"} <= set(plan.due.columns)
