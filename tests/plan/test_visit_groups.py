"""Jobs put together at visits: on small studies whose best plan can be seen or tried out."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise, product

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.plan.parts import PlanParts, parts_of
from relkit.plan.result import Plan
from relkit.plan.rule_checks import rule_due
from relkit.plan.service_dates import service_dates
from relkit.plan.visit_groups import VISIT_GROUP_COLUMNS, visit_groups
from relkit.plan.visit_tasks import VisitTimes, group_tasks, penalties
from relkit.study.settings import Study

SERVICE = '[[services]]\nname = "250 h service"\nevery = ["250 engine_hours"]\n'
HIDDEN = "[[functions]]\nevident = false\ntarget_unavailability = 0.05\n"
COSTS = (
    "[costs]\nvisit = 45\n\n[[costs.items]]\nplanned = 100\nfailure = 900\ncheck = 5\n"
    "planned_hours = 2\ncheck_hours = 0.5\n"
)


def parts_from(study: Study) -> PlanParts:
    return parts_of(relkit.read_log(study), study)


def test_without_the_cost_of_a_visit_nothing_is_put_together(
    made_plan: Callable[..., Plan],
) -> None:
    plan = made_plan(SERVICE + HIDDEN + COSTS.replace("visit = 45\n", ""))
    assert plan.visit_groups.empty
    assert not len(plan.visit_groups.columns)


def test_every_test_is_done_within_its_interval_and_services_cost_no_set_up(
    made_study: Callable[..., Study],
) -> None:
    # Source: the definition of a maximum, checked visit by visit; use by the vehicle's own meter.
    study = made_study(SERVICE + HIDDEN + COSTS)
    parts = parts_from(study)
    table = visit_groups(parts)
    assert list(table.columns) == list(VISIT_GROUP_COLUMNS)
    assert (table["status"] == "ok").all()
    tested = table[(table["task"] == "failure-finding") & table["visit"].notna()]
    assert len(tested)
    intervals = parts.visits.set_index("stratum")["interval"]
    items = parts.items.set_index(["vehicle", "component", "location"])
    for key, rows in tested.groupby(["vehicle", "component", "location"]):
        stratum = items.loc[key, "stratum"]
        ages = rows.sort_values("on")["age_then"].to_numpy(dtype=float)
        assert (np.diff(ages) <= intervals[stratum] * (1 + 1e-9)).all()
    assert (table.loc[table["service"] != "special visit", "set_up_cost"].fillna(0) == 0).all()
    first = table[table["service"] == "special visit"].drop_duplicates(["vehicle", "visit"])
    assert first["set_up_cost"].eq(45).all()
    each = table.drop_duplicates("vehicle")
    assert (each["vehicle_cost"] <= each["vehicle_cost_alone"] + 1e-6).all()


def small_vehicle(made_study: Callable[..., Study], vehicle: str) -> tuple:
    parts = parts_from(made_study(SERVICE + HIDDEN + COSTS))
    until = pd.Timestamp(parts.tables.observed_until)
    by_rule = rule_due(
        parts.chosen, parts.items, parts.rates, parts.log.fitments, parts.study, until
    )
    tasks = group_tasks(parts, until, by_rule)
    return parts, tasks[tasks["vehicle"] == vehicle].reset_index(drop=True)


def test_the_plan_of_a_vehicle_equals_every_choice_tried_out(
    made_study: Callable[..., Study],
) -> None:
    # Source: brute force over all subsets of visits for each job, from the same penalties.
    from relkit.decisions.visits import grouped_visits

    parts, tasks = small_vehicle(made_study, "V2")
    days = np.array([1.0, 40.0, 80.0, 120.0])
    use = float(parts.rates.loc["V2", "engine_hours"])
    visits = VisitTimes(
        days=days,
        clock=days * use,
        service=("special visit", "s", "special visit", "s"),
        set_up=np.array([45.0, 0.0, 45.0, 0.0]),
        downtime=np.array([0.0, 10.0, 0.0, 20.0]),
        horizon_days=150.0,
        horizon_clock=150.0 * use,
    )
    cost, _ = penalties(tasks, visits, parts)
    found = grouped_visits(cost, set_up=visits.set_up)
    cost = cost[np.isfinite(found.penalty_alone)]  # the others have no visit in time
    assert len(cost) >= 2
    best = np.inf
    for made in product([False, True], repeat=4):
        total = float(visits.set_up[list(made)].sum())
        for job in cost:
            ways = []
            for done in product([False, True], repeat=4):
                if any(d and not m for d, m in zip(done, made, strict=True)):
                    continue
                places = [0, *[k + 1 for k in range(4) if done[k]], 5]
                ways.append(sum(job[a, b] for a, b in pairwise(places)))
            total += min(ways)
        best = min(best, total)
    assert found.total_cost == pytest.approx(best, rel=1e-9)


def test_a_bay_that_is_full_is_said_and_the_work_that_cannot_wait_stands(
    made_study: Callable[..., Study],
) -> None:
    bays = "[[bays]]\nhours_per_week = 0.1\n"
    table = visit_groups(parts_from(made_study(SERVICE + HIDDEN + COSTS + bays)))
    assert table["status"].str.contains("bay hours").any()
    assert table["visit"].notna().any()


def test_bay_hours_are_shared_out_week_by_week(made_study: Callable[..., Study]) -> None:
    # Source: the definition: vehicles whose plan keeps the hours together stay within them.
    bays = "[[bays]]\nhours_per_week = 6\n"
    table = visit_groups(parts_from(made_study(SERVICE + HIDDEN + COSTS + bays)))
    ok = table[(table["status"] == "ok") & table["on"].notna()]
    until = pd.Timestamp("2024-01-01")
    week = ((ok["on"] - until).dt.days // 7).astype(int)
    assert (ok.groupby(week)["bay_hours"].sum() <= 6 + 1e-9).all()


def test_services_follow_each_other_at_their_spacing(made_study: Callable[..., Study]) -> None:
    # Source: by hand: 4 h a day: 250 h every 62.5 days; the last visit on 2023-12-01, 31 days ago.
    study = made_study(SERVICE, inspections=["2023-12-01,V2,,,pass"])
    parts = parts_from(study)
    dates = service_dates(parts, parts.ahead, days=200.0)
    mine = dates[dates["vehicle"] == "V2"]["days"].to_numpy()
    assert mine == pytest.approx([31.5, 94.0, 156.5], abs=1.5)
    other = dates[dates["vehicle"] == "V1"]["days"].to_numpy()  # no visit known: half has passed
    assert other[0] == pytest.approx(62.5, abs=1.5)


def test_a_fixed_day_is_a_service_too(made_study: Callable[..., Study]) -> None:
    # Source: by hand: 1 March 2024 lies 60 days after 2024-01-01.
    fixed = SERVICE.replace("250 engine_hours", "5000 engine_hours") + 'on = ["03-01"]\n'
    parts = parts_from(made_study(fixed))
    dates = service_dates(parts, parts.ahead, days=200.0)
    assert dates.loc[dates["vehicle"] == "V1", "days"].tolist() == pytest.approx([60.0])


def test_a_season_of_dear_downtime_moves_work_out_of_it(made_study: Callable[..., Study]) -> None:
    # Source: by hand: the extra cost of an hour above the cheapest month, times the bay hours.
    downtime = "[[costs.downtime]]\nper_hour = 140\nmonths = [1, 2]\n"
    study = made_study(
        SERVICE + HIDDEN + COSTS.replace("[[costs.items]]", downtime + "\n[[costs.items]]")
    )
    parts = parts_from(study)
    plain = parts_from(made_study(SERVICE + HIDDEN + COSTS, folder="plain"))

    def in_season(given: PlanParts) -> float:
        table = visit_groups(given)
        return float(table.loc[table["on"].dt.month.isin([1, 2]), "bay_hours"].sum())

    assert in_season(parts) <= in_season(plain)
