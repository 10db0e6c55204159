"""What the log shows, as the page and the workbook show it: sentences, figures, a table.

Layer: present. Chooses and orders what a plan already holds; nothing is estimated here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from relkit.plan.noticed_batches import BATCH
from relkit.plan.noticed_events import CAMPAIGN, COMMON_CAUSE, TREND
from relkit.plan.noticed_fixes import FIX, FIX_RULE
from relkit.plan.noticed_repairs import REPAIRS, RETURNS, VEHICLES
from relkit.plan.noticed_rows import FOUND, NOT_FOUND, NOT_LOOKED, SHOWN
from relkit.plan.noticed_strata import CAUSES, CLOCK, FAMILIES, MODES, PLACES, VERDICT
from relkit.plan.result import Plan
from relkit.present.columns import Column
from relkit.present.noticed_figures import (
    against_figure,
    modes_figure,
    ratio_figure,
    recurrence_figure,
    return_figure,
)
from relkit.present.shown import shown_table
from relkit.present.wording import number, plural
from relkit.survival.verdict import GRADE_RULE, VERDICT_RULE

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "BATCH_ITEMS", "CANDIDATES", "NOTICED", "TRENDS", "Shown", "log_shows",
    "most_damaged", "noticed_context", "noticed_figures", "noticed_sheets", "with_luck",
]  # fmt: skip

NOTICED = (
    Column("question", "Question", width=18),
    Column("component", "Component", width=20),
    Column("location", "Location", width=16),
    Column("group", "What", width=28),
    Column("finding", "Answer", width=13),
    Column("verdict", "In short", width=24),
    Column("measure", "Measured", width=30),
    Column("estimate", "Estimate", "number", "lower", "upper"),
    Column("unit", "Unit", width=8),
    Column("lives", "Lives or jobs", "count"),
    Column("failures", "Failures", "count"),
    Column("p_value", "Chance of it by luck", "number"),
    Column("note", "In words", width=80),
    Column("rows", "Rows behind it", width=40),
)

BATCH_ITEMS = (
    Column("component", "Component", width=18),
    Column("label", "Batch", width=12),
    Column("vehicle", "Vehicle", width=12),
    Column("location", "Location", width=20),
    Column("serial", "Serial", width=14),
    Column("fitted_on", "Fitted on", "date", width=13),
    Column("age", "Age [{clock}]", "amount"),
    Column("opened_by", "Rows behind it", width=30),
)

TRENDS = (
    Column("scope", "Over"),
    Column("component", "Component"),
    Column("location", "Location"),
    Column("systems", "Systems", "count"),
    Column("events", "Failures", "count"),
    Column("laplace_p_value", "Laplace", width=12),
    Column("lewis_robinson_p_value", "Lewis-Robinson"),
    Column("military_handbook_p_value", "Military handbook"),
    Column("growth", "Power law", "number", "growth_lower", "growth_upper"),
    Column("verdict", "Verdict", width=22),
)

CANDIDATES = (
    Column("vehicle", "Vehicle"),
    Column("ended_on", "Job on", "date"),
    Column("component", "Candidate"),
    Column("location", "Location"),
    Column("age", "Age [{clock}]", "amount"),
    Column("probability", "Had failed", "share"),
)

#: Question -> heading over what was found, and words for what was looked for and not found.
_HEADINGS = {
    BATCH: ("A bad batch", "bad batches"),
    REPAIRS: ("Repairs that do not hold", "repairs that do not hold"),
    FIX: ("A fix, before and after", "the effect of a fix"),
    CAMPAIGN: ("A campaign or retrofit", "campaigns and retrofits"),
    COMMON_CAUSE: ("One failure, several places dark", "failures that take other places down"),
    RETURNS: ("Not fixed the first time", "work after which the fault comes back"),
    VEHICLES: ("A vehicle that keeps failing", "vehicles that keep failing"),
}
_DESCRIBED = (VERDICT, TREND, MODES, CAUSES, CLOCK, FAMILIES, PLACES)
_MOST_CARDS = 12


@dataclass(frozen=True, slots=True)
class Shown:
    """One finding on the page: heading, sentence, and the names of its figures."""

    heading: str
    text: str
    figures: tuple[tuple[str, str], ...]  #: (name, caption)
    rows: str  #: ids of the log rows behind it


def log_shows(plan: Plan) -> tuple[Shown, ...]:
    """Return what was found, and each fix that was judged, in the order of the questions."""
    table = plan.noticed
    if table.empty:
        return ()
    asked = table["question"].isin(_HEADINGS) & table["finding"].eq(FOUND)
    judged = table["question"].eq(FIX) & table["estimate"].notna()
    cards = []
    for record in table[asked | judged].head(_MOST_CARDS).to_dict("records"):
        figures = tuple(
            (name, caption)
            for name, caption, question, group in _pictures(plan)
            if question == record["question"] and group in ("", record["group"])
        )
        cards.append(
            Shown(
                heading=_HEADINGS[str(record["question"])][0],
                text=str(record["note"]),
                figures=figures,
                rows=str(record["rows"]),
            )
        )
    return _figures_once(cards)


def _figures_once(cards: list[Shown]) -> tuple[Shown, ...]:
    """Cards without a figure that an earlier card already has."""
    seen: set[str] = set()
    kept = []
    for card in cards:
        own = tuple(pair for pair in card.figures if pair[0] not in seen)
        seen |= {name for name, _ in own}
        kept.append(Shown(card.heading, card.text, own, card.rows))
    return tuple(kept)


def _pictures(plan: Plan) -> list[tuple[str, str, str, str]]:
    """Name, caption, question and group of each figure that belongs to a finding."""
    curves = plan.finding_curves
    pictures = []
    if len(curves):
        keys = curves[["question", "group"]].drop_duplicates().itertuples(index=False, name=None)
        pictures = [
            (f"shows-{place}", "Share still working, against its like", question, group)
            for place, (question, group) in enumerate(keys)
        ]
    if plan.noticed["question"].eq(RETURNS).any():
        pictures.append(("shows-returns", "New complaints after each kind of work", RETURNS, ""))
    return pictures


def noticed_figures(plan: Plan) -> dict[str, go.Figure]:
    """Return the figures of the section by name."""
    if plan.noticed.empty:
        return {}
    clock, curves = plan.study.clock, plan.finding_curves
    figures = {}
    for name, _, question, group in _pictures(plan):
        if name == "shows-returns":
            own = plan.noticed[plan.noticed["question"].eq(RETURNS)]
            figures[name] = return_figure(own)
        else:
            own = curves[curves["question"].eq(question) & curves["group"].eq(group)]
            figures[name] = against_figure(own, name=_curve_name(own), clock=clock)
    figures["shows-ratios"] = ratio_figure(plan.noticed)
    for grouping in _groupings(plan):
        figures[f"shows-per-{grouping}"] = recurrence_figure(plan.recurrence, grouping)
    place = most_damaged(plan.incidence)
    if place:
        name, own = place
        figures["shows-modes"] = modes_figure(own, name=name, clock=clock)
    return figures


def _curve_name(curves: pd.DataFrame) -> str:
    component = str(curves["component"].iloc[0])
    group = str(curves["group"].iloc[0])
    text = f"{component}, {group}" if component and not group.startswith("against") else component
    return (text or group)[:1].upper() + (text or group)[1:]


def _groupings(plan: Plan) -> list[str]:
    if plan.recurrence.empty:
        return []
    names = [str(name) for name in plan.recurrence["grouping"].unique()]
    return names[1:3] if len(names) > 1 else names[:1]


def most_damaged(incidence: pd.DataFrame) -> tuple[str, pd.DataFrame] | None:
    """Return the place with most losses from outside, and its curves; None without any."""
    if incidence.empty:
        return None
    hits = incidence[incidence["mode"].eq("external damage")]
    if hits.empty:
        return None
    counts = hits.groupby(["component", "location"])["failures"].sum().reset_index()
    worst = counts.sort_values("failures", ascending=False, kind="stable").iloc[0]
    own = incidence["component"].eq(worst["component"])
    own &= incidence["location"].eq(worst["location"])
    name = f"{worst['component']} {worst['location']}".strip()
    return name[:1].upper() + name[1:], incidence[own]


def noticed_context(plan: Plan) -> dict[str, Any]:
    """Return what the page's templates of this section need."""
    table = plan.noticed
    if table.empty:
        return {"shows": (), "shows_clear": "", "shows_told": (), "shows_table": None,
                "shows_figures": (), "shows_items": None, "shows_rules": ()}  # fmt: skip
    clock = plan.study.clock
    short = tuple(
        replace(column, kind="text") if column.name == "p_value" else column
        for column in NOTICED
        if column.name not in ("rows", "note")  # sentences are in the workbook
    )
    items = None
    if len(plan.batch_items):
        items = shown_table("batch_items", plan.batch_items, BATCH_ITEMS, clock, most=200)
    return {
        "shows": log_shows(plan),
        "shows_clear": _clear(table),
        "shows_told": _told(table),
        "shows_table": shown_table("noticed", with_luck(table), short, clock, most=200),
        "shows_items": items,
        "shows_figures": _engineer_figures(plan),
        "shows_rules": (
            ("Verdict", VERDICT_RULE),
            ("Grade", GRADE_RULE),
            ("Fix", FIX_RULE),
        ),
    }


