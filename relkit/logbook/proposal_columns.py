"""Which kind of table a file holds and which column is which of ours, by names and content.

Layer: logbook. Guesses with their reasons, for a person to confirm.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd

from relkit.logbook.columns import OUR_COLUMNS
from relkit.logbook.persons import holds_persons
from relkit.logbook.proposal_dates import date_share
from relkit.logbook.proposal_files import FoundTable
from relkit.logbook.proposal_headers import LEAST_LIKENESS, counter_of_header, header_likeness
from relkit.logbook.proposal_numbers import number_share

__all__ = ["GuessedColumns", "Kind", "guessed_columns", "with_shared_values"]

Kind = Literal["log", "register", "readings", "inspections", "ages", "not used"]

_DATES = frozenset(("date", "closed", "fitted_on", "removed_on", "vehicle_left_on"))
_NUMBERS = frozenset(("downtime_hours", "labour_hours", "cost", "quantity", "reading"))
_WORDS = frozenset(("component", "location", "finding", "action", "counter", "result", "type"))
_RESULTS = frozenset(
    (
        *("pass", "passed", "ok", "okay", "good", "fail", "failed", "defect", "not ok", "bad"),
        *("advisory", "p", "f", "yes", "no"),
    )
)

#: A text column with more distinct words, this long in the middle, is free text.
_MANY_WORDS, _LONG_TEXT = 60, 20

#: Values of a column that another table's has too, to be taken for the same.
_SHARED = 0.5

#: Names of age columns in a table without dates.
_AGE = re.compile(
    r"(?i)\b(age|hours?|hrs|days?|weeks?|months?|years?|km|miles?|kilomiles?|cycles?|kilocycles?|"
    r"life|time|distance|lower|upper)\b"
)


@dataclass(frozen=True, slots=True, eq=False)
class GuessedColumns:
    """What one table seems to be."""

    found: FoundTable
    kind: Kind
    columns: Mapping[str, str] = field(default_factory=dict)  #: our name -> header
    meters: tuple[str, ...] = ()  #: headers of columns that may be meters
    covariates: Mapping[str, str] = field(default_factory=dict)
    fill_down: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    persons: tuple[str, ...] = ()
    reason: str = ""  #: why it is of this kind

    def texts(self, our: str) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
        """Cells of one of our columns; blanks where the table has none."""
        if our in self.columns:
            return self.found.texts[self.columns[our]].to_numpy(dtype=object)
        return np.full(len(self.found.texts), "", dtype=object)


def guessed_columns(found: FoundTable) -> GuessedColumns:
    """Kind and columns of a table, by what its columns are called and what they hold."""
    persons = tuple(name for name in found.names if holds_persons(name))
    content = {name: _content(found.texts[name]) for name in found.names if name not in persons}
    use = {name: _usable_share(found.texts[name], what) for name, what in content.items()}
    guesses = {kind: _assigned(kind, content, use) for kind in OUR_COLUMNS}
    kind, reason = _kind(found, guesses, content)
    columns = dict(guesses.get(kind, {}))
    if kind == "log":
        columns = _with_free_text(columns, found.texts, content)
    taken = {*columns.values(), *persons}
    meters = tuple(
        name
        for name, what in content.items()
        if what == "number"
        and name not in taken
        and (counter_of_header(name) or header_likeness(name, "reading") >= LEAST_LIKENESS)
    )
    if kind not in ("log", "readings"):
        meters = ()
    elif "reading" in columns and (kind == "log" or not columns.get("counter")):
        meters = (columns.pop("reading"), *meters)
    rest = [name for name in content if name not in {*columns.values(), *meters}]
    covariates = _covariates(found.texts, rest) if kind == "register" else {}
    return GuessedColumns(
        found=found,
        kind=kind,
        columns=columns,
        meters=meters,
        covariates=covariates,
        fill_down=_fill_down(found, columns) if kind in ("log", "register") else (),
        unread=tuple(name for name in rest if name not in covariates.values()),
        persons=persons,
        reason=reason,
    )


def with_shared_values(tables: Iterable[GuessedColumns]) -> tuple[GuessedColumns, ...]:
    """Tables with the vehicle and component columns that only their values tell.

    A table that names no vehicle gets the column whose values are vehicles of another table; a
    log that names no component, the one whose values are components of another.
    """
    done = list(tables)
    for our in ("vehicle", "component"):
        known = {
            word
            for one in done
            if our in one.columns and one.kind != "not used"
            for word in one.texts(our)
            if word
        }
        if not known:
            continue
        for place, one in enumerate(done):
            if our in one.columns or (our == "component" and one.kind != "log"):
                continue
            name = _column_of(one, known)
            if name:
                done[place] = _again(one, our, name)
    return tuple(done)


def _again(one: GuessedColumns, our: str, name: str) -> GuessedColumns:
    columns = {key: value for key, value in one.columns.items() if value != name}
    unread = tuple(other for other in one.unread if other != name)
    return replace(one, columns={**columns, our: name}, unread=unread)


def _column_of(one: GuessedColumns, known: set[str]) -> str:
    shares = {
        name: float(one.found.texts[name].replace("", np.nan).dropna().isin(known).mean())
        for name in one.unread
        if (one.found.texts[name] != "").any()
    }
    best = max(shares, key=lambda name: shares[name], default="")
    return best if best and shares[best] >= _SHARED else ""


def _content(texts: pd.Series) -> str:
    """Return what a column holds: "date", "number", "words", "text" (long ones) or "blank"."""
    values = texts.to_numpy(dtype=object)
    filled = values[values != ""]
    if not len(filled):
        return "blank"
    if date_share(values) >= 0.3:
        return "date"
    if number_share(values) >= 0.8:
        return "number"
    lengths = np.array([len(text) for text in filled[:5000]])
    distinct = len(pd.unique(filled))
    free = distinct > _MANY_WORDS and distinct > 0.3 * len(filled)
    return "text" if free and np.median(lengths) >= _LONG_TEXT else "words"


def _fits(our: str, content: str) -> bool:
    if our in _DATES:
        return content in ("date", "blank")
    if our in _NUMBERS:
        return content in ("number", "blank")
    if our in _WORDS:
        return content in ("words", "blank", "text") if our == "component" else content != "date"
    return content != "date"


def _usable_share(texts: pd.Series, content: str) -> float:
    """Share of a column's cells that are filled, and readable if they are dates."""
    values = texts.to_numpy(dtype=object)
    filled = float((values != "").mean()) if len(values) else 0.0
    return filled * date_share(values) if content == "date" else filled


