"""Today's practice beside the plan, the worth of waiting, other ways to replace, due advice."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.decisions.age_replacement import cost_rate
from relkit.plan.build import plan_of
from relkit.plan.parts import PlanParts, parts_of
from relkit.plan.result import Plan
from relkit.study.settings import Study

SERVICE = '[[services]]\nname = "50 h service"\nevery = ["50 engine_hours"]\n'
COSTS = "[[costs.items]]\nplanned = 100\nfailure = 900\ncheck = 2\nrepair = 800\n"


def front(table: pd.DataFrame) -> pd.Series:
    return table[(table["component"] == "camera") & (table["location"] == "front")].iloc[0]


def parts_from(study: Study) -> PlanParts:
    return parts_of(relkit.read_log(study), study)


def test_the_practice_costs_what_the_cost_rate_says(made_study: Callable[..., Study]) -> None:
    # Source: the cost rate of age replacement, averaged over the same draws.
    text = (
        SERVICE + COSTS + '[[practice]]\ntask = "planned replacement"\nevery = "900 engine_hours"\n'
    )
    study = made_study(text)
    parts = parts_from(study)
    row = front(relkit.build_plan(study).intervals)
    i = int(
        plan_of(parts).intervals.query("component == 'camera' and location == 'front'").index[0]
    )
    law = {"scale": parts.found.scale[i], "shape": parts.found.shape[i]}
    costs = {"cost_planned": 100.0, "cost_failure": 900.0}
    today = cost_rate(900.0, **law, **costs)
    planned = cost_rate(float(row["interval"]), **law, **costs)
    assert row["practice"] == "planned replacement every 900 h"
    assert row["practice_cost_rate"] == pytest.approx(today.mean())
    assert row["practice_extra"] == pytest.approx((today - planned).mean())
    assert row["practice_extra_lower"] < row["practice_extra"] < row["practice_extra_upper"]
    assert row["probability_of_improvement"] == pytest.approx((today > planned).mean())
    assert row["practice_regret"] > 0


def test_tests_at_each_service_are_the_practice_where_no_interval_is_given(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: by hand: services every 50 h; the plan tests at longer intervals.
    text = SERVICE + COSTS + "[[functions]]\nevident = false\ntarget_unavailability = 0.2\n"
    row = front(made_plan(text + '[[practice]]\ntask = "failure-finding"\n').intervals)
    assert row["practice"] == "failure-finding at each service"
    assert row["practice_interval"] == 50.0
    assert row["practice_unavailability"] < row["unavailability"]
    assert row["practice_extra"] == pytest.approx(2 / 50 - 2 / row["interval"], rel=1e-6)


def test_nothing_is_compared_where_no_practice_is_stated(made_plan: Callable[..., Plan]) -> None:
    table = made_plan(SERVICE + COSTS).intervals
    assert (table["practice"] == "").all()
    assert table["practice_extra"].isna().all()


def test_a_safety_item_never_waits_for_more_data(made_plan: Callable[..., Plan]) -> None:
    # Source: the project's rule.
    table = made_plan(SERVICE + COSTS + "[[functions]]\nsafety = true\n").intervals
    judged = table[table["waiting"] != ""]
    assert len(judged)
    assert judged["waiting"].str.startswith("safety item: never delayed").all()
    assert judged["waiting_net_value"].isna().all()


def test_waiting_is_valued_where_the_decision_is_open(made_plan: Callable[..., Plan]) -> None:
    table = made_plan(SERVICE + COSTS.replace("900", "160")).intervals
    known = table[table["waiting_net_value"].notna()]
    assert (known["waiting_cost"] > -1e9).all()
    told = set(table["waiting"]) - {""}
    assert told
    assert all(
        text.startswith(("act now", "waiting is worth", "settled", "nothing is changed", "today's"))
        for text in told
    )


def test_block_replacement_and_repairs_are_shown_with_what_they_cost(
    made_plan: Callable[..., Plan],
) -> None:
    row = front(made_plan(SERVICE + COSTS).intervals)
    assert row["task"] == "planned replacement"
    assert row["alternatives"].startswith("block replacement refused: even at its best")
    assert "% more, since nearly new items go too" in row["alternatives"]
    assert "repair" in row["alternatives"]
    assert row["wide_span_lower"] <= row["span_lower"] <= row["best_interval"]
    assert row["best_interval"] <= row["span_upper"] <= row["wide_span_upper"]


def test_every_row_says_its_method_assumptions_source_and_data_treatment(
    made_plan: Callable[..., Plan],
) -> None:
    table = made_plan(SERVICE + COSTS).intervals
    for name in ("method", "assumptions", "formula_source", "leans_on"):
        assert (table[name].str.len() > 5).all()
    assert "late entry: 4 of" in front(table)["leans_on"]


def test_due_items_are_replaced_at_the_next_service_or_kept(made_plan: Callable[..., Plan]) -> None:
    # Source: the marginal rule agrees with the age that costs least: overdue items are not kept,
    # new ones are.
    due = made_plan(SERVICE + COSTS).due
    replaced = due[(due["task"] == "planned replacement") & due["age"].notna()]
    assert set(replaced["advice"]) <= {"replace at the next service", "keep past the next service"}
    old = replaced[replaced["age"] > 1.2 * replaced["due_age"]]
    assert (old["advice"] == "replace at the next service").all()
    new = replaced[replaced["age"] < 0.5 * replaced["due_age"]]
    assert (new["advice"] == "keep past the next service").all()
    assert replaced["next_service_on"].notna().all()


def test_a_visit_of_its_own_is_worth_it_where_waiting_costs_more(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: by hand: services a year apart, a visit for 1 money unit: the overdue go at once.
    rare = '[[services]]\nname = "yearly"\nevery = ["52 weeks"]\n'
    text = rare + "[costs]\nvisit = 1\n\n" + COSTS
    due = made_plan(
        text + '[[rules]]\nname = "age"\nauthority = "company"\n'
        'maximum = ["400 engine_hours"]\ntask = "replace"\n'
    ).due
    rows = due[(due["task"] == "planned replacement") & (due["state"] == "overdue")]
    worth = rows["advice"].str.startswith("worth a special visit")
    assert worth.any()
    assert (rows.loc[worth, "waiting_costs"] > 1).all()


def test_overdue_tests_are_never_left_until_the_next_service(
    made_plan: Callable[..., Plan],
) -> None:
    text = SERVICE + COSTS + "[[functions]]\nevident = false\ntarget_unavailability = 0.05\n"
    due = made_plan(text, inspections=["2022-03-01,V1,,,pass"]).due
    late = due[due["state"].isin(["overdue", "never tested"])]
    assert len(late)
    assert late["advice"].str.startswith("at once").all()


def test_of_two_services_each_job_goes_to_the_one_that_suits_it(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: by hand: tests wanted below 5,000 h fit the 30 h service, not the long one.
    both = (
        '[[services]]\nname = "long"\nevery = ["5000 engine_hours"]\n\n'
        '[[services]]\nname = "short"\nevery = ["30 engine_hours"]\n'
    )
    text = both + COSTS + "[[functions]]\nevident = false\ntarget_unavailability = 0.1\n"
    plan = made_plan(text)
    tested = plan.visits[
        (plan.visits["component"] == "camera") & (plan.visits["location"] == "front")
    ]
    assert tested["service"].tolist() == ["short"]
    assert tested["status"].tolist() == ["ok"]
    assert 'get both "long" and "short"' in " ".join(plan.warnings)
    assert len(plan.due) == len(plan.due.drop_duplicates(["vehicle", "component", "location"]))
    assert np.isfinite(tested["interval"]).all()
