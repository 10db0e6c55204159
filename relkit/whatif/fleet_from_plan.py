"""The fleet of a plan as the simulation takes it: present ages, draws, tasks, costs, spares.

Layer: whatif. What the study does not say is left out of the simulation, never guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.plan.intervals import interval_table
from relkit.plan.parts import PlanParts
from relkit.plan.scheduling import TESTS
from relkit.plan.spares import spares_table
from relkit.plan.stratum_settings import base_component
from relkit.plan.usage import in_clock
from relkit.whatif.fleet_follow_ups import FollowUps, follow_ups
from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.fleet_seasons import use_seasons

__all__ = ["fleet_model", "items_with_laws"]

Floats = NDArray[np.float64]

#: Name that a depot has where the register gives none.
NO_DEPOT = ""


def fleet_model(
    parts: PlanParts, *, stock: Mapping[str, int] | None = None, known_ages_only: bool = False
) -> FleetModel:
    """Fleet of a plan: its positions at their present ages, with the tasks that it chose.

    Parameters
    ----------
    parts : PlanParts
        Steps of a plan.
    stock : mapping of str to int, optional
        Spares on the shelf by component without its type; default: those that the plan proposes.
        A component that is left out always has a spare at hand.
    known_ages_only : bool
        Leave out positions whose item has no known age; they get the mean age of their stratum
        otherwise.

    Returns
    -------
    FleetModel
        Positions whose stratum has no life law are left out. Bays have all the hours that are
        needed, reports are none and downtime is part of the cost of a failure, for the study
        says nothing of them; looks find a defect with the stated probability, tests always find
        a failure. Types of items that follow a failure are drawn as the log shows them.

    Raises
    ------
    ValueError
        No position has a life law: there is nothing to simulate.
    """
    items = items_with_laws(parts, known_ages_only=known_ages_only)
    if items.empty:
        raise ValueError("no position has a life law and, where asked for, a known age")
    stratum = items["stratum"].to_numpy(dtype=np.int64)
    until = pd.Timestamp(parts.tables.observed_until)
    after = follow_ups(parts.found.lives, parts.found.fits, list(parts.study.by))
    pools, levels, lead = _spares(parts, items, until, stock)
    pool = pd.Index(pools).get_indexer(pd.Index(items["base"])).astype(np.int64)
    kinds = _kinds(parts, items)
    seasons = use_seasons(parts.tables.meters, kinds, parts.study.clock, until)
    depots, depot = _depots(items)
    return FleetModel(
        **_who(items),
        **_renewals(after, items),
        **_tasks(parts, items),
        **_money(parts, items),
        stratum=stratum,
        depot=depot,
        age=items["age"].to_numpy(dtype=np.float64),
        use_per_day=items["rate"].fillna(0.0).to_numpy(dtype=np.float64),
        season=items["vehicle"].map(seasons.kind).to_numpy(dtype=np.int64),
        pool=pool,
        **_laws(parts),
        stock=np.array(levels, dtype=np.int64),
        lead_time_days=np.array(lead, dtype=np.float64),
        pools=tuple(pools),
        bay_hours_per_day=np.full(len(depots), np.inf),
        depots=tuple(depots),
        use_by_month=seasons.by_month,
        failure_cost_by_month=np.ones(12),
        start_month=until.month - 1 + (until.day - 1) / until.days_in_month,
    )


def _laws(parts: PlanParts) -> dict[str, Any]:
    found = parts.found
    known = np.isfinite(found.shape) & np.isfinite(found.scale)
    names = [", ".join(row) for row in found.fits[list(parts.study.by)].astype(str).to_numpy()]
    return {
        "shape": np.where(known, np.clip(found.shape, 0.01, 1e3), 1.0),
        # without a law nothing fails; positions of such strata are left out anyway
        "scale": np.where(known, found.scale, np.inf),
        "strata": tuple(names),
    }


def items_with_laws(parts: PlanParts, *, known_ages_only: bool) -> pd.DataFrame:
    """Positions with a life law, their ages filled in where not known."""
    items = parts.items
    drawn = np.all(np.isfinite(parts.found.shape) & (parts.found.scale > 0), axis=1)
    stratum = items["stratum"].to_numpy(dtype=np.int64)
    items = items[(stratum >= 0) & drawn[stratum]]
    if known_ages_only:
        items = items[items["age"].notna()]
    age = items["age"].fillna(items.groupby("stratum")["age"].transform("mean")).fillna(0.0)
    filled: pd.DataFrame = items.assign(age=age)
    return filled.reset_index(drop=True)


def _who(items: pd.DataFrame) -> dict[str, Any]:
    """Numbers of positions and vehicles that depend on their names only, not on the others."""
    names = items["vehicle"] + "|" + items["base"] + "|" + items["location"]
    key = pd.util.hash_array(names.to_numpy(dtype=object)) >> np.uint64(1)
    vehicle = pd.util.hash_array(items["vehicle"].to_numpy(dtype=object)) >> np.uint64(1)
    return {"key": key.astype(np.int64), "vehicle": vehicle.astype(np.int64)}


def _renewals(after: FollowUps, items: pd.DataFrame) -> dict[str, Any]:
    stratum = items["stratum"].to_numpy(dtype=np.int64)
    pairs = zip(stratum.tolist(), items["location"].astype(str), strict=True)
    usual = [after.at_location.get(pair, int(after.usual[pair[0]])) for pair in pairs]
    return {
        "renewal_stratum": np.array(usual, dtype=np.int64),
        "repair_stratum": after.other[stratum],
        "repair_share": after.share[stratum],
    }


def _kinds(parts: PlanParts, items: pd.DataFrame) -> pd.Series:
    """Kind of each vehicle: the services that it gets."""
    names = pd.Index(sorted(set(items["vehicle"])))
    kinds = pd.Series("", index=names)
    for grid in parts.grids:
        kinds[names.isin(grid.vehicles)] += grid.name + ";"
    return kinds


def _depots(items: pd.DataFrame) -> tuple[list[str], NDArray[np.int64]]:
    if "depot" not in items:
        return [NO_DEPOT], np.zeros(len(items), dtype=np.int64)
    codes, names = pd.factorize(items["depot"].fillna(NO_DEPOT).astype(str), sort=True)
    return list(names), codes.astype(np.int64)


def _tasks(parts: PlanParts, items: pd.DataFrame) -> dict[str, Any]:
    """Intervals of the plan by position: those of the stratum at the vehicle's own service."""
    count, inf = len(items), np.full(len(items), np.inf)
    tasks: dict[str, Any] = {
        "replacement_age": inf.copy(),
        "service_spacing": np.zeros(count),
        "check_interval": inf.copy(),
        "first_check": np.full(count, np.nan),
        "extra_checks": np.zeros((count, 0)),
    }
    stratum, vehicle = items["stratum"].to_numpy(), items["vehicle"]
    for row in parts.visits.to_dict("records"):
        here = (stratum == row["stratum"]) & vehicle.isin(row["vehicle_names"]).to_numpy()
        if not row["interval"] > 0:
            continue
        kind = "check_interval" if row["task"] in TESTS else "replacement_age"
        tasks[kind][here] = row["interval"]
        tasks["service_spacing"][here] = np.nan_to_num(row["spacing"])
    settings = parts.chosen.settings
    hidden = np.array([not s.evident for s in settings])[stratum]
    warning = _warning_times(parts)[stratum]
    looks = np.isfinite(tasks["check_interval"]) & ~hidden
    tasks["hidden"] = hidden
    tasks["warning_time"] = np.where(looks, warning, 0.0)
    tasks["detection"] = np.where(looks, np.array([s.detection for s in settings])[stratum], 1.0)
    tasks["demand_rate"], tasks["report_share"] = np.zeros(count), np.zeros(count)
    return tasks