def _assigned(kind: str, content: Mapping[str, str], use: Mapping[str, float]) -> dict[str, str]:
    """Our columns of a kind -> headers, the likest and best filled pair first, each once."""
    pairs = [
        (header_likeness(name, our), -place, our, name)
        for place, our in enumerate(OUR_COLUMNS[kind])
        for name, what in content.items()
        if _fits(our, what) and not (our in ("finding", "action") and what == "number")
    ]
    chosen: dict[str, str] = {}
    ranked = sorted(
        pairs,  # our own name needs no cells to be believed
        key=lambda p: (-p[0] * (1.0 if p[0] == 100.0 else 0.7 + 0.3 * use[p[3]]), -p[1]),
    )
    for likeness, _, our, name in ranked:
        if likeness < LEAST_LIKENESS - 4 or our in chosen or name in chosen.values():
            continue
        chosen[our] = name
    dates = [name for name, what in content.items() if what == "date"]
    if "date" in OUR_COLUMNS[kind] and "date" not in chosen and len(dates) == 1:
        chosen["date"] = dates[0]
    return chosen


def _kind(
    found: FoundTable, guesses: Mapping[str, Mapping[str, str]], content: Mapping[str, str]
) -> tuple[Kind, str]:
    """Kind of a table by the columns that it has, and why."""
    log, register = guesses["log"], guesses["register"]
    if _has_results(found, guesses["inspections"]):
        return "inspections", f'column "{guesses["inspections"]["result"]}" holds passes and fails'
    told = [our for our in ("component", "finding", "action", "note") if our in log]
    since = register.get("fitted_on", "")
    dated = "date" in log and log["date"] != since
    if since and ("component" in register or not told):
        return "register", f'column "{since}" says since when items are fitted'
    if dated and told and not _only_remarks(found, log, told, content):
        shown = ", ".join(f'"{log[our]}"' for our in told)
        return "log", f'dates in "{log["date"]}", work in {shown}'
    numbers = [name for name, what in content.items() if what == "number"]
    if dated and _meters(numbers, guesses["readings"]):
        return "readings", "dates and meter readings, no work"
    if "date" not in content.values():
        ages = [name for name in numbers if _AGE.search(name.replace("_", " "))]
        alone = "vehicle" in register and not found.texts[register["vehicle"]].duplicated().any()
        if ages and not alone:
            return "ages", f'no dates, but ages in "{ages[0]}"'
        if "vehicle" in register and ("component" in register or alone):
            return "register", "no dates; one row for each vehicle or item"
    return "not used", "it has no dates with work, readings or results, and lists no items"


