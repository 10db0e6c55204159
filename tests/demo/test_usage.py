"""Hours, kilometres and services of the made-up vehicles."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.demo.fleet import LOG_END, Vehicles, made_up_vehicles, vehicle_positions
from relkit.demo.usage import (
    Usage,
    made_up_usage,
    monthly_readings,
    salted_low_mounts,
    service_visits,
)


@pytest.fixture(scope="module")
def fleet() -> tuple[Vehicles, Usage]:
    rng = np.random.default_rng(7)
    vehicles = made_up_vehicles(rng, extras=True)
    return vehicles, made_up_usage(rng, vehicles)


def test_conversions_agree_with_a_row_by_row_interpolation(fleet: tuple[Vehicles, Usage]) -> None:
    # Source: numpy.interp on each vehicle alone shares no code with the module.
    vehicles, usage = fleet
    rng = np.random.default_rng(1)
    owner = rng.integers(0, len(vehicles.name), 500)
    day = rng.uniform(vehicles.in_service[owner], vehicles.last_instant[owner])
    slow = [np.interp(d, usage.days[v], usage.hours[v]) for v, d in zip(owner, day, strict=True)]
    hours = usage.hours_on(owner, day)
    np.testing.assert_allclose(hours, slow, rtol=1e-9, atol=1e-6)
    back = usage.day_at(owner, hours)
    np.testing.assert_allclose(usage.hours_on(owner, back), hours, rtol=1e-9, atol=1e-6)
    assert np.isinf(usage.day_at(owner, usage.last[owner] + 1.0)).all()


def test_hours_a_year_are_those_of_the_classes() -> None:
    # Source: own scenario; the mean over 2,160 vehicles with own factors of 0.85 to 1.15
    # (standard deviation 0.087) lies within 1 % (over four standard errors per class).
    rng = np.random.default_rng(2)
    vehicles = made_up_vehicles(rng, size=30, extras=False)
    usage = made_up_usage(rng, vehicles)
    owner = np.flatnonzero(vehicles.in_service < LOG_END - 4 * 365.25)
    a_year = [LOG_END - 365.0, LOG_END]
    first, last = (usage.hours_on(owner, np.full(len(owner), day)) for day in a_year)
    ratio = (last - first) / vehicles.of_class("hours_per_year")[owner]
    for kind in range(5):
        assert ratio[vehicles.vehicle_class[owner] == kind].mean() == pytest.approx(1, abs=0.02)
    assert ratio.mean() == pytest.approx(1, abs=0.01)


def test_a_vehicle_off_the_road_gains_no_hours(fleet: tuple[Vehicles, Usage]) -> None:
    # Source: definition of off the road; whole months, so one month at either end may count.
    vehicles, usage = fleet
    off = np.flatnonzero(np.isfinite(vehicles.off_road[:, 0]))
    inner = vehicles.off_road[off] + np.array([31.0, -31.0])
    np.testing.assert_allclose(
        usage.hours_on(off, inner[:, 0]), usage.hours_on(off, inner[:, 1]), atol=1e-6
    )


def test_salt_makes_winter_hours_count_more() -> None:
    # Source: own scenario: factor 1.6, November to March, Quillmoor only; switched off: none.
    rng = np.random.default_rng(7)
    vehicles = made_up_vehicles(rng, extras=False)
    plain = made_up_usage(np.random.default_rng(1), vehicles)
    salted = made_up_usage(np.random.default_rng(1), vehicles, season=True)
    np.testing.assert_array_equal(plain.wear, plain.hours)
    factor = salted.wear[:, -1] / salted.hours[:, -1]
    np.testing.assert_allclose(factor[vehicles.depot == 1], 1.0)
    gritters = (vehicles.depot == 0) & (vehicles.vehicle_class == 0)
    assert factor[gritters].min() > 1.4  # 88 % of their hours are winter hours
    worn = salted.hours_after_wear(np.flatnonzero(gritters), np.zeros(gritters.sum()), np.full(
        gritters.sum(), 160.0))  # fmt: skip
    assert (worn >= 100 - 1e-9).all()
    assert (worn < 160).all()
    assert salted_low_mounts(vehicle_positions(vehicles)).sum() == 2 * 108


def test_services_keep_their_limits(fleet: tuple[Vehicles, Usage]) -> None:
    # Source: own scenario: 250 h or 1 October for gritters, 500 h for sweepers, 500 h or
    # 13 weeks for tankers, 20,000 km or 26 weeks for tippers, 250 h for shovels.
    vehicles, usage = fleet
    visits = service_visits(vehicles, usage)
    hours = np.diff(np.where(np.isfinite(visits.hours), visits.hours, np.nan), axis=1)
    days = np.diff(np.where(np.isfinite(visits.day), visits.day, np.nan), axis=1)
    limits = {0: (250, np.inf), 1: (500, np.inf), 2: (500, 91), 3: (np.inf, 182), 4: (250, 1e9)}
    for kind, (most_hours, most_days) in limits.items():
        own = vehicles.vehicle_class == kind
        assert np.nanmax(hours[own]) <= most_hours + 12  # the visit is at ten in the morning
        assert np.nanmax(days[own]) <= most_days + 1
    km = np.nanmax(hours[vehicles.vehicle_class == 3] * usage.km_per_hour[
        vehicles.vehicle_class == 3, None])  # fmt: skip
    assert km <= 20_000 + 12 * 25
    gritter = visits.day[vehicles.vehicle_class == 0]
    month_day = gritter[np.isfinite(gritter)].astype("datetime64[D]").astype(str)
    assert sum(text.endswith("10-01") for text in month_day) > 90


def test_first_visit_after_hours(fleet: tuple[Vehicles, Usage]) -> None:
    # Source: slow search in the row of the vehicle.
    vehicles, usage = fleet
    visits = service_visits(vehicles, usage)
    rng = np.random.default_rng(1)
    owner = rng.integers(0, len(vehicles.name), 200)
    hours = rng.uniform(0, usage.last[owner])
    slow = [min([x for x in visits.hours[v] if x > h]) for v, h in zip(owner, hours, strict=True)]
    np.testing.assert_array_equal(visits.first_after(owner, hours)[1], slow)


def test_readings_are_monthly_and_never_fall(fleet: tuple[Vehicles, Usage]) -> None:
    # Source: definition of the readings.
    vehicles, usage = fleet
    readings = monthly_readings(vehicles, usage)
    by_vehicle = readings.groupby("vehicle")
    assert (by_vehicle["engine_hours"].diff().dropna() >= 0).all()
    assert (by_vehicle["date"].diff().dropna().dt.days <= 31).all()  # also while parked
    assert by_vehicle["engine_hours"].first().eq(0).all()
    assert not readings.duplicated(["vehicle", "date"]).any()
    ratio = (by_vehicle["km"].last() / by_vehicle["engine_hours"].last()).to_numpy()
    np.testing.assert_allclose(ratio, usage.km_per_hour[np.argsort(vehicles.name)], rtol=2e-3)
