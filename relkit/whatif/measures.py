"""What one side of a comparison comes to over the time ahead: failures, work, dark time, money.

Layer: whatif. One value per draw of the parameters and measure; both sides have the same draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.condition_inspection import missed_share
from relkit.plan.parts import PlanParts
from relkit.plan.rule_checks import rule_visits
from relkit.plan.scheduling import TESTS
from relkit.units import clock_symbol
from relkit.whatif.measures_ahead import Counts, Positions, counts_ahead, dark_share
from relkit.whatif.measures_stock import Stock, spares_measures
from relkit.whatif.measures_visits import visit_measures
from relkit.whatif.scenario_sides import Side, is_tested

__all__ = ["MEASURES", "Measure", "Measured", "measured"]

Floats = NDArray[np.float64]

#: Parts of an interval that positions of like age are grouped by where items are replaced by age:
#: few, and whole groups would come due together; the same for the use ahead. Parts of a median
#: life where they are not; and the lengths from which on ages are taken together.
INTERVAL_PARTS, USE_PARTS, LIFE_PARTS, LONGEST = 20, 5, 5, 2
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Measure:
    """One number that a scenario may change."""

    words: str  #: what it counts, in plain words
    unit: str  #: of a number, "{clock}" and "{currency}" being filled in; blank: a count
    better: int = -1  #: 1 where more is better


MEASURES: dict[str, Measure] = {
    "failures": Measure("failures", ""),
    "planned": Measure("planned replacements", ""),
    "checks": Measure("tests and looks", ""),
    "dark_time": Measure("time failed without anyone knowing", "{clock}"),
    "dark_demands": Measure("times needed while failed and unknown", ""),
    "cost": Measure("cost", "{currency}"),
    "yearly_cost": Measure("cost a year in the long run", "{currency}"),
    "bay_hours": Measure("bay hours", "h"),
    "late_spares": Measure("spares not on the shelf when needed", ""),
    "waiting_days": Measure("vehicle days waiting for spares", "d"),
    "spares": Measure("spares to keep", ""),
    "visits": Measure("visits besides the services", ""),
}


@dataclass(frozen=True, slots=True, eq=False)
class RuleChecks:
    """Checks that rules ask for besides the tasks, and what they were counted from."""

    number: float
    side: Side

    def hold_for(self, side: Side) -> bool:
        """Whether another side has the same rules, tasks, vehicles and use."""
        own, other = self.side.parts, side.parts
        return (
            own.rates is other.rates
            and own.study.rules == other.study.rules
            and _held_by_tasks(own) == _held_by_tasks(other)
            and self.side.horizon_days == side.horizon_days
            and self.side.items["count"].equals(side.items["count"])
        )


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """Measures of one side; every array (draws,), or NaN where the study does not say enough."""

    totals: Mapping[str, Floats]
    by_stratum: Mapping[str, Floats]  #: failures and cost, (n_strata, draws)
    stock: Stock  #: what was taken to lie on the shelf
    rules: RuleChecks  #: checks that rules ask for
    notes: tuple[str, ...]


def measured(side: Side, today: Measured | None = None) -> Measured:
    """Return what one side comes to, per draw of the parameters.

    Parameters
    ----------
    side : Side
        Positions with their laws, tasks and costs.
    today : Measured, optional
        The other side: its spares are on the shelf on this side too. Default: as many as the
        service level of the study asks for.

    Notes
    -----
    Failures and replacements are means by the renewal equation. What is dark between checks is
    taken from the mean rate of failures over the time ahead.
    """
    groups = _groups(side)
    counts = _caught(groups, _counts(groups, side))
    table = _by_group(groups, counts)
    values = {name: table[name].sum(axis=0) for name in table}
    values["yearly_cost"] = _yearly_cost(groups, side)
    same = today is not None and today.rules.hold_for(side)
    rules = today.rules if today is not None and same else _rule_checks(side)
    _add(values, _checks_by_rule(side, rules.number, values["cost"]))
    _add(values, visit_measures(side, groups, counts))
    stock = None if today is None else today.stock
    kept, spares = spares_measures(side, groups, counts, stock)
    values |= spares
    strata = len(side.parts.found.fits)
    return Measured(
        totals=values,
        by_stratum={
            name: _summed(groups["stratum"], table[name], strata) for name in ("failures", "cost")
        },
        stock=kept,
        rules=rules,
        notes=(*side.notes, *_cost_notes(groups, side)),
    )


def units(measure: str, clock: str, currency: str) -> str:
    """Return the unit of a measure in words for a study."""
    return MEASURES[measure].unit.format(clock=clock_symbol(clock), currency=currency)


_ALIKE = (
    "stratum",
    "law",
    "next_law",
    "task",
    "interval",
    "first_planned",
    "spacing",
    "hidden",
    "warning",
    "detection",
    "cost_planned",
    "cost_failure",
    "cost_check",
    "cost_undetected",
    "planned_hours",
    "check_hours",
    "demands_per_day",
    "reported_per_day",
    "store",
    "base",
)


def _groups(side: Side) -> pd.DataFrame:
    """Positions that are alike but for their ages and use, in a few groups by age."""
    items = side.items
    store = next((change.stores for change in side.stock if change.stores), "")
    items = items.assign(store=items[store].astype(str) if store in items else "")
    alike = items.groupby(list(_ALIKE), sort=True, dropna=False).ngroup()
    # bins that do not move when positions are added: what both sides have in common cancels
    typical = np.median(side.laws.scale, axis=1)[items["law"].to_numpy(dtype=np.int64)]
    replaced = (items["task"] == "planned replacement") & (items["interval"] > 0)
    length = items["interval"].where(replaced, typical)
    number = np.where(replaced, INTERVAL_PARTS, LIFE_PARTS)
    part = np.floor((items["age"] / length).clip(upper=LONGEST) * number)
    use = np.where(replaced, items["rate"] * side.horizon_days / length * USE_PARTS, 0.0)
    items = items.assign(alike=alike, part=part, used=np.floor(use))
    items["age"] *= items["count"]
    items["rate"] *= items["count"]
    parts = items.groupby(["alike", "part", "used"], sort=True)
    groups = parts[[*_ALIKE]].first()
    sums = parts[["age", "rate", "count"]].sum()
    # first() skips missing values; where all are missing it gives them back
    weight = sums["count"].where(sums["count"] > 0, 1.0)
    groups = groups.assign(
        age=sums["age"] / weight, rate=sums["rate"] / weight, count=sums["count"]
    )
    return groups.assign(use=groups["rate"] * side.horizon_days).reset_index(drop=True)


def _counts(groups: pd.DataFrame, side: Side) -> Counts:
    replaced = (groups["task"] == "planned replacement") & (groups["interval"] > 0)
    positions = Positions(
        law=groups["law"].to_numpy(dtype=np.int64),
        next_law=groups["next_law"].to_numpy(dtype=np.int64),
        age=groups["age"].to_numpy(dtype=float),
        use=np.maximum(groups["use"].to_numpy(dtype=float), 1e-9),
        count=groups["count"].to_numpy(dtype=float),
        planned_age=groups["interval"].where(replaced, np.inf).to_numpy(dtype=float),
        first_planned=_first_planned(groups, replaced),
    )
    return counts_ahead(positions, side.laws)


def _first_planned(groups: pd.DataFrame, replaced: pd.Series) -> Floats:
    """Time from now to the present item's replacement; NaN: when it reaches its age.

    What is overdue waits for the vehicle's next service, half a spacing away on average.
    """
    stated = groups["first_planned"].to_numpy(dtype=float)
    overdue = (replaced & (groups["age"] >= groups["interval"])).to_numpy(dtype=bool)
    wait = np.where(overdue, groups["spacing"].to_numpy(dtype=float) / 2, np.nan)
    return np.asarray(np.where(np.isnan(stated), wait, stated))


def _caught(groups: pd.DataFrame, counts: Counts) -> Counts:
    """Failures that looks prevent become planned replacements."""
    looked = (groups["task"] == "condition inspection") & (groups["warning"] > 0)
    missed = _missed(groups, looked)
    rows = np.flatnonzero(missed[:, 0] < 1)
    if not len(rows):
        return counts
    failures, planned = counts.failures.copy(), counts.planned.copy()
    planned[rows] += failures[rows] * (1 - missed[rows])
    failures[rows] *= missed[rows]
    return Counts(failures=failures, planned=planned)


def _by_group(groups: pd.DataFrame, counts: Counts) -> dict[str, Floats]:
    use = np.maximum(groups["use"].to_numpy(dtype=float), 1e-9)[:, None]
    count = groups["count"].to_numpy(dtype=float)[:, None]
    tested = is_tested(groups)
    every = groups["interval"].where(tested).to_numpy(dtype=float)[:, None]
    number = np.where(tested[:, None], use / every, 0.0)
    dark = dark_times(groups, counts.failures / (count * use), every)
    costs = {
        name: groups[name].to_numpy(dtype=float)[:, None]
        for name in (
            *("cost_failure", "cost_planned", "cost_check", "cost_undetected"),
            *("planned_hours", "check_hours", "demands_per_day"),
        )
    }
    rate = groups["rate"].to_numpy(dtype=float)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        demands = np.where(dark > 0, costs["demands_per_day"] / rate, 0.0) * dark
    checks = np.broadcast_to(number * count, dark.shape)
    money = counts.failures * costs["cost_failure"] + _paid(counts.planned, costs["cost_planned"])
    money = money + _paid(checks, costs["cost_check"])
    money += np.nan_to_num(costs["cost_undetected"]) * dark
    hours = (counts.failures + counts.planned) * costs["planned_hours"]
    return {
        "failures": counts.failures,
        "planned": counts.planned,
        "checks": checks,
        "dark_time": dark,
        "dark_demands": demands,
        "cost": np.nan_to_num(money),
        "bay_hours": hours + checks * costs["check_hours"],
    }


def _yearly_cost(groups: pd.DataFrame, side: Side) -> Floats:
    """Cost a year of items fitted later, once the ages of today have been forgotten.

    Cost of one stay over its mean use, times the use a year; tests and looks as they come.
    """
    law = groups["next_law"].to_numpy(dtype=np.int64)
    replaced = (groups["task"] == "planned replacement") & (groups["interval"] > 0)
    age = groups["interval"].where(replaced, np.inf).to_numpy(dtype=float)
    finite = np.where(np.isfinite(age), age, 0.0)[:, None, None]
    draws = side.draws
    hazard = side.laws.hazards(law, np.broadcast_to(finite, (len(law), draws, 1)))[:, :, 0]
    survive = np.where(replaced.to_numpy()[:, None], np.exp(-hazard), 0.0)
    mean_use = side.laws.mean_use(law, age)
    planned, failure, check = (
        groups[name].to_numpy(dtype=float)[:, None]
        for name in ("cost_planned", "cost_failure", "cost_check")
    )
    looked = groups["warning"].notna() & (groups["task"] == "condition inspection")
    missed = _missed(groups, looked)
    stay = (1 - survive) * (missed * failure + _paid(1 - missed, planned))
    stay = stay + _paid(survive, planned)
    every = groups["interval"].where(is_tested(groups), np.inf).to_numpy(dtype=float)[:, None]
    rate = stay / mean_use + _paid(1 / every, check)
    use = (groups["rate"] * groups["count"]).to_numpy(dtype=float)[:, None] * DAYS_A_YEAR
    return np.asarray(np.nan_to_num(rate * use).sum(axis=0))


def _missed(groups: pd.DataFrame, looked: pd.Series) -> Floats:
    """Share of the failures that looks do not prevent: 1 where nobody looks."""
    missed = np.ones((len(groups), 1))
    rows = np.flatnonzero(looked & (groups["interval"] > 0))
    if len(rows):
        missed[rows, 0] = missed_share(
            groups["interval"].to_numpy(dtype=float)[rows],
            mean_delay=groups["warning"].to_numpy(dtype=float)[rows],
            detection=groups["detection"].to_numpy(dtype=float)[rows],
        )
    return missed


def _paid(number: Floats, cost: Floats) -> Floats:
    """Return what a number of jobs costs: nothing where there are none, whatever the price."""
    return np.asarray(np.where(number > 0, number * cost, 0.0))


def dark_times(groups: pd.DataFrame, failure_rate: Floats, every: Floats) -> Floats:
    """Time ahead in which hidden functions are failed and nobody knows, all positions together.

    Parameters
    ----------
    groups : DataFrame
        Groups of positions.
    failure_rate : ndarray of shape (n_groups, draws)
        Failures of one position [1 / clock].
    every : ndarray of shape (n_groups, 1)
        Time between tests [clock]; NaN: never tested, so found by reports or not at all.
    """
    use = np.maximum(groups["use"].to_numpy(dtype=float), 1e-9)[:, None]
    rate = groups["rate"].to_numpy(dtype=float)[:, None]
    reports = groups["reported_per_day"].to_numpy(dtype=float)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        per_use = np.where(rate > 0, reports / rate, 0.0)
    share = dark_share(failure_rate, np.where(np.isnan(every), 2 * use, every), per_use)
    hidden = groups["hidden"].to_numpy(dtype=bool)[:, None]
    return np.asarray(np.where(hidden, share * use, 0.0) * groups[["count"]].to_numpy(dtype=float))


def _held_by_tasks(parts: PlanParts) -> tuple[list[bool], list[bool]]:
    """Strata whose own task keeps a rule: tests, and replacements where a rule asks for them."""
    task = parts.chosen.triage.task
    replaced = any(rule.task == "replace" for rule in parts.study.rules)
    return (
        np.isin(task, TESTS).tolist(),
        (replaced & (task == "planned replacement")).tolist(),
    )


def _rule_checks(side: Side) -> RuleChecks:
    parts, number = side.parts, 0.0
    if parts.study.rules:
        for weight, items in side.items.groupby("count"):
            rows = rule_visits(
                parts.chosen, items, parts.grids, parts.rates, parts.log.fitments, parts.study
            )
            if len(rows):
                tests = rows[rows["task"] == "rule check"]
                each = tests["positions"] * side.horizon_days / tests["interval_days"]
                number += float(each.sum()) * float(weight)  # type: ignore[arg-type]
    return RuleChecks(number, side)


def _checks_by_rule(side: Side, number: float, like: Floats) -> dict[str, Floats]:
    """Return what so many checks by rule come to; at the mean price of a check."""
    if not number:
        return {}
    price, hours = (side.items[name].mean() for name in ("cost_check", "check_hours"))
    paid = number * (0.0 if np.isnan(price) else float(price))
    return {
        "checks": np.full_like(like, number),
        "cost": np.full_like(like, paid),
        "yearly_cost": np.full_like(like, paid * DAYS_A_YEAR / side.horizon_days),
        "bay_hours": np.full_like(like, number * hours),
    }


def _add(values: dict[str, Floats], more: Mapping[str, Floats]) -> None:
    for name, value in more.items():
        values[name] = values[name] + value if name in values else value


def _summed(stratum: pd.Series, values: Floats, strata: int) -> Floats:
    sums = np.zeros((strata, values.shape[1]))
    np.add.at(sums, stratum.to_numpy(dtype=np.int64), values)
    return sums


def _cost_notes(groups: pd.DataFrame, side: Side) -> tuple[str, ...]:
    """Say which strata have no costs, so that no money is shown for them."""
    fits = side.parts.found.fits
    unpriced = sorted(set(groups.loc[groups["cost_failure"].isna(), "stratum"]))
    names = [", ".join(str(fits[key].iloc[i]) for key in side.parts.study.by) for i in unpriced]
    return (f"no cost of a failure is given for {'; '.join(names)}",) if names else ()
