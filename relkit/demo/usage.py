"""Use of the vehicles: operating hours and kilometres over time, and the visits they cause.

Layer: demo. Hours grow evenly within a month, so every conversion is piecewise linear.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.demo.fleet import DEPOTS, LOG_END, VEHICLE_CLASSES, Vehicles, day_number
from relkit.demo.truth import LOCATION_GROUPS

__all__ = [
    "Usage",
    "Visits",
    "made_up_usage",
    "monthly_readings",
    "salted_low_mounts",
    "service_visits",
]

_WINTER_FACTOR = 1.6  #: season switch: wear of a winter hour at salted low mounts [1]


@dataclass(frozen=True, slots=True, eq=False)
class Usage:
    """Counters of all vehicles at the instants between which they grow evenly."""

    days: NDArray[np.float64]  #: shape (n_vehicles, n_instants) [days since 1970-01-01]
    hours: NDArray[np.float64]  #: operating hours at those instants, same shape [h]
    wear: NDArray[np.float64]  #: hours weighted by season, same shape [h]
    km_per_hour: NDArray[np.float64]  #: shape (n_vehicles,) [km/h]

    def hours_on(self, vehicle: NDArray[np.int64], day: NDArray[np.float64]) -> NDArray[np.float64]:
        """Operating hours of vehicles on days."""
        return _between(self.days, self.hours, vehicle, day)

    def day_at(self, vehicle: NDArray[np.int64], hours: NDArray[np.float64]) -> NDArray[np.float64]:
        """Day on which vehicles reach operating hours; inf past the end of their history."""
        days = _between(self.hours, self.days, vehicle, np.minimum(hours, self.last[vehicle]))
        return np.where(hours <= self.last[vehicle], days, np.inf)

    def hours_after_wear(
        self, vehicle: NDArray[np.int64], start: NDArray[np.float64], wear: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Operating hours at which items fitted at ``start`` have taken so much wear."""
        goal = _between(self.hours, self.wear, vehicle, start) + wear
        most = self.wear[vehicle, -1]
        hours = _between(self.wear, self.hours, vehicle, np.minimum(goal, most))
        beyond: NDArray[np.float64] = np.maximum(goal - most, 0.0)
        return hours + beyond

    @property
    def last(self) -> NDArray[np.float64]:
        """Hours of each vehicle at the end of its history [h]."""
        return self.hours[:, -1]


