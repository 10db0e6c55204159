"""Displays for notebooks: tables, lists and cautions that read well and compare exactly.

Layer: present. Each display is text and HTML of the same numbers, rounded as on the page.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.cautions import CAUTIONS
from relkit.present.columns import (
    DUE,
    FINDINGS,
    FITS,
    INTERVALS,
    SET_ASIDE,
    SPARES,
    VISITS,
    Column,
)
from relkit.present.page_parts import (
    in_task_order,
    item_panel,
    item_table,
    overview_figures,
    row_accounts,
)
from relkit.present.shown import ShownTable, shown_table
from relkit.present.text_table import text_table

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "Display",
    "displayed",
    "show_accounts",
    "show_cautions",
    "show_classes",
    "show_figure",
    "show_findings",
    "show_intervals",
    "show_item",
    "show_overview",
    "show_set_aside",
    "show_table",
    "show_why",
]

_PLAN_TABLES = {
    "intervals": INTERVALS,
    "visits": VISITS,
    "due": DUE,
    "spares": SPARES,
    "fits": FITS,
    "findings": FINDINGS,
    "set_aside": SET_ASIDE,
}
#: Columns that a notebook leaves to the page and the workbook.
_TOO_WIDE = {
    "visits": ("vehicle_count", "status", "mend", "why"),
    "due": ("class", "opened_by"),
    "intervals": ("why_not_longer", "why_not_shorter", "rule_check", "refused", "warnings"),
}
_IN_SHORT = ("component", "task", "interval", "schedule", "binding", "failures", "saving")


@dataclass(frozen=True, slots=True)
class Display:
    """Something to show: HTML in a notebook, text in a terminal."""

    text: str
    html: str

    def __repr__(self) -> str:
        """Return the text."""
        return self.text

    def _repr_html_(self) -> str:
        return self.html


def show_table(plan: Plan, name: str, *, most: int = 30) -> Display:
    """Show a table of the plan: intervals, visits, due, spares, fits, findings or set_aside.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    name : str
        Of the table.
    most : int
        Largest number of rows to show.

    Raises
    ------
    ValueError
        There is no table of that name.
    """
    if name not in _PLAN_TABLES:
        raise ValueError(f"no table is called {name!r}; there are: {', '.join(_PLAN_TABLES)}")
    columns = tuple(c for c in _PLAN_TABLES[name] if c.name not in _TOO_WIDE.get(name, ()))
    if name in ("spares", "findings", "set_aside"):
        shown = shown_table(name, getattr(plan, name), columns, plan.study.clock, most=most)
    else:
        shown = item_table(plan, name, columns, most=most)
    return _display(shown)


def show_intervals(plan: Plan) -> Display:
    """Show the interval of each item in short: task, interval, range, when, what sets it."""
    columns = tuple(column for column in INTERVALS if column.name in _IN_SHORT)
    plan = replace(plan, intervals=in_task_order(plan.intervals))
    return _display(item_table(plan, "intervals", columns))


def show_why(plan: Plan, item: str) -> Display:
    """Show in words why an item got its task and interval, why not longer, why not shorter.

    Raises
    ------
    ValueError
        No item of the plan has that name.
    """
    table = item_table(plan, "intervals", INTERVALS)
    rows = {row[0].text: row for row in table.rows}
    if item not in rows:
        raise ValueError(f"no item is called {item!r}; there are: {'; '.join(sorted(rows))}")
    pairs = zip(table.titles, rows[item], strict=True)
    return _pairs(
        (title, f"{cell.text} ({cell.range})" if cell.range else cell.text)
        for title, cell in pairs
        if cell.text
    )


def show_findings(findings: pd.DataFrame, *, most: int = 40) -> Display:
    """Show what was noticed in a log, how many rows it concerns and what was done."""
    columns = tuple(column for column in FINDINGS if column.name not in ("where", "rule"))
    return _display(shown_table("findings", findings, columns, "", most=most))


def show_set_aside(set_aside: pd.DataFrame) -> Display:
    """Show how many rows were set aside for each reason, and what would mend them."""
    grouped = set_aside.groupby(["kind", "reason"], sort=True)
    counts = grouped.agg(rows=("source", "size"), mend=("mend", "first")).reset_index()
    counts = counts.sort_values("rows", ascending=False, kind="stable")
    columns = (
        Column("kind", "Table"),
        Column("reason", "Reason"),
        Column("rows", "Rows", "count"),
        Column("mend", "What would mend it"),
    )
    return _display(shown_table("set_aside", counts, columns, ""))


def show_accounts(row_classes: pd.DataFrame) -> Display:
    """Show per table: rows read = rows used + rows set aside."""
    accounts = pd.DataFrame(
        [(a.kind, a.read, a.used, a.set_aside) for a in row_accounts(row_classes)],
        columns=["kind", "read", "used", "set_aside"],
    )
    columns = (
        Column("kind", "Table"),
        Column("read", "Rows read", "count"),
        Column("used", "= used", "count"),
        Column("set_aside", "+ set aside", "count"),
    )
    return _display(shown_table("rows", accounts, columns, ""))


def show_classes(row_classes: pd.DataFrame) -> Display:
    """Show how many rows of each table ended in each class."""
    counts = row_classes.groupby(["kind", "row_class"], sort=True).size().reset_index(name="rows")
    columns = (
        Column("kind", "Table"),
        Column("row_class", "Class"),
        Column("rows", "Rows", "count"),
    )
    return _display(shown_table("classes", counts, columns, ""))


def show_item(plan: Plan, item: str) -> dict[str, go.Figure]:
    """Return the figures of one item by caption: life, Weibull paper, cost, unavailability.

    Raises
    ------
    ValueError
        No item of the plan has that name.
    """
    return dict(item_panel(plan, item).figures)


def show_overview(plan: Plan) -> dict[str, go.Figure]:
    """Return the figures of all items together: intervals, shapes, scales, due."""
    return overview_figures(plan)


def show_figure(figure: go.Figure) -> Display:
    """Show what a figure says, in words: the text that stands for it where it is not seen."""
    text = str(figure.layout.meta["alternative"])
    return Display(text, f"<p>{html.escape(text)}</p>")


def show_cautions() -> Display:
    """Show the safety lines that belong to every interval."""
    return _pairs((caution.heading, caution.text) for caution in CAUTIONS)


def displayed(table: ShownTable) -> Display:
    """Show a table that is ready to be shown."""
    return _display(table)


def _pairs(pairs: Iterable[tuple[str, str]]) -> Display:
    pairs = list(pairs)
    lines = "".join(
        f"<li><b>{html.escape(name)}:</b> {html.escape(text)}</li>" for name, text in pairs
    )
    return Display("\n".join(f"{name}: {text}" for name, text in pairs), f"<ul>{lines}</ul>")


def _display(table: ShownTable) -> Display:
    note = "" if len(table.rows) == table.total else f"first {len(table.rows)} of {table.total:,}"
    texts = [[_cell(cell.text, cell.range) for cell in row] for row in table.rows]
    text = text_table(table.titles, texts, numeric=table.numeric, width=200)
    return Display(f"{text}\n{note}".rstrip(), _html(table, note))


def _html(table: ShownTable, note: str) -> str:
    align = ["right" if numeric else "left" for numeric in table.numeric]
    head = _row("th", table.titles, align)
    body = "".join(
        _row("td", [_cell(cell.text, cell.range, "\n") for cell in row], align)
        for row in table.rows
    )
    foot = f"<p>{html.escape(note)}</p>" if note else ""
    return f"<table><thead>{head}</thead><tbody>{body}</tbody></table>{foot}"


def _row(tag: str, texts: Sequence[str], align: Sequence[str]) -> str:
    cells = zip(texts, align, strict=True)
    inner = "".join(
        f'<{tag} style="text-align:{side}">{_lines(text)}</{tag}>' for text, side in cells
    )
    return f"<tr>{inner}</tr>"


def _lines(text: str) -> str:
    """Return HTML of a value with its range below it, in a line that is not broken."""
    value, end, span = html.escape(text).partition("\n")
    return f'{value}<br><small style="white-space:nowrap">{span}</small>' if end else value


def _cell(text: str, span: str, between: str = " ") -> str:
    return f"{text}{between}({span})" if span else text
