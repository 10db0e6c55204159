"""The page's sections on money, visits, hidden functions and job cards: sentences and tables.

Layer: present. Chooses, sums and words what a plan's tables already hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from relkit.plan.budget import ALL, WHOLE
from relkit.plan.result import Plan
from relkit.present.shown import ShownTable, shown_table
from relkit.present.unknown import item_names
from relkit.present.wording import day, listed, money, number, plural, sentence, task_words
from relkit.present.work_columns import BUDGET, DAILY_CHECKS, VIEWS, WARRANTY

__all__ = ["Card", "CardJob", "GroupingCost", "cards_of", "work_context"]

#: Vehicles whose next visit the page lists; the job cards and tables have all.
_MOST_VISITS = 10


@dataclass(frozen=True, slots=True)
class CardJob:
    """One line of a job card."""

    verb: str
    mark: str
    item: str
    serial: str
    why: str
    test: str
    rows: str
    at_once: bool


@dataclass(frozen=True, slots=True)
class Card:
    """What to do at one vehicle's next visit."""

    vehicle: str
    when: str
    service: str
    hours: str
    jobs: tuple[CardJob, ...]


@dataclass(frozen=True, slots=True)
class GroupingCost:
    """What putting jobs together costs one component over the time planned."""

    item: str
    jobs: str
    cost: str


def work_context(plan: Plan) -> dict[str, Any]:
    """Return what the templates of the work need; empty parts are left out by them."""
    cards = cards_of(plan)
    return {
        "money_lines": _money_lines(plan),
        "budget_all": _budget_table(plan),
        "budget_items": _budget_items(plan),
        "warranty_lines": _warranty_lines(plan),
        "warranty": _table(plan, "warranty", WARRANTY, ("missed_rows", "note")),
        "visit_lines": _visit_lines(plan),
        "grouping_costs": _grouping_costs(plan),
        "next_visits": cards[:_MOST_VISITS],
        "card_count": plural(len(cards), "card"),
        "more_cards": max(len(cards) - _MOST_VISITS, 0),
        "hidden_lines": _hidden_lines(plan),
        "daily_checks": _table(plan, "daily_checks", DAILY_CHECKS, ()),
        "views_shown": _table(plan, "views", VIEWS, ("vehicles",)),
    }


def cards_of(plan: Plan) -> tuple[Card, ...]:
    """Return one card per vehicle, the earliest visit first."""
    table = plan.job_cards
    if table.empty:
        return ()
    names = item_names(table, ("component", "location"))
    table = table.assign(
        name=names,
        order=[task_words(str(task)).order for task in table["task"]],
        at_once=table["at_once"].fillna(False).astype(bool),
    )
    table = table.sort_values(["on", "vehicle", "order", "name"], kind="stable")
    cards = []
    for vehicle, rows in table.groupby("vehicle", sort=False):
        first = rows.iloc[0]
        hours = float(rows["bay_hours"].astype(float).sum())
        cards.append(
            Card(
                vehicle=str(vehicle),
                when=day(first["on"]),
                service=str(first["service"]),
                hours=f"{number(hours)} h in the bay" if hours > 0 else "",
                jobs=tuple(_card_job(row) for row in rows.to_dict("records")),
            )
        )
    return tuple(cards)


def _card_job(row: dict[Any, Any]) -> CardJob:
    words = task_words(str(row["task"]))
    serial = "" if row["item"] is None or row["item"] != row["item"] else str(row["item"])
    return CardJob(
        verb=words.verb,
        mark=words.mark,
        item=row["name"],
        serial="" if serial.startswith("item ") else serial,
        why=sentence(str(row["why"])),
        test=sentence(str(row["test"])),
        rows="" if row["opened_by"] != row["opened_by"] else str(row["opened_by"] or ""),
        at_once=bool(row["at_once"]),
    )


def _whole(plan: Plan) -> pd.Series | None:
    """Return the row of the budget that holds all components and quarters; None: no budget."""
    if "quarter" not in plan.budget or plan.budget.empty:
        return None
    rows = plan.budget[(plan.budget["component"] == ALL) & (plan.budget["quarter"] == WHOLE)]
    return rows.iloc[0] if len(rows) else None


def _money_lines(plan: Plan) -> tuple[str, ...]:
    row = _whole(plan)
    if row is None:
        return ()
    months = f"{plan.study.decision.horizon_months:g} months"
    lines = [
        f"Over the next {months}: {row['failures']:,.0f} failures are expected "
        f"({row['failures_lower']:,.0f} to {row['failures_upper']:,.0f}), "
        f"{row['planned']:,.0f} planned replacements ({row['planned_lower']:,.0f} to "
        f"{row['planned_upper']:,.0f}) and {row['checks']:,.0f} tests and looks."
    ]
    currency = plan.study.costs.currency
    if row["cost"] == row["cost"]:
        lines.append(
            f"They cost about {money(row['cost'], currency)} ({number(row['cost_lower'])} to "
            f"{number(row['cost_upper'])}): failures {number(row['cost_failures'])}, planned work "
            f"{number(row['cost_planned'])}, tests {number(row['cost_checks'])}, special visits "
            f"{number(row['cost_visits'])}."
        )
    extra = _practice_line(plan)
    return tuple([*lines, *([extra] if extra else [])])


