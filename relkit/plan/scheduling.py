"""Best intervals fitted to each vehicle class's services and held under the user's rules.

Layer: plan. One row per stratum and service; conflicts are stated, nothing is stretched.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.replacement_uncertainty import averaged_cost_rate
from relkit.decisions.schedule import ScheduledInterval, interval_by_cost, interval_by_target
from relkit.plan.choices import Choices
from relkit.plan.evidence import Evidence
from relkit.plan.usage import ServiceGrid, in_clock, matching_vehicles
from relkit.study.settings import MaintenanceRule, Study
from relkit.units import parse_quantity

__all__ = ["TESTS", "rule_maximum", "scheduled_visits"]

Floats = NDArray[np.float64]

#: Tasks that look at an item and leave it in place.
TESTS = ("failure-finding", "condition inspection")
#: Columns of a schedule without rows, with their types.
_COLUMNS = {
    **dict.fromkeys(["stratum", "every_nth", "vehicle_count", "positions"], "int64"),
    **dict.fromkeys(["interval", "interval_days", "spacing", "wanted", "cost_penalty"], "float64"),
    **dict.fromkeys(["task", "vehicles", "service", "service_limit", "vehicle_names"], "object"),
    **dict.fromkeys(["binding", "rule", "status", "mend"], "object"),
}
_WITH_INTERVAL = (*TESTS, "planned replacement")


def scheduled_visits(
    found: Evidence,
    chosen: Choices,
    items: pd.DataFrame,
    grids: Sequence[ServiceGrid],
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
) -> pd.DataFrame:
    """Every stratum with a task at every service that its vehicles get.

    Returns
    -------
    DataFrame
        ``stratum``, ``vehicles``, ``service``, ``task``, ``every_nth``, ``interval`` [clock],
        ``interval_days`` [d], ``spacing`` [clock], ``wanted`` [clock], ``binding``, ``rule``,
        ``status``, ``mend``, ``cost_penalty`` [1], ``vehicle_count``, ``positions``.
    """
    rows = _pairs(chosen, items, grids, rates, study)
    if rows.empty:
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in _COLUMNS.items()})
    maxima = [
        rule_maximum(
            [r for r in chosen.settings[s].rules if _same_kind(r, task)],
            vehicles,
            rates,
            fitments,
            study.clock,
        )
        for s, task, vehicles in zip(
            rows["stratum"], rows["task"], rows["vehicle_names"], strict=True
        )
    ]
    rows["maximum"] = [maximum for maximum, _ in maxima]
    rows["rule"] = [name for _, name in maxima]
    rows["wanted"] = chosen.best[rows["stratum"]]
    safety = np.array([s.safety for s in chosen.settings])[rows["stratum"]]
    targets = np.array([s.target_unavailability for s in chosen.settings])[rows["stratum"]]
    rows["by_cost"] = (rows["task"] != "failure-finding") | np.isnan(targets)
    by_target = rows["task"].isin(TESTS).to_numpy() | safety | ~_priced(rows, found, chosen)
    parts = []
    if by_target.any():
        parts.append(_by_target(rows[by_target]))
    if (~by_target).any():
        parts.append(_by_cost(rows[~by_target], found, chosen))
    done = _with_unmet_targets(_best_service(pd.concat(parts).sort_index()), chosen)
    with_days = done["interval"] / done["rate"].where(done["rate"] > 0)
    return done.assign(interval_days=with_days).drop(
        columns=["rate", "maximum", "choice", "by_cost"]
    )


def _best_service(rows: pd.DataFrame) -> pd.DataFrame:
    """Of the services that the same vehicles get, the one that suits each stratum best.

    First those where it fits at all, of those where it does not the one that comes most often;
    then the least extra cost; then the longest interval.
    """
    conflict = rows["status"].ne("ok")
    order = rows.assign(
        conflict=conflict,
        apart=rows["spacing"].where(conflict, 0.0),
        penalty=rows["cost_penalty"].fillna(0.0),
        shorter=-rows["interval"].fillna(-np.inf),
    ).sort_values(["choice", "conflict", "apart", "penalty", "shorter"], kind="stable")
    return rows.loc[order.drop_duplicates("choice").index].sort_index().reset_index(drop=True)


#: What to do where no interval between tests satisfies a target.
NO_TEST_DOES = (
    "a gentler or surer test, a driver's daily check that is reported, another design, or take "
    "the vehicle out of use for this work"
)


def _with_unmet_targets(rows: pd.DataFrame, chosen: Choices) -> pd.DataFrame:
    """Say of each test whose target no interval satisfies that none does, and the mend."""
    if chosen.finding is None:
        return rows
    place = chosen.finding_row[rows["stratum"].to_numpy(dtype=np.int64)]
    told = np.where(place >= 0, chosen.finding.status[place], "ok")
    unmet = (rows["task"] == "failure-finding").to_numpy() & (told != "ok") & (told != "no items")
    return rows.assign(
        status=rows["status"].mask(unmet, pd.Series(told, index=rows.index)),
        mend=rows["mend"].mask(unmet, NO_TEST_DOES),
    )


def _priced(rows: pd.DataFrame, found: Evidence, chosen: Choices) -> NDArray[np.bool_]:
    """Rows whose costs and draws are known; a rule's maximum alone sets the others."""
    stratum = rows["stratum"].to_numpy()
    costs = [(chosen.settings[s].cost_planned, chosen.settings[s].cost_failure) for s in stratum]
    drawn = np.isfinite(found.shape[stratum] + found.scale[stratum]).all(axis=1)
    return np.asarray((np.array(costs) > 0).all(axis=1) & drawn, dtype=np.bool_)