def _warning_times(parts: PlanParts) -> Floats:
    """Mean time from a visible defect to failure by stratum, in the clock; 0: none visible."""
    usual, clock = parts.rates.mean(), parts.study.clock
    given = [s.warning_time for s in parts.chosen.settings]
    times = [0.0 if time is None else in_clock(time, clock, usual) for time in given]
    return np.nan_to_num(np.array(times, dtype=np.float64))


def _money(parts: PlanParts, items: pd.DataFrame) -> dict[str, Any]:
    """Costs of the study (none where it gives none) and the mean hours that the log states."""
    stratum = items["stratum"].to_numpy()
    costs = {}
    for name in ("cost_planned", "cost_failure", "cost_check"):
        values = np.array([getattr(s, name) for s in parts.chosen.settings], dtype=np.float64)
        costs[name] = np.nan_to_num(values)[stratum]
    none = np.zeros(len(items))
    jobs = parts.log.jobs
    hours = jobs[jobs["labour_hours"] > 0]
    mean = hours["labour_hours"].groupby(hours["component"].map(base_component)).mean()
    labour = items["base"].map(mean).fillna(0.0).to_numpy(dtype=np.float64)
    return {
        **costs,
        "cost_hidden": none,
        "cost_downtime": none.copy(),
        "repair_hours": labour,
        "check_hours": none.copy(),
    }


def _spares(
    parts: PlanParts, items: pd.DataFrame, until: pd.Timestamp, stock: Mapping[str, int] | None
) -> tuple[list[str], list[int], list[float]]:
    """Pools of spares, one per component without its type."""
    lead = {
        base_component(str(name)): s.lead_time_days
        for name, s in zip(_components(parts), parts.chosen.settings, strict=True)
    }
    shelf = dict(stock or {})
    if stock is None:
        intervals = interval_table(
            parts.found, parts.chosen, parts.items, parts.visits, parts.log.fitments, parts.study
        )
        table = spares_table(parts.found, parts.items, intervals, parts.study, until)
        proposed = table.assign(base=table["component"].map(base_component))
        for name, count in zip(proposed["base"], proposed["stock"], strict=True):
            shelf[name] = shelf.get(name, 0) + int(count)
    pools = [name for name in sorted(set(items["base"])) if name in shelf]
    return pools, [shelf[name] for name in pools], [lead.get(name, 14.0) for name in pools]


def _components(parts: PlanParts) -> list[str]:
    fits = parts.found.fits
    return list(fits["component"]) if "component" in fits else ["item"] * len(fits)
