"""Closed forms against simulated histories of the same fleet, with the same tasks and laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.whatif.comparison import compared
from relkit.whatif.comparison_histories import fleet_of, simulated_difference
from relkit.whatif.questions_work import more_frequent_tests, service_skipped
from relkit.whatif.scenario import Changes, FleetChange, LifeChange, Scenario
from relkit.whatif.simulation import simulate_fleet
from relkit.whatif.simulation_result import fleet_totals


def test_means_agree_with_the_simulated_histories(clean: PlanParts) -> None:
    # Source: relkit.whatif.simulation, tested against closed forms of its own; 4 standard errors
    # of the mean and 4 % for what differs: each history begins with items that were just tested,
    # replacements are made at the nearest service.
    ahead = (FleetChange(months=48.0),)
    scenario = Scenario("nothing", today=Changes(fleet=ahead), changes=Changes(fleet=ahead))
    cell = compared(clean, scenario)
    side = replace(cell.before, stock=())
    fleet = replace(fleet_of(side, cell.today.stock), pool=np.full(len(side.items), -1))
    run = simulate_fleet(fleet, years=4.0, histories=100, rng=2)
    table = fleet_totals(run).set_index("measure")
    for measure, name in (("failures", "failures"), ("hidden", "dark_time")):
        row, closed = table.loc[measure], float(cell.today.totals[name].mean())
        error = 2 * (row["upper"] - row["lower"]) / 1.96
        assert row["mean"] == pytest.approx(closed, abs=error + 0.04 * closed), measure
    assert run.planned.sum() / 100 == pytest.approx(cell.today.totals["planned"].mean(), rel=0.05)


def test_a_scenario_moves_the_histories_as_it_moves_the_means(clean: PlanParts) -> None:
    # Source: the closed form of the same difference, as above.
    scenario = more_frequent_tests(clean)[0]
    ahead = (FleetChange(months=48.0),)
    scenario = replace(
        scenario,
        today=replace(scenario.today, fleet=ahead),
        changes=replace(scenario.changes, fleet=ahead),
    )
    table = simulated_difference(clean, scenario, histories=60).set_index("measure")
    cell = compared(clean, scenario)
    closed = float((cell.draws_then["dark_time"] - cell.draws_today["dark_time"]).mean())
    assert table.loc["hidden", "mean"] == pytest.approx(closed, rel=0.15)
    assert table.loc["hidden", "low"] < closed < table.loc["hidden", "high"]
    assert table.loc["checks", "mean"] > 0


def test_what_is_not_simulated_is_named(clean: PlanParts) -> None:
    # Source: made.
    with pytest.raises(StudyError, match="not simulated: extra or skipped visits"):
        simulated_difference(clean, service_skipped(clean)[0], histories=5)
    fewer = Scenario("x", changes=Changes(lives=(LifeChange(early_share=0.5),)))
    with pytest.raises(StudyError, match="fewer early failures"):
        simulated_difference(clean, fewer, histories=5)
