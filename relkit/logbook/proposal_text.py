"""A proposed study as TOML text, each line with what speaks for it.

Layer: logbook. Text only; what a file holds reaches the study as quoted strings and comments.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from relkit.logbook.proposal_sources import ProposedSource, Statement
from relkit.logbook.proposal_words import ProposedWords

__all__ = ["comment", "confirm_part", "meanings_part", "quoted", "source_part", "words_part"]

_WIDTH = 96

#: So many words that are like no known one are listed.
_SHOWN = 40


def quoted(text: str) -> str:
    r"""Return a text as a TOML string.

    Examples
    --------
    >>> print(quoted('say "no"\n'))
    "say \"no\"\n"
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def comment(text: str) -> str:
    """Return a text as comment lines; control characters become blanks."""
    plain = "".join(sign if sign.isprintable() else " " for sign in text)
    return "\n".join(
        textwrap.wrap(plain, _WIDTH, initial_indent="# ", subsequent_indent="#   ") or ["#"]
    )


def confirm_part(statements: Sequence[Statement]) -> list[str]:
    """Return the table of statements that a person has to confirm."""
    lines = [
        comment(
            "What has to be looked at by a person. relkit reads this study once each statement "
            "below is true: look at it, correct the study below where it is wrong, then write "
            "true after it."
        ),
        "[confirm]",
    ]
    for one in statements:
        if one.evidence:
            lines.append(comment(f"Evidence: {one.evidence}."))
        lines.append(f"{quoted(one.text)} = false")
    return lines


def source_part(
    source: ProposedSource, carries: Sequence[tuple[str, str]] | None = None
) -> list[str]:
    """Return one [[files.KIND]] entry; ``carries`` for a list of vehicles only."""
    found, guess = source.guess.found, source.guess
    lines = [
        comment(f"{found.label}: {len(found.texts):,} rows. {guess.reason}."),
        f"[[files.{source.kind}]]",
        f"path = {quoted(found.file)}",
    ]
    if found.sheet:
        lines.append(f"sheet = {quoted(found.sheet)}")
    if (found.header_row, found.header_rows) != (1, 1):
        lines.append(f"header_row = {found.header_row}")
    if found.header_rows != 1:
        lines.append(f"header_rows = {found.header_rows}")
    if found.delimiter not in ("", ","):
        lines.append(
            f"delimiter = {quoted('tab' if found.delimiter == chr(9) else found.delimiter)}"
        )
    if found.encoding and found.encoding not in ("utf-8", "ascii"):
        lines.append(f"encoding = {quoted(found.encoding)}")
    lines += _dates(source)
    if source.signs.decimal != ".":
        lines.append(f"decimal = {quoted(source.signs.decimal)}")
    if source.signs.thousands:
        lines.append(f"thousands = {quoted(source.signs.thousands)}")
    if guess.fill_down:
        lines.append(f"fill_down = [{', '.join(map(quoted, guess.fill_down))}]")
    if source.fixed:
        pairs = ", ".join(f"{name} = {quoted(value)}" for name, value in source.fixed.items())
        lines.append(f"fixed = {{ {pairs} }}")
    lines += _carries(carries)
    lines += _columns(source)
    lines += _left_out(source)
    return lines


def words_part(column: str, words: ProposedWords) -> list[str]:
    """Return the variants of one column's words, and what is known or like nothing known."""
    lines = []
    if words.variants or words.unmatched:
        lines.append(f"[words.{column}]")
    for ours, texts in words.variants.items():
        lines += [comment(f"{quoted(text)}: {why}") for text, why in texts]
        lines.append(f"{quoted(ours)} = [{', '.join(quoted(text) for text, _ in texts)}]")
    if words.unmatched:
        shown = words.unmatched[:_SHOWN]
        told = "; ".join(f"{quoted(word)} ({rows:,} rows)" for word, rows in shown)
        more = len(words.unmatched) - len(shown)
        lines.append(
            comment(
                f"Like no {column} of the register, so these rows will be set aside unless they "
                f"are added above or to the register: {told}" + (f"; {more} more" if more else "")
            )
        )
    if words.known and column in ("finding", "action"):
        lines.append(comment(f"Known as they are: {', '.join(map(quoted, words.known[:_SHOWN]))}"))
    return lines