def with_luck(table: pd.DataFrame, *names: str) -> pd.DataFrame:
    """Return the table with chances in words: none smaller than one in a thousand is told."""
    words = {
        name: [
            "" if value != value else "below 0.001" if value < 0.001 else number(value, 2)
            for value in table[name].to_numpy(np.float64)
        ]
        for name in names or ("p_value",)
    }
    return table.assign(**words)


def _engineer_figures(plan: Plan) -> tuple[tuple[str, str], ...]:
    figures = [("shows-ratios", "How many times as often as its like")]
    figures += [
        (f"shows-per-{grouping}", f"Failures per vehicle, by {grouping}")
        for grouping in _groupings(plan)
    ]
    place = most_damaged(plan.incidence)
    if place:
        figures.append(("shows-modes", f"{place[0]}: worn or damaged"))
    return tuple(figures)


def _clear(table: pd.DataFrame) -> str:
    """Return what was looked for and not found, and what could not be, in a few sentences."""
    asked = table[table["question"].isin(_HEADINGS)]
    found = set(asked.loc[asked["finding"].eq(FOUND), "question"])
    quiet = [q for q in _HEADINGS if q in set(asked["question"]) and q not in found]
    clear = [
        _HEADINGS[q][1] for q in quiet
        if asked.loc[asked["question"].eq(q), "finding"].eq(NOT_FOUND).any()
    ]  # fmt: skip
    unlooked = [_HEADINGS[q][1] for q in quiet if _HEADINGS[q][1] not in clear]
    text = f"Looked for and not found: {', '.join(clear)}." if clear else ""
    small = asked[asked["finding"].eq(NOT_LOOKED)]
    if unlooked:
        text += f" Could not be looked for: {', '.join(unlooked)}."
    if len(small):
        text += (
            f" {plural(len(small), 'group')} had too few failures to tell or could not be "
            "compared; the table below names them."
        )
    return text.strip()