def _practice_line(plan: Plan) -> str:
    """Return what today's practice would cost more, per year of present use."""
    table = plan.intervals
    if "practice_extra" not in table:
        return ""
    better = table[(table["practice_extra"] > 0) & table["interval"].notna()]
    if better.empty:
        return ""
    best = better.assign(name=item_names(better, plan.study.by)).nlargest(3, "practice_regret")
    parts = [
        f"{row['name']} ({100 * row['practice_regret']:.0f} % over the best)"
        for row in best.to_dict("records")
        if row["practice_regret"] == row["practice_regret"]
    ]
    return f"Today's practice costs most more at {listed(parts)}." if parts else ""


def _budget_table(plan: Plan) -> ShownTable | None:
    if _whole(plan) is None:
        return None
    rows = plan.budget[plan.budget["component"] == ALL]
    columns = tuple(c for c in BUDGET if c.name not in ("component", "note"))
    return shown_table("budget", rows, columns, plan.study.clock)


def _budget_items(plan: Plan) -> ShownTable | None:
    if _whole(plan) is None:
        return None
    rows = plan.budget[(plan.budget["quarter"] == WHOLE) & (plan.budget["component"] != ALL)]
    hidden = ("quarter", "visits", "cost_visits")
    columns = tuple(c for c in BUDGET if c.name not in hidden)
    return shown_table("budget_items", rows, columns, plan.study.clock)


def _table(plan: Plan, name: str, columns: tuple[Any, ...], hidden: tuple[str, ...]) -> Any:
    table = getattr(plan, name)
    if table.empty:
        return None
    shown = tuple(c for c in columns if c.name not in hidden)
    return shown_table(name, table, shown, plan.study.clock, most=200)


def _warranty_lines(plan: Plan) -> tuple[str, ...]:
    lines = []
    for row in plan.warranty.to_dict("records"):
        if row["failures_inside"] != row["failures_inside"]:
            lines.append(sentence(f"{row['component']}: {row['note']}"))
            continue
        worth = ""
        if row["value_missed"] == row["value_missed"] and row["missed"]:
            worth = f", worth {money(row['value_missed'], plan.study.costs.currency)}"
        lines.append(
            sentence(
                f"{row['component']}, {row['terms']}: {row['missed']:,.0f} of "
                f"{plural(row['failures_inside'], 'failure')} inside the warranty were not "
                f"claimed{worth}; {number(row['expected'])} more to expect"
            )
        )
        if row["note"]:
            lines.append(sentence(str(row["note"])))
    return tuple(lines)


def _visit_lines(plan: Plan) -> tuple[str, ...]:
    groups = plan.visit_groups
    if "vehicle_cost" not in groups or groups.empty:
        return ()
    each = groups.drop_duplicates("vehicle")
    together, alone = float(each["vehicle_cost"].sum()), float(each["vehicle_cost_alone"].sum())
    currency = plan.study.costs.currency
    made = groups[groups["visit"].notna()]
    visits = made.drop_duplicates(["vehicle", "visit"])
    special = int((visits["service"] == "special visit").sum())
    lines = [
        f"{plural(len(made), 'job')} of {plural(len(each), 'vehicle')} fit into "
        f"{plural(len(visits), 'visit')}, {special:,} of them special visits.",
        f"Set-ups and moved jobs cost {money(together, currency)}; each job at its own best time "
        f"would cost {money(alone, currency)}.",
    ]
    states = groups.drop_duplicates("vehicle")["status"].value_counts()
    lines += [
        sentence(f"{plural(count, 'vehicle')}: {status}")
        for status, count in states.items()
        if status != "ok"
    ]
    return tuple(lines)


def _grouping_costs(plan: Plan) -> tuple[GroupingCost, ...]:
    groups = plan.visit_groups
    if "grouping_cost" not in groups or groups.empty:
        return ()
    own = groups[groups["grouping_cost"].notna() & (groups["task"] != "rule check")]
    table = own.groupby("component").agg(jobs=("task", "size"), cost=("grouping_cost", "sum"))
    currency = plan.study.costs.currency
    return tuple(
        GroupingCost(str(name), f"{row['jobs']:,.0f}", money(row["cost"], currency))
        for name, row in table.sort_values("cost", ascending=False).iterrows()
    )


def _hidden_lines(plan: Plan) -> tuple[str, ...]:
    views = [sentence(f"{row['view']}: {row['verdict']}") for row in plan.views.to_dict("records")]
    checks = [
        sentence(f"{name}: {row['verdict']}")
        for name, row in zip(
            item_names(plan.daily_checks, plan.study.by) if len(plan.daily_checks) else [],
            plan.daily_checks.to_dict("records"),
            strict=True,
        )
    ]
    return tuple([*views, *checks][:8])
