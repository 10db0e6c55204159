"""The made-up fleet: vehicle classes, vehicles, and the positions that each vehicle carries.

Layer: demo. The project's own scenario, all names invented; instants are days since 1970-01-01.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import within
from relkit.demo.truth import LOCATION_GROUPS, STRATUM_TRUTHS

__all__ = [
    "DEPOTS",
    "FIRST_DAY",
    "LOG_END",
    "LOG_START",
    "VEHICLE_CLASSES",
    "Vehicles",
    "day_number",
    "made_up_vehicles",
    "vehicle_positions",
]

DEPOTS = ("Quillmoor", "Harnfield")


def day_number(text: str) -> float:
    """Return an ISO date as days since 1970-01-01."""
    return float(np.datetime64(text, "D").astype(np.int64))


FIRST_DAY = day_number("2017-01-01")  #: earliest in-service date
LOG_START = day_number("2021-01-01")
LOG_END = day_number("2025-07-01")  #: the instant after the log's last day, 2025-06-30

_EARLY_SHARE = 0.625  #: of the vehicles, in service before the log starts
_LATER_MEAN_DAYS = 310.0  #: of the others' exponential in-service delay, cut at the end of 2024


@dataclass(frozen=True, slots=True)
class VehicleClass:
    """What the vehicles of one class have in common."""

    code: str
    name: str
    number: int  #: vehicles at size 1
    hours_per_year: float  #: mean operating time [h]
    season: tuple[float, ...]  #: share of the year's hours, January to December
    km_per_hour: float
    quillmoor_share: float  #: share of the vehicles that work from Quillmoor
    views: tuple[str, ...]  #: mounting locations of the cameras and their cables
    reversing_only: bool  #: no turn-signal trigger wire
    washed_daily: bool
    service_hours: float = np.inf  #: service due after so many hours [h]
    service_km: float = np.inf  #: or so many kilometres
    service_days: float = np.inf  #: or so many days
    first_of_october: bool = False  #: also serviced on 1 October


def _shares(*months: float) -> tuple[float, ...]:
    return tuple(month / sum(months) for month in months)


_EVEN = _shares(*[1.0] * 12)
_WINTER = _shares(17.6, 17.6, 17.6, 6, 0, 0, 0, 0, 0, 6, 17.6, 17.6)
_SUMMER = _shares(0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0)

VEHICLE_CLASSES: tuple[VehicleClass, ...] = (
    VehicleClass(
        "GR", "gritter", 24, 750, _WINTER, 24, 2 / 3,
        ("plough blade", "spreader chute", "rear high", "kerb side", "road side"),
        reversing_only=False, washed_daily=False, service_hours=250, first_of_october=True,
    ),
    VehicleClass(
        "SW", "road sweeper", 20, 1450, _EVEN, 9, 0.3,
        ("kerb-side brush", "road-side brush", "suction mouth", "rear high", "kerb side"),
        reversing_only=False, washed_daily=True, service_hours=500,
    ),
    VehicleClass(
        "DT", "drain tanker", 8, 1250, _EVEN, 17, 3 / 8,
        ("boom arm", "rear high", "kerb side", "road side"),
        reversing_only=False, washed_daily=True, service_hours=500, service_days=91,
    ),
    VehicleClass(
        "TP", "tipper", 14, 1300, _SUMMER, 23, 4 / 7, ("tailboard", "kerb side", "front"),
        reversing_only=False, washed_daily=False, service_km=20_000, service_days=182,
    ),
    VehicleClass(
        "LS", "loading shovel", 6, 1000, _EVEN, 7, 0.5, ("rear high", "front"),
        reversing_only=True, washed_daily=False, service_hours=250,
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Vehicles:
    """One entry per vehicle; all arrays have shape ``(n_vehicles,)``."""

    name: NDArray[np.str_]  #: "GR-07"
    vehicle_class: NDArray[np.int64]  #: index in ``VEHICLE_CLASSES``
    depot: NDArray[np.int64]  #: index in ``DEPOTS``
    in_service: NDArray[np.float64]  #: first day [days since 1970-01-01]
    left: NDArray[np.float64]  #: last instant in the fleet [days]; inf: still in it
    off_road: NDArray[np.float64]  #: shape (n_vehicles, 2): from and to [days]; inf: never

    @property
    def last_instant(self) -> NDArray[np.float64]:
        """End of each vehicle's history: leaving the fleet or the end of the log [days]."""
        return np.minimum(self.left, LOG_END)

    def of_class(self, attribute: str) -> NDArray[np.float64]:
        """One number of the vehicle class for each vehicle."""
        values = [float(getattr(kind, attribute)) for kind in VEHICLE_CLASSES]
        return np.array(values)[self.vehicle_class]


def scaled(number: int, size: float) -> int:
    """Return a number of things in a fleet of another size, at least one."""
    return max(1, round(number * size))


