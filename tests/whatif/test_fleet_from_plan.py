"""The fleet of the demo's plan as it is simulated: ages, use, tasks, costs, spares, follow-ups."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.plan.parts import PlanParts, parts_of
from relkit.whatif.fleet_follow_ups import follow_ups
from relkit.whatif.fleet_from_plan import fleet_model
from relkit.whatif.fleet_model import FleetModel, check_fleet
from relkit.whatif.forecast import failure_forecast, run_to_failure
from relkit.whatif.simulation import simulate_fleet

DEMO = Path(__file__).parents[2] / "data_demo" / "clean" / "study.toml"


@pytest.fixture(scope="module")
def parts() -> PlanParts:
    study = relkit.read_study(DEMO)
    return parts_of(relkit.read_log(study), study)


@pytest.fixture(scope="module")
def fleet(parts: PlanParts) -> FleetModel:
    return fleet_model(parts)


def test_each_position_has_its_own_age_use_and_law(parts: PlanParts, fleet: FleetModel) -> None:
    # Source: the items of the plan, row by row.
    check_fleet(fleet)
    items = parts.items
    assert fleet.positions == len(items)
    known = items["age"].notna().to_numpy()
    assert fleet.age[known] == pytest.approx(items.loc[known, "age"].to_numpy())
    assert fleet.use_per_day == pytest.approx(items["rate"].to_numpy())
    assert fleet.shape == pytest.approx(parts.found.shape)


def test_known_ages_only_leaves_the_others_out(parts: PlanParts) -> None:
    # Source: counted in the items of the plan.
    fleet = fleet_model(parts, known_ages_only=True, stock={})
    assert fleet.positions == parts.items["age"].notna().sum()
    assert (fleet.pool == -1).all()


def test_tasks_are_those_of_the_visits(parts: PlanParts, fleet: FleetModel) -> None:
    # Source: the visits of the plan: every position with an interval has it, and no other.
    visits = parts.visits[parts.visits["interval"] > 0]
    stratum, vehicle = parts.items["stratum"].to_numpy(), parts.items["vehicle"]
    wanted = np.full(fleet.positions, np.inf)
    for row in visits.to_dict("records"):
        here = (stratum == row["stratum"]) & vehicle.isin(row["vehicle_names"]).to_numpy()
        wanted[here] = row["interval"]
    assert np.fmin(fleet.replacement_age, fleet.check_interval).tolist() == wanted.tolist()
    hidden = [not s.evident for s in parts.chosen.settings]
    assert fleet.hidden.tolist() == np.array(hidden)[stratum].tolist()


def test_seasons_show_in_the_use_by_month(parts: PlanParts, fleet: FleetModel) -> None:
    # Source: the demo's truth: gritters run 88 % of their hours from November to March, 2.11
    # times a mean month; sweepers run evenly.
    assert fleet.use_by_month.mean(axis=1) == pytest.approx(np.ones(len(fleet.use_by_month)))
    winter = fleet.use_by_month[:, [10, 11, 0, 1, 2]].mean(axis=1)
    kinds = parts.items["class"].to_numpy()
    assert winter[fleet.season[kinds == "gritter"]].mean() == pytest.approx(2.11, abs=0.1)
    assert winter[fleet.season[kinds == "road sweeper"]].mean() == pytest.approx(1.0, abs=0.1)


def test_keys_do_not_hang_on_the_other_positions(parts: PlanParts, fleet: FleetModel) -> None:
    # Source: the promise of FleetModel.key.
    some = fleet_model(parts, known_ages_only=True, stock={})
    known = parts.items["age"].notna().to_numpy()
    assert some.key.tolist() == fleet.key[known].tolist()


def test_follow_ups_count_what_came_after_failures() -> None:
    # Source: by hand: after three failed cables came two cables and one joint; after the joint's
    # failure a cable; the fourth cable is still there.
    rows = [
        ("V1", "cable", "2020-01-01", True),
        ("V1", "cable", "2021-01-01", True),
        ("V1", "cable, joint", "2022-01-01", True),
        ("V1", "cable", "2023-01-01", False),
        ("V2", "cable", "2020-01-01", True),
        ("V2", "cable", "2021-01-01", False),
    ]
    lives = pd.DataFrame(rows, columns=["vehicle", "component", "fitted_on", "failed"])
    lives = lives.assign(location="x", stratum_location="x", masked_job="")
    fits = pd.DataFrame({"component": ["cable", "cable, joint"], "location": "x"})
    found = follow_ups(lives, fits, ["component", "location"])
    assert found.usual.tolist() == [0, 0]
    assert found.other.tolist() == [1, -1]
    assert found.share.tolist() == pytest.approx([1 / 3, 0.0])
    assert found.seen.tolist() == [3, 1]
    assert found.at_location == {(1, "x"): 0}


def test_a_forecast_counts_what_the_simulation_gives(parts: PlanParts) -> None:
    # Source: the mean failures of a year from a simulation with another seed, within four
    # standard errors; positions run to failure and one component can become another.
    found = failure_forecast(parts, (3, 12), histories=400, rng=1)
    assert found.months == (3, 12)
    fleet = run_to_failure(fleet_model(parts, stock={}, known_ages_only=True))
    run = simulate_fleet(fleet, years=1.0, histories=400, rng=2).failures.sum(axis=(1, 2))
    year = found.counts[1].sum(axis=0)
    error = (year.var() / 400 + run.var() / 400) ** 0.5
    assert abs(year.mean() - run.mean()) < 4 * error
    assert (found.counts[0] <= found.counts[1]).all()
    days = (fleet.use_per_day * 365.25).sum()
    assert found.use[1].sum() == pytest.approx(days, rel=1e-6)
