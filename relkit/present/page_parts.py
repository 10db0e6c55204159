"""The engineer's parts of the page: figures per item, row accounts, trail, assumptions.

Layer: present. Turns a plan into what the page template needs; nothing is estimated here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.columns import INTERVALS, Column
from relkit.present.curves import forest_figure, probability_figure, survival_figure
from relkit.present.decision_figures import (
    cost_figure,
    due_figure,
    interval_figure,
    unavailability_figure,
)
from relkit.present.matter_parts import leaning
from relkit.present.shown import Cell, ShownTable, shown_table
from relkit.present.unknown import item_names
from relkit.present.wording import period, sentence, task_words

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "ItemPanel",
    "RowAccount",
    "assumptions",
    "facts",
    "in_task_order",
    "interval_table",
    "item_panel",
    "item_panels",
    "item_table",
    "overview_figures",
    "row_accounts",
    "strata_columns",
    "used_by_class",
]

_REASONS = ("why", "why_not_longer", "why_not_shorter", "refused", "rule_check", "warnings")
_MOST_IN_FIGURE = 40  #: items in one figure
#: Further columns that unfold from a reason, and their labels.
_BEHIND = {
    "alternatives": "Other ways to replace",
    "waiting": "Waiting for more data",
    "practice": "Today",
    "method": "Method",
    "assumptions": "Assumes",
    "formula_source": "Source of the formula",
    "leans_on": "Lives behind it",
}
_NOT_ON_PAGE = (
    *("best_interval", "probability_of_saving", "target_unavailability", "lives"),
    *("wide_span_lower", "wide_span_upper", "practice_regret", "probability_of_improvement"),
    *_BEHIND,
)


@dataclass(frozen=True, slots=True)
class ItemPanel:
    """The figures of one kind of item, and the rows its failures rest on."""

    name: str
    note: str
    figures: tuple[tuple[str, go.Figure], ...]  #: (caption, figure)
    trail: tuple[str, ...]  #: ids of the rows that ended lives by failure
    trail_total: int


@dataclass(frozen=True, slots=True)
class RowAccount:
    """Rows read of one table: used + set aside."""

    kind: str
    read: int
    used: int
    set_aside: int


def facts(plan: Plan) -> tuple[tuple[str, str], ...]:
    """Return what every output has to say of itself: period, grade, treatments, version, seed."""
    treatments = plan.study.treatments
    redo = plan.redo_after
    return (
        ("Log period", period(plan.observed_from, plan.observed_until)),
        ("Data grade", sentence(plan.data_grade) or "Not graded."),
        ("Redo after", f"{redo.day} {redo:%b %Y}" if redo else "any larger change of the log"),
        (
            "Treatments",
            f"jobs that replaced several items: cause {treatments.masked}; same work within "
            f"{treatments.duplicate_days:g} days: one job; no finding: "
            f"{treatments.blank_finding}; no action: {treatments.blank_action}",
        ),
        ("Made by", f"relkit {plan.version}, seed {plan.study.decision.seed}"),
    )


def strata_columns(columns: tuple[Column, ...], by: tuple[str, ...]) -> tuple[Column, ...]:
    """Return the columns with one for each further column that makes a stratum."""
    extra = [
        Column(name, name.replace("_", " ").capitalize(), width=16)
        for name in by
        if name not in ("component", "location")
    ]
    if "component" not in by:
        columns = tuple(column for column in columns if column.name != "component")
    return (*extra, *columns)


def interval_table(plan: Plan) -> ShownTable:
    """Return the table of intervals with its reasons folded into one column."""
    shown = [c for c in INTERVALS if c.name not in (*_REASONS, *_NOT_ON_PAGE)]
    plan = replace(plan, intervals=in_task_order(plan.intervals))
    table = item_table(plan, "intervals", tuple(shown))
    reasoned = plan.intervals.assign(leaning=leaning(plan)).head(len(table.rows))
    reasons = [_reason_cell(row) for row in reasoned.to_dict("records")]
    place = table.titles.index("Set by") + 1
    pairs = zip(table.rows, reasons, strict=True)
    return ShownTable(
        name=table.name,
        titles=(*table.titles[:place], "Why", *table.titles[place:]),
        rows=tuple((*row[:place], cell, *row[place:]) for row, cell in pairs),
        total=table.total,
        numeric=(*table.numeric[:place], False, *table.numeric[place:]),
    )


def in_task_order(intervals: pd.DataFrame) -> pd.DataFrame:
    """Return the intervals as on a job card: by task, then the shortest first."""
    order = intervals["task"].map(lambda task: task_words(task).order)
    return (
        intervals.assign(order=order)
        .sort_values(["order", "interval"], kind="stable")
        .drop(columns="order")
    )


def item_table(
    plan: Plan, name: str, columns: tuple[Column, ...], *, most: int = 2_000
) -> ShownTable:
    """Return a table of the plan with what makes a stratum in one column: the item's name."""
    keys = ("component", "location", *plan.study.by)
    frame = getattr(plan, name)
    frame = frame.assign(item_name=item_names(frame, plan.study.by))
    rest = [column for column in columns if column.name not in keys]
    place = next(i for i, column in enumerate(columns) if column.name in keys)
    shown = (*rest[:place], Column("item_name", "Item", width=30), *rest[place:])
    return shown_table(name, frame, shown, plan.study.clock, most=most)


