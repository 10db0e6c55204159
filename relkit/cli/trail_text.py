"""What the trail command prints: an interval's lives and rows, or what rests on one row.

Layer: cli. Texts only; the numbers come from the trail, their form from present.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import pandas as pd

from relkit.plan.trail import IntervalTrail, RowTrail
from relkit.present.columns import FITS, INTERVALS, Column, heading, present_in, value_text
from relkit.present.text_table import text_table
from relkit.present.wording import UNKNOWN, listed, plural, sentence

__all__ = ["interval_trail_text", "row_trail_text"]

#: Most rows that are printed of a long table; --out writes all.
_MOST = 30

_LIFE_COLUMNS = (
    Column("vehicle", "vehicle"),
    Column("component", "component"),
    Column("location", "location"),
    Column("entry", "from {clock}", "amount"),
    Column("age", "to {clock}", "amount"),
    Column("ended_by", "ended by"),
    Column("failure_share", "share", "number", optional=True),
    Column("b10_change", "B10 without", "share", optional=True),
    Column("role", "this row", optional=True),
    Column("closed_by", "ended by row"),
)
_ROW_COLUMNS = (
    Column("source", "row"),
    Column("row_class", "became"),
    Column("detail", "detail"),
    Column("role", "role", optional=True),
    Column("text", "text"),
)

#: Columns of row ids: never broken over two lines.
_IDS = ("source", "closed_by")


def interval_trail_text(found: IntervalTrail, clock: str, *, width: int = 100) -> str:
    """Return the interval, its fit, its lives by weight, their rows and what was noticed."""
    weighed = found.lives.assign(by=found.lives["b10_change"].abs())
    weighed = weighed.sort_values("by", ascending=False, kind="stable")
    failures = int(found.lives["failed"].astype(bool).sum())
    most = weighed.dropna(subset=["b10_change"]).head(1)
    heaviest = (
        f"The row that weighs most is {most['closed_by'].iloc[0]}: had it not been a failure, the "
        f"B10 life would move by {most['b10_change'].iloc[0]:+.1%}."
        if len(most)
        else "No single failure's weight can be worked out: there are too few."
    )
    parts = [
        ", ".join(found.key.values()),
        _facts(found.interval, INTERVALS, clock, width),
        f"Fitted life\n{_facts(found.fit, FITS, clock, width)}",
        f"Lives: {plural(len(found.lives), 'life', 'lives')}, {plural(failures, 'failure')} of "
        f"known cause. {heaviest}\n{_table(weighed, _LIFE_COLUMNS, clock, width)}",
        f"Rows: {plural(len(found.rows), 'row')} opened or ended these lives.\n"
        f"{_table(found.rows, _ROW_COLUMNS, clock, width)}",
    ]
    if len(found.treatments):
        noticed = "\n".join(
            textwrap.fill(
                f"{sentence(str(entry['what']))} {sentence(str(entry['done']))}",
                width,
                initial_indent="- ",
                subsequent_indent="  ",
            )
            for entry in found.treatments.to_dict("records")
        )
        parts.append(f"What was noticed on these rows, in the whole log\n{noticed}")
    return "\n\n".join(parts)


def row_trail_text(found: RowTrail, clock: str, *, width: int = 100) -> str:
    """Return what a row became, and the lives, intervals and due entries that rest on it."""
    row = found.row.iloc[0]
    became = str(row["row_class"]) + (f" ({row['detail']})" if row["detail"] else "")
    lines = [found.source, f"Read as: {row['kind']}. Became: {became}."]
    if row["text"]:
        lines.append(f"Text: {row['text']}")
    parts = ["\n".join(textwrap.fill(line, width, subsequent_indent="  ") for line in lines)]
    if len(found.lives):
        parts.append(f"Lives\n{_table(found.lives, _LIFE_COLUMNS, clock, width)}")
    else:
        parts.append("No life rests on it.")
    for record in found.intervals.to_dict("records"):
        names = [str(record[name]) for name in ("component", "location") if name in record]
        frame = pd.DataFrame([record])
        parts.append(f"Interval: {', '.join(names)}\n{_facts(frame, INTERVALS, clock, width)}")
    if len(found.due):
        states = found.due["state"].value_counts()
        parts.append(
            "Due list: "
            + listed([f"{count} {state}" for state, count in states.items()], most=len(states))
        )
    return "\n\n".join(parts)


def _facts(frame: pd.DataFrame, columns: Sequence[Column], clock: str, width: int) -> str:
    """Return one row of a table as lines of name and value; blank ones are left out."""
    record = frame.iloc[0]
    lines = []
    for column in present_in(columns, frame):
        text = value_text(column, record[column.name])
        if text in ("", UNKNOWN) or column.name in ("component", "location"):
            continue
        if column.lower and pd.notna(record[column.lower]):
            low, high = (value_text(column, record[end]) for end in (column.lower, column.upper))
            text += f" ({low} to {high})"
        name = heading(column, clock)
        lines.append(textwrap.fill(f"  {name}: {text}", width, subsequent_indent="    "))
    return "\n".join(lines)


def _table(frame: pd.DataFrame, columns: Sequence[Column], clock: str, width: int) -> str:
    shown = present_in(columns, frame)
    rows = [
        [_short(column, record[column.name]) for column in shown]
        for record in frame.head(_MOST).to_dict("records")
    ]
    text = text_table(
        [heading(column, clock) for column in shown],
        rows,
        numeric=[column.numeric or column.name in _IDS for column in shown],
        width=width,
    )
    rest = len(frame) - len(rows)
    return text + (f"\n... and {plural(rest, 'more')} (all with --out)" if rest > 0 else "")


def _short(column: Column, value: object) -> str:
    """Return a cell; of several row ids the first, so that no id is broken."""
    text = value_text(column, value)
    if column.name not in _IDS or "; " not in text:
        return text
    first, *others = text.split("; ")
    return f"{first} +{len(others)}"