def made_up_vehicles(rng: np.random.Generator, *, size: float = 1.0, extras: bool) -> Vehicles:
    """Vehicles of a fleet: about 60 % in service before the log starts, the rest up to 2024.

    Parameters
    ----------
    rng : numpy Generator
        Source of the random dates and depots.
    size : float
        Factor on the number of vehicles of each class, above 0; at least one per class. [1]
    extras : bool
        True: some vehicles are sold and some stand off the road for months.

    Raises
    ------
    ValueError
        The size is not finite or not above 0.
    """
    within("size", size, 1e-9, 1e6)
    numbers = np.array([scaled(kind.number, size) for kind in VEHICLE_CLASSES])
    kinds = np.repeat(np.arange(len(VEHICLE_CLASSES)), numbers)
    names, depots, starts = [], [], []
    for kind, number in zip(VEHICLE_CLASSES, numbers, strict=True):
        width = max(2, len(str(number)))
        names += [f"{kind.code}-{count:0{width}d}" for count in range(1, number + 1)]
        at_harnfield = np.arange(number) >= round(number * kind.quillmoor_share)
        depots.append(rng.permutation(at_harnfield).astype(np.int64))
        starts.append(_first_days(rng, number))
    count = len(kinds)
    left, off_road = np.full(count, np.inf), np.full((count, 2), np.inf)
    in_service = np.concatenate(starts)
    if extras:
        left, off_road = _leaving_and_standing(rng, in_service, size)
    return Vehicles(np.array(names), kinds, np.concatenate(depots), in_service, left, off_road)


def _first_days(rng: np.random.Generator, number: int) -> NDArray[np.float64]:
    """In-service days in order: an even spread over 2017 to 2020, then fewer and fewer."""
    early = round(_EARLY_SHARE * number)
    before = rng.integers(int(FIRST_DAY), int(LOG_START), early).astype(np.float64)
    latest = day_number("2025-01-01") - LOG_START - 1
    part = rng.random(number - early) * -np.expm1(-latest / _LATER_MEAN_DAYS)
    later = LOG_START + 1 + np.floor(-_LATER_MEAN_DAYS * np.log1p(-part))
    return np.sort(np.concatenate([before, later]))


def _leaving_and_standing(
    rng: np.random.Generator, in_service: NDArray[np.float64], size: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Five vehicles sold, three others off the road for 4 to 9 months (at size 1)."""
    left, off_road = np.full(len(in_service), np.inf), np.full((len(in_service), 2), np.inf)
    old = rng.permutation(np.flatnonzero(in_service < LOG_START))
    sold, standing = old[: scaled(5, size)], old[scaled(5, size) :][: scaled(3, size)]
    first, last = day_number("2022-04-01"), day_number("2025-03-01")
    left[sold] = rng.integers(int(first), int(last), len(sold))
    months = np.sort(rng.choice(range(4, 10), len(standing)))
    since = first + 30.0 * rng.integers(0, 24, len(standing))
    off_road[standing] = np.column_stack([since, since + months * 30.4])
    return left, off_road


def vehicle_positions(vehicles: Vehicles) -> pd.DataFrame:
    """Return the positions of all vehicles, the camera and the cable of a view side by side.

    Returns
    -------
    DataFrame
        vehicle (index of the vehicle), component, location, truth (index in
        ``STRATUM_TRUTHS``), chain (number of the view; positions of one chain share it).
    """
    parts = []
    for code, kind in enumerate(VEHICLE_CLASSES):
        carried = _carried(kind)
        owners = np.flatnonzero(vehicles.vehicle_class == code)
        frame = pd.DataFrame(carried * len(owners), columns=["component", "location", "chain"])
        frame.insert(0, "vehicle", np.repeat(owners, len(carried)))
        parts.append(frame)
    positions = pd.concat(parts, ignore_index=True)
    places = {place: group for group, names in LOCATION_GROUPS.items() for place in names}
    index = {
        (truth.component.split(",")[0], truth.location): number
        for number, truth in enumerate(STRATUM_TRUTHS)
    }
    pairs = zip(positions["component"], positions["location"], strict=True)
    positions["truth"] = [
        index[component, places[place] if component == "cable" else place]
        for component, place in pairs
    ]
    chain = positions["vehicle"] * 100 + positions["chain"]
    positions["chain"] = np.unique(chain, return_inverse=True)[1]
    return positions


def _carried(kind: VehicleClass) -> list[tuple[str, str, int]]:
    """Component, location and chain number within the vehicle of what one vehicle carries."""
    views = [
        (component, view, number)
        for number, view in enumerate(kind.views)
        for component in ("camera", "cable")
    ]
    shared = [
        ("switcher", "in cab"),
        ("main video lead", "chassis to cab"),
        ("display", "in cab"),
        ("trigger wire", "reverse"),
    ]
    if not kind.reversing_only:
        shared.append(("trigger wire", "turn signal"))
    return views + [(*pair, len(kind.views) + number) for number, pair in enumerate(shared)]