def overview_figures(plan: Plan) -> dict[str, go.Figure]:
    """Return the figures of all items together, by name: of many, those with most failures."""
    clock, level = plan.study.clock, plan.study.decision.confidence_level
    fits, intervals = (
        table.sort_values("failures", ascending=False, kind="stable").head(_MOST_IN_FIGURE)
        for table in (plan.fits, plan.intervals)
    )
    names = item_names(fits, plan.study.by)
    chosen = item_names(intervals, plan.study.by)
    return {
        "intervals": interval_figure(intervals, chosen, clock=clock),
        "shapes": forest_figure(
            fits, names, parameter="shape", clock=clock, confidence_level=level
        ),
        "scales": forest_figure(
            fits, names, parameter="scale", clock=clock, confidence_level=level
        ),
        "due": due_figure(plan.due, today=plan.observed_until),
    }


def item_panels(plan: Plan, *, most: int) -> Iterator[ItemPanel]:
    """Yield the figures of each kind of item, most failures first, at most ``most`` of them."""
    table = plan.intervals.assign(name=item_names(plan.intervals, plan.study.by))
    table = table.sort_values(["failures", "name"], ascending=[False, True])
    for name in table["name"].unique()[:most]:
        yield item_panel(plan, name)


def item_panel(plan: Plan, name: str) -> ItemPanel:
    """Return the figures of one kind of item.

    Raises
    ------
    ValueError
        No item of the plan has that name; the message lists those there are.
    """
    names = item_names(plan.intervals, plan.study.by)
    if name not in names:
        raise ValueError(f"no item is called {name!r}; there are: {'; '.join(sorted(names))}")
    by = [column for column in plan.study.by if column in plan.intervals.columns]
    row = plan.intervals.assign(name=names).iloc[names.index(name)]
    key = tuple(row[column] for column in by)
    fits = _rows_of(plan.fits, by, key)
    trail = _failure_rows(plan, by, key)
    return ItemPanel(
        name=name,
        note=sentence(str(row["evidence"])),
        figures=tuple(_panel_figures(plan, by, key, row, fits.iloc[0] if len(fits) else None)),
        trail=tuple(trail[:15]),
        trail_total=len(trail),
    )


def row_accounts(row_classes: pd.DataFrame) -> tuple[RowAccount, ...]:
    """Return rows read = rows used + rows set aside, per table of the log."""
    counts = []
    for kind, rows in row_classes.groupby("kind", sort=False):
        aside = int((rows["row_class"] == "set aside").sum())
        counts.append(RowAccount(str(kind), len(rows), len(rows) - aside, aside))
    return tuple(counts)


def used_by_class(row_classes: pd.DataFrame) -> tuple[tuple[str, int], ...]:
    """Return how many rows ended in each class, most first."""
    counts = row_classes["row_class"].value_counts()
    return tuple((str(name), int(count)) for name, count in counts.items())


