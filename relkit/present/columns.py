"""Which columns of a plan are shown, under which heading and in which form.

Layer: present. One definition for the page, the workbook, the notebooks and the terminal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from relkit.present.wording import (
    UNKNOWN,
    day,
    number,
    number_range,
    percent,
    percent_range,
    step,
    task_words,
)
from relkit.units import clock_symbol

__all__ = [
    "DUE",
    "FILES",
    "FINDINGS",
    "FITS",
    "INTERVALS",
    "LIVES",
    "SET_ASIDE",
    "SPARES",
    "VISITS",
    "Column",
    "heading",
    "present_in",
    "range_text",
    "value_text",
]

#: ``amount`` and ``exact`` are in the study's clock; ``exact`` keeps a whole step as it was agreed.
Kind = Literal["text", "task", "count", "number", "amount", "exact", "share", "date", "flag"]


@dataclass(frozen=True, slots=True)
class Column:
    """One shown column: where it comes from, its heading, its form and its range."""

    name: str  #: column of the plan's table
    title: str  #: heading; ``{clock}`` and ``{currency}`` are filled in
    kind: Kind = "text"
    lower: str = ""  #: column with the lower end of its range
    upper: str = ""  #: column with the upper end of its range
    width: int = 12  #: in characters, for the workbook
    optional: bool = False  #: True: not every study has it
    words: tuple[str, str] = ("yes", "no")  #: of a flag

    @property
    def numeric(self) -> bool:
        """Whether the column is set flush right."""
        return self.kind in ("count", "number", "amount", "exact", "share")


_COMPONENT = Column("component", "Component", width=18)
_LOCATION = Column("location", "Location", width=20, optional=True)
_TASK = Column("task", "Task", "task", width=26)

INTERVALS = (
    _COMPONENT,
    _LOCATION,
    _TASK,
    Column("interval", "Interval [{clock}]", "exact", "interval_lower", "interval_upper"),
    Column("schedule", "Done at", width=24),
    Column("binding", "Set by", width=18),
    Column("failures", "Failures", "count"),
    Column("lives", "Lives", "count"),
    Column("positions", "Positions", "count"),
    Column("exposure", "Observed [{clock}]", "amount"),
    Column("saving", "Saving", "share", "saving_lower", "saving_upper"),
    Column("probability_of_saving", "Chance that it saves", "share"),
    Column("best_interval", "Cheapest [{clock}]", "amount", "span_lower", "span_upper"),
    Column("wide_span_lower", "Within 5 % from [{clock}]", "amount", optional=True),
    Column("wide_span_upper", "Within 5 % to [{clock}]", "amount", optional=True),
    Column("practice", "Today", width=30, optional=True),
    Column("practice_regret", "Today over the best", "share", optional=True),
    Column("probability_of_improvement", "Chance that the plan is cheaper", "share", optional=True),
    Column("unavailability", "Share of time failed unnoticed", "share"),
    Column("target_unavailability", "Most allowed", "share"),
    Column("evident", "Driver notices", "flag", words=("at once", "hidden")),
    Column("why", "Why", width=60),
    Column("why_not_longer", "Why not longer", width=48),
    Column("why_not_shorter", "Why not shorter", width=48),
    Column("rule_check", "Rule besides", width=36),
    Column("refused", "Why not another task", width=60, optional=True),
    Column("alternatives", "Other ways to replace", width=48, optional=True),
    Column("waiting", "Waiting for more data", width=36, optional=True),
    Column("method", "Method", width=48, optional=True),
    Column("assumptions", "Assumes", width=48, optional=True),
    Column("formula_source", "Source of the formula", width=40, optional=True),
    Column("leans_on", "Leans most on", width=48, optional=True),
    Column("warnings", "Take care", width=48),
)

VISITS = (
    Column("vehicles", "Vehicles", width=20),
    Column("service", "Service", width=24),
    _COMPONENT,
    _LOCATION,
    _TASK,
    Column("every_nth", "Every so many services (0: between)", "count"),
    Column("interval", "Interval [{clock}]", "exact"),
    Column("interval_days", "About so many days", "number"),
    Column("vehicle_count", "Number of vehicles", "count"),
    Column("positions", "Positions", "count"),
    Column("binding", "Set by", width=18),
    Column("rule", "Rule", width=30),
    Column("status", "Status", width=24),
    Column("mend", "If no service fits", width=48),
    Column("why", "Why", width=60),
)

DUE = (
    Column("state", "State", width=14),
    Column("vehicle", "Vehicle", width=12),
    Column("class", "Class", width=14, optional=True),
    Column("depot", "Depot", width=14, optional=True),
    _COMPONENT,
    _LOCATION,
    Column("item", "Serial", width=14),
    _TASK,
    Column("due_on", "Due on", "date", "due_on_earliest", "due_on_latest", width=13),
    Column("due_in", "Due in [{clock}]", "amount"),
    Column("limit", "First limit", width=12),
    Column("age", "Age [{clock}]", "amount"),
    Column("due_age", "Due at age [{clock}]", "amount"),
    Column(
        "probability_of_failure",
        "Chance of failure before",
        "share",
        "probability_lower",
        "probability_upper",
    ),
    Column("last_test", "Last test or change", "date", width=13, optional=True),
    Column("next_service_on", "Next service", "date", width=13, optional=True),
    Column("advice", "Advice", width=36, optional=True),
    Column("opened_by", "Rows behind it", width=30),
)

SPARES = (
    _COMPONENT,
    Column("positions", "Positions", "count"),
    Column("used_last_year", "Used in the last year", "count"),
    Column("expected", "Failures expected", "number", "expected_lower", "expected_upper"),
    Column("planned", "Planned replacements", "number"),
    Column("lead_time_days", "Lead time [days]", "number"),
    Column("demand_in_lead_time", "Needed in a lead time", "number"),
    Column("stock", "Keep in stock", "count"),
    Column("stock_out_probability", "Chance of running out", "share"),
    Column("note", "Note", width=48),
)

FITS = (
    _COMPONENT,
    _LOCATION,
    Column("lives", "Lives", "count"),
    Column("failures", "Failures", "count"),
    Column("exposure", "Observed [{clock}]", "amount"),
    Column("shape", "Weibull shape", "number", "shape_lower", "shape_upper"),
    Column("scale", "Weibull scale [{clock}]", "amount", "scale_lower", "scale_upper"),
    Column("b10", "B10 life [{clock}]", "amount", "b10_lower", "b10_upper"),
    Column("probability_of_wear", "Chance of wear (shape above 1)", "share"),
    Column("verdict", "How it fails", width=16, optional=True),
    Column("grade", "Evidence", width=10, optional=True),
    Column("shape_source", "Shape from", width=22),
    Column("status", "Status", width=14),
    Column("reason", "Note", width=60),
)

FINDINGS = (
    Column("severity", "Weight", width=13),
    Column("what", "What was noticed", width=60),
    Column("rows", "Rows", "count"),
    Column("done", "What was done", width=48),
    Column("where", "Where", width=60),
    Column("rule", "Rule", width=24),
)

SET_ASIDE = (
    Column("source", "Row", width=28),
    Column("kind", "Table", width=12),
    Column("reason", "Reason", width=24),
    Column("column", "Column", width=16),
    Column("value", "Value", width=24),
    Column("mend", "What would mend it", width=48),
    Column("original", "The row as it was read", width=80),
)

FILES = (
    Column("file", "File", width=28),
    Column("kind", "Table", width=12),
    Column("rows", "Rows", "count"),
    Column("encoding", "Encoding", width=12),
    Column("delimiter", "Delimiter", width=10),
    Column("date_format", "Dates", width=18),
    Column("columns_ignored", "Columns not used", width=36),
    Column("columns_dropped", "Dropped (names of people)", width=28),
)

LIVES = (
    Column("vehicle", "Vehicle", width=12),
    _COMPONENT,
    Column("location", "Location", width=20),
    Column("item", "Serial", width=14),
    Column("fitted_on", "Fitted on", "date", width=13),
    Column("ended_on", "Ended on", "date", width=13),
    Column("entry", "Age when watching began [{clock}]", "amount"),
    Column("age", "Age at the end [{clock}]", "amount"),
    Column("age_lower", "Last known good [{clock}]", "amount"),
    Column("failed", "Failed", "flag"),
    Column("ended_by", "Ended by", width=24),
    Column("causes", "Possible causes", width=24),
    Column("opened_by", "Opened by rows", width=30),
    Column("closed_by", "Closed by rows", width=30),
)


def heading(column: Column, clock: str, currency: str = "") -> str:
    """Return a column's heading with the unit of the study's clock."""
    return column.title.replace("{clock}", clock_symbol(clock)).replace("{currency}", currency)


def present_in(columns: Sequence[Column], frame: pd.DataFrame) -> tuple[Column, ...]:
    """Return the columns to show: all of them, less optional ones that the table does not have.

    Raises
    ------
    KeyError
        The table lacks a column that is not optional.
    """
    missing = [c.name for c in columns if not c.optional and c.name not in frame.columns]
    if missing:
        raise KeyError(f"the table has no column {', '.join(missing)}")
    return tuple(column for column in columns if column.name in frame.columns)


def value_text(column: Column, value: object) -> str:
    """Return a value as people read it, without its range; its unit stands in the heading."""
    if column.kind in ("text", "task", "flag"):
        return _words(column, value)
    if column.kind == "date":
        return day(value)  # type: ignore[arg-type]  # the frame's date columns hold dates
    return _number_text(column.kind, float(value))  # type: ignore[arg-type]


def range_text(column: Column, lower: object, upper: object) -> str:
    """Return the range of a value as people read it; empty where there is none."""
    if column.kind == "date":
        first, last = day(lower), day(upper)  # type: ignore[arg-type]
        return "" if UNKNOWN in (first, last) or first == last else f"{first} to {last}"
    low, high = float(lower), float(upper)  # type: ignore[arg-type]
    text = percent_range(low, high) if column.kind == "share" else number_range(low, high)
    return "" if text == UNKNOWN else text


def _words(column: Column, value: object) -> str:
    if value is None or value is pd.NA or value != value:  # NaN is not equal to itself
        return UNKNOWN if column.kind == "flag" else ""
    if column.kind == "flag":
        return column.words[0] if value else column.words[1]
    return task_words(str(value)).verb if column.kind == "task" else str(value)


def _number_text(kind: Kind, value: float) -> str:
    if kind == "share":
        return percent(value)
    if kind == "exact":
        return step(value)
    return f"{value:,.0f}" if kind == "count" and math.isfinite(value) else number(value)
