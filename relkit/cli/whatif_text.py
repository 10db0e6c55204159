"""What the whatif command prints: questions with their answers, scenarios, levers.

Layer: cli. Texts only; the numbers come from the comparison, their form from present.
"""

from __future__ import annotations

import textwrap

import pandas as pd

from relkit.cli.output import line_width
from relkit.present.shown import ShownTable
from relkit.present.text_table import text_table
from relkit.present.whatif_columns import comparison_table, special_table
from relkit.present.whatif_wording import (
    answer_sentences,
    break_even_sentence,
    change_range_text,
    change_text,
    interval_sentences,
)
from relkit.present.wording import number, sentence
from relkit.whatif.comparison import Comparison
from relkit.whatif.questions import Answer

__all__ = ["answer_text", "comparison_text", "histories_text", "levers_text"]


def answer_text(answer: Answer, clock: str, currency: str) -> str:
    """Return a question with its answer: how, table, sentences."""
    question = answer.question
    parts = [f"{question.number}. {question.words}", _filled(question.how)]
    if answer.comparison is not None:
        parts.append(comparison_text(answer.comparison))
    if answer.table is not None:
        parts.append(_table(special_table(question.kind, answer.table, clock)))
    if answer.even is not None:
        parts.append(_filled(break_even_sentence(answer.even)))
    parts += [_filled(sentence(note)) for note in answer.notes]
    if answer.comparison is None:
        said = answer_sentences(answer, clock, currency)
        parts.append("\n".join(_filled(text) for text in said))
    return "\n".join(parts)


def comparison_text(comparison: Comparison) -> str:
    """Return scenarios with their differences, changed intervals and notes."""
    parts = [_table(comparison_table(comparison))]
    for scenario in comparison.scenarios:
        said = interval_sentences(comparison, scenario.name)
        said += [sentence(note) for note in comparison.notes[scenario.name]]
        if said:
            head = f"{scenario.name}:" if len(comparison.scenarios) > 1 else ""
            parts.append("\n".join(_filled(text) for text in (head, *said) if text))
    return "\n".join(parts)


def histories_text(table: pd.DataFrame) -> str:
    """Return what simulated histories differ by: the mean, and what luck may bring besides."""
    rows = [
        [
            _MEASURES[row["measure"]],
            number(row["today"]),
            number(row["then"]),
            change_text(row["mean"]),
            change_range_text(row["low"], row["high"]),
        ]
        for row in table.to_dict("records")
        if row["measure"] in _MEASURES and (row["today"] or row["then"])
    ]
    titles = ("simulated", "today", "then", "mean difference", "nine histories of ten")
    return text_table(titles, rows, numeric=(False, True, True, False, False), width=line_width())


#: Measures of the simulated histories in words.
_MEASURES = {
    "failures": "failures",
    "planned": "planned replacements",
    "checks": "tests and looks",
    "hidden": "time failed without anyone knowing",
    "stock_outs": "spares not on the shelf when needed",
    "downtime": "hours of downtime after failures, waiting for spares and bays",
    "bay_hours": "bay hours",
    "cost": "cost",
}


def levers_text(table: pd.DataFrame, measure: str) -> str:
    """Return what a measure hangs on, the widest first."""
    rows = [
        [
            row["words"],
            f"{number(row['low'])} to {number(row['high'])}",
            change_text(row["at_low"]),
            change_text(row["at_high"]),
        ]
        for row in table.to_dict("records")
    ]
    titles = ("number", "range", f"{measure} at its low end", f"{measure} at its high end")
    return text_table(titles, rows, numeric=(False,) * 4, width=line_width())


def _table(shown: ShownTable) -> str:
    rows = [
        [f"{cell.text} ({cell.range})" if cell.range else cell.text for cell in row]
        for row in shown.rows
    ]
    titles = [title[:1].lower() + title[1:] for title in shown.titles]
    return text_table(titles, rows, numeric=shown.numeric, width=line_width())


def _filled(text: str) -> str:
    return textwrap.fill(text, line_width())
