"""A scenario by simulated histories: chance, queues for spares and bays, and the draws together.

Layer: whatif. The same histories on both sides; closed forms are in comparison.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.whatif.comparison import DRAWS, Compared, compared
from relkit.whatif.fleet_from_plan import fleet_model
from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.measures_stock import Stock
from relkit.whatif.scenario import Scenario
from relkit.whatif.scenario_sides import Side, is_tested
from relkit.whatif.simulation import simulate_fleet
from relkit.whatif.simulation_result import fleet_difference, fleet_totals

__all__ = ["fleet_of", "simulated_difference"]

Floats = NDArray[np.float64]


def simulated_difference(
    parts: PlanParts,
    scenario: Scenario,
    *,
    histories: int = 400,
    interval_level: float = 0.9,
    rng: np.random.Generator | int = 1,
) -> pd.DataFrame:
    """Return a scenario's difference from today over simulated histories of the fleet.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    scenario : Scenario
        The scenario. Vehicles that come, batches replaced at once, extra or skipped visits,
        fewer early failures and changed data are not simulated.
    histories : int
        Number of histories; each takes one draw of the life parameters.
    interval_level : float
        Central share of the histories between ``low`` and ``high``. [1]
    rng : numpy.random.Generator or int
        Seed of the histories, the same on both sides.

    Returns
    -------
    DataFrame
        measure, today, then (means), mean (difference), lower, upper (limits of the mean
        difference), low, high (what luck and doubt about the parameters may bring), histories.

    Raises
    ------
    StudyError
        The scenario has a change that is not simulated.
    """
    cell: Compared = compared(parts, scenario, draws=DRAWS)
    years = cell.after.horizon_days / 365.25
    seed = int(np.random.default_rng(rng).integers(2**31)) if not isinstance(rng, int) else rng
    runs = [
        simulate_fleet(fleet_of(side, cell.today.stock), years=years, histories=histories, rng=seed)
        for side in (cell.before, cell.after)
    ]
    means = [
        fleet_totals(run).set_index("measure")["mean"].rename(name)
        for run, name in zip(runs, ("today", "then"), strict=True)
    ]
    table = fleet_difference(runs[1], runs[0], interval_level=interval_level)
    table = table.set_index("measure")
    return table.assign(**{str(mean.name): mean for mean in means}).reset_index()


def fleet_of(side: Side, stock: Stock) -> FleetModel:
    """Return one side's positions as a fleet that can be simulated.

    Parameters
    ----------
    side : Side
        Positions with their laws, tasks and costs.
    stock : Stock
        What lies on the shelf, by component.

    Raises
    ------
    StudyError
        The side has something that is not simulated.
    """
    _refuse(side)
    held = {component: count for (component, _), count in stock.held.items()}
    added = {name: count + _added(side, name) for name, count in held.items()}
    whole = fleet_model(side.parts, stock=added)
    items = side.items
    names = items["vehicle"] + "|" + items["base"] + "|" + items["location"]
    key = (pd.util.hash_array(names.to_numpy(dtype=object)) >> np.uint64(1)).astype(np.int64)
    rows = pd.Index(whole.key).get_indexer(pd.Index(key))
    replaced = (items["task"] == "planned replacement") & (items["interval"] > 0)
    tested = is_tested(items)
    looked = tested & ~items["hidden"].to_numpy(dtype=bool)
    laws, after = side.laws, items["next_law"].to_numpy(dtype=np.int64)
    lead = next((change.lead_time_days for change in side.stock if change.lead_time_days), None)
    each = {name: getattr(whole, name)[rows] for name in _AS_PLANNED}
    return replace(
        whole,
        **each,
        key=key,
        stratum=items["law"].to_numpy(dtype=np.int64),
        renewal_stratum=after,
        repair_stratum=np.where(laws.other_share[after] > 0, laws.other[after], -1),
        repair_share=laws.other_share[after],
        age=items["age"].to_numpy(dtype=float),
        use_per_day=items["rate"].to_numpy(dtype=float),
        hidden=items["hidden"].to_numpy(dtype=bool),
        replacement_age=np.where(replaced, items["interval"], np.inf),
        service_spacing=np.where(replaced, whole.service_spacing[rows], 0.0),
        check_interval=np.where(tested, items["interval"], np.inf),
        first_check=np.full(len(items), np.nan),
        detection=np.where(looked, items["detection"], 1.0),
        warning_time=np.where(looked, items["warning"].fillna(0.0), 0.0),
        demand_rate=_per_use(items, "demands_per_day"),
        report_share=_reported_share(items),
        cost_planned=items["cost_planned"].fillna(0.0).to_numpy(dtype=float),
        cost_failure=items["cost_failure"].fillna(0.0).to_numpy(dtype=float),
        cost_check=items["cost_check"].fillna(0.0).to_numpy(dtype=float),
        repair_hours=items["planned_hours"].to_numpy(dtype=float),
        check_hours=items["check_hours"].to_numpy(dtype=float),
        pool=whole.pool[rows],
        shape=np.maximum(laws.shape, 0.01),
        scale=laws.scale,
        strata=tuple(str(row) for row in range(len(laws.shape))),
        lead_time_days=whole.lead_time_days if lead is None else np.full(len(whole.pools), lead),
        bay_hours_per_day=_bay_hours(side, whole),
    )


#: Fields of a position that no change of a scenario touches.
_AS_PLANNED = ("vehicle", "depot", "season", "extra_checks", "cost_hidden",
               "cost_downtime")  # fmt: skip


def _refuse(side: Side) -> None:
    """Name what the histories leave out."""
    found = {
        "vehicles that come": bool((side.items["count"] != 1).any()),
        "items replaced at a time of their own": bool(side.items["first_planned"].notna().any()),
        "extra or skipped visits": bool(side.visits),
        "fewer early failures": bool((side.laws.early_share < 1).any()),
        "stores of their own": any(change.stores for change in side.stock),
    }
    there = [name for name, is_there in found.items() if is_there]
    if there:
        raise StudyError(f"not simulated: {', '.join(there)}", path="scenario")


def _added(side: Side, component: str) -> int:
    """Spares that the side has more than today, of a component."""
    fitting = [change for change in side.stock if change.component in (None, component)]
    return fitting[-1].added if fitting else 0


def _per_use(items: pd.DataFrame, name: str) -> Floats:
    rate, per_day = (items[c].fillna(0.0).to_numpy(dtype=float) for c in ("rate", name))
    return np.asarray(np.divide(per_day, rate, out=np.zeros(len(rate)), where=rate > 0))


def _reported_share(items: pd.DataFrame) -> Floats:
    demands = items["demands_per_day"].fillna(0.0).to_numpy(dtype=float)
    reported = items["reported_per_day"].to_numpy(dtype=float)
    return np.asarray(np.divide(reported, demands, out=np.zeros(len(demands)), where=demands > 0))


def _bay_hours(side: Side, whole: FleetModel) -> Floats:
    """Bay hours a day of each depot, where the study states them by depot; no limit elsewhere."""
    hours = np.full(len(whole.depots), np.inf)
    for bay in side.parts.study.bays:
        depots = bay.where.get("depot", whole.depots if not bay.where else ())
        for place, depot in enumerate(whole.depots):
            if depot in depots:
                hours[place] = bay.hours_per_week / 7
    return hours