def _meters(numbers: list[str], readings: Mapping[str, str]) -> bool:
    named = any(counter_of_header(name) for name in numbers)
    return named or readings.get("reading", "") in numbers


def _only_remarks(
    found: FoundTable, log: Mapping[str, str], told: list[str], content: Mapping[str, str]
) -> bool:
    """Whether the only thing told is a remark that hardly any row has, beside meters."""
    if told != ["note"]:
        return False
    counted = any(what == "number" and counter_of_header(name) for name, what in content.items())
    return counted and float((found.texts[log["note"]] != "").mean()) < 0.5


def _has_results(found: FoundTable, columns: Mapping[str, str]) -> bool:
    if not {"result", "date", "vehicle"} <= set(columns):
        return False
    words = found.texts[columns["result"]].str.casefold()
    filled = words[words != ""]
    return bool(len(filled)) and float(filled.isin(_RESULTS).mean()) >= 0.6


def _with_free_text(
    columns: dict[str, str], texts: pd.DataFrame, content: Mapping[str, str]
) -> dict[str, str]:
    """Columns of a log; long texts that stand under finding or action are notes."""
    for our in ("finding", "action"):
        name = columns.get(our, "")
        if name and content[name] == "text":
            del columns[our]
            columns.setdefault("note", name)
    if "note" not in columns:
        free = [name for name, what in content.items() if what == "text"]
        free = [name for name in free if name not in columns.values()]
        if free:
            columns["note"] = max(free, key=lambda name: texts[name].str.len().mean())
    return columns


def _covariates(texts: pd.DataFrame, names: list[str]) -> dict[str, str]:
    """Columns of a register that part its rows into a few groups."""
    chosen = {}
    for name in names:
        filled = texts[name][texts[name] != ""]
        distinct = len(filled.unique())
        few = distinct <= max(2, min(30, len(texts) / 2))
        ours = re.sub(r"\W+", "_", name.casefold()).strip("_")
        known = {our for columns in OUR_COLUMNS.values() for our in columns} | {"source", "event"}
        if few and distinct > 1 and len(filled) >= 0.8 * len(texts):
            chosen[f"own_{ours}" if ours in known or not ours else ours] = name
    return chosen


def _fill_down(found: FoundTable, columns: Mapping[str, str]) -> tuple[str, ...]:
    """Columns of a workbook in which most blanks stand below a filled cell (merged cells)."""
    if found.delimiter or not found.path.suffix.lower().startswith((".xl", ".ods")):
        return ()
    dated = found.texts[columns["date"]] != "" if "date" in columns else None
    merged = []
    for our in ("vehicle", "job", "date"):
        if our not in columns or our == "date":
            continue
        blank = (found.texts[columns[our]] == "") & (dated if dated is not None else True)
        if 0.05 <= float(blank.mean()) <= 0.95 and our == "vehicle":
            merged.append(our)
    return tuple(merged)
