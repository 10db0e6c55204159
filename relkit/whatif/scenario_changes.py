"""The changes of a scenario put to a side: study keys, lives, costs, intervals, use, fleet.

Layer: whatif. Each kind of change is one function from a side to a side.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.plan.choices import settings_of
from relkit.plan.parts import PlanParts, decided, decided_on, parts_of
from relkit.plan.usage import matching_vehicles, service_grids
from relkit.study.settings import CostItem, Study
from relkit.whatif.measures_visits import season_share
from relkit.whatif.scenario import Changes, CostChange, FleetChange, IntervalChange, LifeChange
from relkit.whatif.scenario_batches import with_batch, with_repairs
from relkit.whatif.scenario_match import matching_items, matching_strata
from relkit.whatif.scenario_sides import DAYS_A_MONTH, Side, plain_laws, side_of
from relkit.whatif.scenario_study import REFITTED_KEYS, changed_study

__all__ = ["changed_side"]

Floats = NDArray[np.float64]


def changed_side(parts: PlanParts, changes: Changes, *, draws: int) -> Side:
    """Return the side that a scenario's changes make of a study's plan.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    changes : Changes
        What is other than today; changes of the data are not made here.
    draws : int
        Draws of the parameters to use.

    Raises
    ------
    StudyError
        A key of the study is unknown or a name fits no item.
    """
    kept = changes.plan == "kept"
    if changes.study:
        parts = _with_study(parts, changed_study(parts.study, changes.study), set(changes.study))
    parts = _with_use(parts, changes)
    if changes.costs:
        parts = _with_costs(parts, changes.costs, kept=kept)
    lives = changes.lives
    if lives and not kept:
        shape, scale = _changed_draws(parts, lives)
        parts = decided_on(parts, replace(parts.found, shape=shape, scale=scale))
    side = side_of(parts, draws=draws)
    if lives and kept:
        shape, scale = _changed_draws(parts, lives)
        side = replace(side, laws=plain_laws(shape[:, :draws], scale[:, :draws]))
    side = _with_early_failures(side, lives)
    side = _with_hidden_use(side, changes)
    for batch in changes.batches:
        side = with_batch(side, batch)
    for repair in changes.repairs:
        side = with_repairs(side, repair)
    for interval in _intervals(changes):
        side = _with_interval(side, interval)
    for fleet in changes.fleet:
        side = _with_fleet(side, fleet)
    return replace(side, stock=changes.stock, visits=changes.visits, groups=changes.groups)


def _with_study(parts: PlanParts, study: Study, keys: set[str]) -> PlanParts:
    if keys & REFITTED_KEYS:
        return parts_of(parts.log, study)
    return decided(parts.log, study, parts.tables, parts.found)


def _with_use(parts: PlanParts, changes: Changes) -> PlanParts:
    """Vehicles used more or less: more clock a day, services as far apart in the clock."""
    factors = pd.Series(1.0, index=parts.rates.index)
    for use in changes.use:
        held = matching_vehicles(parts.log.fitments, use.where)
        factors[factors.index.isin(held)] *= use.factor
    if (factors == 1).all():
        return parts
    rates = parts.rates.mul(factors, axis=0).assign(days=1.0)
    items = parts.items.assign(
        rate=parts.items["rate"] * parts.items["vehicle"].map(factors).fillna(1.0)
    )
    grids = service_grids(parts.study, parts.log.fitments, rates)
    parts = replace(parts, rates=rates, items=items, grids=grids)
    return parts if changes.plan == "kept" else decided_on(parts, parts.found)


def _with_costs(parts: PlanParts, changes: tuple[CostChange, ...], *, kept: bool) -> PlanParts:
    """Costs changed in the study itself, one entry per stratum."""
    items = list(parts.study.costs.items)
    fits = parts.found.fits
    blank = pd.Series("", index=fits.index)
    names = list(zip(fits.get("component", blank), fits.get("location", blank), strict=True))
    values = {name: np.array([getattr(s, name) for s in parts.chosen.settings]) for name in _COSTS}
    for change in changes:
        rows = matching_strata(parts, change.component, change.location)
        values = _changed_costs(parts, values, rows, change)
    for row, (component, location) in enumerate(names):
        given = {
            _COSTS[name]: float(value[row]) for name, value in values.items() if value[row] >= 0
        }
        place = location or None
        items.append(CostItem(component=component or None, location=place, **given))
    study = replace(parts.study, costs=replace(parts.study.costs, items=tuple(items)))
    if not kept:
        return decided_on(replace(parts, study=study), parts.found)
    # today's tasks and intervals, tomorrow's prices
    chosen = replace(parts.chosen, settings=settings_of(fits, study))
    return replace(parts, study=study, chosen=chosen)


_COSTS = {"cost_planned": "planned", "cost_failure": "failure", "cost_check": "check"}


def _changed_costs(
    parts: PlanParts, values: dict[str, Floats], rows: NDArray[np.bool_], change: CostChange
) -> dict[str, Floats]:
    planned, failure = values["cost_planned"], values["cost_failure"]
    season = _season(parts, change.months)
    new_planned = planned * change.planned_factor + change.part_added
    excess = np.maximum(failure - planned, 0.0) * season * (change.downtime_factor - 1)
    more = change.part_added + change.failure_added
    new_failure = failure * change.failure_factor + excess + more
    check = values["cost_check"] * change.check_factor
    return {
        "cost_planned": np.where(rows, np.maximum(new_planned, 0.0), planned),
        "cost_failure": np.where(rows, np.maximum(new_failure, 0.0), failure),
        "cost_check": np.where(rows, check, values["cost_check"]),
    }


def _season(parts: PlanParts, months: tuple[int, ...]) -> Floats:
    """Share of each stratum's use in some months: 1 where none are named."""
    if not months:
        return np.ones(len(parts.found.fits))
    share = season_share(side_of(parts, draws=1), months)
    here = parts.items[parts.items["stratum"] >= 0]
    by_item = here["vehicle"].map(share).fillna(len(months) / 12)
    weight = here["rate"].fillna(0.0)
    sums = pd.DataFrame({"part": by_item * weight, "weight": weight}).groupby(here["stratum"]).sum()
    mean = (sums["part"] / sums["weight"].where(sums["weight"] > 0)).reindex(
        range(len(parts.found.fits))
    )
    return np.asarray(mean.fillna(len(months) / 12), dtype=np.float64)


