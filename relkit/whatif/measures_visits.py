"""What a skipped service or an extra visit adds, and what grouping and batch work saves.

Layer: whatif. Added to the measures of a side; one value per draw.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.plan.usage import ServiceGrid, matching_vehicles
from relkit.whatif.measures_ahead import Counts, dark_share
from relkit.whatif.scenario import GroupChange, VisitChange
from relkit.whatif.scenario_sides import Side, is_tested

__all__ = ["season_share", "visit_measures"]

Floats = NDArray[np.float64]

DAYS_A_YEAR = 365.25


def visit_measures(side: Side, groups: pd.DataFrame, counts: Counts) -> dict[str, Floats]:
    """Return what the visits and groups of a side add to its measures, per draw."""
    total: dict[str, Floats] = {"visits": np.zeros(side.draws)}
    for change in side.visits:
        added = _skipped(side, change) if change.skipped else _extra(side, change)
        for name, value in added.items():
            total[name] = total.get(name, np.zeros(side.draws)) + value
    for group in side.groups:
        saved = _grouped(side, group, groups, counts)
        total["cost"] = total.get("cost", np.zeros(side.draws)) - saved
    return total


def _skipped(side: Side, change: VisitChange) -> dict[str, Floats]:
    """Return what changes where all that was due at one service is done at the next one."""
    grid = _grid(side, str(change.skipped))
    items = side.items[side.items["vehicle"].isin(grid.vehicles)]
    rate = _failure_rates(items, side)
    tested = is_tested(items) & (items["interval"] >= grid.spacing * 0.999).to_numpy()
    rows = np.flatnonzero(tested & items["hidden"].to_numpy(dtype=bool))
    every = items["interval"].to_numpy(dtype=float)[rows, None]
    reports = _reports(items)[rows, None]
    longer, shorter = every + grid.spacing, np.maximum(every - grid.spacing, 1e-9)
    dark = longer * dark_share(rate[rows], longer, reports)
    dark += shorter * dark_share(rate[rows], shorter, reports)
    dark -= 2 * every * dark_share(rate[rows], every, reports)
    due_now = (grid.spacing / every) * items["count"].to_numpy(dtype=float)[rows, None]
    failures, cost = _deferred(side, items, grid.spacing)
    checks = np.zeros(side.draws) - float(due_now.sum())
    cost = cost + float(np.nansum(items["cost_check"].to_numpy()[rows, None] * -due_now))
    demands = _per_use(items, "demands_per_day")[rows, None] * dark * due_now
    return {
        "failures": failures,
        "planned": -failures,
        "checks": checks,
        "dark_time": (dark * due_now).sum(axis=0),
        "dark_demands": demands.sum(axis=0),
        "cost": cost,
    }


def _deferred(side: Side, items: pd.DataFrame, spacing: float) -> tuple[Floats, Floats]:
    """Failures while planned replacements due at the service wait for the next, and their cost."""
    planned = (items["task"] == "planned replacement") & (items["interval"] > 0)
    due_in = items["interval"] - items["age"]
    # replacements that fall due within the spacing around the skipped service
    due = items[planned & (due_in <= spacing)]
    if due.empty:
        return np.zeros(side.draws), np.zeros(side.draws)
    law = due["law"].to_numpy(dtype=np.int64)
    start = np.fmax(due["age"].to_numpy(dtype=float), due["interval"].to_numpy(dtype=float))
    hazard = side.laws.hazards(law, _ages(np.stack([start, start + spacing], axis=1), side))
    failed = -np.expm1(-(hazard[:, :, 1] - hazard[:, :, 0]))
    failed = failed * due["count"].to_numpy(dtype=float)[:, None]
    more = _excess(due)
    return failed.sum(axis=0), np.nansum(failed * more, axis=0)


def _excess(items: pd.DataFrame) -> Floats:
    """Return what a failure costs above a planned replacement."""
    failure, planned = (
        items[name].to_numpy(dtype=float)[:, None] for name in ("cost_failure", "cost_planned")
    )
    return np.asarray(failure - planned)


def _extra(side: Side, change: VisitChange) -> dict[str, Floats]:
    """One more visit: hidden faults are found, visible defects mended before they fail.

    Defects that are visible at a random moment: rate of failures times mean warning time
    (Little's law); what a look misses goes on to fail.
    """
    vehicles = matching_vehicles(side.parts.log.fitments, change.where)
    items: pd.DataFrame = side.items[side.items["vehicle"].isin(vehicles)]
    count = items["count"].to_numpy(dtype=float)[:, None]
    rate = _failure_rates(items, side)
    warning = items["warning"].to_numpy(dtype=float)[:, None]
    season = _season_use(side, items, change)
    with np.errstate(invalid="ignore"):
        waiting = rate * warning * -np.expm1(-season / warning)
    found = np.nan_to_num(waiting * items[["detection"]].to_numpy(dtype=float)) * count
    more = _excess(items)
    hidden: NDArray[np.bool_] = items["hidden"].to_numpy(dtype=np.bool_)
    dark = _dark_saved(items, rate)
    checked = hidden | (items["warning"].to_numpy(dtype=float) > 0)
    checks = float(count[checked].sum())
    price = float(np.nansum(items[["cost_check"]].to_numpy(dtype=float)[checked] * count[checked]))
    set_up = side.parts.study.costs.visit or 0.0
    number = float(items.loc[checked, "vehicle"].nunique())
    return {
        "failures": -found.sum(axis=0),
        "planned": found.sum(axis=0),
        "checks": np.full(side.draws, checks),
        "dark_time": -dark.sum(axis=0),
        "dark_demands": -(dark * _per_use(items, "demands_per_day")[:, None]).sum(axis=0),
        "cost": price + number * set_up - np.nansum(found * more, axis=0),
        "visits": np.full(side.draws, number),
    }


def _dark_saved(items: pd.DataFrame, rate: Floats) -> Floats:
    """Dark time that one test more saves, at a random place in the interval.

    A test at a share x of an interval splits it in two: averaged over x, own algebra on the
    mean share for random failures, tau^2 / 2 less (x^2 + (1 - x)^2) tau^2 / 2 is tau^2 / 6.
    """
    every = np.where(is_tested(items), items["interval"], np.nan)[:, None]
    reports = _reports(items)[:, None]
    places = (np.arange(10) + 0.5) / 10
    whole = every * dark_share(rate, every, reports)
    parts = [
        x * every * dark_share(rate, x * every, reports)
        + (1 - x) * every * dark_share(rate, (1 - x) * every, reports)
        for x in places
    ]
    saved = np.nan_to_num(whole - np.mean(parts, axis=0))
    hidden = items["hidden"].to_numpy(dtype=bool)[:, None]
    return np.asarray(np.where(hidden, saved, 0.0) * items[["count"]].to_numpy(dtype=float))


def _season_use(side: Side, items: pd.DataFrame, change: VisitChange) -> Floats:
    """Use of each position in the months that count; over the time ahead where none are named."""
    days = np.full(len(items), side.horizon_days)
    if change.months:
        share = season_share(side, change.months)
        days = items["vehicle"].map(share).fillna(len(change.months) / 12).to_numpy(dtype=float)
        days = days * DAYS_A_YEAR
    return np.asarray(items["rate"].to_numpy(dtype=float) * days)[:, None]


def season_share(side: Side, months: tuple[int, ...]) -> pd.Series:
    """Share of each vehicle's use of the clock that falls into some months of the year.

    From the cleaned meter readings, each stretch between two readings counting for the month of
    its middle; vehicles without readings get none.
    """
    knots = side.parts.tables.meters.knots
    knots = knots[knots["counter"] == side.parts.study.clock].sort_values(["vehicle", "time"])
    middle = pd.to_datetime((knots["time"] + knots.groupby("vehicle")["time"].shift(-1)) // 2)
    used = knots.groupby("vehicle")["value"].shift(-1) - knots["value"]
    inside = used.where(middle.dt.month.isin(months), 0.0)
    sums = pd.DataFrame({"inside": inside, "used": used}).groupby(knots["vehicle"]).sum()
    return (sums["inside"] / sums["used"].where(sums["used"] > 0)).dropna()


def _grouped(side: Side, group: GroupChange, groups: pd.DataFrame, counts: Counts) -> Floats:
    """Set-ups saved where planned replacements are made in one go."""
    set_up = side.parts.study.costs.visit if group.set_up is None else group.set_up
    together = side.items["location"] == group.location
    planned = []
    for component in group.components:
        here = side.items[together & side.items["base"].eq(component)]
        planned.append(counts.planned[_rows_of(groups, here)].sum(axis=0))
    return np.asarray(np.sort(planned, axis=0)[:-1].sum(axis=0) * (set_up or 0.0))


def _rows_of(groups: pd.DataFrame, items: pd.DataFrame) -> NDArray[np.bool_]:
    keys = ["stratum", "interval", "task"]
    return np.asarray(
        pd.MultiIndex.from_frame(groups[keys]).isin(pd.MultiIndex.from_frame(items[keys]))
    )


def _grid(side: Side, name: str) -> ServiceGrid:
    grids = {grid.name: grid for grid in side.parts.grids}
    if name not in grids:
        raise StudyError(
            f'no service is called "{name}"', path="scenario", mend=f"There are {', '.join(grids)}"
        )
    return grids[name]


def _failure_rates(items: pd.DataFrame, side: Side) -> Floats:
    """Failures of each position over the time ahead, per use: from the hazard gained."""
    law = items["law"].to_numpy(dtype=np.int64)
    age = items["age"].to_numpy(dtype=float)
    use = np.maximum(items["rate"].to_numpy(dtype=float) * side.horizon_days, 1e-9)
    replaced = (items["task"] == "planned replacement") & (items["interval"] > 0)
    # a planned item wears from new to its interval: the mean over that life
    limit = np.where(replaced, items["interval"], age + use)
    start = np.where(replaced, 0.0, age)
    hazard = side.laws.hazards(law, _ages(np.stack([start, limit], axis=1), side))
    return np.asarray((hazard[:, :, 1] - hazard[:, :, 0]) / (limit - start)[:, None])


def _ages(ages: Floats, side: Side) -> Floats:
    return np.broadcast_to(ages[:, None, :], (len(ages), side.draws, ages.shape[1]))


def _reports(items: pd.DataFrame) -> Floats:
    return _per_use(items, "reported_per_day")


def _per_use(items: pd.DataFrame, name: str) -> Floats:
    rate = items["rate"].to_numpy(dtype=float)
    per_day = items[name].to_numpy(dtype=float)
    return np.asarray(np.divide(per_day, rate, out=np.zeros_like(rate), where=rate > 0))
