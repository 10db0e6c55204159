"""Displays of the what-if notebook: questions, answers, scenarios side by side.

Layer: present. Each display is text and HTML of the same numbers; the sliders are in
whatif_sliders.py.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from relkit.errors import StudyError
from relkit.logbook.read import read_log
from relkit.plan.parts import PlanParts, parts_of
from relkit.present import whatif_figures
from relkit.present.notebook import Display
from relkit.present.shown import ShownTable
from relkit.present.template import new_figure
from relkit.present.text_table import text_table
from relkit.present.traces import without_data
from relkit.present.whatif_columns import (
    comparison_table,
    question_table,
    side_by_side_table,
    special_table,
)
from relkit.present.whatif_wording import (
    answer_sentences,
    break_even_sentence,
    headline,
)
from relkit.present.wording import number, percent, period
from relkit.study.read import read_study
from relkit.whatif.break_even import BreakEven
from relkit.whatif.comparison import Comparison
from relkit.whatif.questions import QUESTIONS, Answer, answer, question_scenarios
from relkit.whatif.scenario import Scenario
from relkit.whatif.scenario_files import read_scenario

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "asked",
    "break_even_figure",
    "main_measure",
    "plan_steps",
    "saved_scenarios",
    "show_answer",
    "show_answered",
    "show_answers",
    "show_break_even",
    "show_comparison",
    "show_levers",
    "show_questions",
    "show_shares",
    "show_side_by_side",
    "show_study",
]

#: Questions that build lives again many times: asked one by one.
SLOW = (11, 12, 14, 24)


def plan_steps(path: str | Path) -> PlanParts:
    """Return the steps of a study's plan, from which every what-if starts.

    Parameters
    ----------
    path : str or Path
        The study file.
    """
    study = read_study(path)
    return parts_of(read_log(study), study)


def show_study(parts: PlanParts) -> Display:
    """Show which study is asked, from which log, how far ahead."""
    until = parts.tables.observed_until
    lines = [
        parts.study.name,
        f"log: {period(parts.tables.observed_from, until)}",
        f"{len(parts.found.fits)} kinds of item, {len(parts.items):,} positions in service",
        f"time ahead: {number(parts.study.decision.horizon_months)} months",
    ]
    return _lines(lines)


def show_questions() -> Display:
    """Show the 24 questions and how each is answered."""
    return _shown(question_table())


def show_answer(parts: PlanParts, number: int) -> Display:
    """Show the answer to one question: its table and sentences.

    Parameters
    ----------
    parts : PlanParts
        From :func:`plan_steps`.
    number : int
        Of the question.
    """
    return show_answered(parts, answer(parts, number, rng=parts.study.decision.seed))


def show_answered(parts: PlanParts, made: Answer) -> Display:
    """Show an answer that was worked out: its table and sentences."""
    said = answer_sentences(made, parts.study.clock, parts.study.costs.currency)
    lines = _lines([f"{made.question.number}. {made.question.words}", *said])
    if made.table is None:
        return lines
    table = _shown(special_table(made.question.kind, made.table, parts.study.clock))
    return Display(f"{table.text}\n{lines.text}", table.html + lines.html)


def show_answers(parts: PlanParts, numbers: Sequence[int] | None = None) -> Display:
    """Show what a study answers to questions, one row each: the first measure that differs.

    Parameters
    ----------
    parts : PlanParts
        From :func:`plan_steps`.
    numbers : sequence of int, optional
        Questions; default: all that are answered at once.
    """
    chosen = list(numbers) if numbers else [q.number for q in QUESTIONS if q.number not in SLOW]
    rows = []
    for place in chosen:
        made = answer(parts, place, rng=parts.study.decision.seed, draws=100)
        said = _headlines(made, parts)
        rows += [(str(place) if i == 0 else "", made.question.words if i == 0 else "", text)
                 for i, text in enumerate(said)]  # fmt: skip
    titles = ("No.", "Question", "Answer")
    text = text_table(titles, rows, numeric=(True, False, False), width=160)
    return Display(text, _table(titles, rows))


def _headlines(made: Answer, parts: PlanParts) -> list[str]:
    """Return one sentence per scenario; a table's sentences where there is none."""
    if made.comparison is None:
        return answer_sentences(made, parts.study.clock, parts.study.costs.currency)[:3]
    said = []
    for scenario in made.comparison.scenarios:
        said.append(f"{scenario.name}: {headline(made.comparison, scenario.name)}")
    return said


