"""Scenarios beside today: each measure's difference with a range, the same draws on both sides.

Layer: whatif. One frame of measures and one of intervals, one row per scenario and measure or item.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import generator
from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.plan.usage import matching_vehicles
from relkit.whatif.measures import MEASURES, Measured, measured, units
from relkit.whatif.scenario import Scenario
from relkit.whatif.scenario_changes import changed_side
from relkit.whatif.scenario_data import changed_data
from relkit.whatif.scenario_match import matching_items
from relkit.whatif.scenario_scope import needed_strata, scoped
from relkit.whatif.scenario_sides import Side

__all__ = [
    "DRAWS",
    "RANGE_LEVEL",
    "Compared",
    "Comparison",
    "Today",
    "compare",
    "compared",
    "comparison_of",
    "limits",
    "today_of",
]

Floats = NDArray[np.float64]

#: Draws of the parameters on each side.
DRAWS = 200
#: Share of a measure below which a difference is the grid's [1].
NOTHING = 1e-4
#: Central share of the draws that a range encloses [1].
RANGE_LEVEL = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What each scenario changes against its own today."""

    #: scenario, measure, words, today, then, difference, lower, upper, unit, probability (that
    #: the scenario is the better side; NaN where it makes no difference)
    measures: pd.DataFrame
    #: scenario, component, location, task_today, task, interval_today, interval, changed
    intervals: pd.DataFrame
    #: scenario, component, location, failures and cost, each today, then, difference, limits
    items: pd.DataFrame
    scenarios: tuple[Scenario, ...]
    notes: Mapping[str, tuple[str, ...]]  #: scenario -> what was assumed
    clock: str
    currency: str
    months: Mapping[str, float]  #: scenario -> time ahead

    def difference(self, scenario: str, measure: str) -> pd.Series:
        """Return the row of one scenario and measure.

        Raises
        ------
        KeyError
            There is no such row.
        """
        own = self.measures[
            (self.measures["scenario"] == scenario) & (self.measures["measure"] == measure)
        ]
        if own.empty:
            raise KeyError(f"{scenario}: {measure}")
        return own.iloc[0]


def compare(
    parts: PlanParts,
    scenarios: Sequence[Scenario],
    rng: np.random.Generator | int = 1,
    *,
    draws: int = DRAWS,
    progress: Callable[[str], None] | None = None,
) -> Comparison:
    """Return scenarios side by side, each as its difference from today with a range.

    Both sides take the same draws of the life parameters and the same stock, so that what they
    have in common cancels.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan, see :func:`relkit.plan.parts.parts_of`.
    scenarios : sequence of Scenario
        Any number; names must differ.
    rng : numpy.random.Generator or int
        Source of what changes of the data draw at random.
    draws : int
        Draws of the parameters; at most as many as the plan has.
    progress : callable, optional
        Called with a few words before each scenario.

    Returns
    -------
    Comparison
        Ranges enclose the central 90 % of the draws: what the log leaves unknown of the mean, not
        the play of chance of a single year.

    Raises
    ------
    StudyError
        A scenario names an unknown key or item.
    ValueError
        Two scenarios have one name.
    """
    names = [scenario.name for scenario in scenarios]
    double = sorted({name for name in names if names.count(name) > 1})
    if double:
        raise ValueError(f"two scenarios are called {double[0]!r}: give each a name of its own")
    say = progress or (lambda _: None)
    source = generator(rng)
    seeds = source.integers(0, 2**31, size=max(len(scenarios), 1))
    cells, known = [], dict[str, Today]()
    for scenario, seed in zip(scenarios, seeds, strict=False):
        say(scenario.name)
        key = _key_of_today(parts, scenario)
        if key not in known:
            known[key] = today_of(parts, scenario, draws=draws)
        cells.append(compared(parts, scenario, int(seed), draws=draws, today=known[key]))
    return comparison_of(parts, scenarios, cells)