def assumptions(plan: Plan) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """Return the settings of the study as (heading, (name, value)) groups."""
    study = plan.study
    return (
        (
            "Study",
            (
                ("clock", study.clock),
                ("items are told apart by", ", ".join(study.by)),
                ("gaps in the log", _value(study.window.gaps) or "none entered"),
            ),
        ),
        ("What a finding means", _pairs(study.treatments.findings)),
        ("What an action does", tuple((k, _value(v)) for k, v in study.treatments.actions.items())),
        ("Places planned as one", tuple((g.name, _value(g)) for g in study.location_groups)),
        ("What a failure means for the driver", _numbered(study.functions)),
        ("Services", tuple((service.name, _value(service)) for service in study.services)),
        (
            "Rules entered",
            tuple((rule.name, _value(rule)) for rule in study.rules)
            or (("none", "no statutory, manufacturer's or company maximum was entered"),),
        ),
        ("Fixes", tuple((fix.name, _value(fix)) for fix in study.fixes)),
        ("Costs", (("currency", study.costs.currency), *_numbered(study.costs.items))),
        ("Decisions", _settings(study.decision)),
        ("Spares", _numbered(study.spares)),
    )


def _reason_cell(row: dict[Any, Any]) -> Cell:
    labels = ("Not longer", "Not shorter", "Not another task", "Rule besides", "Take care", "Data")
    more = tuple(
        (label, sentence(str(row[name])))
        for label, name in zip(labels, (*_REASONS[1:], "leaning"), strict=True)
        if row.get(name)
    )
    more += tuple(
        (label, sentence(str(row[name]))) for name, label in _BEHIND.items() if row.get(name)
    )
    return Cell(text=sentence(str(row["why"])), more=more)


def _panel_figures(
    plan: Plan, by: list[str], key: tuple[Any, ...], row: pd.Series, fit: pd.Series | None
) -> Iterator[tuple[str, go.Figure]]:
    clock, name = plan.study.clock, row["name"]
    curve = _rows_of(plan.curves, by, key)
    level = plan.study.decision.confidence_level
    common = {"name": name, "clock": clock}
    yield "How long it lasts", survival_figure(curve, fit, confidence_level=level, **common)
    yield "On Weibull paper", probability_figure(curve, fit, confidence_level=level, **common)
    cost = _rows_of(plan.cost_curves, by, key)
    if len(cost):
        currency = plan.study.costs.currency
        yield "What it costs", cost_figure(cost, row, currency=currency, **common)
    dark = _rows_of(plan.unavailability_curves, by, key)
    if len(dark):
        yield "How long it is dark unnoticed", unavailability_figure(dark, row, **common)


def _rows_of(table: pd.DataFrame, by: list[str], key: tuple[Any, ...]) -> pd.DataFrame:
    chosen = pd.Series(True, index=table.index)
    for name, value in zip(by, key, strict=True):
        chosen &= table[name] == value
    return table[chosen]


def _failure_rows(plan: Plan, by: list[str], key: tuple[Any, ...]) -> list[str]:
    """Ids of the rows that ended lives by failure; lives name their planned place apart."""
    names = ["stratum_location" if name == "location" else name for name in by]
    lives = _rows_of(plan.lives[plan.lives["failed"].astype(bool)], names, key)
    return list(dict.fromkeys("; ".join(lives["closed_by"]).split("; "))) if len(lives) else []


def _pairs(mapping: Any) -> tuple[tuple[str, str], ...]:
    return tuple((str(name), str(value)) for name, value in mapping.items())


def _numbered(settings: Any) -> tuple[tuple[str, str], ...]:
    return tuple((f"entry {i}", _value(entry)) for i, entry in enumerate(settings, start=1))


def _settings(settings: Any) -> tuple[tuple[str, str], ...]:
    return tuple(
        (item.name.replace("_", " "), _value(getattr(settings, item.name)))
        for item in fields(settings)
    )


def _value(value: Any) -> str:
    """Return a setting in words: what was not given is left out."""
    if is_dataclass(value):
        return "; ".join(f"{name} {text}" for name, text in _settings(value) if text)
    if isinstance(value, tuple | list):
        return ", ".join(text for entry in value if (text := _value(entry)))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if hasattr(value, "items"):
        return ", ".join(f"{name}: {_value(entry)}" for name, entry in value.items())
    return "" if value is None else str(value)
