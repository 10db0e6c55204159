"""Does a problem in the data matter: what each other treatment would change, in words.

Layer: present. Takes the plan's table of treatments tried; computes no statistics.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from relkit.plan.result import Plan
from relkit.plan.treatments_tried import stands_under
from relkit.present.columns import Column, value_text
from relkit.present.unknown import item_names
from relkit.present.wording import plural, task_words
from relkit.units import clock_symbol

__all__ = ["TREATMENTS_TRIED", "Tried", "leaning", "matter_sentence", "tried_each"]

#: Columns of the table of treatments tried.
TREATMENTS_TRIED = (
    Column("component", "Component", width=22, optional=True),
    Column("location", "Location", width=18, optional=True),
    Column("treatment", "Treated", width=34),
    Column("now", "Now", width=34),
    Column("alternative", "Instead", width=34),
    Column("rows", "Rows concerned", "count"),
    Column("failures", "Failures", "count"),
    Column("failures_then", "Failures then", "count"),
    Column("scale", "Weibull scale [{clock}]", "amount", width=14),
    Column("scale_then", "Scale then", "amount", width=14),
    Column("task", "Task", "task", width=16),
    Column("task_then", "Task then", width=20),
    Column("interval", "Interval [{clock}]", "exact", width=14),
    Column("interval_then", "Interval then", "exact", width=14),
    Column("change", "Change", "share"),
    Column("matters", "Matters", "flag"),
)

_MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class Tried:
    """One other treatment and what it would change."""

    treatment: str
    now: str
    then: str
    rows: str
    changed: str  #: which items it would change and how; empty: none


def tried_each(plan: Plan) -> tuple[Tried, ...]:
    """Return every treatment that was tried, those that change most items first."""
    tried = plan.treatments_tried
    if tried.empty:
        return ()
    names = pd.Series(item_names(tried, plan.study.by), index=tried.index)
    rows = []
    for (treatment, now, then), group in tried.groupby(
        ["treatment", "now", "alternative"], sort=False
    ):
        moved = group[group["matters"]]
        changes = [
            f"{names[place]}: {_then(record, plan.study.clock)}"
            for place, record in zip(moved.index, moved.to_dict("records"), strict=True)
        ]
        text = "; ".join(changes[:_MOST_NAMED])
        if len(changes) > _MOST_NAMED:
            text += f"; and {plural(len(changes) - _MOST_NAMED, 'more', 'more')}"
        count = plural(int(group["rows"].iloc[0]), "row")
        rows.append((len(moved), Tried(str(treatment), str(now), str(then), count, text)))
    return tuple(row for _, row in sorted(rows, key=lambda pair: -pair[0]))


def matter_sentence(plan: Plan) -> str:
    """Return how far the plan stands under other treatments, in one sentence."""
    tried = plan.treatments_tried
    if tried.empty:
        return "Other treatments of the data were not tried in this run."
    counts = stands_under(tried, tuple(plan.study.by))
    firm = int((counts["stands"] == counts["tried"]).sum())
    most = int(counts["tried"].max())
    ways = plural(most, "other way", "other ways")
    return (
        f"The log was treated in {ways}, one at a time: task and interval of {firm} of "
        f"{len(counts)} kinds of item stay as they are under all of them. A change counts where "
        "the task becomes another or the interval moves by 10 % or more."
    )


def leaning(plan: Plan) -> tuple[str, ...]:
    """Return for each row of the intervals which treatment it leans on; blank: not tried."""
    if plan.treatments_tried.empty:
        return ("",) * len(plan.intervals)
    by = list(plan.study.by)
    counts = stands_under(plan.treatments_tried, tuple(by))
    table = plan.intervals[by].merge(counts, on=by, how="left")
    return tuple(_leans(row, plan.study.clock) for row in table.to_dict("records"))


def _leans(row: dict[object, object], clock: str) -> str:
    tried, stands = row["tried"], row["stands"]
    if tried != tried:  # no other treatment was tried for this stratum
        return ""
    text = f"stands under {stands:.0f} of {tried:.0f} other treatments of the data"
    if not row["leans_on"]:
        return text
    return f"{text}; leans most on this one: {row['leans_on']} ({_then(row, clock)})"


def _then(record: dict[object, object], clock: str) -> str:
    """Return task and interval under the other treatment."""
    task = str(record["task_then"])
    verb = task if task == "no lives left" else task_words(task).verb.lower()
    interval = record["interval_then"]
    if interval != interval:
        return verb
    text = value_text(Column("interval_then", "", "exact"), interval)
    return f"{verb} every {text} {clock_symbol(clock)}"
