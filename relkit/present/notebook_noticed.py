"""Displays of notebook 06: repeat failures, batches, the effect of a fix, trends, verdicts.

Layer: present. Text and HTML of the same rows as on the page.
"""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.columns import Column
from relkit.present.notebook import Display, displayed
from relkit.present.noticed_figures import (
    against_figure,
    modes_figure,
    ratio_figure,
    recurrence_figure,
    return_figure,
)
from relkit.present.noticed_parts import (
    BATCH_ITEMS,
    CANDIDATES,
    TRENDS,
    log_shows,
    most_damaged,
    with_luck,
)
from relkit.present.shown import shown_table
from relkit.survival.verdict import GRADE_RULE, VERDICT_RULE

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "pictures",
    "show_answers",
    "show_batch_items",
    "show_candidates",
    "show_found",
    "show_rules",
    "show_trends",
    "show_verdicts",
]

_ANSWERS = (
    Column("component", "Component"),
    Column("group", "What"),
    Column("verdict", "In short"),
    Column("estimate", "Estimate", "number", "lower", "upper"),
    Column("unit", "Unit"),
    Column("lives", "Lives or jobs", "count"),
    Column("failures", "Failures", "count"),
    Column("p_value", "Chance of it by luck"),
)
_VERDICTS = (
    Column("failures", "Failures", "count"),
    Column("shape", "Weibull shape", "number", "shape_lower", "shape_upper"),
    Column("verdict", "How it fails"),
    Column("grade", "Evidence"),
    Column("verdict_reason", "Because"),
)


def show_found(plan: Plan) -> Display:
    """Show in sentences what the log shows beyond chance, and each fix that was judged."""
    pairs = [(one.heading, one.text) for one in log_shows(plan)]
    pairs = pairs or [("Nothing", "Nothing stands out beyond chance.")]
    lines = "".join(
        f"<li><b>{html.escape(name)}.</b> {html.escape(text)}</li>" for name, text in pairs
    )
    return Display("\n".join(f"{name}. {text}" for name, text in pairs), f"<ul>{lines}</ul>")


def show_answers(plan: Plan, question: str, *, most: int = 20) -> Display:
    """Show what was compared for a question: estimate, limits and the chance of it by luck.

    Raises
    ------
    ValueError
        The plan asks no such question: the message lists those it asks.
    """
    own = plan.noticed[plan.noticed["question"].eq(question)]
    if own.empty:
        asked = ", ".join(plan.noticed["question"].unique())
        raise ValueError(f"no question is called {question!r}; there are: {asked}")
    if own["estimate"].isna().all():  # there is only something to say
        text = "\n".join(own["note"])
        return Display(text, "".join(f"<p>{html.escape(note)}</p>" for note in own["note"]))
    return displayed(shown_table("noticed", with_luck(own), _ANSWERS, plan.study.clock, most=most))


def show_batch_items(plan: Plan, *, most: int = 40) -> Display:
    """Show the items of bad batches that are still in service: what to recall, and where."""
    if plan.batch_items.empty:
        text = "No item of a bad batch is in service."
        return Display(text, f"<p>{text}</p>")
    columns = tuple(column for column in BATCH_ITEMS if column.name != "opened_by")
    return displayed(
        shown_table("batch_items", plan.batch_items, columns, plan.study.clock, most=most)
    )


def show_trends(plan: Plan) -> Display:
    """Show p-values of the trend tests and the power law, for the fleet and for each place."""
    if plan.trends.empty:
        text = "There are no failures to test for a trend."
        return Display(text, f"<p>{text}</p>")
    tests = [f"{name}_p_value" for name in ("laplace", "lewis_robinson", "military_handbook")]
    return displayed(
        shown_table("trends", with_luck(plan.trends, *tests), TRENDS, plan.study.clock)
    )


def show_verdicts(plan: Plan) -> Display:
    """Show how each kind of item fails by the limits of its shape, and how good the evidence is."""
    by = tuple(Column(name, name.capitalize()) for name in plan.study.by)
    return displayed(shown_table("fits", plan.fits, (*by, *_VERDICTS), plan.study.clock))


def show_rules() -> Display:
    """Show the rules behind verdict and grade."""
    text = f"Verdict. {VERDICT_RULE}\nGrade. {GRADE_RULE}"
    return Display(text, "".join(f"<p>{html.escape(line)}</p>" for line in text.split("\n")))


def show_candidates(plan: Plan, *, most: int = 12) -> Display:
    """Show for jobs that replaced several items how likely each was the one that had failed."""
    if plan.candidates.empty:
        text = "No job replaced several items with an unknown cause."
        return Display(text, f"<p>{text}</p>")
    columns = tuple(c for c in CANDIDATES if c.name in plan.candidates)
    return displayed(
        shown_table("candidates", plan.candidates, columns, plan.study.clock, most=most)
    )


def pictures(plan: Plan) -> dict[str, go.Figure]:
    """Return one figure for each question; one that says so where there is nothing to draw."""
    clock, curves = plan.study.clock, plan.finding_curves
    shown = {
        question: against_figure(_first(curves, question), name=question.capitalize(), clock=clock)
        for question in ("bad batch", "do repairs hold", "did a fix work")
    }
    shown["fixed first time"] = return_figure(
        plan.noticed[plan.noticed["question"].eq("fixed first time")]
    )
    shown["against its like"] = ratio_figure(plan.noticed)
    shown["failures per vehicle"] = recurrence_figure(plan.recurrence, _grouping(plan.recurrence))
    name, modes = most_damaged(plan.incidence) or ("All places", plan.incidence.iloc[:0])
    shown["worn or damaged"] = modes_figure(modes, name=name, clock=clock)
    return shown


def _first(curves: pd.DataFrame, question: str) -> pd.DataFrame:
    own = curves[curves["question"].eq(question)] if len(curves) else curves
    return own[own["group"].eq(own["group"].iloc[0])] if len(own) else own


def _grouping(recurrence: pd.DataFrame) -> str:
    names = [] if recurrence.empty else list(recurrence["grouping"].unique())
    return str(names[1] if len(names) > 1 else "all vehicles")
