"""Tests that rules ask for where the item's own task is no test, and settings without effect."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from relkit.plan.result import Plan

MadePlan = Callable[..., Plan]

SERVICE = """
[[services]]
name = "small service"
every = ["250 engine_hours"]
where = { class = ["small"] }

[[services]]
name = "large service"
every = ["13 weeks"]
where = { class = ["large"] }
"""


def rule(maximum: str, location: str = "", where: str = "", name: str = "view test") -> str:
    place = f'location = "{location}"\n' if location else ""
    limit = f'where = {{ class = ["{where}"] }}\n' if where else ""
    return (
        f'\n[[rules]]\nname = "{name}"\nauthority = "company"\ncomponent = "camera"\n'
        f'maximum = ["{maximum}"]\n{place}{limit}'
    )


def test_a_rule_stands_beside_the_items_own_task(made_plan: MadePlan) -> None:
    # Source: own algebra: 26 weeks at 3 h a day (V1 and V2) are 546 h, twice 250 h; the large
    # ones come every 13 weeks, so at every second visit.
    plan = made_plan(SERVICE + rule("26 weeks", "front"))
    visits = plan.visits[plan.visits["task"] == "rule check"].set_index("vehicles")
    assert visits["every_nth"].to_dict() == {"small": 2, "large": 2}
    assert visits.loc["small", "interval"] == 500.0
    assert visits.loc["small", "interval_days"] == pytest.approx(500 / 3)
    assert visits.loc["large", "interval_days"] == pytest.approx(182.0)
    assert (visits["rule"] == "view test").all()
    assert (visits["positions"] == 2).all()
    assert visits["why"].str.contains("company").all()
    text = plan.intervals.set_index("location").loc["front", "rule_check"]
    assert text == "test at least every 26 weeks (view test; company)"


def test_the_longest_untested_item_of_a_vehicle_counts(made_plan: MadePlan) -> None:
    # Source: own algebra: the front of V1 passed on 1 November, the rear on 1 December; V2's
    # rear never; the rule says 13 weeks.
    plan = made_plan(
        rule("13 weeks"),
        log=[
            "2022-02-01,V1,camera,front,failed,replaced",
            "2023-12-20,V1,lead,chassis,failed,replaced",
        ],
        inspections=[
            "2023-11-01,V1,camera,front,pass",
            "2023-12-01,V1,camera,rear,pass",
            "2023-12-01,V2,camera,front,pass",
        ],
    )
    due = plan.due.set_index("vehicle")
    assert (due["task"] == "rule check").all()
    assert due.loc["V1", "last_test"] == pd.Timestamp("2023-11-01")
    assert due.loc["V1", "due_on"] == pd.Timestamp("2023-11-01") + pd.Timedelta(weeks=13)
    assert due.loc["V2", "state"] == "never tested"
    assert set(due["limit"]) == {"rule: view test"}


def test_only_the_vehicles_that_the_rule_names_are_held(made_plan: MadePlan) -> None:
    # Source: own algebra.
    plan = made_plan(SERVICE + rule("13 weeks", "front", where="large"))
    assert set(plan.due["vehicle"]) == {"V3", "V4"}
    assert plan.visits["vehicles"].tolist() == ["large"]


def test_entries_of_one_name_are_one_test_at_the_tightest(made_plan: MadePlan) -> None:
    # Source: own algebra: 13 weeks at the front, 26 at the rear: one visit in 13 weeks.
    plan = made_plan(SERVICE + rule("13 weeks", "front") + rule("26 weeks", "rear"))
    visits = plan.visits.set_index("vehicles")
    assert (visits["positions"] == 4).all()
    assert visits.loc["large", "every_nth"] == 1
    assert len(plan.due) == 4


def test_a_rule_shorter_than_a_service_is_a_conflict(made_plan: MadePlan) -> None:
    # Source: own algebra: 4 weeks at 3 h a day are 84 h, under 250 h.
    plan = made_plan(SERVICE + rule("4 weeks", "front"))
    visits = plan.visits.set_index("vehicles")
    assert (visits["every_nth"] == 0).all()
    assert visits["status"].str.contains("shorter than one service").all()
    assert visits.loc["small", "interval_days"] == pytest.approx(28.0)


def test_a_vehicle_that_stands_still_is_still_due_by_the_calendar(made_plan: MadePlan) -> None:
    # Source: own algebra: a week passes at 0 h a day too.
    plan = made_plan(
        SERVICE + rule("13 weeks", "front"),
        use={"V1": 0.0, "V2": 0.0, "V3": 4.0, "V4": 8.0},
        inspections=[f"2023-12-01,V{n},,,pass" for n in range(1, 5)],
    )
    due = plan.due.set_index("vehicle")
    assert (due["due_on"] == pd.Timestamp("2023-12-01") + pd.Timedelta(weeks=13)).all()
    assert set(due.index) == {"V1", "V2", "V3", "V4"}


@pytest.mark.parametrize(
    ("settings", "by", "words"),
    [
        (rule("13 weeks", "reer"), ["component", "location"], "holds for no item in service"),
        (rule("13 weeks", where="huge"), ["component", "location"], "holds for no item"),
        (rule("5000 km"), ["component", "location"], "counts km, of which there are no readings"),
        (SERVICE.replace("small", "huge"), ["component"], "used for no vehicle"),
        (SERVICE.replace("13 weeks", "9000 km"), ["component"], "counts km, of which there are no"),
    ],
)
def test_a_setting_that_reaches_nothing_is_said(
    made_plan: MadePlan, settings: str, by: list[str], words: str
) -> None:
    # Source: own algebra; no maximum of the user may be lost in silence.
    plan = made_plan(settings, by=by)
    assert pd.Series(plan.warnings).str.contains(words).any()


def test_settings_that_hold_are_not_complained_of(made_plan: MadePlan) -> None:
    # Source: own algebra.
    warnings = pd.Series(made_plan(SERVICE + rule("13 weeks", "rear")).warnings)
    assert not warnings.str.contains("holds for no|no readings|no vehicle").any()


def test_a_rule_for_one_place_holds_where_strata_are_coarser(made_plan: MadePlan) -> None:
    # Source: own algebra; no maximum of the user may be lost in silence.
    plan = made_plan(SERVICE + rule("13 weeks", "rear"), by=["component"])
    due = plan.due[plan.due["task"] == "rule check"]
    assert len(due)
    assert set(due["component"]) == {"camera, rear"}


def test_a_hidden_item_is_tested_and_still_replaced_by_rule(made_plan: MadePlan) -> None:
    # Source: own algebra: fitted on 1 February 2022, at most one year (365.25 days).
    hidden = '[[functions]]\ncomponent = "camera"\nevident = false\ntarget_unavailability = 0.05\n'
    asked = rule("1 year", "front").replace("authority", 'task = "replace"\nauthority')
    plan = made_plan(hidden + asked, log=["2022-02-01,V1,camera,front,failed,replaced"])
    assert "failure-finding" in set(plan.due["task"])
    due = plan.due[plan.due["task"] == "rule replacement"].set_index("vehicle")
    assert due.loc["V1", "due_on"] == pd.Timestamp("2023-02-01")
    assert due.loc["V1", "state"] == "overdue"
    assert (plan.visits.loc[plan.visits["task"] == "rule replacement", "rule"] == "view test").all()


def test_vehicles_without_a_service_are_told_of_the_rule(made_plan: MadePlan) -> None:
    # Source: own algebra.
    plan = made_plan(rule("13 weeks", "front"))
    assert plan.visits["vehicles"].unique().tolist() == ["vehicles without a service"]
    assert plan.visits["status"].str.contains("no service is given").all()
