"""Service visits as inspection rows: what was looked at and found good, worn or failed.

Layer: demo. A visit at which everything works is one row for the whole vehicle.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.demo.fleet import LOG_END, LOG_START, VEHICLE_CLASSES, Vehicles
from relkit.demo.jobs import instants
from relkit.demo.truth import LOCATION_GROUPS
from relkit.demo.usage import Visits

__all__ = ["inspection_rows"]

_WARNING_HOURS = 400.0  #: mean time from a visible defect to failure [h]
_DETECTION = 0.7  #: share of visible defects that a look notices


def inspection_rows(
    positions: pd.DataFrame,
    vehicles: Vehicles,
    visits: Visits,
    stays: pd.DataFrame,
    *,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return one row per visit, or one per position where the visit found a failure.

    Returns
    -------
    DataFrame
        vehicle, date (with time), service, component and location (blank: all), result
        ("pass", "fail"); "worn" is one row more: it works, but wear is to be seen; by date.
    """
    owner, number = np.nonzero((visits.day >= LOG_START) & (visits.day < LOG_END))
    table = pd.DataFrame({"owner": owner, "day": visits.day[owner, number]})
    failed = _failed_at_visits(stays)
    failed = failed.assign(owner=positions["vehicle"].to_numpy()[failed["position"]])
    seen = failed[["owner", "day"]].drop_duplicates()
    table = table.merge(seen, how="left", indicator="seen")
    plain = table[table["seen"].eq("left_only")].assign(component="", location="", result="pass")
    single = _one_by_one(positions, table[table["seen"].eq("both")], failed)
    worn = _worn_at_visits(positions, visits, stays, rng)
    worn = worn[worn["day"].between(LOG_START, LOG_END, inclusive="left")]
    rows = pd.concat([plain, single, worn], ignore_index=True)
    rows = rows.sort_values(["day", "owner"], kind="stable", ignore_index=True)
    kinds = np.array([f"{kind.name} service" for kind in VEHICLE_CLASSES])
    of = rows["owner"].to_numpy()
    return pd.DataFrame(
        {
            "vehicle": vehicles.name[of],
            "date": instants(rows["day"].to_numpy()),
            "service": kinds[vehicles.vehicle_class[of]],
            "component": rows["component"],
            "location": rows["location"],
            "result": rows["result"],
        }
    )


def _one_by_one(positions: pd.DataFrame, visits: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """All positions of the vehicles at visits that found something."""
    every = positions[["vehicle", "component", "location"]].assign(position=positions.index)
    rows = visits[["owner", "day"]].merge(every, left_on="owner", right_on="vehicle")
    rows = rows.merge(found[["position", "day", "result"]], on=["position", "day"], how="left")
    return rows.assign(result=rows["result"].fillna("pass"))


def _failed_at_visits(stays: pd.DataFrame) -> pd.DataFrame:
    """Failures that a service found."""
    found = stays[stays["checked"] & stays["ended"].eq("failed")]
    rows = pd.DataFrame({"position": found["position"], "day": found["end_day"]})
    rows = rows[rows["day"].between(LOG_START, LOG_END, inclusive="left")]
    return rows.assign(result="fail")


def _worn_at_visits(
    positions: pd.DataFrame, visits: Visits, stays: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Visible defects of low cables and chute cameras, before they became failures."""
    place, component = positions["location"], positions["component"]
    warns = place.eq("spreader chute") & component.eq("camera")
    warns |= place.isin(LOCATION_GROUPS["low mounts"]) & component.eq("cable")
    plain = stays["failed"].notna() & stays["item_type"].eq(0)
    stay = stays[warns.to_numpy()[stays["position"]] & plain]
    position, failed = stay["position"].to_numpy(), stay["failed"].to_numpy()
    owner = positions["vehicle"].to_numpy()[position]
    visible = failed - rng.exponential(_WARNING_HOURS, len(stay))
    since = np.maximum(visible, stay["start"].to_numpy())[:, None]
    hours = visits.hours[owner]
    seen = (hours > since) & (hours < failed[:, None])
    seen &= rng.random(seen.shape) < _DETECTION
    row, visit = np.nonzero(seen)
    rows = positions.loc[position[row], ["component", "location"]].reset_index(drop=True)
    return rows.assign(owner=owner[row], day=visits.day[owner[row], visit], result="worn")
