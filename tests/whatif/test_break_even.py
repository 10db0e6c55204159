"""Break-even values against closed forms, and what moves a result."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.whatif.break_even import break_even, first_roots
from relkit.whatif.questions_items import better_item
from relkit.whatif.scenario import Changes, CostChange, LifeChange, Scenario, UseChange
from relkit.whatif.sensitivity import Lever, joint_sensitivity, one_at_a_time, usual_levers

DRAWS = 30


def test_roots_are_found_where_the_sign_changes_first() -> None:
    # Source: straight lines made by hand; the last never crosses.
    places = np.array([0.0, 1.0, 2.0])
    values = np.array([[-1.0, 4.0, 1.0], [1.0, 2.0, 2.0], [-1.0, -2.0, 3.0]])
    roots = first_roots(places, values)
    assert roots[:2].tolist() == [0.5, 1.5]
    assert np.isnan(roots[2])


def test_a_dearer_part_pays_where_the_closed_form_says(clean: PlanParts) -> None:
    # Source: closed form; run to failure costs c_f over the mean life, so a part that adds 80
    # pays from a life factor of (c_f + 80) / c_f on, whatever the life is: 760 at kerb side.
    (scenario,) = better_item(clean, component="camera", location="kerb side", part_added=80.0)
    kept = Scenario(
        scenario.name, "", "camera", "kerb side", today=Changes(plan="kept"),
        changes=Changes(scenario.changes.study, scenario.changes.lives, scenario.changes.costs,
                        plan="kept"),
    )  # fmt: skip
    even = break_even(clean, kept, "changes.lives.1.scale_factor", 0.9, 1.4, draws=DRAWS, points=21)
    assert even.value == pytest.approx(840 / 760, rel=1e-3)
    assert even.lower == pytest.approx(even.upper, rel=1e-3)
    assert (even.status, even.share) == ("ok", 1.0)
    assert len(even.curve) == 21


def test_a_value_outside_is_said_to_be_outside(clean: PlanParts) -> None:
    # Source: made; longer lives never cost more.
    change = Changes(lives=(LifeChange("display", scale_factor=2.0),))
    scenario = Scenario("longer", component="display", changes=change)
    even = break_even(clean, scenario, "changes.lives.1.scale_factor", 1.5, 3.0, draws=DRAWS)
    assert np.isnan(even.value)
    assert even.status == "less than today everywhere"
    with pytest.raises(ValueError, match="lower must be the smaller"):
        break_even(clean, scenario, "changes.lives.1.scale_factor", 3.0, 1.5, draws=DRAWS)
    with pytest.raises(ValueError, match="measure 'gold' is not known"):
        break_even(clean, scenario, "changes.lives.1.scale_factor", 1.0, 2.0, measure="gold")
    with pytest.raises(StudyError, match="unknown key"):
        break_even(clean, scenario, "changes.lifes", 1.0, 2.0)


def test_each_lever_alone_gives_the_closed_form_at_its_ends(clean: PlanParts) -> None:
    # Source: closed form; the cost of failures and of work in a kept plan is linear in prices.
    scenario = Scenario(
        "prices", component="display", changes=Changes(costs=(CostChange(),), plan="kept")
    )
    lever = Lever("failure cost", "changes.costs.1.failure_factor", 0.5, 2.0)
    table = one_at_a_time(clean, scenario, [lever], draws=DRAWS)
    assert table["at_high"].iloc[0] == pytest.approx(-2 * table["at_low"].iloc[0], rel=1e-9)
    assert table["given"].iloc[0] == 1.0


def test_the_joint_shares_follow_the_sizes_of_the_levers(clean: PlanParts) -> None:
    # Source: closed form; two prices of nearly equal weight over ranges of 1 to 3 share the
    # variance as 1 to 9.
    costs = (CostChange("display", failure_factor=1.0), CostChange("display", failure_added=0.0))
    scenario = Scenario("prices", component="display", changes=Changes(costs=costs, plan="kept"))
    levers = [
        Lever("first", "changes.costs.1.failure_factor", 0.95, 1.05),
        Lever("second", "changes.costs.2.failure_added", -132.0, 132.0),
    ]
    table = joint_sensitivity(clean, scenario, levers, samples=90, draws=DRAWS, rng=3)
    share = table.set_index("words")["share"]
    assert share["second"] / share["first"] == pytest.approx(9.0, rel=0.35)
    assert share.sum() == pytest.approx(1.0)
    assert table["words"].iloc[0] == "second"


def test_the_usual_levers_are_numbers_of_a_scenario_that_changes_nothing(dirty: PlanParts) -> None:
    # Source: invariant.
    scenario, levers = usual_levers(dirty)
    table = one_at_a_time(dirty, scenario, levers[:2], draws=10)
    assert (table["difference"].abs() < 1e-6).all()
    assert isinstance(scenario.changes.use[0], UseChange)
    assert {lever.path.split(".")[1] for lever in levers} >= {"lives", "use", "costs", "intervals"}
