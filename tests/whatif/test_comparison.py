"""Comparisons: what is common cancels, closed forms where there are any, errors that are named."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.age_replacement import cost_rate
from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.whatif.comparison import compare, compared
from relkit.whatif.scenario import (
    BatchChange,
    Changes,
    CostChange,
    DataChange,
    FleetChange,
    IntervalChange,
    LifeChange,
    RepairChange,
    Scenario,
    UseChange,
    VisitChange,
)

DRAWS = 30


def test_a_scenario_without_changes_makes_no_difference(dirty: PlanParts) -> None:
    # Source: the same random numbers on both sides.
    found = compare(dirty, [Scenario("nothing")], draws=DRAWS)
    assert (found.measures[["difference", "lower", "upper"]] == 0).all(axis=None)
    assert found.measures["probability"].isna().all()
    assert not found.intervals["changed"].any()


def test_the_same_call_gives_the_same_numbers(dirty: PlanParts) -> None:
    # Source: seeded; also where the data change at random.
    scenario = Scenario("dates", changes=Changes(data=DataChange(fitted_date_error_months=3.0,
                                                                 repeats=1)))  # fmt: skip
    one, two = (compare(dirty, [scenario], rng=4, draws=DRAWS).measures for _ in range(2))
    assert one.equals(two)


def test_dearer_failures_cost_exactly_what_they_add(clean: PlanParts) -> None:
    # Source: closed form; the plan is kept, so that only the price differs.
    change = Changes(costs=(CostChange(failure_added=10.0),), plan="kept")
    cell = compared(clean, Scenario("dearer", changes=change), draws=DRAWS)
    added = cell.draws_then["cost"] - cell.draws_today["cost"]
    assert added == pytest.approx(10.0 * cell.then.totals["failures"], rel=1e-9)
    assert np.array_equal(cell.draws_then["failures"], cell.draws_today["failures"])


def test_the_long_run_cost_is_that_of_the_age_replacement_formula(clean: PlanParts) -> None:
    # Source: R. E. Barlow and L. C. Hunter 1960, as in relkit.decisions.age_replacement.
    scenario = Scenario("one place", component="camera", location="plough blade")
    cell = compared(clean, scenario, draws=DRAWS)
    items, laws = cell.before.items, cell.before.laws
    row = int(items["stratum"].iloc[0])
    rates = cost_rate(
        items[["interval"]].to_numpy(),
        scale=laws.scale[row],
        shape=laws.shape[row],
        cost_planned=355.0,
        cost_failure=1290.0,
    )
    use = items[["rate"]].to_numpy() * 365.25
    checks = cell.today.rules.number * 6.0
    expected = (rates * use).sum(axis=0) + checks
    assert cell.draws_today["yearly_cost"] == pytest.approx(expected, rel=1e-6)


def test_twice_the_use_of_random_failures_is_twice_the_failures(clean: PlanParts) -> None:
    # Source: closed form, failures of shape 1 run to failure are use over mean life.
    steady = (LifeChange(component="display", shape=1.0),)
    scenario = Scenario(
        "twice",
        component="display",
        today=Changes(lives=steady, plan="kept"),
        changes=Changes(lives=steady, use=(UseChange(factor=2.0),), plan="kept"),
    )
    cell = compared(clean, scenario, draws=DRAWS)
    assert cell.draws_then["failures"] == pytest.approx(2 * cell.draws_today["failures"], rel=1e-3)


def test_new_vehicles_add_what_their_new_items_do(clean: PlanParts) -> None:
    # Source: invariant; a fleet that is replaced by new and doubled has twice the failures.
    new = FleetChange(replaced_by_new=True)
    more = (new, FleetChange(added=72))
    known = clean.items[clean.items["stratum"] >= 0]["vehicle"].nunique()
    scenario = Scenario("double", today=Changes(fleet=(new,)), changes=Changes(fleet=more))
    cell = compared(clean, scenario, draws=DRAWS)
    ratio = 1 + 72 / known
    for name in ("failures", "planned", "cost", "checks"):
        assert cell.draws_then[name] == pytest.approx(ratio * cell.draws_today[name], rel=1e-3)


def test_half_the_interval_means_twice_the_tests_and_half_the_dark_time(clean: PlanParts) -> None:
    # Source: closed form for faults that are rare beside the interval.
    every = IntervalChange("trigger wire", "reverse", task="failure-finding")
    half = (every, IntervalChange("trigger wire", "reverse", factor=0.5))
    scenario = Scenario(
        "half", "", "trigger wire", "reverse",
        today=Changes(intervals=(every,)), changes=Changes(intervals=half),
    )  # fmt: skip
    found = compare(clean, [scenario], draws=DRAWS)
    tests, dark = (found.difference("half", name) for name in ("checks", "dark_time"))
    assert tests["then"] == pytest.approx(2 * tests["today"], rel=0.3)  # checks by rule besides
    assert dark["then"] == pytest.approx(dark["today"] / 2, rel=0.03)


def test_answers_about_one_item_are_its_part_of_the_whole(clean: PlanParts) -> None:
    # Source: invariant; the narrow way computes the needed strata only.
    change = Changes(lives=(LifeChange("camera", "suction mouth", 1.3),), plan="kept")
    whole = compared(clean, Scenario("all", changes=change), draws=DRAWS)
    narrow = compared(
        clean, Scenario("one", "", "camera", "suction mouth", changes=change), draws=DRAWS
    )
    for cell in (whole, narrow):
        assert (cell.draws_then["failures"] < cell.draws_today["failures"]).all()
    left, right = (c.draws_then["failures"] - c.draws_today["failures"] for c in (whole, narrow))
    assert left == pytest.approx(right, rel=1e-9)


def test_a_batch_left_until_failure_is_never_replaced_before(clean: PlanParts) -> None:
    # Source: definition; replaced now, each item of the batch is one replacement.
    cells = {}
    for when in ("now", "on failure"):
        batch = (BatchChange("M3", "camera", when),)  # type: ignore[arg-type]
        scenario = Scenario(when, component="camera", changes=Changes(batches=batch))
        cells[when] = compared(clean, scenario, draws=DRAWS)
    held = cells["now"].after.items["serial"].str.startswith("M3").sum()
    gap = cells["now"].then.totals["planned"] - cells["on failure"].then.totals["planned"]
    assert held > 0
    assert (gap >= held * 0.9).all()


def test_without_repairs_cables_last_as_the_new_ones(clean: PlanParts) -> None:
    # Source: invariant; a share of nothing is the plan's own law for later items of new cables.
    name = RepairChange("cable", "re-made joint", share=0.0)
    scenario = Scenario("none", "", "cable", "low mounts", changes=Changes(repairs=(name,)))
    cell = compared(clean, scenario, draws=DRAWS)
    assert cell.draws_then["failures"] == pytest.approx(cell.draws_today["failures"], rel=1e-6)


def test_a_skipped_service_saves_tests_and_costs_failures(clean: PlanParts) -> None:
    # Source: signs that follow from waiting.
    change = Changes(visits=(VisitChange(skipped="gritter service"),))
    found = compare(clean, [Scenario("skip", changes=change)], draws=DRAWS)
    assert found.difference("skip", "failures")["lower"] > 0
    assert found.difference("skip", "planned")["upper"] < 0


def test_wrong_names_are_errors_that_name_the_nearest(clean: PlanParts) -> None:
    # Source: made.
    wrong = Scenario("x", changes=Changes(lives=(LifeChange("camara", "suction mouth", 2.0),)))
    with pytest.raises(StudyError, match='The nearest is "camera, suction mouth"'):
        compare(clean, [wrong], draws=DRAWS)
    service = Changes(visits=(VisitChange(skipped="big service"),))
    with pytest.raises(StudyError, match='no service is called "big service"'):
        compare(clean, [Scenario("x", changes=service)], draws=DRAWS)
    with pytest.raises(ValueError, match="two scenarios are called 'x'"):
        compare(clean, [Scenario("x"), Scenario("x")], draws=DRAWS)


def test_a_cause_put_down_to_one_component_moves_failures_to_it(dirty: PlanParts) -> None:
    # Source: every masked job has a camera among its candidates or it stays masked.
    scenario = Scenario("camera", changes=Changes(data=DataChange(masked="camera")))
    cell = compared(dirty, scenario, draws=DRAWS)
    fits = [side.parts.found.fits for side in (cell.before, cell.after)]
    cameras = [f.loc[f["component"] == "camera", "failures"].sum() for f in fits]
    cables = [f.loc[f["component"] == "cable", "failures"].sum() for f in fits]
    assert cameras[1] > cameras[0]
    assert cables[1] < cables[0]
