"""Use by season and the services that it brings: by hand, on meters made in the test."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from relkit.lives.meters import Meters, cleaned_meters
from relkit.plan.use_ahead import use_ahead
from relkit.study.read import study_from_mapping

UNTIL = pd.Timestamp("2024-06-01")
STUDY = study_from_mapping({"name": "s", "files": {"log": [{"path": "l.csv"}]}})


def meters(use_of_month: dict[str, list[float]], years: int = 3) -> Meters:
    """Return readings on the first of each month; hours by month of the year, January first."""
    rows = []
    for vehicle, hours in use_of_month.items():
        value = 0.0
        for month in pd.date_range("2021-06-01", periods=12 * years + 1, freq="MS"):
            rows.append((f"{vehicle}:{month:%Y%m}", vehicle, month, "engine_hours", value))
            value += hours[month.month - 1]
    names = ["source", "vehicle", "date", "counter", "reading"]
    return cleaned_meters(pd.DataFrame(rows, columns=names), STUDY)


def rates(*per_day: float) -> pd.DataFrame:
    names = pd.Index([f"V{i + 1}" for i in range(len(per_day))], name="vehicle")
    return pd.DataFrame({"engine_hours": per_day}, index=names)


WINTER = [100.0, 100.0, 100.0, 0, 0, 0, 0, 0, 0, 0, 100.0, 100.0]


def test_a_vehicle_that_stands_in_summer_is_not_due_in_summer() -> None:
    # Source: by hand: 500 h a year, all from November to March: 100 h from June are reached on
    # 30 November, 183 days ahead; 600 h on 30 November of the next year.
    ahead = use_ahead(meters({"V1": WINTER}), rates(500 / 365.25), "engine_hours", UNTIL)
    assert ahead.seasonal.tolist() == [True]
    days = ahead.days_until(np.zeros(2, dtype=np.intp), np.array([100.0, 600.0]))
    assert days == pytest.approx([182, 547], abs=10)
    used = ahead.clock_after(np.zeros(3, dtype=np.intp), np.array([0.0, 120.0, 365.25]))
    assert used == pytest.approx([0.0, 0.0, 500.0], abs=15.0)


def test_even_use_is_even() -> None:
    # Source: by hand: 40 h a month.
    ahead = use_ahead(meters({"V1": [40.0] * 12}), rates(480 / 365.25), "engine_hours", UNTIL)
    days = ahead.days_until(np.zeros(2, dtype=np.intp), np.array([120.0, 960.0]))
    assert days == pytest.approx([91.3, 730.5], rel=0.02)


def test_recent_use_scales_the_season_a_half_at_most() -> None:
    # Source: by hand: the last three months twice those of the year before: taken as 1.5.
    hours = meters({"V1": [40.0] * 12})
    knots = hours.knots.copy()
    late = knots["time"] > (UNTIL - pd.Timedelta(days=85)).value
    knots.loc[late, "value"] += np.arange(1, late.sum() + 1) * 40.0
    more = replace(hours, knots=knots)
    even = use_ahead(hours, rates(1.3), "engine_hours", UNTIL)
    scaled = use_ahead(more, rates(1.3), "engine_hours", UNTIL)
    # the year looked back on contains the busier months themselves
    first = scaled.used[0, 6] / even.used[0, 6]
    assert first == pytest.approx(1.5, rel=0.03)


def test_young_readings_and_other_clocks_go_by_the_mean() -> None:
    # Source: own algebra.
    young = use_ahead(meters({"V1": WINTER}, years=1), rates(2.0), "engine_hours", UNTIL)
    assert not young.seasonal.any()
    assert young.days_until(np.zeros(1, dtype=np.intp), np.array([100.0])) == pytest.approx([50])
    days = use_ahead(meters({"V1": WINTER}), rates(2.0).assign(days=1.0), "days", UNTIL)
    assert days.days_until(np.zeros(1, dtype=np.intp), np.array([91.0])) == pytest.approx([91.0])


def test_a_vehicle_without_use_is_never_due_by_its_clock() -> None:
    ahead = use_ahead(meters({"V1": [0.0] * 12}), rates(0.0), "engine_hours", UNTIL)
    assert np.isinf(ahead.days_until(np.zeros(1, dtype=np.intp), np.array([10.0]))).all()
    assert np.isnan(ahead.days_until(np.zeros(1, dtype=np.intp), np.array([np.nan]))).all()
