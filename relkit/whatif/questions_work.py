"""Questions about the work: tests, reports, services, grouping, targets and rules.

Layer: whatif. Each function makes the scenarios of one question from a plan and a few numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.study.settings import Study
from relkit.units import CALENDAR_DAYS
from relkit.whatif.questions_defaults import hidden_items
from relkit.whatif.scenario import (
    Changes,
    CostChange,
    GroupChange,
    IntervalChange,
    Scenario,
    UseChange,
    VisitChange,
)

__all__ = [
    "drivers_report",
    "extra_visit",
    "grouped_replacement",
    "more_frequent_tests",
    "service_skipped",
    "shorter_legal_maximum",
    "tighter_target",
    "winter_downtime",
]

WINTER = (11, 12, 1, 2, 3)
_HIDDEN = ("checks", "dark_time", "dark_demands", "cost", "bay_hours")


def _tested_at_services(parts: PlanParts, factor: float = 1.0) -> tuple[IntervalChange, ...]:
    """Hidden items tested at each service of their vehicle, or at so many times its spacing."""
    changes: list[IntervalChange] = []
    for component, location in hidden_items(parts):
        changes.append(IntervalChange(component, location, task="failure-finding"))
        if factor != 1:
            changes.append(IntervalChange(component, location, factor=factor))
    return tuple(changes)


def more_frequent_tests(parts: PlanParts, *, factor: float = 0.5) -> tuple[Scenario, ...]:
    """1: hidden functions tested at a part of the service spacing instead of at each service."""
    return (
        Scenario(
            name=f"Hidden functions tested {1 / factor:g} times as often",
            question="Inspect twice as often: every 250 instead of 500 h?",
            today=Changes(intervals=_tested_at_services(parts)),
            changes=Changes(intervals=_tested_at_services(parts, factor)),
            measures=_HIDDEN,
        ),
    )


def winter_downtime(
    parts: PlanParts, *, factor: float = 2.0, months: tuple[int, ...] = WINTER
) -> tuple[Scenario, ...]:
    """2: the downtime of a failure costs more in some months; the plan is made afresh."""
    del parts
    change = Changes(costs=(CostChange(downtime_factor=factor, months=months),))
    question = "Downtime costs twice as much in winter?"
    name = f"Winter downtime costs {factor:g} times as much"
    return (
        Scenario(name=f"{name}, plan kept", question=question,
                 changes=Changes(costs=change.costs, plan="kept"),
                 measures=("failures", "planned", "cost", "yearly_cost")),
        Scenario(name=f"{name}, plan made afresh", question=question,
                 today=Changes(costs=change.costs, plan="kept"), changes=change,
                 measures=("failures", "planned", "cost", "yearly_cost")),
    )  # fmt: skip


def drivers_report(
    parts: PlanParts,
    *,
    shares: tuple[float, ...] = (0.3, 0.9),
    demands_per_day: float | None = None,
) -> tuple[Scenario, ...]:
    """3: drivers report a share of the demands on a hidden function that is failed."""
    hidden_items(parts)
    given = [s.demands_per_day for s in parts.chosen.settings if s.demands_per_day > 0]
    demands = demands_per_day or (float(np.mean(given)) if given else ASSUMED_DEMANDS)
    tested = _tested_at_services(parts)

    def use(share: float) -> tuple[UseChange, ...]:
        return (UseChange(demands_per_day=demands, reported_share=share),)

    return tuple(
        Scenario(
            name=f"Drivers report {100 * share:g} % of dark views",
            question="Drivers report only 30 % or 90 % of what they find dark?",
            today=Changes(intervals=tested, use=use(0.0)),
            changes=Changes(intervals=tested, use=use(share)),
            measures=("dark_time", "dark_demands"),
        )
        for share in shares
    )


#: Demands a day on a hidden function, where the study gives none: once a working day at least.
ASSUMED_DEMANDS = 1.0


def service_skipped(parts: PlanParts, *, service: str | None = None) -> tuple[Scenario, ...]:
    """7: the next service of some vehicles is skipped; what was due waits for the one after."""
    if not parts.grids:
        raise StudyError("the study has no service", path="study", mend="State [[services]]")
    grid = max(parts.grids, key=lambda grid: len(grid.vehicles))
    name = service or grid.name
    hidden = any(not s.evident for s in parts.chosen.settings)
    tested = _tested_at_services(parts) if hidden else ()
    return (
        Scenario(
            name=f"One {name} skipped",
            question="Skip one service (strike, snow)?",
            today=Changes(intervals=tested),
            changes=Changes(intervals=tested, visits=(VisitChange(skipped=name),)),
            measures=("failures", "planned", "checks", "dark_time", "dark_demands", "cost"),
        ),
    )


def extra_visit(
    parts: PlanParts,
    *,
    on: str = "10-01",
    where: Mapping[str, tuple[str, ...]] | None = None,
    months: tuple[int, ...] = WINTER,
) -> tuple[Scenario, ...]:
    """15: one visit more before the winter: faults found, visible defects mended beforehand."""
    vehicles = where if where is not None else _with_fixed_day(parts.study)
    hidden = any(not s.evident for s in parts.chosen.settings)
    tested = _tested_at_services(parts) if hidden else ()
    visit = VisitChange(extra_on=on, where=vehicles, months=months)
    return (
        Scenario(
            name=f"Extra visit on {on}",
            question="Pre-winter check of all salt vehicles: worth it?",
            today=Changes(intervals=tested),
            changes=Changes(intervals=tested, visits=(visit,)),
            measures=("failures", "planned", "checks", "visits", "dark_time", "cost"),
        ),
    )


def _with_fixed_day(study: Study) -> Mapping[str, tuple[str, ...]]:
    """Vehicles of the first service that has a fixed day of the year; all where none has."""
    return next((service.where for service in study.services if service.on), {})


def grouped_replacement(
    parts: PlanParts,
    *,
    location: str | None = None,
    components: tuple[str, ...] = ("camera", "cable"),
    every: str | None = None,
    set_up: float | None = None,
) -> tuple[Scenario, ...]:
    """20: items at one location replaced in one go: set-up saved, life thrown away."""
    place, names = (location, components) if location else _both_replaced(parts, components)
    length = every or _usual_interval(parts, names[0], place)
    group = GroupChange(components=names, location=place, every=length, set_up=set_up)
    return (
        Scenario(
            name=f"{' and '.join(names)} at {place} replaced together every {length}",
            question="Group camera and cable change at the 1,000 h service?",
            location=place,
            changes=Changes(groups=(group,)),
            measures=("failures", "planned", "cost", "yearly_cost"),
        ),
    )


def _both_replaced(parts: PlanParts, components: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
    """Return a location whose items of these (or any two) components are replaced by age."""
    items = parts.items[parts.items["stratum"] >= 0]
    task = parts.chosen.triage.task[items["stratum"].to_numpy(dtype=np.int64)]
    here = items.assign(task=task)
    here = here[here["task"] == "planned replacement"]
    found: dict[str, set[str]] = {}
    for place, name in zip(here["location"], here["component"], strict=True):
        found.setdefault(str(place), set()).add(str(name))
    for place in sorted(found):
        if set(components) <= found[place]:
            return place, components
    for place in sorted(found):
        if len(found[place]) > 1:
            return place, tuple(sorted(found[place])[:2])
    raise StudyError("no location has two kinds of item that are replaced by age", path="study")


def _usual_interval(parts: PlanParts, component: str, place: str) -> str:
    """Interval of the plan for a component at a location."""
    items = parts.items
    own = items[(items["component"] == component) & (items["location"] == place)]
    rows = parts.visits[parts.visits["stratum"].isin(own["stratum"])]
    return f"{float(rows['interval'].iloc[0]):.6g} {parts.study.clock}"


def tighter_target(parts: PlanParts, *, factor: float = 0.5) -> tuple[Scenario, ...]:
    """21: less time failed and unknown is tolerated of each hidden function with a target."""
    functions = [
        {"component": f.component, "location": f.location,
         "target_unavailability": f.target_unavailability * factor}
        for f in parts.study.functions
        if f.target_unavailability is not None
    ]  # fmt: skip
    if not functions:
        raise StudyError("no hidden function has a target", path="study",
                         mend="Give target_unavailability under [[functions]]")  # fmt: skip
    return (
        Scenario(
            name=f"Targets {100 * factor:g} % of today's",
            question="Safety target tightened from 2 % to 1 % dark when needed?",
            changes=Changes(study={"functions": _without_blanks(functions)}),
            measures=("checks", "dark_time", "dark_demands", "cost", "bay_hours"),
        ),
    )


def _without_blanks(entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{key: value for key, value in one.items() if value is not None} for one in entries]


def shorter_legal_maximum(parts: PlanParts, *, weeks: float = 6.0) -> tuple[Scenario, ...]:
    """22: tests that a rule asks for come due sooner, where their calendar maximum is longer."""
    days = weeks * CALENDAR_DAYS["weeks"]
    rules = []
    for rule in parts.study.rules:
        longest = [q.value for q in parts.study.quantities(rule.maximum) if q.unit == "days"]
        if rule.task == "test" and longest and days < min(longest) < YEAR:
            entry = {"name": rule.name, "component": rule.component, "location": rule.location}
            rules.append({**entry, "authority": rule.authority, "maximum": [f"{weeks:g} weeks"]})
    if not rules:
        raise StudyError("no rule of the study has a longer calendar maximum", path="study",
                         mend="Enter the rules that hold for you under [[rules]]")  # fmt: skip
    return (
        Scenario(
            name=f"Maximum of {weeks:g} weeks between tests by rule",
            question="Legal maximum shortened to 6 weeks?",
            changes=Changes(study={"rules": _without_blanks(rules)}),
            measures=("checks", "dark_time", "dark_demands", "cost", "bay_hours"),
        ),
    )


#: Rules of a year or more name a day of the year rather than an interval [d].
YEAR = 365.0
