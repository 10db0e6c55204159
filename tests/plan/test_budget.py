"""Budget, warranty and job cards: sums, closed forms and counts by hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from relkit.plan.budget import ALL, BUDGET_COLUMNS, WHOLE
from relkit.plan.job_cards import JOB_CARD_COLUMNS, TEST_OF_FUNCTION
from relkit.plan.result import Plan

SERVICE = '[[services]]\nname = "50 h service"\nevery = ["50 engine_hours"]\n'
COSTS = "[[costs.items]]\nplanned = 100\nfailure = 900\ncheck = 2\nplanned_hours = 1\n"


def test_the_quarters_add_up_and_the_row_for_all_is_their_sum(
    made_plan: Callable[..., Plan],
) -> None:
    # Source: own algebra: counts and money add up over quarters and components.
    budget = made_plan(SERVICE + COSTS).budget
    assert list(budget.columns) == list(BUDGET_COLUMNS)
    sums = ["failures", "planned", "checks", "cost_failures", "cost_planned", "cost_checks"]
    quarters = budget[budget["quarter"] != WHOLE]
    whole = budget[budget["quarter"] == WHOLE].set_index("component")
    assert quarters["quarter"].nunique() == 4
    added = quarters.groupby("component")[sums].sum()
    pd.testing.assert_frame_equal(added, whole[sums].loc[added.index], rtol=1e-9)
    parts = whole.drop(ALL)[sums].sum()
    assert parts.to_numpy() == pytest.approx(whole.loc[ALL, sums].to_numpy(dtype=float))
    money = whole["cost_failures"] + whole["cost_planned"] + whole["cost_checks"]
    assert whole["cost"].to_numpy() == pytest.approx((money + whole["cost_visits"]).to_numpy())
    assert (whole["cost_lower"] <= whole["cost"]).all()
    assert (whole["cost"] <= whole["cost_upper"]).all()
    assert (whole["failures_lower"] <= whole["failures"]).all()


def test_failures_cost_what_was_entered(made_plan: Callable[..., Plan]) -> None:
    # Source: by hand: all failures at 900, all planned replacements at 100.
    whole = (
        made_plan(SERVICE + COSTS).budget.query("quarter == @WHOLE and component == @ALL").iloc[0]
    )
    assert whole["cost_failures"] == pytest.approx(900 * whole["failures"])
    assert whole["cost_planned"] == pytest.approx(100 * whole["planned"])


def test_components_without_costs_are_counted_and_said(made_plan: Callable[..., Plan]) -> None:
    text = SERVICE + COSTS.replace("[[costs.items]]", '[[costs.items]]\ncomponent = "lead"')
    budget = made_plan(text).budget
    camera = budget[budget["component"] == "camera"]
    assert camera["cost"].isna().all()
    assert camera["failures"].gt(0).all()
    assert camera["note"].str.contains("no costs for").all()
    assert budget.loc[budget["component"] == ALL, "note"].str.contains("money is left out").all()


def test_half_a_year_has_two_quarters(made_plan: Callable[..., Plan]) -> None:
    budget = made_plan(SERVICE + COSTS + "[decision]\nhorizon_months = 6\n").budget
    assert budget.loc[budget["quarter"] != WHOLE, "quarter"].nunique() == 2
    last = budget["ends_on"].max()
    assert last == pd.Timestamp("2024-06-30")


WARRANTY = '[[warranty]]\ncomponent = "camera"\nlocation = "front"\nmonths = 6\n'


def test_claims_missed_are_counted_by_hand(made_plan: Callable[..., Plan]) -> None:
    # Source: by hand: each front camera fails every 149 days, inside 6 months (182.6 days), the
    # first of each vehicle after 214 to 247 days from 2021-06-01, outside; nobody claimed.
    plan = made_plan(SERVICE + COSTS + WARRANTY)
    row = plan.warranty.iloc[0]
    front = plan.lives[(plan.lives["location"] == "front") & plan.lives["failed"]]
    days = (front["ended_on"] - front["fitted_on"]).dt.days
    inside = int((days <= 182).sum())
    assert 0 < inside < len(front)
    assert (row["failures_inside"], row["missed"], row["claimed"]) == (inside, inside, 0)
    assert row["value_missed"] == 100 * inside
    assert row["missed_share"] == 1.0
    assert row["missed_rows"].count("log.csv:") == inside
    assert "does not say how a claim is marked" in row["note"]
    assert row["items_under_warranty"] >= 1
    assert row["expected_lower"] <= row["expected"] <= row["expected_upper"]


def test_a_claim_is_known_by_the_words_of_its_note(made_plan: Callable[..., Plan]) -> None:
    note = ["2023-05-01,V1,camera,front,failed,replaced"]
    plain = made_plan(SERVICE + COSTS + WARRANTY + 'claimed = ["sent back"]\n', log=note)
    assert plain.warranty.iloc[0]["claimed"] == 0
    assert plain.warranty.iloc[0]["note"] == ""


def test_use_ends_a_warranty_too(made_plan: Callable[..., Plan]) -> None:
    # Source: by hand: 149 days at 2 h a day is 298 h: only V1 is inside 400 h.
    plan = made_plan(SERVICE + COSTS + WARRANTY + 'most_use = "400 engine_hours"\n')
    row = plan.warranty.iloc[0]
    lives = plan.lives[(plan.lives["location"] == "front") & plan.lives["failed"]]
    days = (lives["ended_on"] - lives["fitted_on"]).dt.days
    assert row["failures_inside"] == int(((days <= 182) & (lives["age"] <= 400)).sum())
    assert "or 400 h, whichever comes first" in row["terms"]


def test_no_terms_no_table(made_plan: Callable[..., Plan]) -> None:
    assert made_plan(SERVICE + COSTS).warranty.empty


@pytest.mark.parametrize("visit", ["", "[costs]\nvisit = 45\n\n"])
def test_each_vehicle_gets_one_card_with_tests_and_rows(
    visit: str, made_plan: Callable[..., Plan]
) -> None:
    text = SERVICE + visit + COSTS + (
        "[[functions]]\nevident = false\ntarget_unavailability = 0.05\n"
        '\n[[functions]]\ncomponent = "lead"\ntest = "Lift the lead: the picture stays"\n'
    )  # fmt: skip
    cards = made_plan(text, inspections=["2022-03-01,V1,,,pass"]).job_cards
    assert list(cards.columns) == list(JOB_CARD_COLUMNS)
    assert set(cards["vehicle"]) <= {"V1", "V2", "V3", "V4"}
    assert cards.groupby("vehicle")["service"].nunique().eq(1).all()
    leads = cards[cards["component"] == "lead"]
    assert leads["test"].str.contains("Lift the lead: the picture stays").all()
    cameras = cards[(cards["component"] == "camera") & (cards["task"] == "failure-finding")]
    assert (cameras["test"] == TEST_OF_FUNCTION).all()
    assert (cards["opened_by"].str.len() > 0).all()
    assert cards["at_once"].any()
    assert np.isfinite(cards["on"].astype("int64")).all()