def _between(
    given: NDArray[np.float64],
    wanted: NDArray[np.float64],
    row: NDArray[np.int64],
    value: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Linear interpolation, each value in its own row of two non-decreasing tables."""
    width = given.shape[1]
    step = float(given.max()) + 1.0  # rows laid end to end make one sorted array
    flat = (given + step * np.arange(len(given))[:, None]).ravel()
    place = np.searchsorted(flat, value + step * row, side="left") - row * width
    right = np.clip(place, 1, width - 1)
    low, high = given[row, right - 1], given[row, right]
    with np.errstate(invalid="ignore", divide="ignore"):  # flat pieces: take the left end
        part = np.where(high > low, (value - low) / (high - low), 0.0)
    left = wanted[row, right - 1]
    found: NDArray[np.float64] = left + np.clip(part, 0.0, 1.0) * (wanted[row, right] - left)
    return found


def made_up_usage(rng: np.random.Generator, vehicles: Vehicles, *, season: bool = False) -> Usage:
    """Return hours and kilometres of each vehicle from its first day to the end of its history.

    Parameters
    ----------
    rng : numpy Generator
        Source of the differences between vehicles (15 %) and months (20 %).
    vehicles : Vehicles
        The fleet.
    season : bool
        True: November to March hours at Quillmoor wear low mounts 1.6 times as fast.
    """
    months = np.arange("2017-01", "2025-08", dtype="datetime64[M]")
    edges = months.astype("datetime64[D]").astype(np.float64)
    of_month = months[:-1].astype(np.int64) % 12
    low, high = vehicles.in_service[:, None], vehicles.last_instant[:, None]
    days = np.clip(edges, low, high)
    share = np.array([kind.season for kind in VEHICLE_CLASSES])[vehicles.vehicle_class]
    rate = vehicles.of_class("hours_per_year")[:, None] * share[:, of_month] / np.diff(edges)
    own = rng.uniform(0.85, 1.15, (len(days), 1))
    rate *= own * rng.uniform(0.8, 1.2, rate.shape)
    off_from, off_to = vehicles.off_road[:, :1], vehicles.off_road[:, 1:]
    middle = edges[:-1] + 15
    rate[(middle >= off_from) & (middle <= off_to)] = 0.0
    used = rate * np.diff(days, axis=1)
    winter = np.isin(of_month, (0, 1, 2, 10, 11)) & season
    salted = winter & (vehicles.depot == DEPOTS.index("Quillmoor"))[:, None]
    worn = used * np.where(salted, _WINTER_FACTOR, 1.0)
    km_per_hour = vehicles.of_class("km_per_hour") * rng.uniform(0.92, 1.08, len(days))
    return Usage(days, _summed(used), _summed(worn), km_per_hour)


def _summed(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate([np.zeros((len(steps), 1)), np.cumsum(steps, axis=1)], axis=1)


def salted_low_mounts(positions: pd.DataFrame) -> NDArray[np.bool_]:
    """Positions whose wear the season switch changes."""
    return positions["location"].isin(LOCATION_GROUPS["low mounts"]).to_numpy()


@dataclass(frozen=True, slots=True, eq=False)
class Visits:
    """Services of all vehicles, shape (n_vehicles, n_visits); rows are filled up with inf."""

    day: NDArray[np.float64]  #: [days since 1970-01-01]
    hours: NDArray[np.float64]  #: operating hours then [h]

    def first_after(
        self, vehicle: NDArray[np.int64], hours: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Day and operating hours of the first service after ``hours``; inf: there is none."""
        place = (self.hours[vehicle] <= hours[:, None]).sum(axis=1)
        place = np.minimum(place, self.hours.shape[1] - 1)  # the last column is inf
        return self.day[vehicle, place], self.hours[vehicle, place]


def service_visits(vehicles: Vehicles, usage: Usage) -> Visits:
    """Return the services that the workshop makes: the first limit reached makes one due."""
    own = np.arange(len(vehicles.name))
    limit = np.minimum(
        vehicles.of_class("service_hours"), vehicles.of_class("service_km") / usage.km_per_hour
    )
    most_days = vehicles.of_class("service_days")
    october = vehicles.of_class("first_of_october") > 0
    firsts = np.array([day_number(f"{year}-10-01") for year in range(2017, 2027)])
    day, hours, all_days = vehicles.in_service, np.zeros(len(own)), []
    while True:
        by_hours = usage.day_at(own, hours + limit)
        by_date = np.where(october, firsts[np.searchsorted(firsts, day + 1)], np.inf)
        day = np.minimum(np.minimum(by_hours, day + most_days), by_date)
        day = np.where(day < vehicles.last_instant, np.floor(day) + 10 / 24, np.inf)
        day = np.where(day < vehicles.last_instant, day, np.inf)  # ten in the morning
        if not np.isfinite(day).any():
            break
        all_days.append(day)
        hours = usage.hours_on(own, np.minimum(day, LOG_END))
        day = np.where(np.isfinite(day), day, LOG_END)
    days = np.column_stack([*all_days, np.full(len(own), np.inf)])
    clipped = np.where(np.isfinite(days), days, LOG_END)
    at = usage.hours_on(np.repeat(own, days.shape[1]), clipped.ravel()).reshape(days.shape)
    return Visits(days, np.where(np.isfinite(days), at, np.inf))


def monthly_readings(vehicles: Vehicles, usage: Usage) -> pd.DataFrame:
    """Return the meter readings of each vehicle on its first day and each first of a month.

    Returns
    -------
    DataFrame
        vehicle, date, engine_hours (to 0.1 h), km (whole); by vehicle and date.
    """
    inside = np.zeros(usage.days.shape, dtype=bool)
    grows = np.diff(usage.days, axis=1) > 0  # none before the first day, after the last
    inside[:, 1:] |= grows
    inside[:, :-1] |= grows
    row, column = np.nonzero(inside)
    hours = usage.hours[row, column]
    whole_days = np.floor(usage.days[row, column]).astype("datetime64[D]")
    return pd.DataFrame(
        {
            "vehicle": vehicles.name[row],
            "date": whole_days.astype("datetime64[ns]"),
            "engine_hours": hours.round(1),
            "km": (hours * usage.km_per_hour[row]).round(),
        }
    )
