"""The made-up fleet: numbers, dates, positions."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.demo.fleet import (
    DEPOTS,
    FIRST_DAY,
    LOG_END,
    LOG_START,
    VEHICLE_CLASSES,
    day_number,
    made_up_vehicles,
    vehicle_positions,
)


def test_numbers_are_those_of_the_scenario() -> None:
    # Source: own scenario: 72 vehicles of five classes; 306 cameras and cables, 72 switchers,
    # main leads and displays, trigger wires 72 reverse and 66 turn.
    vehicles = made_up_vehicles(np.random.default_rng(3), extras=True)
    assert np.bincount(vehicles.vehicle_class).tolist() == [24, 20, 8, 14, 6]
    assert vehicles.name[[0, 23, 24, 71]].tolist() == ["GR-01", "GR-24", "SW-01", "LS-06"]
    counts = vehicle_positions(vehicles).groupby("component").size().to_dict()
    assert counts == {
        "cable": 306, "camera": 306, "display": 72, "main video lead": 72, "switcher": 72,
        "trigger wire": 138,
    }  # fmt: skip


def test_hours_a_year_and_seasons() -> None:
    # Source: own scenario: gritters run 88 % of 750 h in November to March, none May to
    # September; tippers March to November.
    gritter, *_, tipper, _ = VEHICLE_CLASSES
    assert sum(np.array(gritter.season)[[10, 11, 0, 1, 2]]) == pytest.approx(0.88)
    assert sum(gritter.season[4:9]) == 0
    assert tipper.season[0] == tipper.season[1] == tipper.season[11] == 0
    assert [kind.hours_per_year for kind in VEHICLE_CLASSES] == [750, 1450, 1250, 1300, 1000]
    for kind in VEHICLE_CLASSES:
        assert sum(kind.season) == pytest.approx(1)


def test_most_vehicles_are_older_than_the_log() -> None:
    # Source: own scenario: about 60 % in service from 2017 to 2020, the rest up to 2024.
    starts = [
        made_up_vehicles(np.random.default_rng(seed), extras=False).in_service for seed in range(20)
    ]
    days = np.concatenate(starts)
    assert 0.58 <= (days < LOG_START).mean() <= 0.65
    assert days.min() >= FIRST_DAY
    assert day_number("2024-01-01") < days.max() < day_number("2025-01-01")
    assert not (days == LOG_START).any()  # that date is a migration's in the dirty register


def test_some_vehicles_leave_or_stand_still() -> None:
    # Source: own scenario: five sold, three off the road for 4 to 9 months.
    vehicles = made_up_vehicles(np.random.default_rng(5), extras=True)
    left, off = np.isfinite(vehicles.left), np.isfinite(vehicles.off_road[:, 0])
    assert left.sum() == 5
    assert off.sum() == 3
    assert not (left & off).any()
    months = (vehicles.off_road[off, 1] - vehicles.off_road[off, 0]) / 30.4
    assert ((months >= 3.9) & (months <= 9.1)).all()
    assert (vehicles.last_instant <= LOG_END).all()
    plain = made_up_vehicles(np.random.default_rng(5), extras=False)
    assert np.isinf(plain.left).all()
    assert np.isinf(plain.off_road).all()


def test_a_view_has_its_camera_and_cable_in_one_chain() -> None:
    # Source: definition of a view: a camera and its cable.
    positions = vehicle_positions(made_up_vehicles(np.random.default_rng(1), extras=True))
    sizes = positions.groupby("chain").size()
    views = positions[positions["component"].isin(["camera", "cable"])]
    assert sizes.max() == 2
    assert views.groupby("chain")["location"].nunique().eq(1).all()
    assert views.groupby("chain")["component"].nunique().eq(2).all()
    assert positions.groupby("chain")["vehicle"].nunique().eq(1).all()


@pytest.mark.parametrize(("size", "vehicles"), [(0.01, 5), (0.5, 36), (3, 216)])
def test_any_size(size: float, vehicles: int) -> None:
    # Source: 24, 20, 8, 14 and 6 vehicles times the size, rounded, at least one each.
    fleet = made_up_vehicles(np.random.default_rng(1), size=size, extras=True)
    assert len(fleet.name) == len(set(fleet.name)) == vehicles
    assert set(fleet.depot) <= set(range(len(DEPOTS)))


@pytest.mark.parametrize("size", [0.0, -1.0, float("nan")])
def test_a_bad_size_is_named(size: float) -> None:
    with pytest.raises(ValueError, match="size at position"):
        made_up_vehicles(np.random.default_rng(1), size=size, extras=True)
