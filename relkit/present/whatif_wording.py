"""What scenarios change, in sentences: more or less than today, with the range.

Layer: present. Numbers come from a comparison; the words never say more than its range.
"""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from relkit.present.wording import (
    amount,
    item_name,
    listed,
    number,
    plural,
    sentence,
    step,
    task_words,
)
from relkit.whatif.break_even import BreakEven
from relkit.whatif.comparison import Comparison
from relkit.whatif.questions import Answer

__all__ = [
    "answer_sentences",
    "break_even_sentence",
    "change_range_text",
    "change_text",
    "difference_sentence",
    "headline",
    "interval_sentences",
    "scenario_sentences",
]


def change_text(value: float, unit: str = "") -> str:
    """Return a difference in words: more, less or none.

    >>> change_text(-1723.4, "h"), change_text(12.0), change_text(0.0)
    ('1,720 h less', '12 more', 'no difference')
    """
    if math.isnan(value):
        return "not known"
    if value == 0:
        return "no difference"
    return f"{_size(value, unit)} {'more' if value > 0 else 'less'}"


def change_range_text(lower: float, upper: float, unit: str = "") -> str:
    """Return the range of a difference in words.

    >>> change_range_text(-2100.0, -1360.0, "h"), change_range_text(-94.0, 1000.0)
    ('1,360 to 2,100 h less', 'from 94 less to 1,000 more')
    """
    if lower == upper:
        return ""
    if lower < 0 < upper:
        return f"from {change_text(lower, unit)} to {change_text(upper, unit)}"
    near, far = sorted((abs(lower), abs(upper)))
    word = "more" if upper > 0 else "less"
    if number(near) == number(far):
        return ""
    return f"{number(near)} to {_size(far, unit)} {word}"


def _size(value: float, unit: str) -> str:
    return f"{number(abs(value))} {unit}".rstrip()


def difference_sentence(row: Any, months: float) -> str:
    """Return what one measure of one scenario changes, as a sentence.

    Parameters
    ----------
    row : mapping
        A row of ``Comparison.measures``.
    months : float
        Time ahead that it covers.
    """
    unit = str(row["unit"])
    text = change_text(float(row["difference"]), unit)
    span = change_range_text(float(row["lower"]), float(row["upper"]))
    over = "" if row["measure"] in _NOT_OVER_TIME else f" over {number(months)} months"
    today, then = (_size(float(row[name]), unit) for name in ("today", "then"))
    ranged = f" ({span})" if span else ""
    return sentence(f"{row['words']}{over}: {text}{ranged}, {then} instead of {today}")


#: Measures that are not counts over the time ahead.
_NOT_OVER_TIME = ("yearly_cost", "spares")


def headline(comparison: Comparison, scenario: str, most: int = 2) -> str:
    """Return what a scenario changes in the measures that people ask for first."""
    own = comparison.measures[comparison.measures["scenario"] == scenario].set_index("measure")
    known = [name for name in _FIRST if name in own.index and own.loc[name, "difference"] != 0]
    months = comparison.months[scenario]
    rows = own.reset_index().set_index("measure", drop=False)
    said = [difference_sentence(rows.loc[name], months) for name in known[:most]]
    return " ".join(said) or "No difference."


_FIRST = ("dark_time", "failures", "cost", "waiting_days", "late_spares", "checks")


def scenario_sentences(comparison: Comparison, scenario: str) -> list[str]:
    """Return what a scenario changes: each measure that differs, tasks and intervals, notes."""
    own = comparison.measures[comparison.measures["scenario"] == scenario]
    months = comparison.months[scenario]
    rows = own.to_dict("records")
    said = [difference_sentence(row, months) for row in rows if row["difference"] != 0]
    same = [str(row["words"]) for row in rows if row["difference"] == 0]
    if same:
        said.append(sentence(f"no difference in {listed(same, 6)}"))
    said += interval_sentences(comparison, scenario)
    return [*said, *(sentence(note) for note in comparison.notes[scenario])]


def interval_sentences(comparison: Comparison, scenario: str, most: int = 6) -> list[str]:
    """Return which tasks and intervals a scenario changes."""
    own = comparison.intervals
    own = own[(own["scenario"] == scenario) & own["changed"]]
    said = [
        sentence(
            f"{item_name(str(row['component']), str(row['location']))}: "
            f"{_task(row['task'], row['interval'], comparison.clock)} instead of "
            f"{_task(row['task_today'], row['interval_today'], comparison.clock)}"
        )
        for row in own.head(most).to_dict("records")
    ]
    more = len(own) - most
    return (
        [*said, f"{plural(more, 'more item changes', 'more items change')}."] if more > 0 else said
    )


