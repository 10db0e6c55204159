"""Inspection rows against the histories: a pass is true when it is written."""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.demo.frames import DemoFleet, demo_history
from relkit.demo.histories import Scenario
from relkit.demo.inspections import inspection_rows
from relkit.demo.jobs import instants


def test_failures_found_at_a_service_are_fails(clean_fleet: DemoFleet) -> None:
    # Source: definition of the inspections: each such job has its fail at the same instant.
    jobs = clean_fleet.jobs
    found = jobs[jobs["finding"].eq("found failed at check")]
    fails = clean_fleet.inspections[clean_fleet.inspections["result"].eq("fail")]
    keys = ["vehicle", "component", "location", "date"]
    assert len(found) == len(fails) > 10
    assert len(found.merge(fails, on=keys)) == len(found)


def test_no_pass_is_written_for_a_failed_item() -> None:
    # Source: slow check of each pass against the true time in a fault; invariant.
    history = demo_history(4, scenario=Scenario())
    rng = np.random.default_rng(1)
    rows = inspection_rows(
        history.positions, history.vehicles, history.visits, history.stays, rng=rng
    )
    passes = rows[rows["result"].eq("pass")]
    stays = history.stays[history.stays["failed"].notna()]
    owner = history.positions["vehicle"].to_numpy()[stays["position"]]
    checked = 0
    for (_, stay), vehicle in zip(stays.iterrows(), owner, strict=True):
        own = history.visits.hours[vehicle]
        dark = (own > stay["failed"]) & (own <= stay["end"])
        days = history.visits.day[vehicle][dark & np.isfinite(own)]
        here = passes[passes["vehicle"].eq(history.vehicles.name[vehicle])]
        place = history.positions.loc[stay["position"]]
        at = here[here["date"].isin(instants(days))]
        same = at["component"].eq(place["component"]) & at["location"].eq(place["location"])
        assert not (same | at["component"].eq("")).any()
        checked += len(days)
    assert checked > 20


def test_wear_is_seen_before_the_failure_only(clean_fleet: DemoFleet) -> None:
    # Source: own scenario: low cables and chute cameras show a defect before they fail.
    worn = clean_fleet.inspections[clean_fleet.inspections["result"].eq("worn")]
    assert set(worn["component"]) <= {"camera", "cable"}
    assert (worn.loc[worn["component"].eq("camera"), "location"] == "spreader chute").all()
    positions = clean_fleet.positions
    ends = clean_fleet.jobs[clean_fleet.jobs["finding"].isin(["failed", "external damage"])]
    keys = ["vehicle", "component", "location"]
    later = worn.merge(ends, on=keys, suffixes=("", "_job"))
    followed = later[later["date_job"] > later["date"]].drop_duplicates([*keys, "date"])
    assert len(followed) / len(worn) > 0.95  # a vehicle may be sold in between
    assert len(positions)


def test_every_visit_is_one_row_unless_it_found_a_failure(clean_fleet: DemoFleet) -> None:
    # Source: definition of the inspections.
    rows = clean_fleet.inspections
    whole = rows[rows["component"].eq("")]
    assert not whole.duplicated(["vehicle", "date"]).any()
    single = rows[rows["component"].ne("") & rows["result"].ne("worn")]
    marks = single.merge(whole[["vehicle", "date"]], on=["vehicle", "date"])
    assert marks.empty
    assert rows["date"].is_monotonic_increasing
    assert isinstance(rows, pd.DataFrame)