def meanings_part(column: str, meanings: Mapping[str, tuple[str, str]]) -> list[str]:
    """Return the meanings of findings or actions that relkit has none for."""
    if not meanings:
        return []
    if column == "finding":
        lines = [
            comment(
                "What these findings mean for the item: failure, failure found at check, cause "
                "unknown, unfailed, external damage, no failure, not fitted, outside boundary."
            ),
            "[treatments.findings]",
        ]
        for word, (meaning, why) in meanings.items():
            lines += [comment(why), f"{quoted(word)} = {quoted(meaning)}"]
        return lines
    lines = [
        comment("What these actions do to the item: new item, continues, removed, fitted."),
        "[treatments.actions]",
    ]
    for word, (meaning, why) in meanings.items():
        lines += [comment(why), f"{quoted(word)} = {{ effect = {quoted(meaning)} }}"]
    return lines


def _dates(source: ProposedSource) -> list[str]:
    if source.dates is None:
        return []
    if source.dates.order:
        return [f"date_format = {quoted(source.dates.order)}"]
    choice = " or ".join(source.dates.candidates) or "day first, month first or year first"
    return [
        comment(f"NOT DECIDED: {'; '.join(source.dates.reasons)}. Ask whoever exported the file."),
        f"date_format = {quoted(choice + '?')}",
    ]


def _carries(carries: Sequence[tuple[str, str]] | None) -> list[str]:
    if carries is None:
        return []
    if not carries:
        return [
            '# carries = [ { component = "...", location = "..." } ]  NOT FOUND: to be filled in'
        ]
    lines = [
        comment("What every vehicle of the list carries: all that the log names."),
        "carries = [",
    ]
    for component, location in carries:
        place = f", location = {quoted(location)}" if location else ""
        lines.append(f"  {{ component = {quoted(component)}{place} }},")
    return [*lines, "]"]


def _columns(source: ProposedSource) -> list[str]:
    guess = source.guess
    columns = {our: name for our, name in guess.columns.items() if not _own_date(source, our)}
    lines = [f"[files.{source.kind}.columns]"]
    order = guess.found.names
    for our, name in sorted(columns.items(), key=lambda item: order.index(item[1])):
        lines.append(f"{our} = {quoted(name)}  # {_example(guess.found.texts[name], our)}")
    if "vehicle" not in guess.columns:
        lines.append(
            '# vehicle = "..."  NOT FOUND; for one vehicle only: fixed = { vehicle = "V1" }'
        )
    for our in guess.columns:
        if _own_date(source, our):
            lines.append(
                comment(
                    f"{our} = {quoted(guess.columns[our])}: left out, since the date of a vehicle "
                    "is not the date of its items"
                )
            )
    if source.counters:
        lines.append(f"[files.{source.kind}.counters]")
        for counter, name in source.counters.items():
            lines.append(comment("; ".join(source.meters[name].reasons)))
            lines.append(f"{counter} = {quoted(name)}  # {_example(guess.found.texts[name], '')}")
    if guess.covariates:
        lines.append(f"[files.{source.kind}.covariates]")
        for ours, name in guess.covariates.items():
            lines.append(
                f"{quoted(ours)} = {quoted(name)}  # {_example(guess.found.texts[name], '')}"
            )
    return lines


def _own_date(source: ProposedSource, our: str) -> bool:
    return source.carried and our == "fitted_on"


def _example(texts: pd.Series, our: str) -> str:
    """Return how many cells are filled, with the most frequent words; notes are not shown."""
    filled = texts[texts != ""]
    told = f"{len(filled):,} of {len(texts):,} filled"
    if our == "note" or filled.empty:
        return told
    shown = ", ".join(quoted(str(word)[:30]) for word in filled.value_counts().index[:3])
    printable = "".join(sign if sign.isprintable() else " " for sign in shown)
    return f"{told}: {printable}{', ...' if filled.nunique() > 3 else ''}"


def _left_out(source: ProposedSource) -> list[str]:
    lines = []
    left = [name for name, one in source.meters.items() if name not in source.counters.values()]
    for name in left:
        lines.append(
            comment(f"{quoted(name)} is left out: {'; '.join(source.meters[name].reasons)}")
        )
    if source.guess.unread:
        lines.append(comment(f"Not read: {_listed(source.guess.unread)}"))
    if source.guess.persons:
        lines.append(
            comment(f"Not read, since they hold names of persons: {_listed(source.guess.persons)}")
        )
    return lines


def _listed(names: Iterable[str]) -> str:
    return ", ".join(quoted(name) for name in names)
