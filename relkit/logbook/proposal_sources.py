"""How each table of a proposed study is to be read: dates, signs, meters, what rows mean.

Layer: logbook. Decisions by evidence; the sentences that a person has to confirm come with them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.dates import parse_dates
from relkit.logbook.numbers import parse_numbers
from relkit.logbook.proposal_columns import GuessedColumns
from relkit.logbook.proposal_dates import DateEvidence, date_order
from relkit.logbook.proposal_numbers import (
    MeterEvidence,
    SignEvidence,
    meter_evidence,
    number_signs,
)

__all__ = ["ProposedSource", "Statement", "proposed_sources", "source_statements"]

_DATE_COLUMNS = ("date", "closed", "fitted_on", "removed_on", "vehicle_left_on")
_NUMBER_COLUMNS = ("reading", "downtime_hours", "labour_hours", "cost", "quantity")

_FAILURES = re.compile(r"(?i)fail|break.?down|defect|outage")
_REPLACEMENTS = re.compile(r"(?i)maint|replac|planned|prevent|renewal|pm_|overhaul")

_KINDS = {
    "log": "the repair log",
    "register": "the register of what is fitted",
    "readings": "the list of meter readings",
    "inspections": "the list of inspections",
}


@dataclass(frozen=True, slots=True)
class Statement:
    """A sentence of the study that a person has to confirm, with what speaks for it."""

    text: str
    evidence: str


@dataclass(frozen=True, slots=True, eq=False)
class ProposedSource:
    """One table with how it is to be read."""

    guess: GuessedColumns
    dates: DateEvidence | None  #: None: no date column
    signs: SignEvidence
    counters: Mapping[str, str] = field(default_factory=dict)  #: counter -> header
    meters: Mapping[str, MeterEvidence] = field(default_factory=dict)  #: header -> evidence
    fixed: Mapping[str, str] = field(default_factory=dict)
    fixed_reason: str = ""

    @property
    def kind(self) -> str:
        """Kind of the table."""
        return self.guess.kind

    @property
    def label(self) -> str:
        """File and sheet, for people."""
        return self.guess.found.label

    @property
    def carried(self) -> bool:
        """Whether it lists vehicles, all of which carry the same items."""
        return self.kind == "register" and "component" not in self.guess.columns

    def parsed_dates(self) -> NDArray[np.datetime64]:
        """Return the main dates under the decided order, NaT where there is none."""
        texts = self.guess.texts("date")
        order = self.dates.order if self.dates else ""
        return parse_dates(texts, order or "year first", first_year=1900).dates


def proposed_sources(guesses: Iterable[GuessedColumns]) -> tuple[ProposedSource, ...]:
    """Return how each table that is of use is to be read."""
    return tuple(_proposed(guess) for guess in guesses if guess.kind not in ("ages", "not used"))


def source_statements(sources: Iterable[ProposedSource]) -> tuple[Statement, ...]:
    """Return what a person has to confirm about the tables; equal decisions are one statement."""
    found: dict[tuple[str, str], list[tuple[str, str]]] = {}

    def add(before: str, after: str, label: str, why: str) -> None:
        found.setdefault((before, after), []).append((label, why))

    for one in sources:
        add(f"{_KINDS[one.kind]} is read from ", "with the columns below", one.label,
            one.guess.reason)  # fmt: skip
        if "vehicle" not in one.guess.columns:
            add("the vehicle of ", "is filled in under columns or fixed", one.label,
                "no column was found that names the vehicle, which each row needs")  # fmt: skip
        if one.dates is not None and not one.dates.plain:
            order = one.dates.order
            after = f"are {order}" if order else "can be read: date_format is filled in"
            add("the dates of ", after, one.label, "; ".join(one.dates.reasons))
        if not one.signs.plain:
            signs = f'decimal sign "{one.signs.decimal}"'
            signs += f', thousands sign "{one.signs.thousands}"' if one.signs.thousands else ""
            add("the numbers of ", f"have {signs}", one.label, "; ".join(one.signs.reasons))
        for counter, header in one.counters.items():
            why = "; ".join(one.meters[header].reasons)
            if not one.meters[header].sure:
                add(f'"{header}" of ', f"counts {counter}", one.label, why)
        if one.guess.fill_down:
            cells = " and ".join(one.guess.fill_down)
            add(f"blank cells under {cells} in ", "repeat the cell above", one.label,
                "merged cells: blanks stand below filled ones")  # fmt: skip
        if one.kind == "log":
            add("each row of ", _meaning(one), one.label, one.fixed_reason)
    return tuple(
        Statement(
            f"{before}{_listed([label for label, _ in places])} {after}",
            "; ".join(dict.fromkeys(why for _, why in places if why)),
        )
        for (before, after), places in found.items()
        if after
    )


def _proposed(guess: GuessedColumns) -> ProposedSource:
    columns = guess.columns
    dated = [our for our in _DATE_COLUMNS if our in columns]
    numbers = [guess.texts(our) for our in _NUMBER_COLUMNS if our in columns]
    numbers += [guess.found.texts[name].to_numpy(dtype=object) for name in guess.meters]
    typed = guess.found.path.suffix.lower() not in (".csv", ".tsv", ".txt", "")
    signs = number_signs(numbers, typed=typed)
    vehicles = _filled_down(guess)
    readings = {name: _readings(guess, name, signs) for name in guess.meters}
    dates = None
    if dated:
        dates = date_order(
            [guess.texts(our) for our in dated],
            jobs=guess.texts("job") if "job" in columns else None,
            vehicles=vehicles,
            meters=next(iter(readings.values()), None),
        )
    order = dates.order if dates else ""
    days = parse_dates(guess.texts("date"), order, first_year=1900).dates if order else None
    meters = {name: meter_evidence(name, readings[name], vehicles, days) for name in guess.meters}
    counters: dict[str, str] = {}
    for name, evidence in meters.items():
        if evidence.counter and evidence.counter not in counters:
            counters[evidence.counter] = name
    fixed, reason = _fixed(guess)
    return ProposedSource(guess, dates, signs, counters, meters, fixed, reason)


def _filled_down(guess: GuessedColumns) -> NDArray[np.object_]:
    vehicles = pd.Series(guess.texts("vehicle"), dtype=object)
    if "vehicle" in guess.fill_down:
        vehicles = vehicles.where(vehicles != "").ffill().fillna("")
    return vehicles.to_numpy(dtype=object)


def _readings(guess: GuessedColumns, name: str, signs: SignEvidence) -> NDArray[np.float64]:
    texts = guess.found.texts[name].to_numpy(dtype=object)
    tried = [
        parse_numbers(texts, decimal=signs.decimal, thousands=signs.thousands, unit=unit).numbers
        for unit in ("hours", "km")
    ]
    return max(tried, key=lambda numbers: int((~np.isnan(numbers)).sum()))


def _fixed(guess: GuessedColumns) -> tuple[dict[str, str], str]:
    """Return finding and action of every row of a log, by what file and columns are called."""
    if guess.kind != "log":
        return {}, ""
    columns = guess.columns
    named = f"{guess.found.file.rsplit('/', 1)[-1]} {guess.found.sheet}"
    header = columns.get("component", "")
    if "finding" in columns:
        return {}, "" if "action" in columns else "no column says what was done"
    if _FAILURES.search(named) or _FAILURES.search(header):
        return {
            "finding": "failed"
        }, f'no column tells the finding; "{named.strip()}" speaks of failures'
    if _REPLACEMENTS.search(named) and "note" not in columns:
        fixed = {"finding": "planned"}
        if "action" not in columns:
            fixed["action"] = "replaced"
        return fixed, f'no column tells the finding; "{named.strip()}" speaks of planned work'
    return {}, "no column tells the finding"


def _meaning(one: ProposedSource) -> str:
    """Return what each row of a log is taken for; blank where finding and action are stated."""
    columns, fixed = one.guess.columns, one.fixed
    if fixed.get("finding") == "failed":
        return "is a failure of its item" + (
            "" if "action" in columns else ", after which it was replaced"
        )
    if fixed.get("finding") == "planned":
        return "is a planned replacement, unless a failure stands at the same instant elsewhere"
    if "note" in columns and not {"finding", "action"} <= set(columns):
        return (
            "tells in its note what was found and done (`relkit notes` shows how it is read); "
            + (
                "where the note names no work, the item was replaced"
                if "finding" in columns
                else "where the note names no work, the item stays"
            )
        )
    if "finding" not in columns:
        return "states no finding: where an item was replaced it is taken to have failed"
    if "action" not in columns:
        return "replaced its item, unless its finding is no failure"
    return ""


def _listed(labels: list[str], most: int = 4) -> str:
    if len(labels) > most:
        return f"{', '.join(labels[:most])} and {len(labels) - most} more"
    return " and ".join([", ".join(labels[:-1]), labels[-1]] if len(labels) > 1 else labels)