def _told(table: pd.DataFrame) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the descriptions by question: how items fail, trends, modes, clock, places."""
    told = []
    for question in _DESCRIBED:
        own = table[table["question"].eq(question)]
        notes = own.loc[own["finding"].isin((SHOWN, NOT_LOOKED)), "note"]
        if notes.empty:
            notes = own["note"]
        if len(notes):
            told.append((question[:1].upper() + question[1:], tuple(notes.head(8))))
    return tuple(told)


def noticed_sheets(plan: Plan) -> tuple[tuple[str, pd.DataFrame, tuple[Column, ...]], ...]:
    """Return the sheets of the workbook: name, table, columns."""
    present = tuple(column for column in CANDIDATES if column.name in plan.candidates)
    return (
        ("What the log shows", plan.noticed, NOTICED),
        ("Batch items", plan.batch_items, BATCH_ITEMS),
        ("Trends", _told_trends(plan), TRENDS),
        ("Unknown causes", plan.candidates, present),
    )


def _told_trends(plan: Plan) -> pd.DataFrame:
    """Return the trends with chances in words."""
    if plan.trends.empty:
        return plan.trends
    tests = ("laplace", "lewis_robinson", "military_handbook")
    return with_luck(plan.trends, *(f"{name}_p_value" for name in tests))