def _key_of_today(parts: PlanParts, scenario: Scenario) -> str:
    about = (scenario.component, scenario.location, scenario.where, scenario.today)
    return repr((about, needed_strata(parts, scenario).tolist()))


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """Both sides of one scenario, per draw."""

    today: Measured
    then: Measured
    before: Side
    after: Side
    draws_today: Mapping[str, Floats]  #: measures, one value per draw, paired with those of then
    draws_then: Mapping[str, Floats]
    tasks_today: pd.DataFrame  #: task and mean interval per stratum


@dataclass(frozen=True, slots=True, eq=False)
class Today:
    """The side that scenarios are compared with, worked out once for all that share it."""

    parts: PlanParts  #: the strata that are needed
    side: Side
    measured: Measured
    tasks: pd.DataFrame  #: task and mean interval per stratum


def today_of(parts: PlanParts, scenario: Scenario, *, draws: int = DRAWS) -> Today:
    """Return today's side of a scenario."""
    narrow = scoped(parts, scenario)
    side = _scope(changed_side(narrow, scenario.today, draws=draws), scenario)
    return Today(narrow, side, measured(side), _tasks(side))


def compared(
    parts: PlanParts,
    scenario: Scenario,
    rng: np.random.Generator | int = 1,
    *,
    draws: int = DRAWS,
    today: Today | None = None,
) -> Compared:
    """Return both sides of one scenario, draw by draw; parameters as for :func:`compare`.

    ``today`` may be given where several scenarios about the same items share it.
    """
    left = today or today_of(parts, scenario, draws=draws)
    if scenario.changes.data is None:
        after = _scope(changed_side(left.parts, scenario.changes, draws=draws), scenario)
        then = measured(after, left.measured)
        totals = left.measured.totals
        return Compared(left.measured, then, left.side, after, totals, then.totals, left.tasks)
    return _with_data(parts, scenario, left, generator(rng), draws)


def _with_data(
    parts: PlanParts,
    scenario: Scenario,
    left: Today,
    rng: np.random.Generator,
    draws: int,
) -> Compared:
    """Each repeat of the changed data takes its own part of the draws."""
    data = scenario.changes.data
    others = replace(scenario.changes, data=None)
    variants = [] if data is None else list(changed_data(parts, data, rng))
    sides = [_scope(changed_side(v, others, draws=draws), scenario) for v in variants]
    results = [measured(side, left.measured) for side in sides]
    part = np.arange(draws) % len(results)
    then = {
        name: np.stack([result.totals[name] for result in results])[part, np.arange(draws)]
        for name in results[0].totals
    }
    today = left.measured
    return Compared(today, results[0], left.side, sides[0], today.totals, then, left.tasks)


def _scope(side: Side, scenario: Scenario) -> Side:
    """Only the items that the scenario is about."""
    if scenario.component is None and scenario.location is None and not scenario.where:
        return side
    rows = matching_items(side, scenario.component, scenario.location)
    fitments = side.parts.log.fitments
    rows &= side.items["vehicle"].isin(matching_vehicles(fitments, scenario.where)).to_numpy()
    if not rows.any():
        raise StudyError("no item on such vehicles", path="scenario")
    return replace(side, items=side.items[rows].reset_index(drop=True))


def comparison_of(
    parts: PlanParts, scenarios: Sequence[Scenario], cells: Sequence[Compared]
) -> Comparison:
    """Return the frames of scenarios whose sides were worked out."""
    pairs = list(zip(scenarios, cells, strict=True))
    study = parts.study
    measures = [_measure_rows(s, c, study.clock, study.costs.currency) for s, c in pairs]
    return Comparison(
        measures=pd.concat(measures, ignore_index=True) if measures else pd.DataFrame(),
        intervals=pd.concat([_interval_rows(s, c) for s, c in pairs], ignore_index=True)
        if pairs
        else pd.DataFrame(),
        items=pd.concat([_item_rows(s, c) for s, c in pairs], ignore_index=True)
        if pairs
        else pd.DataFrame(),
        scenarios=tuple(scenarios),
        notes={s.name: tuple(dict.fromkeys((*c.today.notes, *c.then.notes))) for s, c in pairs},
        clock=study.clock,
        currency=study.costs.currency,
        months={s.name: c.after.horizon_days * 12 / 365.25 for s, c in pairs},
    )


