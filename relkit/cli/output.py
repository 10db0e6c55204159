"""What the commands print: accounts of rows, findings, the interval table, where the pages are.

Layer: cli. Texts only; the numbers come from the plan, their form from present.
"""

from __future__ import annotations

import re
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.columns import FINDINGS, Column, range_text, value_text
from relkit.present.decision_figures import STATES
from relkit.present.page_parts import facts, in_task_order, row_accounts
from relkit.present.text_table import text_table
from relkit.present.unknown import item_names
from relkit.present.wording import UNKNOWN, listed, plural, sentence, task_words
from relkit.units import clock_symbol

__all__ = [
    "accounts_text",
    "files_text",
    "findings_text",
    "interval_text",
    "limits_text",
    "line_width",
    "lives_text",
    "plan_text",
    "set_aside_text",
    "written_text",
]

_SEVERITIES = ("limits", "look", "information")
_IN_BRACKETS = re.compile(r"\s*\([^)]*\)")


def line_width() -> int:
    """Return the width to print at: the terminal's, from 60 to 120; 100 elsewhere."""
    if not sys.stdout.isatty():
        return 100
    return min(max(shutil.get_terminal_size((100, 40)).columns, 60), 120)


def interval_text(plan: Plan, *, width: int = 100) -> str:
    """Return the interval table: item, failures, task, interval, range, when, what sets it.

    Items without an interval follow in a line per task, their failures in brackets.
    """
    unit = clock_symbol(plan.study.clock)
    table = plan.intervals.assign(name=item_names(plan.intervals, plan.study.by))
    table = in_task_order(table)
    regular = table[table["interval"].notna()]
    rows = [_interval_row(row) for row in regular.to_dict("records")]
    titles = ("item", "failures", "task", f"every [{unit}]", "range", "when", "set by")
    numeric = (False, True, False, True, True, False, False)
    parts = [text_table(titles, rows, numeric=numeric, width=width)] if rows else []
    rest = table[table["interval"].isna()]
    for task, group in rest.groupby("task", sort=False):
        names = "; ".join(
            f"{row['name']} ({row['failures']:,.0f})" for row in group.to_dict("records")
        )
        parts.append(_filled(f"{task_words(str(task)).verb}: {names}", width))
    return "\n\n".join(parts)


def _interval_row(row: Mapping[Any, Any]) -> tuple[str, ...]:
    exact = Column("interval", "", "exact")
    return (
        row["name"],
        f"{row['failures']:,.0f}",
        task_words(row["task"]).verb.lower(),
        value_text(exact, row["interval"]),
        range_text(exact, row["interval_lower"], row["interval_upper"]) or UNKNOWN,
        _IN_BRACKETS.sub("", row["schedule"]),  # the interval has a column of its own
        row["binding"],
    )


def plan_text(plan: Plan, *, width: int = 100) -> str:
    """Return the interval table with what has to be known beside it."""
    about = "\n".join(f"{name}: {text}" for name, text in facts(plan)[:3])
    counts = {state: int((plan.due["state"] == state).sum()) for state in STATES[:4]}
    due = listed([f"{count:,} {state}" for state, count in counts.items() if count])
    lines = [
        plan.study.name,
        about,
        "",
        interval_text(plan, width=width),
        "",
        f"Due list: {due or 'nothing is due'}.",
        *(f"Note: {text}" for text in plan.warnings),
        "Statutory, manufacturer's and company checks come first; no interval lengthens them.",
    ]
    return "\n".join(_filled(line, width) for line in lines)


def files_text(files: pd.DataFrame, *, width: int = 100) -> str:
    """Return which files were read and how."""
    names = ("file", "kind", "rows", "encoding", "date_format", "columns_dropped")
    titles = ("file", "table", "rows", "encoding", "dates", "dropped (names)")
    rows = [[str(row[name]) for name in names] for row in files.to_dict("records")]
    numeric = [name == "rows" for name in names]
    return text_table(titles, rows, numeric=numeric, width=width)


def accounts_text(row_classes: pd.DataFrame) -> str:
    """Return per table: rows read = rows used + rows set aside."""
    return "\n".join(
        f"{account.kind}: {plural(account.read, 'row')} read = {account.used:,} used "
        f"+ {account.set_aside:,} set aside"
        for account in row_accounts(row_classes)
    )


def findings_text(findings: pd.DataFrame, *, width: int = 100) -> str:
    """Return what was noticed, what limits the analysis first."""
    chosen = [column for column in FINDINGS if column.name in ("severity", "what", "rows", "done")]
    order = {severity: place for place, severity in enumerate(_SEVERITIES)}
    rank = findings["severity"].map(order).fillna(len(order))
    findings = findings.assign(rank=rank).sort_values("rank", kind="stable")
    rows = [
        [value_text(column, row[column.name]) for column in chosen]
        for row in findings.to_dict("records")
    ]
    titles = [column.title.lower() for column in chosen]
    return text_table(titles, rows, numeric=[column.numeric for column in chosen], width=width)


def limits_text(findings: pd.DataFrame, refusal: str = "", *, width: int = 100) -> str:
    """Return what limits the analysis, why no lives can be built first."""
    limits = [f"No lives can be built: {refusal}"] * bool(refusal)
    limits += findings.loc[findings["severity"] == "limits", "what"].tolist()
    lines = [
        textwrap.fill(sentence(text), width, initial_indent="- ", subsequent_indent="  ")
        for text in limits
    ]
    return "\n".join(lines) or "Nothing that was noticed."


def lives_text(lives: pd.DataFrame, *, width: int = 100) -> str:
    """Return how many lives there are and how they ended."""
    ends = lives["ended_by"].value_counts()
    told = listed([f"{count:,} {end}" for end, count in ends.items()], most=len(ends))
    positions = len(lives[["vehicle", "component", "location"]].drop_duplicates())
    text = (
        f"{plural(len(lives), 'life', 'lives')} at {plural(positions, 'position')}; "
        f"ended by: {told or 'nothing'}"
    )
    return textwrap.fill(text, width)


def set_aside_text(set_aside: pd.DataFrame, *, width: int = 100) -> str:
    """Return how many rows were set aside for each reason, where the first is, what mends it."""
    groups = set_aside.groupby(["kind", "reason"], sort=True)
    table = groups.agg(rows=("source", "size"), first=("source", "first"), mend=("mend", "first"))
    table = table.sort_values("rows", ascending=False, kind="stable").reset_index()
    rows = [
        [row["kind"], row["reason"], f"{row['rows']:,}", row["first"], row["mend"]]
        for row in table.to_dict("records")
    ]
    titles = ("table", "reason", "rows", "first of them", "what would mend it")
    return text_table(titles, rows, numeric=[False, False, True, False, False], width=width)


def written_text(paths: Sequence[tuple[str, Path]]) -> str:
    """Return where the outputs are."""
    longest = max(len(name) for name, _ in paths)
    return "\n".join(f"{name.ljust(longest)}  {path}" for name, path in paths)


def _filled(text: str, width: int) -> str:
    """Wrap a line that is too long; tables, which have several lines, stay as they are."""
    return text if "\n" in text else textwrap.fill(text, width, subsequent_indent="  ")
