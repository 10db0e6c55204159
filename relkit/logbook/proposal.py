"""A study file proposed from files that nobody has described: guesses with their evidence.

Layer: logbook. Nothing is applied: what changes a result waits under [confirm] for a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from relkit.errors import InputError
from relkit.logbook.lexicon import compiled_lexicon, standard_lexicon
from relkit.logbook.proposal_ages import lines_for_ages
from relkit.logbook.proposal_columns import GuessedColumns, guessed_columns, with_shared_values
from relkit.logbook.proposal_files import found_tables
from relkit.logbook.proposal_register import carried_items, register_to_complete
from relkit.logbook.proposal_sources import (
    ProposedSource,
    Statement,
    proposed_sources,
    source_statements,
)
from relkit.logbook.proposal_text import (
    comment,
    confirm_part,
    meanings_part,
    quoted,
    source_part,
    words_part,
)
from relkit.logbook.proposal_words import (
    ProposedWords,
    matched_meanings,
    matched_names,
    matched_vehicles,
)
from relkit.logbook.words import word_key
from relkit.study.settings import Treatments

__all__ = ["Proposal", "proposed_study"]

#: Name of the register that is written where no file is one.
REGISTER = "register_to_complete.csv"

#: So many words that are not understood are asked about one by one.
_ASKED_SINGLY = 8

_CLOCKS = ("engine_hours", "km", "miles")
_COLUMNS = ("vehicle", "component", "location", "finding", "action")


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """A proposed study."""

    text: str  #: the study file
    statements: tuple[Statement, ...]  #: what it asks to be confirmed
    sources: tuple[ProposedSource, ...]  #: the tables it reads
    left_out: tuple[GuessedColumns, ...]  #: tables it does not read
    register: pd.DataFrame | None  #: a register to be completed, to be written beside the study


def proposed_study(paths: Sequence[Path], folder: Path) -> Proposal:
    """Study file for a repair log and what comes with it.

    Parameters
    ----------
    paths : sequence of Path
        Files of a log, a register, readings, inspections, in any order.
    folder : Path
        Where the study file will lie.

    Raises
    ------
    InputError
        A file is missing or is no table, or no file is a log; where one holds ages instead, the
        message says so.
    """
    tables = [table for path in paths for table in found_tables(path, folder)]
    guesses = with_shared_values(guessed_columns(table) for table in tables)
    sources = proposed_sources(guesses)
    left_out = tuple(guess for guess in guesses if guess.kind in ("ages", "not used"))
    _refuse_without_log(sources, left_out)
    words = _words(sources)
    named = _named(sources, words)
    registers = [one for one in sources if one.kind == "register"]
    register = None if registers else register_to_complete(named)
    clock, why_clock = _clock(sources)
    statements = (
        *source_statements(sources),
        *_other_statements(sources, words, clock, why_clock, register is None),
    )
    carries = carried_items(named)
    lines = [
        comment(f"Study proposed by relkit new from {', '.join(one.label for one in sources)}."),
        comment("Every guess has what speaks for it beside it. Next: relkit check on this file."),
        "",
        f"name = {quoted('Study of ' + Path(_logs(sources)[0].guess.found.file).name)}",
        comment(why_clock),
        f"clock = {quoted(clock)}",
        "",
        *confirm_part(statements),
        "",
        *_window(sources),
        *_treatments(sources, words),
    ]
    for one in sorted(
        sources, key=lambda one: ("log", "register", "readings", "inspections").index(one.kind)
    ):
        lines += ["", *source_part(one, carries if one.carried else None)]
    if register is not None:
        lines += ["", *_own_register()]
    for column in _COLUMNS:
        part = words_part(column, words[column])
        lines += [""] * bool(part) + part
    for guess in left_out:
        lines += ["", comment(f"{guess.found.label} is not used: {guess.reason}.")]
    lines += ["", *_further()]
    return Proposal("\n".join(lines) + "\n", statements, sources, left_out, register)


def _refuse_without_log(
    sources: Sequence[ProposedSource], left_out: Sequence[GuessedColumns]
) -> None:
    if any(one.kind == "log" for one in sources):
        return
    ages = [guess for guess in left_out if guess.kind == "ages"]
    if ages:
        raise InputError(
            "this is a table of ages without dates, not a repair log: it does not say when what "
            "was fitted where, so there is nothing to build lives from",
            file=ages[0].found.label,
            mend=f"Its ages can be used in Python:\n{lines_for_ages(ages[0])}",
        )
    told = "; ".join(f"{guess.found.label}: {guess.reason}" for guess in left_out)
    raise InputError(
        "no file is a repair log" + (f" ({told})" if told else ""),
        file=sources[0].label if sources else left_out[0].found.label,
        mend="Give a file with one row per job: date, vehicle, and what was found, done or replaced"
        ", in a column each",
    )


def _logs(sources: Sequence[ProposedSource]) -> list[ProposedSource]:
    return [one for one in sources if one.kind == "log"]


def _joined(sources: Sequence[ProposedSource], our: str) -> list[str]:
    return [str(word) for one in sources for word in one.guess.texts(our) if word]


def _words(sources: Sequence[ProposedSource]) -> dict[str, ProposedWords]:
    """Return the proposed words of each column."""
    logs = _logs(sources)
    registers = [one for one in sources if one.kind == "register"]
    also = standard_lexicon().components
    found = {
        column: matched_names(
            _joined(logs, column),
            list(dict.fromkeys(_joined(registers, column))),
            also if column == "component" else {},
        )
        for column in ("component", "location")
    }
    found["vehicle"] = matched_vehicles(
        _joined([one for one in sources if one.kind != "register"], "vehicle"),
        list(dict.fromkeys(_joined(registers, "vehicle"))),
    )
    lexicon, treatments = compiled_lexicon(), Treatments()
    for kind in ("finding", "action"):
        found[kind] = matched_meanings(kind, _joined(logs, kind), treatments, lexicon)
    return found


def _named(sources: Sequence[ProposedSource], words: dict[str, ProposedWords]) -> pd.DataFrame:
    """Vehicle, component and location of each row of the logs, in the proposed words."""
    pieces = []
    for one in _logs(sources):
        piece = {"vehicle": pd.Series(one.guess.texts("vehicle"), dtype=object)}
        if "vehicle" in one.guess.fill_down:
            filled = piece["vehicle"].where(piece["vehicle"] != "").ffill()
            piece["vehicle"] = filled.fillna("")
        for column in ("component", "location"):
            variants = words[column].variants
            ours = {word_key(text): our for our, texts in variants.items() for text, _ in texts}
            texts = pd.Series(one.guess.texts(column), dtype=object)
            codes, unique = pd.factorize(texts)
            named = [ours.get(word_key(str(text)), str(text)) for text in unique]
            piece[column] = pd.Series(np.array([*named, ""], dtype=object)[codes])
        pieces.append(pd.DataFrame(piece))
    named_rows = pd.concat(pieces, ignore_index=True)
    for column in ("component", "location"):
        heads = named_rows[column].value_counts().index
        one_spelling: dict[str, str] = {}
        for word in heads:
            one_spelling.setdefault(word_key(str(word)), str(word))
        named_rows[column] = [one_spelling[word_key(str(word))] for word in named_rows[column]]
    return named_rows


def _clock(sources: Sequence[ProposedSource]) -> tuple[str, str]:
    """Return the clock of the study and why it is that."""
    ranked = sorted(sources, key=lambda one: one.kind != "log")  # readings have the last word
    counters = {counter: one for one in ranked for counter in one.counters}
    for clock in _CLOCKS:
        if clock in counters:
            one = counters[clock]
            return clock, f"Ages are counted in {clock}: {one.label} has them"
    return "days", "Ages are counted in days: no file has readings of a meter"


def _other_statements(
    sources: Sequence[ProposedSource],
    words: dict[str, ProposedWords],
    clock: str,
    why_clock: str,
    has_register: bool,
) -> list[Statement]:
    made = []
    if len({counter for one in sources for counter in one.counters}) > 1:
        made.append(Statement(f"ages are to be counted in {clock}", why_clock))
    for column in _COLUMNS:
        proposed = words[column]
        count = sum(map(len, proposed.variants.values()))
        if count:
            where = "[words]" if column in ("finding", "action") else f"[words.{column}]"
            what = column if count == 1 else column + "s"
            text = f"{count} {what} proposed under {where} mean what is said there"
            made.append(Statement(text, "likeness, usual shorthand and the lexicon, beside each"))
        made += _unknown_meanings(column, proposed)
        if proposed.unmatched:
            rows = sum(count for _, count in proposed.unmatched)
            text = f"{rows:,} rows whose {column} the register does not have may be set aside"
            made.append(Statement(text, f"they are listed under [words.{column}]"))
    if any(one.carried for one in sources):
        text = "every vehicle of the list carries the items under carries, and no others"
        known = any(_joined(_logs(sources), "component"))
        why = "all items that the log names" if known else "no log names an item: fill it in"
        made.append(Statement(text, why))
    if not has_register:
        text = f"{REGISTER} lists every vehicle and every item, also those that never failed"
        why = (
            "no file is a register; what the log names was written there, and whatever never had "
            "work is missing. Without it items would seem to fail sooner than they do"
        )
        made.append(Statement(text, why))
    first, last = _span(sources)
    if first is not None and last is not None:
        text = f"the log holds all work from {first:%Y-%m-%d} on"
        text += f", to the last full month before {last:%Y-%m-%d}"
        made.append(Statement(text, "its first and last dates; write another window if not"))
    return made


def _unknown_meanings(column: str, words: ProposedWords) -> list[Statement]:
    """Return what has to be confirmed of words that nothing tells the meaning of."""
    unknown = [word for word, (_, why) in words.meanings.items() if "not understood" in why]
    said = {
        "finding": "leaves open what had failed (cause unknown)",
        "action": "leaves the item in place (continues)",
    }
    made = [
        Statement(f'the {column} "{word}" {said[column]}', words.meanings[word][1])
        for word in unknown[:_ASKED_SINGLY]
    ]
    if len(unknown) > _ASKED_SINGLY:
        text = f"{len(unknown) - _ASKED_SINGLY} more {column}s under [treatments] mean what is said"
        made.append(Statement(text, "not understood: please say what they mean"))
    return made


def _span(sources: Sequence[ProposedSource]) -> tuple[datetime | None, datetime | None]:
    """Return the first and last usual date of the logs: far-off ones are left out."""
    dates = [one.parsed_dates() for one in _logs(sources) if one.dates and one.dates.order]
    known = np.concatenate([*dates, np.array([], dtype="datetime64[ns]")])
    known = np.sort(known[~np.isnat(known)])
    if not len(known):
        return None, None
    few = max(1, len(known) // 100)  # so few dates a year away from all others are slips
    far = np.flatnonzero(np.diff(known) > np.timedelta64(366, "D"))
    first = known[max((place + 1 for place in far if place < few), default=0)]
    end = len(known) - 1
    last = known[min((place for place in far if place >= end - few), default=end)]
    return pd.Timestamp(first).to_pydatetime(), pd.Timestamp(last).to_pydatetime()


def _window(sources: Sequence[ProposedSource]) -> list[str]:
    first, _ = _span(sources)
    lines = [
        comment("The time that the log covers in full; what lies outside is not counted."),
        "[window]",
    ]
    if first is not None:
        lines.append(f"start = {first:%Y-%m-%d}")
    return [
        *lines,
        comment("end = 2025-06-30   without it: the last complete month of the log"),
        "",
    ]


def _treatments(sources: Sequence[ProposedSource], words: dict[str, ProposedWords]) -> list[str]:
    """Return what findings, actions and notes mean."""
    lines = []
    silent = any(
        "note" in one.guess.columns and not {"finding", "action"} <= set(one.guess.columns)
        for one in _logs(sources)
    )
    noted = any("note" in one.guess.columns for one in _logs(sources))
    if silent:
        lines += [
            comment(
                "Findings and actions are read from the notes, by the lexicon of relkit; own "
                "phrases go under [lexicon]. What is not understood is listed by relkit check."
            ),
            "[treatments]",
            "read_notes = true",
        ]
        if not any({"finding", "action"} & set(one.guess.columns) for one in _logs(sources)):
            lines += [
                comment("Where a note names no work, the item stays; other choices: new item."),
                'blank_action = "continues"',
            ]
    elif noted:
        lines += [
            comment("Blank findings and actions can be read from the notes, by a lexicon:"),
            "[treatments]",
            "# read_notes = true",
        ]
    for kind in ("finding", "action"):
        part = meanings_part(kind, words[kind].meanings)
        lines += [""] * bool(part and lines) + part
    return lines


def _own_register() -> list[str]:
    return [
        comment(
            "Written by relkit new: the positions that the log names. Add vehicles and items "
            "that never had work, take out those never fitted (in_log = no are guesses), and "
            "write since when each item is fitted where that is known."
        ),
        "[[files.register]]",
        f"path = {quoted(REGISTER)}",
    ]


def _further() -> list[str]:
    return """\
# What makes a plan of it; take the # away and correct.
# [[services]]
# name = "service"
# every = ["26 weeks"]
#
# [[costs.items]]
# component = "..."
# planned = 0.0      # all-in cost of one planned replacement
# failure = 0.0      # all-in cost of one failure
#
# [[functions]]
# component = "..."
# evident = false            # nobody notices a failure until a test
# safety = true
# target_unavailability = 0.02""".splitlines()
