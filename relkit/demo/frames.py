"""The made-up fleet in memory: clean log, register, readings, inspections and truth as frames.

Layer: demo. Any seed, any size; nothing is written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.demo.fleet import (
    DEPOTS,
    LOG_END,
    LOG_START,
    VEHICLE_CLASSES,
    Vehicles,
    made_up_vehicles,
    vehicle_positions,
)
from relkit.demo.histories import Scenario, item_stays
from relkit.demo.inspections import inspection_rows
from relkit.demo.jobs import JOB_COLUMNS, instants, item_serials, job_rows
from relkit.demo.truth import truth_frame
from relkit.demo.usage import Usage, Visits, made_up_usage, monthly_readings, service_visits

__all__ = [
    "DemoFleet",
    "DemoHistory",
    "clean_tables",
    "demo_fleet",
    "demo_history",
    "register_rows",
]


@dataclass(frozen=True, slots=True, eq=False)
class DemoFleet:
    """Clean tables of one made-up fleet, as a workshop would export them, and the truth."""

    jobs: pd.DataFrame  #: ``relkit.demo.jobs.JOB_COLUMNS``, by date
    #: vehicle, class, depot, in_service_on, vehicle_left_on, component, location, type,
    #: fitted_on, serial: what is in place when the log starts or the vehicle comes
    register: pd.DataFrame
    readings: pd.DataFrame  #: vehicle, date, engine_hours, km: each first of a month
    inspections: pd.DataFrame  #: vehicle, date, service, component, location, result
    truth: pd.DataFrame  #: one row per stratum, see ``relkit.demo.truth.truth_frame``
    stays: pd.DataFrame  #: what happened to every item, see ``relkit.demo.histories``
    positions: pd.DataFrame  #: the rows that ``stays["position"]`` counts


@dataclass(frozen=True, slots=True, eq=False)
class DemoHistory:
    """The fleet and all that happened, before anybody wrote it down."""

    vehicles: Vehicles
    usage: Usage
    visits: Visits
    positions: pd.DataFrame
    stays: pd.DataFrame


def demo_history(seed: int, *, size: float = 1.0, scenario: Scenario) -> DemoHistory:
    """Fleet and item histories of one seed; raises like :func:`demo_fleet`."""
    sources = [np.random.default_rng([seed, stage]) for stage in range(3)]
    vehicles = made_up_vehicles(sources[0], size=size, extras=scenario.extras)
    positions = vehicle_positions(vehicles)
    usage = made_up_usage(sources[1], vehicles, season=scenario.season)
    visits = service_visits(vehicles, usage)
    stays = item_stays(positions, vehicles, usage, visits, scenario=scenario, rng=sources[2])
    return DemoHistory(vehicles, usage, visits, positions, stays)


def demo_fleet(
    seed: int = 1, *, size: float = 1.0, extras: bool = True, season: bool = False
) -> DemoFleet:
    """Clean tables of a made-up fleet with known truth.

    Parameters
    ----------
    seed : int
        The same seed and size give the same tables.
    size : float
        Factor on the number of vehicles, above 0: 1 is 72 vehicles and about 850 jobs. [1]
    extras : bool
        True: with re-made joints, the bad camera batch, the switcher retrofit, damage, sold
        and idle vehicles. False: renewals by the truth of each stratum alone.
    season : bool
        True: salt makes winter hours count more at low mounts.

    Raises
    ------
    ValueError
        The size is not finite or not above 0, or the seed is negative.

    Examples
    --------
    >>> demo_fleet(1, size=0.1, extras=False).register["vehicle"].nunique()
    7
    """
    return clean_tables(seed, size=size, extras=extras, season=season)[0]


def clean_tables(
    seed: int, *, size: float = 1.0, extras: bool = True, season: bool = False
) -> tuple[DemoFleet, pd.DataFrame]:
    """As :func:`demo_fleet`, with the rows of the log and all that is known behind them."""
    history = demo_history(seed, size=size, scenario=Scenario(extras=extras, season=season))
    rows = job_rows(
        history.positions,
        history.vehicles,
        history.usage,
        history.stays,
        rng=np.random.default_rng([seed, 3]),
        season=season,
    )
    inspections = inspection_rows(
        history.positions,
        history.vehicles,
        history.visits,
        history.stays,
        rng=np.random.default_rng([seed, 4]),
    )
    fleet = DemoFleet(
        jobs=rows[list(JOB_COLUMNS)],
        register=register_rows(history),
        readings=monthly_readings(history.vehicles, history.usage),
        inspections=inspections,
        truth=truth_frame(history.positions, extras=extras),
        stays=history.stays,
        positions=history.positions,
    )
    return fleet, rows


def register_rows(history: DemoHistory) -> pd.DataFrame:
    """Return what is in place when the log starts, or when the vehicle comes later.

    Returns
    -------
    DataFrame
        vehicle, class, depot, in_service_on, vehicle_left_on, component, location, type,
        fitted_on, serial: one row per position.
    """
    vehicles, positions, stays = history.vehicles, history.positions, history.stays
    owner = positions["vehicle"].to_numpy()
    seen_from = np.maximum(vehicles.in_service, LOG_START)[owner]
    begun = stays["start_day"].to_numpy() <= seen_from[stays["position"]]
    serial = item_serials(positions, stays)
    first = stays.assign(serial=serial)[begun].drop_duplicates("position", keep="last")
    kind = first["item_type"].to_numpy()
    design = np.where(kind == 4, "new type", "old type")
    switcher = positions["component"].eq("switcher").to_numpy()
    left = np.where(vehicles.left < LOG_END, vehicles.left, np.nan)
    names = np.array([item.name for item in VEHICLE_CLASSES])
    return pd.DataFrame(
        {
            "vehicle": vehicles.name[owner],
            "class": names[vehicles.vehicle_class[owner]],
            "depot": np.array(DEPOTS)[vehicles.depot[owner]],
            "in_service_on": _dates(vehicles.in_service)[owner],
            "vehicle_left_on": _dates(left)[owner],
            "component": positions["component"],
            "location": positions["location"],
            "type": np.select([switcher, (kind == 1) | (kind == 2)], [design, "re-made joint"], ""),
            "fitted_on": _dates(first["start_day"].to_numpy()),
            "serial": first["serial"].to_numpy(),
        }
    )


def _dates(days: NDArray[np.float64]) -> NDArray[np.datetime64]:
    """Whole dates of days since 1970-01-01; NaN becomes NaT."""
    known = np.isfinite(days)
    dates = instants(np.floor(np.where(known, days, 0.0)))
    return np.where(known, dates, np.datetime64("NaT", "ns"))