def _task(task: object, interval: object, clock: str) -> str:
    if not isinstance(task, str):
        return "not fitted"
    verb = task_words(task).verb.lower()
    length = float(interval)  # type: ignore[arg-type]
    return verb if math.isnan(length) else f"{verb} every {step(length, clock)}"


def break_even_sentence(even: BreakEven) -> str:
    """Return the value at which a scenario neither gains nor loses."""
    name = _NUMBERS.get(even.path.rsplit(".", 1)[-1], even.path)
    measure = {"yearly_cost": "cost in the long run", "cost": "cost"}.get(
        even.measure, even.measure.replace("_", " ")
    )
    if math.isnan(even.value):
        return sentence(f"break-even of the {name}: none in between, {even.status}")
    span = ""
    if not math.isnan(even.lower) and number(even.lower) != number(even.upper):
        span = f" ({number(even.lower)} to {number(even.upper)})"
    return sentence(f"the {measure} is as today at a {name} of {number(even.value)}{span}")


_NUMBERS = {
    "scale_factor": "life factor",
    "saved": "saving by a repair",
    "set_up": "set-up saved",
    "part_added": "price added",
    "failure_factor": "failure cost factor",
    "factor": "factor",
}


def answer_sentences(answer: Answer, clock: str = "", currency: str = "") -> list[str]:
    """Return an answer in sentences, the scenario's name before what it changes."""
    if answer.reason:
        return [sentence(f"cannot be asked of this study: {answer.reason}")]
    said: list[str] = []
    if answer.comparison is not None:
        for scenario in answer.comparison.scenarios:
            said.append(f"{scenario.name}:")
            said += scenario_sentences(answer.comparison, scenario.name)
    if answer.even is not None:
        said.append(break_even_sentence(answer.even))
    said += [sentence(note) for note in answer.notes]
    if answer.table is not None:
        said += _TABLE_SENTENCES[answer.question.kind](answer.table, clock, currency)
    return said


def _months(table: pd.DataFrame, clock: str, currency: str) -> list[str]:
    del clock, currency
    said = []
    for row in table.to_dict("records"):
        name = item_name(str(row.get("component", "")), str(row.get("location", "")))
        if math.isnan(row["months"]):
            said.append(sentence(f"{name}: more than 120 months"))
            continue
        least = number(row["months_lower"], 2)
        most = (
            "more than 120" if math.isnan(row["months_upper"]) else number(row["months_upper"], 2)
        )
        said.append(
            sentence(
                f"{name}: the range halves in about {number(row['months'], 2)} months "
                f"({least} to {most}), after {number(row['failures_by_then'], 2)} more failures"
            )
        )
    return said


def _hindsight(table: pd.DataFrame, clock: str, currency: str) -> list[str]:
    failures, avoided, replaced = (
        float(table[name].sum()) for name in ("failures", "avoided", "replaced")
    )
    instead = float(table["failures_instead"].sum())
    saved, lower, upper = (
        float(table[name].sum()) for name in ("saved", "saved_lower", "saved_upper")
    )
    unused = float((table["unused"] * table["replaced"]).sum() / max(replaced, 1.0))
    return [
        sentence(
            f"of {number(failures)} failures since, {number(avoided)} came at ages at which the "
            f"plan of then would have replaced the item before; {number(instead)} would have come "
            "instead"
        ),
        sentence(
            f"{plural(replaced, 'item')} would have been replaced, with on average "
            f"{amount(unused, clock)} of use left that has been seen so far"
        ),
        sentence(
            f"money: {change_text(-saved, currency)} than was spent "
            f"({change_range_text(-upper, -lower, currency)})"
            if not math.isnan(saved)
            else "money: not known, for want of costs"
        ),
    ]


def _records(table: pd.DataFrame, clock: str, currency: str) -> list[str]:
    del clock, currency
    today = float(table.loc[table["case"] == "today", "range"].iloc[0])
    full = table[table["case"] == "in full"].sort_values("range")
    lost = table[table["case"] == "without"].sort_values("range", ascending=False)
    best, worst = full.iloc[0], lost.iloc[0]
    ratio = f"the upper limit of a B10 life is {number(today)} times the lower one on average"
    said = [sentence(ratio)]
    if best["range"] < today * 0.99:
        said.append(
            sentence(
                f"full {best['datum']} would help most: {number(float(best['range']))} times, "
                f"{plural(float(best['tasks']), 'task')} changed"
            )
        )
    else:
        said.append("No record in full would narrow it by 1 %.")
    said.append(
        sentence(
            f"losing the {worst['datum']} would hurt most: {number(float(worst['range']))} times, "
            f"{plural(float(worst['tasks']), 'task')} changed"
        )
    )
    return said


_TABLE_SENTENCES = {"months": _months, "hindsight": _hindsight, "records": _records}
