"""One row of what the log shows: question, answer in plain words, estimate with limits, rows.

Layer: plan. Words and numbers only; the files noticed_*.py fill it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

__all__ = [
    "COLUMNS",
    "FOUND",
    "NOT_FOUND",
    "NOT_LOOKED",
    "SHOWN",
    "answer",
    "counted",
    "figure",
    "limits_text",
    "noticed_frame",
    "some",
    "sources",
    "strict",
]

#: What a row says: something was found, nothing was, it was not looked for, or a description.
FOUND, NOT_FOUND, NOT_LOOKED, SHOWN = "found", "nothing found", "not looked for", "shown"

COLUMNS = (
    "question", "component", "location", "group", "finding", "verdict", "measure", "estimate",
    "lower", "upper", "unit", "lives", "failures", "p_value", "note", "rows",
)  # fmt: skip

_MOST_SOURCES = 40
#: Where many groups are looked at and none is suspected (half-years, kinds of work, vehicles),
#: only what would be found at this share of the level counts: one log is asked many questions.
_STRICT = 0.2


def answer(question: str, finding: str, verdict: str, note: str, **given: Any) -> dict[str, Any]:
    """One row; columns that are not given are blank, or NaN for numbers."""
    row: dict[str, Any] = dict.fromkeys(COLUMNS, "")
    row |= dict.fromkeys(("estimate", "lower", "upper", "lives", "failures", "p_value"), np.nan)
    row |= {"question": question, "finding": finding, "verdict": verdict, "note": note}
    unknown = set(given) - set(row)
    if unknown:
        raise ValueError(f"no column {', '.join(sorted(unknown))}: there are {', '.join(COLUMNS)}")
    return row | given


def noticed_frame(rows: Iterable[dict[str, Any]]) -> pd.DataFrame:
    """Rows as a table; within a question what was found comes first."""
    table = pd.DataFrame(list(rows), columns=list(COLUMNS))
    order = table["finding"].map({FOUND: 0, SHOWN: 1, NOT_FOUND: 2, NOT_LOOKED: 3})
    asked = {name: place for place, name in enumerate(dict.fromkeys(table["question"]))}
    keys = pd.DataFrame({"asked": table["question"].map(asked), "order": order})
    return table.loc[keys.sort_values(["asked", "order"], kind="stable").index].reset_index(
        drop=True
    )


def strict(confidence_level: float) -> float:
    """Return the stricter level for questions that suspect nobody.

    >>> round(strict(0.95), 3)
    0.99
    """
    return 1 - _STRICT * (1 - confidence_level)


def figure(value: float, digits: int = 2) -> str:
    """Return a number as a sentence holds it: a few meaningful digits, commas, no exponent.

    >>> figure(2.513), figure(1342.0, 3), figure(0.0413), figure(float("inf"))
    ('2.5', '1,340', '0.041', 'any number')
    """
    if not math.isfinite(value):
        return "any number" if value > 0 else "not known"
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):,.{max(places, 0)}f}"


def limits_text(lower: float, upper: float, digits: int = 2) -> str:
    """Return limits in words.

    >>> limits_text(1.63, 3.71), limits_text(1.63, float("inf")), limits_text(0.0, 0.9)
    ('1.6 to 3.7', 'at least 1.6', '0 to 0.90')
    """
    if math.isinf(upper):
        return f"at least {figure(lower, digits)}"
    return f"{figure(lower, digits)} to {figure(upper, digits)}"


def counted(number: float, noun: str, many: str = "") -> str:
    """Return a number with its noun.

    >>> counted(1, "failure"), counted(1200, "life", "lives")
    ('1 failure', '1,200 lives')
    """
    return f"{number:,.0f} {noun if round(number) == 1 else many or noun + 's'}"


def some(names: Sequence[str], most: int = 8, between: str = ", ") -> str:
    """Return the first names and how many more there are.

    >>> some(["a", "b", "c"], 2), some(["a, b", "c"], between="; ")
    ('a, b and 1 more', 'a, b; c')
    """
    if len(names) <= most:
        return between.join(names)
    return f"{between.join(names[:most])} and {len(names) - most:,} more"


def sources(*columns: pd.Series[Any]) -> str:
    """Return ids of log rows, each once, joined by "; ", at most forty."""
    parts = pd.concat(columns).fillna("").astype(str).str.split("; ").explode()
    names = list(dict.fromkeys(parts[parts.ne("")]))
    if len(names) <= _MOST_SOURCES:
        return "; ".join(names)
    return f"{'; '.join(names[:_MOST_SOURCES])}; and {len(names) - _MOST_SOURCES:,} more"
