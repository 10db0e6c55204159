"""Clean log rows against the histories behind them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.demo.fleet import LOG_END, LOG_START
from relkit.demo.frames import DemoFleet, clean_tables, demo_fleet
from relkit.demo.jobs import JOB_COLUMNS, instants


def test_instants_are_cut_to_the_minute() -> None:
    # Source: 18,628 days after 1970-01-01 is 2021-01-01.
    assert instants(np.array([18628.0, 18628.99999])).astype(str).tolist() == [
        "2021-01-01T00:00:00.000000000",
        "2021-01-01T23:59:00.000000000",
    ]


def test_each_ended_stay_in_the_log_is_one_row(clean_fleet: DemoFleet) -> None:
    # Source: definition of the clean log: one row per ended life, others end none.
    stays, jobs = clean_fleet.stays, clean_fleet.jobs
    ended = stays[stays["ended"].ne("in service") & (stays["end_day"] >= LOG_START)]
    ends_life = jobs["action"].isin(["replaced", "retrofitted", "joint re-made"])
    assert ends_life.sum() == len(ended)
    keys = clean_fleet.positions.loc[ended["position"], ["component", "location"]]
    expected = keys.value_counts().sort_index()
    assert (
        jobs.loc[ends_life, ["component", "location"]].value_counts().sort_index().equals(expected)
    )
    assert jobs["job"].is_unique
    assert jobs["date"].is_monotonic_increasing
    assert jobs["date"].between("2021-01-01", "2025-06-30 23:59").all()


def test_serials_make_a_chain_at_each_position(clean_fleet: DemoFleet) -> None:
    # Source: the item that goes out is the one that went in before, the first the register's.
    keys = ["vehicle", "component", "location"]
    jobs = clean_fleet.jobs[clean_fleet.jobs["serial_out"].ne("")]
    before = jobs.groupby(keys)["serial_in"].shift()
    assert jobs["serial_out"][before.notna()].eq(before.dropna()).all()
    first = jobs[before.isna()].merge(clean_fleet.register, on=keys)
    assert first["serial_out"].eq(first["serial"]).all()
    fitted = pd.concat([clean_fleet.register["serial"], jobs["serial_in"]])
    assert fitted[fitted.ne("")].is_unique
    bearing = clean_fleet.register["serial"].ne("")
    assert set(clean_fleet.register.loc[bearing, "component"]) == {
        "camera", "switcher", "display",
    }  # fmt: skip


def test_the_register_holds_what_is_in_place_when_the_log_starts(clean_fleet: DemoFleet) -> None:
    # Source: definition of the register.
    register = clean_fleet.register
    assert len(register) == len(clean_fleet.positions)
    assert (register["fitted_on"] >= register["in_service_on"]).all()
    old = register["in_service_on"] < "2021-01-01"
    assert (register.loc[old, "fitted_on"] < "2021-01-02").all()
    assert register.loc[~old, "fitted_on"].eq(register.loc[~old, "in_service_on"]).all()
    switcher = register["component"].eq("switcher")
    assert register.loc[switcher, "type"].isin(["old type", "new type"]).all()
    assert register.loc[~switcher, "type"].eq("").all()


@pytest.mark.parametrize("extras", [True, False])
def test_jobs_that_end_no_life_have_their_shares(extras: bool) -> None:
    # Source: own scenario: no fault found 9 %, reseats 12 %, lens wipes 6 %; bound: 4 standard
    # errors of a Poisson count, and half a percent for rows left out on a day already taken.
    rows = clean_tables(2, size=20, extras=extras)[1]
    for what, share in (("no fault found", 0.09), ("reseated", 0.12), ("cleaned", 0.06)):
        seen = rows["what"].eq(what).mean()
        assert seen == pytest.approx(share, abs=4 * np.sqrt(share / len(rows)) + 0.005)
    wet = rows.loc[rows["what"].eq("no fault found"), "date"].dt.month.isin([10, 11, 12, 1, 2, 3])
    dry = rows.loc[rows["what"].eq("cleaned"), "date"].dt.month.isin([10, 11, 12, 1, 2, 3])
    odds = wet.mean() / (1 - wet.mean()) / (dry.mean() / (1 - dry.mean()))
    assert odds == pytest.approx(2.0, rel=0.25)  # twice as frequent in wet months


def test_classes_of_the_clean_rows() -> None:
    # Source: the class vocabulary of the lives: one class per row.
    rows = clean_tables(1)[1]
    expected = {
        "failed": "failure",
        "found failed at check": "interval",
        "external damage": "censored",
        "campaign": "censored",
        "planned": "censored",
        "no fault found": "recurrence",
        "loose connection": "recurrence",
        "dirty": "recurrence",
    }
    assert rows["row_class"].eq(rows["finding"].map(expected)).all()
    assert not rows.loc[rows["row_class"].ne("recurrence"), "job"].duplicated().any()


def test_without_extras_the_log_has_failures_and_minor_jobs_only() -> None:
    # Source: definition of ``extras``.
    fleet = demo_fleet(1, extras=False)
    assert set(fleet.jobs["action"]) == {"replaced", "tested", "reseated", "cleaned"}
    assert not fleet.jobs["serial_in"].str.startswith(("M3", "S2")).any()
    assert fleet.register["vehicle_left_on"].isna().all()


def test_readings_at_jobs_are_those_of_the_meter(clean_fleet: DemoFleet) -> None:
    # Source: numpy.interp between the monthly readings; hours grow evenly within a month.
    readings, jobs = clean_fleet.readings, clean_fleet.jobs
    minutes = "datetime64[m]"
    for name, rows in jobs.groupby("vehicle"):
        own = readings[readings["vehicle"].eq(name)]
        at = rows["date"].to_numpy().astype(minutes).astype(float)
        known = own["date"].to_numpy().astype(minutes).astype(float)
        slow = np.interp(at, known, own["engine_hours"])
        np.testing.assert_allclose(rows["engine_hours"], slow, atol=0.25)


def test_columns_and_money(clean_fleet: DemoFleet) -> None:
    # Source: definition of the columns; costs lie about those of the truth table.
    jobs = clean_fleet.jobs
    assert tuple(jobs.columns) == JOB_COLUMNS
    chute = jobs[jobs["location"].eq("spreader chute") & jobs["component"].eq("camera")]
    assert chute.loc[chute["finding"].eq("failed"), "cost"].mean() == pytest.approx(1290, rel=0.1)
    assert (jobs["downtime_hours"] >= jobs["labour_hours"]).all()
    assert (jobs[["cost", "labour_hours"]] > 0).all().all()
    assert jobs["note"].str.len().min() > 5
    assert LOG_END - LOG_START == 1642  # four and a half years
