"""The first screen: what to do, where it hurts, what is not known, what is due, in plain words.

Layer: present. Chooses, orders and words what a plan already holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from relkit.plan.result import Plan
from relkit.present.decision_figures import STATES
from relkit.present.unknown import NOTHING_LOST, item_names, unknowns
from relkit.present.wording import (
    listed,
    number,
    number_range,
    percent,
    percent_range,
    plural,
    rate_unit,
    sentence,
    step,
    task_words,
)

__all__ = [
    "Answer",
    "Hurt",
    "Idle",
    "Job",
    "ServiceCard",
    "about",
    "due_counts",
    "hurts",
    "left_alone",
    "service_cards",
    "short_answers",
]

_NO_TASK = ("run to failure", "find the cause", "too few failures to tell")


@dataclass(frozen=True, slots=True)
class Answer:
    """One of the four short answers: question, headline and a few lines."""

    anchor: str
    question: str
    headline: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Job:
    """One line of a service card."""

    verb: str
    mark: str
    item: str
    when: str
    interval: str
    why: str
    binding: str
    count: str
    mend: str = ""  #: what to do where no service comes that often


@dataclass(frozen=True, slots=True)
class Idle:
    """Kinds of item that have no regular work, for one reason."""

    verb: str
    items: tuple[str, ...]
    why: str
    count: str


@dataclass(frozen=True, slots=True)
class ServiceCard:
    """What to do with one class of vehicles at one service."""

    vehicles: str
    service: str
    vehicle_count: str
    jobs: tuple[Job, ...]


@dataclass(frozen=True, slots=True)
class Hurt:
    """How often one kind of item fails: the rate and the count beside it."""

    item: str
    rate: str
    range: str
    failures: str
    positions: str
    bar: float  #: length against the longest [%]


def short_answers(plan: Plan) -> tuple[Answer, ...]:
    """Return the four answers of the first screen."""
    return (_what_to_do(plan), _where_it_hurts(plan), _what_is_unknown(plan), _what_is_due(plan))


def service_cards(plan: Plan) -> tuple[ServiceCard, ...]:
    """Return what to do at each service of each class of vehicles, replacements first."""
    visits = plan.visits[~plan.visits["task"].isin(_NO_TASK)].copy()
    visits["name"] = item_names(visits, plan.study.by)
    visits["order"] = [
        task_words(task).order + 10 * (nth == 0)
        for task, nth in zip(visits["task"], visits["every_nth"], strict=True)
    ]
    cards = []
    for (vehicles, service), rows in visits.groupby(["vehicles", "service"], sort=False):
        records = rows.sort_values(["order", "every_nth", "name"]).to_dict("records")
        cards.append(
            ServiceCard(
                vehicles=str(vehicles),
                service=str(service),
                vehicle_count=plural(rows["vehicle_count"].max(), "vehicle"),
                jobs=tuple(_job(row, plan.study.clock) for row in records),
            )
        )
    return tuple(cards)


def left_alone(plan: Plan) -> tuple[Idle, ...]:
    """Return the items without work at a service; those with one reason stand together."""
    rows = plan.intervals[plan.intervals["task"].isin(_NO_TASK)].copy()
    rows["name"] = item_names(rows, plan.study.by)
    rows["order"] = [task_words(task).order for task in rows["task"]]
    groups = rows.sort_values(["order", "name"]).groupby(["order", "task", "why"], sort=False)
    return tuple(
        Idle(
            verb=task_words(str(task)).verb,
            items=tuple(group["name"]),
            why=sentence(str(why)),
            count=plural(group["positions"].sum(), "position"),
        )
        for (_, task, why), group in groups
    )


def hurts(plan: Plan) -> tuple[Hurt, ...]:
    """Return how often each kind of item fails, worst rate first."""
    factor, _ = rate_unit(plan.study.clock)
    table = plan.intervals.copy()
    table["name"] = item_names(table, plan.study.by)
    table["rate"] = table["rate"].fillna(0.0)
    longest = max(float(table["rate"].max()), 1e-300)
    table = table.sort_values(["rate", "name"], ascending=[False, True])
    return tuple(
        Hurt(
            item=row["name"],
            rate=number(row["rate"] * factor, 2),
            range=number_range(row["rate_lower"] * factor, row["rate_upper"] * factor, digits=2),
            failures=f"{row['failures']:,.0f}",
            positions=f"{row['positions']:,.0f}",
            bar=round(100 * row["rate"] / longest, 1),
        )
        for row in table.to_dict("records")
    )


def due_counts(plan: Plan) -> tuple[tuple[str, int], ...]:
    """Return each state of the due list with its number of positions, the urgent ones first."""
    return tuple((state, int((plan.due["state"] == state).sum())) for state in STATES)


def about(days: float) -> str:
    """Return calendar time as people say it.

    >>> about(91.0), about(487.0), about(12.0), about(float("nan"))
    ('13 weeks', '16 months', '12 days', '')
    """
    if not days > 0:
        return ""
    for most, unit, length in ((25, "day", 1.0), (120, "week", 7.0), (900, "month", 365.25 / 12)):
        if days < most:
            return plural(max(round(days / length), 1), unit)
    return f"{number(days / 365.25, 2)} years"


def _what_to_do(plan: Plan) -> Answer:
    tasks = plan.intervals["task"].value_counts()
    parts = [
        f"{tasks[task]} {text}"
        for task, text in (
            ("planned replacement", "to replace in time"),
            ("failure-finding", "to test"),
            ("condition inspection", "to look at"),
        )
        if task in tasks
    ]
    rest = int(tasks[tasks.index.isin(_NO_TASK)].sum())
    best = plan.intervals.assign(name=item_names(plan.intervals, plan.study.by))
    best = best[best["saving"].notna() & best["interval"].notna()]
    lines = [
        f"{row['name']}: {task_words(row['task']).verb.lower()} every "
        f"{step(row['interval'], plan.study.clock)}; saves {percent(row['saving'])} "
        f"({percent_range(row['saving_lower'], row['saving_upper'])}) of what its failures cost."
        for row in best.nlargest(2, "saving").to_dict("records")
    ]
    shortest = plan.intervals[plan.intervals["task"] == "failure-finding"].nsmallest(1, "interval")
    lines += [
        f"{name}: test every {step(row['interval'], plan.study.clock)}; nobody "
        "notices its failures."
        for name, row in zip(
            item_names(shortest, plan.study.by), shortest.to_dict("records"), strict=True
        )
    ]
    if rest:
        parts.append(f"{rest} without regular work")
    kinds = plural(len(plan.intervals), "kind of item", "kinds of item")
    headline = f"{kinds}: {listed(parts)}"
    return Answer("do", "What to do", sentence(headline), tuple(map(sentence, lines)))


def _where_it_hurts(plan: Plan) -> Answer:
    ranked = hurts(plan)
    _, per = rate_unit(plan.study.clock)
    failed = float(plan.intervals["failures"].sum())
    lines = [
        f"{hurt.item}: {hurt.rate} failures per {per} ({hurt.failures} seen)."
        for hurt in ranked[:3]
        if hurt.failures != "0"
    ]
    worst = f"{ranked[0].item} fails most often" if lines else "No failure was seen"
    headline = f"{worst}; {plural(failed, 'failure')} in all" if lines else worst
    return Answer("hurts", "Where it hurts", sentence(headline), tuple(map(sentence, lines)))


def _what_is_unknown(plan: Plan) -> Answer:
    found = unknowns(plan)
    rows, aside = len(plan.row_classes), len(plan.set_aside)
    harmless = int(plan.set_aside["reason"].isin(NOTHING_LOST).sum())
    headline = (
        f"{aside:,} of {plural(rows, 'row')} set aside, {harmless:,} of them without loss"
        if aside
        else f"All {rows:,} rows were used"
    )
    lines = tuple(item.what for item in found[:3])
    return Answer("unknown", "What we do not know", sentence(headline), lines)


def _what_is_due(plan: Plan) -> Answer:
    counts = dict(due_counts(plan))
    urgent = [f"{counts[state]:,} {state}" for state in STATES[:3] if counts[state]]
    headline = f"{listed(urgent)}: start there" if urgent else "Nothing is overdue"
    if plan.due.empty:
        return Answer("due", "What is due", "The due list is empty.", ())
    lines = [f"{plural(counts['due'], 'more position')} due next, {counts['later']:,} later."]
    first = plan.due.assign(name=item_names(plan.due, plan.study.by)).head(2)
    lines += [
        f"{row['vehicle']}, {row['name']}: {task_words(row['task']).verb.lower()} ({row['state']})."
        for row in first.to_dict("records")
    ]
    return Answer("due", "What is due", sentence(headline), tuple(map(sentence, lines)))


def _job(row: Mapping[Any, Any], clock: str) -> Job:
    words = task_words(str(row["task"]))
    nth = row.get("every_nth")
    apart = about(row.get("interval_days", float("nan")))
    interval = step(row["interval"], clock)
    return Job(
        verb=words.verb,
        mark=words.mark,
        item=str(row["name"]),
        when="" if nth is None else _every(int(nth)),
        interval=f"{interval}, about {apart}" if apart else interval,
        why=sentence(str(row["why"])),
        binding="; ".join(filter(None, (row["binding"], row.get("rule", "")))),
        count=plural(row["positions"], "position"),
        mend=_mend(row) if row.get("mend") else "",
    )


def _mend(row: Mapping[Any, Any]) -> str:
    return f"{sentence(str(row['status']))} {sentence(str(row['mend']))}"


def _every(nth: int) -> str:
    """Return which of the services: every one, every 2nd, every 3rd; 0 is between them."""
    if nth == 0:
        return "between services"
    if nth == 1:
        return "every service"
    ending = (
        {1: "st", 2: "nd", 3: "rd"}.get(nth % 10, "th") if nth % 100 not in (11, 12, 13) else "th"
    )
    return f"every {nth}{ending} service"
