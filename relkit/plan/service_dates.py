"""When each vehicle's next services fall: since its last visit, by the first limit reached.

Layer: plan. The last visit is the latest inspection of the vehicle; without one, half a service.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import pandas as pd

from relkit.plan.parts import PlanParts
from relkit.plan.use_ahead import UseAhead
from relkit.study.settings import Service
from relkit.units import parse_quantity

__all__ = ["service_dates"]

#: Columns of the services ahead.
_COLUMNS = ("vehicle", "service", "days", "clock")
#: Two services this near to each other are one visit [d].
SAME_VISIT_DAYS = 7.0
#: Services of one vehicle that are looked ahead to.
MOST_SERVICES = 60


def service_dates(parts: PlanParts, ahead: UseAhead, *, days: float) -> pd.DataFrame:
    """Services that each vehicle will get within some days.

    Parameters
    ----------
    parts : PlanParts
        Services, rates and inspections.
    ahead : UseAhead
        Use of the clock by vehicle.
    days : float
        Days ahead.

    Returns
    -------
    DataFrame
        ``vehicle``, ``service``, ``days`` ahead [d], ``clock``: use until then [clock]; by
        vehicle and day.
    """
    until = pd.Timestamp(parts.tables.observed_until)
    last = parts.log.inspections.groupby("vehicle")["date"].max()
    since = ((until - last).dt.total_seconds() / 86400).clip(lower=0.0)
    services = {service.name: service for service in parts.study.services}
    in_service = parts.items["vehicle"].unique()
    rows: list[tuple[str, str, float]] = []
    for vehicle in sorted(in_service):
        own = [grid for grid in parts.grids if vehicle in grid.vehicles]
        for grid in own:
            gone = float(since.get(vehicle, np.nan))
            apart = _mean_days(services[grid.name], parts.rates.loc[[vehicle]].iloc[0])
            if not gone < 2 * apart:  # no record of late: half a service has passed
                gone = apart / 2
            found = _of_vehicle(vehicle, services[grid.name], gone, parts.rates, ahead, until, days)
            rows += [(vehicle, grid.name, day) for day in found]
    table = pd.DataFrame(rows, columns=list(_COLUMNS[:3]))
    table = table.astype({"vehicle": object, "service": object, "days": float})
    place = ahead.vehicles.get_indexer(pd.Index(table["vehicle"]))
    table = table.assign(clock=ahead.clock_after(place, table["days"].to_numpy(dtype=float)))
    return table.sort_values(["vehicle", "days"], kind="stable").reset_index(drop=True)


def _mean_days(service: Service, use: pd.Series) -> float:
    """Days between a service's visits at a vehicle's mean use; a year where nothing is used."""
    limits = map(parse_quantity, service.every)
    days = [q.value / use[q.unit] for q in limits if use.get(q.unit, np.nan) > 0]
    return float(min(days, default=365.25))


def _of_vehicle(
    vehicle: str,
    service: Service,
    gone: float,
    rates: pd.DataFrame,
    ahead: UseAhead,
    until: pd.Timestamp,
    most: float,
) -> Iterator[float]:
    """Days ahead at which one vehicle gets one service."""
    place = ahead.vehicles.get_indexer(pd.Index([vehicle]))
    use = rates.loc[[vehicle]].iloc[0]
    limits = [
        (q.value, str(q.unit))
        for q in map(parse_quantity, service.every)
        if use.get(q.unit, np.nan) > 0
    ]
    fixed = sorted(_fixed(service.on, until, most))
    at = -gone
    for _ in range(MOST_SERVICES):
        options = [_next(at, value, unit, place, use, ahead) for value, unit in limits]
        options += [day for day in fixed if day > at + SAME_VISIT_DAYS][:1]
        after = min(options, default=np.inf)
        after = max(after, at + SAME_VISIT_DAYS if at >= 0 else 1.0)
        if not after <= most:
            return
        yield float(after)
        at = after


def _next(
    at: float, value: float, unit: str, place: np.ndarray, use: pd.Series, ahead: UseAhead
) -> float:
    """Day at which a limit is reached that was counted anew at a day, before now if below 0."""
    if unit == "days":
        return at + value
    per_day = float(use[unit])
    if unit == ahead.clock:
        used = ahead.clock_after(place, np.array([max(at, 0.0)]))[0]
        owed = value + used - per_day * max(-at, 0.0)
        return float(ahead.days_until(place, np.array([owed]))[0]) if owed > 0 else 0.0
    return at + value / per_day


def _fixed(on: tuple[str, ...], until: pd.Timestamp, most: float) -> Iterator[float]:
    """Days ahead of the fixed days of the year."""
    today = until.date()
    last = today + timedelta(days=int(min(most, 3_650)))
    for text in on:
        month, day = (int(part) for part in text.split("-"))
        for year in range(today.year, last.year + 1):
            when = date(year, month, min(day, 28) if month == 2 else day)
            if when > today:
                yield float((when - today).days)
