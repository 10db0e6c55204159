"""Jobs put together at each vehicle's coming visits, within bay hours, at the least cost.

Layer: plan. Exact per vehicle; vehicles follow one another, the most urgent first, each in the
bay hours that those before it left.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.visits import NO_HOURS, NONE_FOUND, VisitPlan, grouped_visits
from relkit.plan.parts import PlanParts
from relkit.plan.rule_checks import rule_due
from relkit.plan.service_dates import service_dates
from relkit.plan.usage import matching_vehicles
from relkit.plan.use_ahead import UseAhead
from relkit.plan.visit_tasks import VisitTimes, group_tasks, penalties

__all__ = ["VISIT_GROUP_COLUMNS", "visit_groups"]

Floats = NDArray[np.float64]

#: How far ahead jobs are put together [d].
HORIZON_DAYS = 365.25
#: Special visits that are looked at per vehicle, and due days of one job.
MOST_SPECIAL, MOST_DUE = 8, 40
#: A special visit "at once" is made within so many days [d].
AT_ONCE_DAYS = 1.0
#: Part of an interval after which a repeated job is looked at again: two that fall together at
#: one visit must both be in time at the next.
EARLIER = 0.99
#: Due days within this of each other are one visit [d].
SAME_DAY = 0.5
#: Most vehicles that are worked, the most urgent first.
MOST_VEHICLES = 500
SPECIAL = "special visit"
#: What is said where the work cannot wait and the bays are full.
OVER_HOURS = (
    "the bay hours do not suffice for what cannot wait: the visits stand, and the bay needs more "
    "hours in those weeks"
)

VISIT_GROUP_COLUMNS = (
    "vehicle",
    "visit",
    "on",
    "service",
    "component",
    "location",
    "item",
    "task",
    "age_then",
    "at_once",
    "bay_hours",
    "grouping_cost",
    "set_up_cost",
    "vehicle_cost",
    "vehicle_cost_alone",
    "planned_until",
    "status",
    "opened_by",
)


def visit_groups(parts: PlanParts) -> pd.DataFrame:
    """Return which job is done at which visit of each vehicle over the year ahead.

    Needs ``costs.visit``, the set-up of a visit besides the services: without it nothing says
    what putting jobs together saves, and the table is not made.

    Returns
    -------
    DataFrame
        One row per vehicle, visit and job, ``VISIT_GROUP_COLUMNS``: ``grouping_cost`` is what
        the others' company costs that job over the year (at its first visit; 0 after) [money],
        ``vehicle_cost`` what the whole costs, ``vehicle_cost_alone`` what it would cost were
        each job done its own best way. Vehicles whose jobs do not fit have rows without a
        visit, and ``status`` says why.
    """
    if parts.study.costs.visit is None or parts.ahead is None:
        return pd.DataFrame()
    until = pd.Timestamp(parts.tables.observed_until)
    by_rule = rule_due(
        parts.chosen, parts.items, parts.rates, parts.log.fitments, parts.study, until
    )
    tasks = group_tasks(parts, until, by_rule)
    dates = service_dates(parts, parts.ahead, days=HORIZON_DAYS)
    bays = _Bays(parts)
    rows: list[pd.DataFrame] = []
    for vehicle in _most_urgent(tasks)[:MOST_VEHICLES]:
        mine = tasks[tasks["vehicle"] == vehicle].reset_index(drop=True)
        visits = _visits(mine, dates[dates["vehicle"] == vehicle], parts, until)
        rows.append(_one_vehicle(vehicle, mine, visits, parts, bays, until))
    if not rows:
        return pd.DataFrame(columns=list(VISIT_GROUP_COLUMNS))
    table = pd.concat(rows, ignore_index=True)
    return table.sort_values(["vehicle", "on", "component", "location"], kind="stable")[
        list(VISIT_GROUP_COLUMNS)
    ].reset_index(drop=True)


def _most_urgent(tasks: pd.DataFrame) -> list[str]:
    """Vehicles, those with the job that is most overdue first."""
    spent = (tasks["elapsed"] / tasks["interval"]).fillna(np.inf)
    worst = spent.groupby(tasks["vehicle"]).max()
    return [str(v) for v in worst.sort_values(ascending=False, kind="stable").index]


def _visits(
    tasks: pd.DataFrame, services: pd.DataFrame, parts: PlanParts, until: pd.Timestamp
) -> VisitTimes:
    """Services ahead, a visit at once, and visits where a job falls due between services."""
    ahead, vehicle = parts.ahead, str(tasks["vehicle"].iloc[0])
    if ahead is None:
        raise RuntimeError("use ahead is not known")
    place = ahead.vehicles.get_indexer(pd.Index([vehicle]))
    special, end = _special_days(tasks, services["days"].to_numpy(dtype=float), ahead, place)
    services = services[services["days"] < end].drop_duplicates("days")
    days = services["days"].tolist()
    whole = sorted([*((d, s) for d, s in zip(days, services["service"], strict=True)),
                    *((d, SPECIAL) for d in special if d not in days)])  # fmt: skip
    at = np.array([d for d, _ in whole])
    names = tuple(name for _, name in whole)
    used = ahead.clock_after(np.resize(place, len(at)), at)
    return VisitTimes(
        days=at,
        clock=used,
        service=names,
        set_up=np.where([n == SPECIAL for n in names], float(parts.study.costs.visit or 0.0), 0.0),
        downtime=_downtime(parts, vehicle, until, at),
        horizon_days=max(end, float(at[-1]) + 1.0),
        horizon_clock=float(ahead.clock_after(place, np.array([max(end, float(at[-1]) + 1.0)]))[0]),
    )


def _special_days(
    tasks: pd.DataFrame, services: Floats, ahead: UseAhead, place: NDArray[np.intp]
) -> tuple[list[float], float]:
    """Days of visits besides the services: at once, and at each due day of what cannot wait.

    Returns them and the end of the time planned for: a year, or the day from which more visits
    would have to be looked at than can be.
    """
    wanted: set[float] = set()
    for elapsed, interval, stratum, task in zip(
        tasks["elapsed"], tasks["interval"], tasks["stratum"], tasks["task"], strict=True
    ):
        first = interval - elapsed if elapsed < interval else interval
        amounts = first + EARLIER * interval * np.arange(MOST_DUE)
        if task == "planned replacement":
            amounts = amounts[:1]
        due = ahead.days_until(np.resize(place, len(amounts)), amounts) if stratum >= 0 else amounts
        between = [float(d) for d in due if AT_ONCE_DAYS < d < HORIZON_DAYS]
        gaps = np.diff(np.concatenate([[0.0], services[services < HORIZON_DAYS], [HORIZON_DAYS]]))
        tight = task != "planned replacement" and _least_gap(due) < gaps.max() + 1.0
        wanted |= set(between if tight or task == "planned replacement" else [])
    special = [AT_ONCE_DAYS] if services.min(initial=np.inf) > AT_ONCE_DAYS else []
    for day in sorted(wanted):
        if len(special) >= MOST_SPECIAL:
            return special, max(day, special[-1] + 1.0)
        if day - special[-1] > SAME_DAY if special else True:
            special.append(day)
    return special, HORIZON_DAYS


def _least_gap(due: Floats) -> float:
    """Least time between two due days; inf where there is one only."""
    known = due[np.isfinite(due)]
    return float(np.diff(known).min()) if len(known) > 1 else np.inf


def _downtime(parts: PlanParts, vehicle: str, until: pd.Timestamp, days: Floats) -> Floats:
    """Cost of an hour's downtime at each visit above that of the cheapest month [money/h].

    The costs of the jobs hold their downtime already: only the season makes a difference.
    """
    monthly = np.zeros(12)
    for entry in parts.study.costs.downtime:
        if vehicle in matching_vehicles(parts.log.fitments, entry.where):
            months = entry.months or tuple(range(1, 13))
            monthly[[m - 1 for m in months]] = entry.per_hour
    month = np.array([(until + pd.Timedelta(days=float(d))).month for d in days], dtype=np.int64)
    return np.asarray(monthly[month - 1] - monthly.min())


class _Bays:
    """Bay hours that are left in each week of each bay."""

    __slots__ = ("bay_of", "left")

    def __init__(self, parts: PlanParts) -> None:
        weeks = int(HORIZON_DAYS // 7) + 60
        self.left = [np.full(weeks, float(bay.hours_per_week)) for bay in parts.study.bays]
        self.bay_of: dict[str, int] = {}
        for k, bay in enumerate(parts.study.bays):
            for vehicle in matching_vehicles(parts.log.fitments, bay.where):
                self.bay_of.setdefault(vehicle, k)

    def room(self, vehicle: str, days: Floats) -> Floats:
        """Return the hours left in the weeks of these days; inf where no bay is stated."""
        bay = self.bay_of.get(vehicle)
        if bay is None:
            return np.full(len(days), np.inf)
        return self.left[bay][(days // 7).astype(np.int64)]

    def book(self, vehicle: str, days: Floats, hours: Floats) -> None:
        """Take hours out of the weeks of these days."""
        bay = self.bay_of.get(vehicle)
        if bay is not None:
            np.subtract.at(self.left[bay], (days // 7).astype(np.int64), hours)


def _one_vehicle(
    vehicle: str,
    tasks: pd.DataFrame,
    visits: VisitTimes,
    parts: PlanParts,
    bays: _Bays,
    until: pd.Timestamp,
) -> pd.DataFrame:
    cost, at_once = penalties(tasks, visits, parts)
    room = bays.room(vehicle, visits.days)
    found = grouped_visits(
        cost,
        set_up=visits.set_up,
        bay_hours=tasks["hours"].to_numpy(dtype=float),
        capacity=np.maximum(room, 0.0),
    )
    status = found.status
    if status in (NO_HOURS, NONE_FOUND):
        status = OVER_HOURS
        found = grouped_visits(cost, set_up=visits.set_up, bay_hours=tasks["hours"].to_numpy(float))
    bays.book(vehicle, visits.days, found.bay_hours)
    which, when = np.nonzero(found.done)
    planned = _rows(tasks, visits, found, which, when, until)
    planned["at_once"] = at_once[which] & (when == 0)
    planned["grouping_cost"] = np.where(
        planned.groupby(which).cumcount() == 0, found.grouping_cost[which], 0.0
    )
    missing = np.flatnonzero(~np.isfinite(found.penalty))
    without = tasks.iloc[missing].assign(at_once=at_once[missing], bay_hours=tasks["hours"])
    table = pd.concat([planned, without]) if len(missing) else planned
    return table.assign(
        vehicle=vehicle,
        vehicle_cost=found.total_cost,
        vehicle_cost_alone=found.ungrouped_cost,
        planned_until=until.normalize() + pd.Timedelta(days=int(visits.horizon_days)),
        status=status,
    )


def _rows(
    tasks: pd.DataFrame,
    visits: VisitTimes,
    found: VisitPlan,
    which: NDArray[np.intp],
    when: NDArray[np.intp],
    until: pd.Timestamp,
) -> pd.DataFrame:
    number = np.cumsum(found.made)[when]
    own = tasks.iloc[which].reset_index(drop=True)
    first = ~pd.Series(when).duplicated().to_numpy()
    dates = until.normalize() + pd.to_timedelta(np.floor(visits.days[when]), unit="D")
    return own.assign(
        visit=number,
        on=dates,
        service=np.array(visits.service, dtype=object)[when],
        age_then=own["age"].to_numpy(dtype=float) + visits.clock[when],
        bay_hours=own["hours"],
        set_up_cost=np.where(first, visits.set_up[when], 0.0),
    )