def show_comparison(comparison: Comparison) -> Display:
    """Show scenarios one below the other: today, then, difference with its range."""
    return _shown(comparison_table(comparison))


def show_side_by_side(comparison: Comparison, measures: tuple[str, ...] = ()) -> Display:
    """Show the differences of any number of scenarios, one column each."""
    return _shown(side_by_side_table(comparison, measures))


def show_levers(table: pd.DataFrame) -> Display:
    """Show what a measure hangs on, the widest first."""
    titles = ("Number", "From", "To", "Difference at the low end", "At the high end")
    rows = [
        (row["words"], *(number(row[name]) for name in ("low", "high", "at_low", "at_high")))
        for row in table.to_dict("records")
    ]
    text = text_table(titles, rows, numeric=(False, True, True, True, True), width=140)
    return Display(text, _table(titles, rows))


def saved_scenarios(folder: str | Path) -> list[Scenario]:
    """Return the scenarios of all files in a folder, by file name; none where there is none."""
    return [read_scenario(path) for path in sorted(Path(folder).glob("*.toml"))]


def asked(parts: PlanParts, number: int) -> tuple[Scenario, ...]:
    """Return the scenarios of a question; none where this study has nothing to ask it of."""
    try:
        return question_scenarios(parts, number)
    except StudyError:
        return ()


def main_measure(parts: PlanParts) -> str:
    """Return what a study can count: money where it gives costs, else failures."""
    return "cost" if any(s.cost_failure > 0 for s in parts.chosen.settings) else "failures"


def show_break_even(even: BreakEven | None) -> Display:
    """Show the value at which a scenario neither gains nor loses."""
    said = "This study has nothing to ask that of." if even is None else break_even_sentence(even)
    return _lines([said])


def break_even_figure(even: BreakEven | None, x_title: str, parts: PlanParts) -> go.Figure:
    """Return the curve behind a break-even value, in the study's currency."""
    if even is None:
        return without_data(new_figure("", ""), "This study has nothing to ask that of.")
    return whatif_figures.break_even_figure(even, x_title=x_title, unit=parts.study.costs.currency)


def show_shares(table: pd.DataFrame) -> Display:
    """Show the share that each number makes of the spread of a difference."""
    titles = ("Number", "Share of the spread", "Rank correlation")
    rows = [
        (
            row["words"],
            percent(round(row["share"], 2)),
            "" if pd.isna(row["rank_correlation"]) else f"{row['rank_correlation']:.1f}",
        )
        for row in table.to_dict("records")
    ]
    text = text_table(titles, rows, numeric=(False, True, True), width=140)
    return Display(text, _table(titles, rows))


def _shown(table: ShownTable) -> Display:
    rows = [
        [f"{cell.text} ({cell.range})" if cell.range else cell.text for cell in row]
        for row in table.rows
    ]
    text = text_table(table.titles, rows, numeric=table.numeric, width=160)
    return Display(text, _table(table.titles, rows))


def _lines(lines: Sequence[str]) -> Display:
    items = "".join(f"<li>{html.escape(line)}</li>" for line in lines)
    return Display("\n".join(lines), f"<ul>{items}</ul>")


def _table(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    style = ' style="text-align:left"'
    head = "".join(f"<th{style}>{html.escape(title)}</th>" for title in titles)
    body = "".join(
        "<tr>" + "".join(f"<td{style}>{html.escape(text)}</td>" for text in row) + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