def _same_kind(rule: MaintenanceRule, task: str) -> bool:
    return rule.task == ("test" if task in TESTS else "replace")


def _pairs(
    chosen: Choices,
    items: pd.DataFrame,
    grids: Sequence[ServiceGrid],
    rates: pd.DataFrame,
    study: Study,
) -> pd.DataFrame:
    """Strata with a task, by service; vehicles without any service stand in a row of their own."""
    rows = []
    here = items[items["stratum"] >= 0]
    known: dict[str, tuple[int, ...]] = {}
    uses = rates[study.clock].to_dict()
    groups = here.groupby("stratum")["vehicle"].agg(list)
    for number, fitted in zip(groups.index.tolist(), groups.tolist(), strict=True):
        stratum = int(number)
        task = str(chosen.triage.task[stratum])
        if task not in _WITH_INTERVAL:
            continue
        for kept, names in _by_services(set(fitted), grids, known).items():
            choice = f"{stratum} {kept}"
            for grid in _services(kept, grids):
                row = _pair(stratum, task, fitted, names, grid, uses)
                rows.append({**row, "choice": choice})
    return pd.DataFrame(rows)


def _services(
    kept: tuple[int, ...], grids: Sequence[ServiceGrid]
) -> list[ServiceGrid] | list[None]:
    """Services of these places; one that is none where a vehicle gets none."""
    return [grids[i] for i in kept] if kept else [None]


def _by_services(
    vehicles: set[str], grids: Sequence[ServiceGrid], known: dict[str, tuple[int, ...]]
) -> dict[tuple[int, ...], set[str]]:
    """Vehicles by the services that they get, in the order of the services; last: of none."""
    groups: dict[tuple[int, ...], set[str]] = {}
    for vehicle in sorted(vehicles):
        if vehicle not in known:
            known[vehicle] = tuple(i for i, grid in enumerate(grids) if vehicle in grid.vehicles)
        kept = known[vehicle]
        groups.setdefault(kept, set()).add(vehicle)
    return dict(sorted(groups.items(), key=lambda pair: pair[0] or (len(grids),)))


def _pair(
    stratum: int,
    task: str,
    fitted: list[str],
    names: set[str],
    grid: ServiceGrid | None,
    uses: dict[Any, float],
) -> dict[str, object]:
    return {
        "stratum": stratum,
        "task": task,
        "vehicles": grid.label if grid else "vehicles without a service",
        "service": grid.name if grid else "",
        "service_limit": grid.binding if grid else "",
        "spacing": grid.spacing if grid else np.nan,
        "rate": float(np.nanmean([uses.get(name, np.nan) for name in sorted(names)])),
        "vehicle_names": frozenset(names),
        "vehicle_count": len(names),
        "positions": sum(vehicle in names for vehicle in fitted),
    }


def rule_maximum(
    rules: Sequence[MaintenanceRule],
    vehicles: frozenset[str],
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    clock: str,
) -> tuple[float, str]:
    """Least maximum of the rules that hold for any of these vehicles, and that rule's name.

    Limits in other units than the clock are turned into it at the mean rate of the vehicles
    that the rule holds for; the due list holds each vehicle to the rule's own dates besides.
    """
    least, name = np.inf, ""
    for rule in rules:
        held = sorted(vehicles & matching_vehicles(fitments, rule.where))
        if not held:
            continue
        for quantity in map(parse_quantity, rule.maximum):
            value = in_clock(quantity, clock, rates.loc[held].mean())
            if value < least:  # False where a rate is not known
                least, name = value, rule.name
    return least, name


def _by_target(rows: pd.DataFrame) -> pd.DataFrame:
    result = interval_by_target(
        rows["wanted"].to_numpy(dtype=float),
        spacing=rows["spacing"].to_numpy(dtype=float),
        maximum=rows["maximum"].to_numpy(dtype=float),
    )
    done = _with_result(rows, result)
    # a replacement, a look or a test without target is wanted for its cost; it is rounded down
    own = done["by_cost"] & (done["binding"] == "safety target")
    return done.assign(binding=done["binding"].where(~own, "cost"))


def _by_cost(rows: pd.DataFrame, found: Evidence, chosen: Choices) -> pd.DataFrame:
    stratum = rows["stratum"].to_numpy()
    planned, failure = (
        np.array([getattr(chosen.settings[s], name) for s in stratum])
        for name in ("cost_planned", "cost_failure")
    )

    def cost(ages: Floats) -> Floats:
        return averaged_cost_rate(
            ages,
            scale=found.scale[stratum],
            shape=found.shape[stratum],
            cost_planned=planned,
            cost_failure=failure,
        )

    result = interval_by_cost(
        rows["wanted"].to_numpy(dtype=float),
        spacing=rows["spacing"].to_numpy(dtype=float),
        cost_rate=cost,
        maximum=rows["maximum"].to_numpy(dtype=float),
    )
    return _with_result(rows, result)


def _with_result(rows: pd.DataFrame, result: ScheduledInterval) -> pd.DataFrame:
    return rows.assign(
        interval=result.interval,
        every_nth=result.every_nth,
        binding=result.binding,
        status=result.status,
        mend=result.mend,
        cost_penalty=result.cost_penalty,
    )