def _measure_rows(scenario: Scenario, cell: Compared, clock: str, currency: str) -> pd.DataFrame:
    rows = []
    for name, measure in MEASURES.items():
        if scenario.measures and name not in scenario.measures:
            continue
        left, right = cell.draws_today[name], cell.draws_then[name]
        if not (np.isfinite(left).all() and np.isfinite(right).all()):
            continue
        if not (left.any() or right.any()):
            continue
        change = right - left
        size = max(float(np.abs(left).mean()), float(np.abs(right).mean()))
        change[np.abs(change) < NOTHING * size] = 0.0
        rows.append(
            {
                "scenario": scenario.name,
                "measure": name,
                "words": measure.words,
                "today": float(left.mean()),
                "then": float(right.mean()),
                **limits(change),
                "unit": units(name, clock, currency),
                "probability": _better(change * measure.better),
            }
        )
    return pd.DataFrame(rows, columns=_MEASURE_COLUMNS)


_MEASURE_COLUMNS = [
    *("scenario", "measure", "words", "today", "then", "difference", "lower", "upper"),
    *("unit", "probability"),
]


def limits(change: Floats, level: float = RANGE_LEVEL) -> dict[str, float]:
    """Return the mean of a difference over the draws with the ends of its range."""
    tail = (1 - level) / 2
    lower, upper = np.quantile(change, [tail, 1 - tail])
    return {"difference": float(change.mean()), "lower": float(lower), "upper": float(upper)}


def _better(gain: Floats) -> float:
    """Share of the draws in which the scenario is the better side; NaN where nothing differs."""
    return float((gain > 0).mean()) if (np.abs(gain) > 0).any() else float("nan")


def _interval_rows(scenario: Scenario, cell: Compared) -> pd.DataFrame:
    both = cell.tasks_today.join(_tasks(cell.after), how="outer", lsuffix="_today")
    both = both.reset_index().assign(scenario=scenario.name)
    same = (both["task_today"] == both["task"]) & (
        np.isclose(both["interval_today"], both["interval"], rtol=0.005, equal_nan=True)
    )
    names = ["scenario", "component", "location", "task_today", "task", "interval_today"]
    return both.assign(changed=~same)[[*names, "interval", "changed"]]


def _tasks(side: Side) -> pd.DataFrame:
    """Task and mean interval per stratum, by the names of its component and place."""
    items = side.items.drop_duplicates(["vehicle", "stratum", "interval"])
    by = items.groupby("stratum").agg(task=("task", "first"), interval=("interval", "mean"))
    fits = side.parts.found.fits.iloc[by.index.to_numpy(dtype=np.int64)]
    for name in ("component", "location"):
        by[name] = fits[name].to_numpy() if name in fits else ""
    return by.set_index(["component", "location"])


def _item_rows(scenario: Scenario, cell: Compared) -> pd.DataFrame:
    """Failures and cost per stratum, where both sides have the same strata."""
    fits, after = cell.before.parts.found.fits, cell.after.parts.found.fits
    keys = [name for name in ("component", "location") if name in fits]
    if not fits[keys].equals(after[keys]):
        return pd.DataFrame()
    table = fits[keys].assign(scenario=scenario.name)
    for name in ("failures", "cost"):
        left, right = cell.today.by_stratum[name], cell.then.by_stratum[name]
        change = right - left
        lower, upper = np.quantile(change, [0.05, 0.95], axis=1)
        table[f"{name}_today"] = left.mean(axis=1)
        table[f"{name}_then"] = right.mean(axis=1)
        table[f"{name}_difference"] = change.mean(axis=1)
        table[f"{name}_lower"], table[f"{name}_upper"] = lower, upper
    shown = (table["failures_today"] > 0) | (table["failures_then"] > 0)
    return table[shown].reset_index(drop=True)
