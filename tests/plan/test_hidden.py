"""Hidden functions in the plan: harm targets, imperfect tests, reports, daily checks, views."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from relkit.decisions.hidden_function import chain_unavailability
from relkit.plan.result import Plan
from relkit.plan.stratum_settings import stratum_settings
from relkit.study.read import study_from_mapping
from relkit.study.settings import FunctionSettings, Study

SERVICE = '[[services]]\nname = "250 h service"\nevery = ["250 engine_hours"]\n'
COSTS = "[[costs.items]]\nplanned = 100\nfailure = 300\ncheck = 5\n"


def hidden(more: str = "", target: float = 0.05) -> str:
    return f"[[functions]]\nevident = false\ntarget_unavailability = {target}\n{more}"


def front(plan: Plan) -> dict[str, object]:
    rows = plan.intervals[
        (plan.intervals["component"] == "camera") & (plan.intervals["location"] == "front")
    ]
    return dict(rows.iloc[0])


def study_with(**function: object) -> Study:
    return study_from_mapping(
        {"name": "s", "files": {"log": [{"path": "l.csv"}]}, "functions": [function]}
    )


def test_a_target_follows_from_the_harm_that_is_tolerable() -> None:
    # Source: by hand: 1e-4 events a year over 10 demands a day x 365.25 x 1e-6 = 0.0274.
    harm = {"demands_per_day": 10, "harm_probability": 1e-6, "tolerable_events": 1e-4}
    found = stratum_settings(study_with(evident=False, **harm), "camera", "rear")
    assert found.target_unavailability == pytest.approx(1e-4 / (10 * 365.25 * 1e-6))
    assert found.target_source == "harm"
    tight = stratum_settings(
        study_with(evident=False, target_unavailability=0.01, **harm), "camera", "rear"
    )
    assert (tight.target_unavailability, tight.target_source) == (0.01, "stated")
    loose = {**harm, "tolerable_events": 10.0}
    none = stratum_settings(study_with(evident=False, **loose), "camera", "rear")
    assert np.isnan(none.target_unavailability)


def test_settings_of_a_hidden_function_are_off_unless_given() -> None:
    plain = stratum_settings(study_with(evident=False), "camera", "rear")
    assert (plain.test_detection, plain.test_harm, plain.reported_per_day) == (1.0, 0.0, 0.0)
    assert np.isnan(plain.daily_check)
    assert FunctionSettings().test is None


def test_misses_and_harm_shorten_the_plans_interval_and_reports_lengthen_it(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: monotonicity; each is checked against a simulation in tests/decisions.
    best = {
        name: front(made_plan(COSTS + hidden(more)))["best_interval"]
        for name, more in {
            "perfect": "",
            "misses": "test_detection = 0.6\n",
            "harms": "test_detection = 0.6\ntest_harm = 0.01\n",
            "reported": "demands_per_day = 20\nreported_share = 0.1\n",
        }.items()
    }
    assert best["harms"] < best["misses"] < best["perfect"] < best["reported"]


def test_the_unavailability_shown_is_that_of_the_imperfect_test(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: the definition: at the interval off the services the target is just met.
    row = front(made_plan(COSTS + hidden("test_detection = 0.6\ntest_harm = 0.002\n")))
    assert row["interval"] == pytest.approx(row["best_interval"])
    assert row["unavailability"] == pytest.approx(0.05, rel=0.06)
    assert "60 % of the faults" in str(row["assumptions"])
    assert "0.2 % of the tests spoil a good item" in str(row["assumptions"])


def test_a_daily_check_stands_beside_the_tests_on_equal_terms(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: a day's use is the interval: one perfect check a day leaves about a half day's
    # share, which is the exact unavailability at an interval of one day, doubled by none.
    plan = made_plan(SERVICE + COSTS + hidden("daily_check = 1\n"))
    table = plan.daily_checks
    row = table[(table["component"] == "camera") & (table["location"] == "front")].iloc[0]
    tests, daily = row["unavailability_tests"], row["unavailability_daily"]
    items_a_day = 4.5  # mean of 2, 4, 4 and 8 h a day
    assert daily / tests == pytest.approx(items_a_day / row["test_interval"], rel=0.35)
    assert "less dark time than a test every" in row["verdict"]
    asked = made_plan(SERVICE + COSTS + hidden()).daily_checks
    one = asked[(asked["component"] == "camera") & (asked["location"] == "front")]
    assert one["daily_check"].tolist() == [0.2, 0.5, 0.9]
    assert one["unavailability_daily"].is_monotonic_decreasing


def test_no_daily_check_where_every_failure_shows(made_plan: Callable[..., Plan]) -> None:
    assert made_plan(SERVICE + COSTS).daily_checks.empty


VIEW = """
[[views]]
name = "front view"
target_unavailability = {target}
items = [
  {{ component = "camera", location = "front" }},
  {{ component = "lead", shared = true }},
]
"""


def test_a_view_is_the_chain_of_its_hidden_items(made_plan: Callable[..., Plan]) -> None:
    # Source: 1 - product of (1 - U) (decisions, closed form).
    plan = made_plan(SERVICE + COSTS + hidden() + VIEW.format(target=0.2))
    shares = plan.intervals.set_index(["component", "location"])["unavailability"]
    wanted = chain_unavailability([shares["camera", "front"], shares["lead", "chassis"]])
    row = plan.views.iloc[0]
    assert row["unavailability"] == pytest.approx(float(wanted), rel=1e-9)
    assert row["unavailability_shared"] == pytest.approx(shares["lead", "chassis"])
    assert row["meets_target"] == "yes"
    tight = made_plan(SERVICE + COSTS + hidden() + VIEW.format(target=0.001)).views.iloc[0]
    assert tight["meets_target"] == "no"
    assert "tighten the weakest" in tight["verdict"]


def test_evident_items_add_nothing_and_missing_ones_are_named(
    made_plan: Callable[..., Plan],
) -> None:
    seen = made_plan(SERVICE + COSTS + VIEW.format(target=0.2)).views.iloc[0]
    assert "nothing is dark unnoticed" in seen["verdict"]
    absent = VIEW.format(target=0.2).replace('"lead"', '"mirror"')
    row = made_plan(SERVICE + COSTS + hidden() + absent).views.iloc[0]
    assert row["verdict"] == "not in service on these vehicles: mirror"


def test_without_a_target_the_costs_of_unnoticed_time_set_the_interval(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: the same function on the plan's own draws is tested in decisions; here: dearer
    # unnoticed time asks for more tests, and the row says that cost sets the interval.
    cheap, dear = (
        front(
            made_plan(
                SERVICE.replace("250", "5")
                + COSTS.replace("check = 5", f"check = 5\nundetected_hour = {cost}")
                + "[[functions]]\nevident = false\n"
            )
        )
        for cost in (1, 4)
    )
    assert dear["interval"] < cheap["interval"]
    assert dear["binding"] == "cost"
    assert dear["unavailability"] < cheap["unavailability"]