def _changed_draws(parts: PlanParts, lives: tuple[LifeChange, ...]) -> tuple[Floats, Floats]:
    """Shapes and scales of all strata with the changes of lives."""
    from scipy.special import gamma

    shape, scale = parts.found.shape.copy(), parts.found.scale.copy()
    for change in lives:
        rows = matching_strata(parts, change.component, change.location)
        if change.as_location is not None:
            source = _source(parts, rows, change)
            shape[rows], scale[rows] = parts.found.shape[source], parts.found.scale[source]
        if change.shape is not None:
            mean = scale[rows] * gamma(1 + 1 / shape[rows])
            shape[rows] = change.shape
            scale[rows] = mean / gamma(1 + 1 / change.shape)
        scale[rows] *= change.scale_factor
    return shape, scale


def _source(parts: PlanParts, rows: NDArray[np.bool_], change: LifeChange) -> NDArray[np.int64]:
    """Stratum whose lives each of the rows takes."""
    fits = parts.found.fits
    found = []
    for row in np.flatnonzero(rows):
        there = matching_strata(parts, str(fits["component"].iloc[row]), change.as_location)
        found.append(int(np.flatnonzero(there)[0]))
    return np.array(found, dtype=np.int64)


def _with_early_failures(side: Side, lives: tuple[LifeChange, ...]) -> Side:
    share, age = side.laws.early_share.copy(), side.laws.early_age.copy()
    for change in lives:
        rows = np.zeros(len(share), dtype=np.bool_)
        found = matching_strata(side.parts, change.component, change.location)
        rows[: len(found)] = found
        share[rows] *= change.early_share
        age[rows] = change.early_age
    return replace(side, laws=replace(side.laws, early_share=share, early_age=age))


