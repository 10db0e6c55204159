"""Which columns of a comparison and of the tables beside it are shown, and in which form.

Layer: present. One definition for notebooks and the terminal.
"""

from __future__ import annotations

import pandas as pd

from relkit.present.columns import Column
from relkit.present.shown import ShownTable, shown_table
from relkit.present.whatif_wording import change_range_text, change_text
from relkit.whatif.comparison import Comparison
from relkit.whatif.questions import QUESTIONS

__all__ = ["TABLES", "comparison_table", "question_table", "side_by_side_table", "special_table"]

_MEASURES = (
    Column("scenario", "Scenario", width=30),
    Column("what", "What", width=30),
    Column("today", "Today", "number"),
    Column("then", "Then", "number"),
    Column("change", "Difference", width=18),
    Column("span", "Range", width=24),
    Column("probability", "Chance that it is better", "share"),
)
_ITEM = (
    Column("component", "Component", width=18),
    Column("location", "Location", width=20, optional=True),
)
#: Tables of the questions that look along the log.
TABLES: dict[str, tuple[Column, ...]] = {
    "months": (
        *_ITEM,
        Column("task", "Task", "task"),
        Column("failures", "Failures today", "number"),
        Column("range", "Upper over lower end of the interval", "number"),
        Column("months", "Months until it halves", "number", "months_lower", "months_upper"),
        Column("failures_by_then", "More failures by then", "number"),
    ),
    "hindsight": (
        *_ITEM,
        Column("interval", "Interval of then [{clock}]", "exact"),
        Column("failures", "Failures since", "number"),
        Column("avoided", "At ages past it", "number"),
        Column("replaced", "Replaced before", "count"),
        Column("unused", "Use left, so far [{clock}]", "amount"),
        Column("failures_instead", "Failures instead", "number", "failures_instead_lower",
               "failures_instead_upper"),
        Column("saved", "Saved", "number", "saved_lower", "saved_upper"),
    ),
    "records": (
        Column("datum", "Record", width=18),
        Column("case", "Case", width=10),
        Column("lives", "Lives", "count"),
        Column("failures", "Failures", "count"),
        Column("range", "Upper over lower limit of the B10 life", "number"),
        Column("tasks", "Tasks that change", "number"),
        Column("intervals", "Intervals that move by over 10 %", "number"),
    ),
}  # fmt: skip


def comparison_table(comparison: Comparison) -> ShownTable:
    """Return each scenario's measures: today, then, difference with its range."""
    rows = comparison.measures
    unit = rows["unit"].where(rows["unit"] == "", " [" + rows["unit"] + "]")
    pairs = zip(rows["lower"], rows["upper"], strict=True)
    table = rows.assign(
        what=rows["words"].str.capitalize() + unit,
        change=[change_text(value) for value in rows["difference"]],
        span=[change_range_text(low, high) for low, high in pairs],
    )
    first = table["scenario"] != table["scenario"].shift()
    table = table.assign(scenario=table["scenario"].where(first, ""))
    return shown_table("scenarios", table, _MEASURES, comparison.clock)


def side_by_side_table(comparison: Comparison, measures: tuple[str, ...] = ()) -> ShownTable:
    """Return the differences with one column per scenario, the range below each.

    Parameters
    ----------
    comparison : Comparison
        Any number of scenarios.
    measures : tuple of str
        Measures to show; default: all that any scenario has.
    """
    rows = comparison.measures
    if measures:
        rows = rows[rows["measure"].isin(measures)]
    names = [scenario.name for scenario in comparison.scenarios]
    whats = rows.drop_duplicates("measure")
    table = pd.DataFrame({"what": [_what(w, u) for w, u in zip(whats["words"], whats["unit"],
                                                               strict=True)]})  # fmt: skip
    columns = [Column("what", "Difference from today", width=30)]
    for place, name in enumerate(names):
        own = rows[rows["scenario"] == name].set_index("measure").reindex(whats["measure"])
        table[f"value_{place}"] = own["difference"].to_numpy()
        table[f"lower_{place}"] = own["lower"].to_numpy()
        table[f"upper_{place}"] = own["upper"].to_numpy()
        columns.append(Column(f"value_{place}", name, "number", f"lower_{place}", f"upper_{place}"))
    return shown_table("side_by_side", table, columns, comparison.clock)


def _what(words: str, unit: str) -> str:
    return words[:1].upper() + words[1:] + (f" [{unit}]" if unit else "")


def special_table(kind: str, table: pd.DataFrame, clock: str) -> ShownTable:
    """Return the table of a question that looks along the log."""
    return shown_table(kind, table, TABLES[kind], clock)


def question_table() -> ShownTable:
    """Return the 24 questions and how each is answered."""
    table = pd.DataFrame([(q.number, q.words, q.how) for q in QUESTIONS],
                         columns=["number", "words", "how"])  # fmt: skip
    columns = (
        Column("number", "No.", "count"),
        Column("words", "Question", width=40),
        Column("how", "How it is answered", width=60),
    )
    return shown_table("questions", table, columns, "")
