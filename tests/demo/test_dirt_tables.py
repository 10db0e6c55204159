"""Planted problems of the register, the meters and the inspections."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.demo.dirt import dirty_rows
from relkit.demo.dirt_tables import (
    dirty_inspections,
    dirty_readings,
    dirty_register,
    faulty_job_readings,
    meter_faults,
)
from relkit.demo.frames import DemoHistory, register_rows
from relkit.demo.usage import monthly_readings


def test_install_dates_of_the_register(shared_history: DemoHistory) -> None:
    # Source: own scenario: blank 20 %, 1900-01-01 3 %, 64 rows of Harnfield with the date of a
    # migration; five vehicles sold, two of them undated.
    keep = np.array([0, 5])
    rows = dirty_register(shared_history, keep, np.random.default_rng(1), size=1)
    true = register_rows(shared_history)
    assert rows["fitted_on"].isna().sum() == round(0.2 * 966)
    assert rows["fitted_on"].eq("1900-01-01").sum() == round(0.03 * 966)
    moved = rows["fitted_on"].eq("2021-01-01")
    assert moved.sum() == 64
    assert set(rows.loc[moved, "depot"]) == {"Harnfield"}
    assert rows.loc[moved, "vehicle"].nunique() >= 10
    changed = rows["planted"].str.contains("install date")
    assert rows["start_known"].eq(~changed).all()
    pd.testing.assert_series_equal(rows.loc[~changed, "fitted_on"], true.loc[~changed, "fitted_on"])
    assert not changed[keep].any()
    sold = true.loc[true["vehicle_left_on"].notna(), "vehicle"].unique()
    dated = rows.loc[rows["vehicle_left_on"].notna(), "vehicle"].unique()
    assert (len(sold), len(dated)) == (5, 3)


def test_meters_that_are_frozen_replaced_or_misread(shared_history: DemoHistory) -> None:
    # Source: own scenario: frozen 4 vehicles, replaced 3 (one undocumented), km typed as hours 2.
    faults = meter_faults(shared_history, np.random.default_rng(1), size=1)
    kinds = [np.isfinite(faults.frozen[:, 0]), np.isfinite(faults.replaced),
             np.isfinite(faults.km_typed[:, 0])]  # fmt: skip
    assert [int(kind.sum()) for kind in kinds] == [4, 3, 2]
    assert np.sum(kinds, axis=0).max() == 1
    assert faults.documented.sum() == 2
    readings = dirty_readings(shared_history, faults, np.random.default_rng(2))
    true = monthly_readings(shared_history.vehicles, shared_history.usage)
    true = true[true["date"] < "2025-06-13"].reset_index(drop=True)
    clean = readings["planted"].eq("")
    pd.testing.assert_series_equal(
        readings.loc[clean, "engine_hours"], true.loc[clean, "engine_hours"]
    )
    frozen = readings[readings["planted"].eq("frozen meter")]
    assert frozen.groupby("vehicle")["engine_hours"].nunique().eq(1).all()
    assert frozen.groupby("vehicle").size().between(4, 6).all()
    new = readings[readings["planted"].eq("replaced meter")]
    gap = (true["engine_hours"] - readings["engine_hours"])[new.index]
    assert (gap.groupby(new["vehicle"]).agg(np.ptp) < 0.15).all()  # one offset a vehicle
    assert readings["remark"].ne("").sum() == 2
    typo = readings["planted"].eq("meter typo")
    ratio = readings.loc[typo, "engine_hours"] / true.loc[typo, "engine_hours"]
    assert ratio.between(9.9, 10.2).all()
    assert typo.mean() == pytest.approx(0.003, abs=0.001)


def test_readings_typed_at_jobs(large_history: DemoHistory) -> None:
    # Source: own scenario: blank 12 %, typing errors 1.5 %; kilometres where km were typed.
    before = dirty_rows(large_history, np.random.default_rng(3), size=20)
    faults = meter_faults(large_history, np.random.default_rng(1), size=20)
    rows = faulty_job_readings(before, large_history, faults, np.random.default_rng(4))
    assert rows["engine_hours"].isna().mean() == pytest.approx(0.12, abs=0.001)
    typo = rows["planted"].str.contains("meter typo")
    assert typo.mean() == pytest.approx(0.015, abs=0.001)
    assert rows.loc[typo, "engine_hours"].ge(10 * np.floor(before.loc[typo, "engine_hours"])).all()
    km = rows["planted"].str.contains("km typed")
    rate = rows.loc[km, "engine_hours"] / before.loc[km, "engine_hours"].astype(float)
    owner = rows.loc[km, "owner"].to_numpy(dtype=int)
    np.testing.assert_allclose(rate, large_history.usage.km_per_hour[owner], rtol=0.01)
    named = ("meter", "km typed")
    same = ~rows["planted"].str.contains("|".join(named)) | before["planted"].str.contains("meter")
    pd.testing.assert_series_equal(
        rows.loc[same, "engine_hours"], before.loc[same, "engine_hours"].astype(float)
    )


def test_one_depot_kept_checklists(shared_history: DemoHistory) -> None:
    # Source: own scenario: failures found at service with no pass record.
    rows = dirty_inspections(shared_history, np.random.default_rng(1))
    vehicles = shared_history.vehicles
    depot = dict(zip(vehicles.name, vehicles.depot, strict=True))
    assert set(rows["vehicle"].map(depot)) == {0}
    assert rows["date"].max() < np.datetime64("2025-06-13")
