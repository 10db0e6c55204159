"""Questions about the fleet and its stores: growth, use, age, spares, lead times.

Layer: whatif. Each function makes the scenarios of one question from a plan and a few numbers.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.instants import as_instant
from relkit.lives.meters import meter_values
from relkit.plan.parts import PlanParts
from relkit.plan.usage import matching_vehicles
from relkit.survival.event_tables import power_law_fits
from relkit.whatif.questions_defaults import hardest_used
from relkit.whatif.scenario import Changes, FleetChange, Scenario, StockChange, UseChange

__all__ = [
    "kept_longer",
    "larger_fleet",
    "longer_lead_time",
    "spares_by_store",
    "trend_notes",
    "vehicle_trend",
]

Floats = NDArray[np.float64]

_STORES = "depot"
_SPARES = ("late_spares", "waiting_days", "spares")


def larger_fleet(
    parts: PlanParts,
    *,
    added: int = 12,
    where: Mapping[str, tuple[str, ...]] | None = None,
    factor: float = 1.2,
) -> tuple[Scenario, ...]:
    """8: more vehicles of a kind, or all vehicles work more."""
    usual, label = hardest_used(parts)
    vehicles = usual if where is None else where
    words = label if where is None else ", ".join("/".join(v) for v in vehicles.values())
    question = "Fleet grows by 12 sweepers, or works 20 % more?"
    measures = ("failures", "planned", "checks", "dark_time", "cost", *_SPARES)
    return (
        Scenario(
            name=f"{added} vehicles more: {words}",
            question=question,
            changes=Changes(fleet=(FleetChange(added=added, where=vehicles),)),
            measures=measures,
        ),
        Scenario(
            name=f"All vehicles work {100 * (factor - 1):+.0f} %",
            question=question,
            changes=Changes(use=(UseChange(factor=factor),), plan="kept"),
            measures=measures,
        ),
    )


def kept_longer(
    parts: PlanParts,
    *,
    years: float = 3.0,
    where: Mapping[str, tuple[str, ...]] | None = None,
) -> tuple[Scenario, ...]:
    """9: vehicles kept for some years more, against new ones of the same kind in their place."""
    usual, label = hardest_used(parts)
    vehicles = usual if where is None else where
    words = label if where is None else ", ".join("/".join(v) for v in vehicles.values())
    months = 12 * years
    new = FleetChange(where=vehicles, months=months, replaced_by_new=True)
    return (
        Scenario(
            name=f"Kept {years:g} years more: {words}",
            question="Vehicle kept 3 more years?",
            where=vehicles,
            today=Changes(fleet=(new,)),
            changes=Changes(fleet=(FleetChange(where=vehicles, months=months),)),
            measures=("failures", "planned", "dark_time", "cost"),
        ),
    )


def spares_by_store(parts: PlanParts, *, stores: str | None = None) -> tuple[Scenario, ...]:
    """16: one spare of each kind more or fewer in each store, or all stores' spares together."""
    there = stores or (_STORES if _STORES in parts.items else "")
    question = "One spare more or fewer per depot, or pooled stock?"
    today = Changes(stock=(StockChange(stores=there),))
    cases = {
        "One spare more of each kind in each store": StockChange(stores=there, added=1),
        "One spare fewer of each kind in each store": StockChange(stores=there, added=-1),
        "Spares of all stores together": StockChange(stores=there, pooled=True),
    }
    return tuple(
        Scenario(
            name=name,
            question=question,
            today=today,
            changes=Changes(stock=(change,)),
            measures=_SPARES[:2],
        )
        for name, change in cases.items()
    )


def longer_lead_time(
    parts: PlanParts, *, days: float = 30.0, instead_of: float = 5.0
) -> tuple[Scenario, ...]:
    """17: spares take longer to come; the shelves stay as they are."""
    del parts
    return (
        Scenario(
            name=f"Lead time {days:g} instead of {instead_of:g} days",
            question="Lead time goes from 5 to 30 days?",
            today=Changes(stock=(StockChange(lead_time_days=instead_of),)),
            changes=Changes(stock=(StockChange(lead_time_days=days),)),
            measures=_SPARES,
        ),
    )


def vehicle_trend(parts: PlanParts, where: Mapping[str, tuple[str, ...]]) -> pd.DataFrame:
    """Power-law process of the failures of some vehicles, by the vehicle's own age.

    A shape above 1 says that vehicles fail more often as they grow old, whatever the ages of
    their items; the comparison of items at their ages cannot see that.

    Parameters
    ----------
    parts : PlanParts
        Steps of a plan.
    where : mapping
        Covariate -> values of the vehicles.

    Returns
    -------
    DataFrame
        One row, see :func:`relkit.survival.event_tables.power_law_fits`; empty where the age of
        no vehicle is known.
    """
    lives = parts.tables.lives
    names = np.array(sorted(matching_vehicles(parts.log.fitments, where)), dtype=object)
    first, last = (
        _vehicle_age(parts, names, np.full(len(names), as_instant(day)))
        for day in (parts.tables.observed_from, parts.tables.observed_until)
    )
    seen = np.isfinite(first + last) & (last > np.maximum(first, 0.0))
    ends = pd.DataFrame(
        {"system": names[seen], "start": np.maximum(first[seen], 0.0), "end": last[seen]}
    )
    failed = lives[lives["failed"].astype(bool) & lives["vehicle"].isin(ends["system"])]
    when = failed["ended_on"].to_numpy().astype("datetime64[ns]").astype(np.int64)
    age = _vehicle_age(parts, failed["vehicle"].to_numpy(dtype=object), when)
    events = pd.DataFrame({"system": failed["vehicle"].to_numpy(), "age": age})
    within = events.merge(ends, on="system")
    inside = (within["age"] > within["start"]) & (within["age"] <= within["end"])
    events = within.loc[inside, ["system", "age"]]
    return power_law_fits(events, ends, limits="fisher") if len(events) else pd.DataFrame()


def _vehicle_age(
    parts: PlanParts, vehicles: NDArray[np.object_], times: NDArray[np.int64]
) -> Floats:
    """Age of vehicles in the clock: what their meter shows, or days since their first fitting."""
    if parts.study.clock != "days":
        return meter_values(parts.tables.meters, vehicles, times, counter=parts.study.clock)[0]
    begun = parts.log.fitments.groupby("vehicle")["fitted_on"].min()
    start = pd.Series(vehicles).map(begun).to_numpy().astype("datetime64[ns]")
    days = (times.astype("datetime64[ns]") - start) / np.timedelta64(1, "D")
    return np.asarray(days, dtype=np.float64)


def trend_notes(parts: PlanParts) -> tuple[str, ...]:
    """Return in words whether the vehicles of question 9 fail more often as they grow old."""
    where, label = hardest_used(parts)
    fitted = vehicle_trend(parts, where)
    if fitted.empty or not np.isfinite(fitted["shape_lower"].iloc[0]):
        return ("whether whole vehicles fail more often with age is not known",)
    shape, lower, upper = (
        float(fitted[name].iloc[0]) for name in ("shape", "shape_lower", "shape_upper")
    )
    verdict = "no trend besides the items' own wear is shown"
    if lower > 1:
        verdict = "more failures as they grow old, the wear of their first items being part of it"
    elif upper < 1:
        verdict = "fewer failures as they grow old"
    return (
        f"whole vehicles, {label}: power-law shape {shape:.2f} ({lower:.2f} to {upper:.2f}), 1 for "
        f"no trend: {verdict}",
    )