def _with_hidden_use(side: Side, changes: Changes) -> Side:
    """Demands on hidden functions, and the share of them that is reported when they fail."""
    items, notes = side.items, side.notes
    for use in changes.use:
        if use.demands_per_day is not None:
            items = items.assign(demands_per_day=use.demands_per_day)
            notes = (*notes, f"demands a day on each hidden function: {use.demands_per_day:g}")
        if use.reported_share is not None:
            reported = items["demands_per_day"].fillna(0.0) * use.reported_share
            items = items.assign(reported_per_day=reported)
    return replace(side, items=items, notes=notes)


def _intervals(changes: Changes) -> tuple[IntervalChange, ...]:
    grouped = tuple(
        IntervalChange(
            component=component,
            location=group.location,
            task="planned replacement",
            every=group.every,
        )
        for group in changes.groups
        for component in group.components
    )
    return (*changes.intervals, *grouped)


def _with_interval(side: Side, change: IntervalChange) -> Side:
    items = side.items
    rows = matching_items(side, change.component, change.location)
    rows &= items["vehicle"].isin(matching_vehicles(side.parts.log.fitments, change.where))
    if change.task is None:
        rows &= (items["interval"] > 0).to_numpy()
    else:
        items = items.assign(task=items["task"].where(~rows, change.task))
    if not rows.any():
        raise StudyError(
            "an interval of the scenario fits no item that has one",
            path="scenario",
            mend="Name a task beside the interval, or items that have one",
        )
    new = items["interval"].to_numpy(dtype=float)
    if change.task == "run to failure":
        new = np.where(rows, np.nan, new)
    elif change.factor is not None:
        new = np.where(rows, new * change.factor, new)
    elif change.every is not None:
        new = np.where(rows, _in_items_clock(side, change.every), new)
    else:
        new = np.where(rows, _of_services(side), new)
    return replace(side, items=items.assign(interval=new))


def _in_items_clock(side: Side, text: str) -> Floats:
    """Return a quantity in the clock, by each vehicle's own use."""
    (quantity,) = side.parts.study.quantities((text,))
    if quantity.unit == side.parts.study.clock:
        return np.full(len(side.items), quantity.value)
    rates = side.parts.rates.reindex(side.items["vehicle"])
    if quantity.unit not in rates:
        raise StudyError(f'"{text}" is in a counter that the readings do not have', path="scenario")
    own = rates[quantity.unit].to_numpy(dtype=float)
    use = side.items["rate"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(own > 0, quantity.value * use / own, np.nan))


def _of_services(side: Side) -> Floats:
    """Spacing of each vehicle's service; NaN where it has none."""
    spacing = {name: grid.spacing for grid in side.parts.grids for name in grid.vehicles}
    return np.asarray(side.items["vehicle"].map(spacing), dtype=np.float64)


def _with_fleet(side: Side, change: FleetChange) -> Side:
    items = side.items
    held = items["vehicle"].isin(matching_vehicles(side.parts.log.fitments, change.where))
    if change.replaced_by_new:
        items = items.assign(age=items["age"].where(~held, 0.0))
    if change.added:
        vehicles = items.loc[held, "vehicle"].nunique()
        if vehicles == 0:
            raise StudyError("the added vehicles are like none of the fleet", path="scenario")
        new = items[held].assign(age=0.0, count=items.loc[held, "count"] * change.added / vehicles)
        items = pd.concat([items, new], ignore_index=True)
    days = side.horizon_days if change.months is None else change.months * DAYS_A_MONTH
    return replace(side, items=items, horizon_days=days)
