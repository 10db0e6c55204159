"""Words of a log matched with those of the register and of relkit, by likeness, with evidence.

Layer: logbook. Proposals for a person; nothing is matched here that reading would not state.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd
from rapidfuzz import fuzz

from relkit.logbook.lexicon import CompiledLexicon, tokens_of
from relkit.logbook.text_notes import read_notes
from relkit.logbook.vehicles import vehicle_key
from relkit.logbook.words import word_key
from relkit.study.note_settings import default_symptoms
from relkit.study.settings import Treatments

__all__ = ["ProposedWords", "matched_meanings", "matched_names", "matched_vehicles"]

#: Likeness from which a word is proposed as a variant, and its lead over the next [0 to 100].
LEAST_LIKENESS, LEAST_LEAD = 80.0, 4.0

#: Likeness from which one of two words of the log is proposed as a variant of the other.
TWINS = 88.0

#: Likeness of names one of which holds the other, and of the words within names.
HELD, HELD_BY, _WORD = 84.0, 82.0, 75.0

#: Words that tell one place or kind from another: a name with one is no variant of one without.
_SIDES = frozenset(
    (
        *("left", "right", "lh", "rh", "front", "rear", "upper", "lower", "inner", "outer", "kerb"),
        *("road", "near", "off", "nearside", "offside", "top", "bottom", "in", "out", "inlet"),
        *("outlet", "intake", "exhaust", "high", "low", "l", "r", "f", "main", "auxiliary"),
    )
)


@dataclass(frozen=True, slots=True)
class ProposedWords:
    """Proposed variants of one column's words."""

    #: our word -> ((how the log writes it, why it is proposed), ...)
    variants: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    #: findings and actions only: word without a usual meaning -> (proposed meaning, why)
    meanings: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    known: tuple[str, ...] = ()  #: words that need no entry
    unmatched: tuple[tuple[str, int], ...] = ()  #: words like no known one, and their rows


def matched_names(
    words: Sequence[str], known: Sequence[str], also: Mapping[str, tuple[str, ...]]
) -> ProposedWords:
    """Components or locations of the log, matched with those of the register.

    Without a register the log's own words are matched with its more frequent ones.

    Parameters
    ----------
    words : sequence of str
        Words of the log, one entry for each row.
    known : sequence of str
        Words of the register; empty: there is none.
    also : Mapping
        Other ways to write some words, from the lexicon.

    Examples
    --------
    >>> found = matched_names(["cam", "camera", "Display"], ["camera", "display"],
    ...                       {"camera": ("cam",)})
    >>> {word: [text for text, _ in texts] for word, texts in found.variants.items()}
    {'camera': ['cam']}
    """
    counts = pd.Series(list(words), dtype=object).value_counts()
    counts = counts[counts.index != ""]
    keys = {word_key(word): word for word in known}
    variants: dict[str, list[tuple[str, str]]] = {}
    same, unmatched = [], []
    heads: list[str] = list(dict.fromkeys(known))
    for word, count in zip(counts.index.astype(str), counts, strict=True):
        if word_key(word) in keys:
            same.append(word)
            continue
        best, why = _best(word, heads, also, least=LEAST_LIKENESS if known else TWINS)
        rows = f"{count:,} {'row' if count == 1 else 'rows'}"
        if best:
            variants.setdefault(best, []).append((word, f"{rows}; {why}"))
        elif known:
            unmatched.append((word, int(count)))
        else:
            heads.append(word)
            keys[word_key(word)] = word
    return ProposedWords(
        variants={word: tuple(texts) for word, texts in variants.items()},
        known=tuple(same),
        unmatched=tuple(unmatched),
    )


def matched_meanings(
    kind: str, words: Sequence[str], treatments: Treatments, lexicon: CompiledLexicon
) -> ProposedWords:
    """Return findings or actions of the log, matched with those that relkit knows.

    Parameters
    ----------
    kind : {"finding", "action"}
        Which.
    words : sequence of str
        Words of the log, one entry for each row.
    treatments : Treatments
        Known words and what they mean.
    lexicon : CompiledLexicon
        Reads what is no known word.
    """
    counts = pd.Series(list(words), dtype=object).value_counts()
    counts = counts[counts.index != ""]
    treated: Mapping[str, object] = treatments.findings if kind == "finding" else treatments.actions
    keys = {word_key(word): word for word in treated}
    notes = read_notes(counts.index, lexicon).set_index("text")
    symptoms = {one.finding for one in default_symptoms()}
    variants: dict[str, list[tuple[str, str]]] = {}
    meanings: dict[str, tuple[str, str]] = {}
    same = []
    for word, count in zip(counts.index.astype(str), counts, strict=True):
        rows = f"{count:,} {'row' if count == 1 else 'rows'}"
        if word_key(word) in keys:
            same.append(word)
            continue
        name = str(notes.loc[word, kind])
        ours = name if name in treated else lexicon.counts_as.get((kind, name), "")
        near, why = _best(word, list(treated), {}, least=TWINS)
        if kind == "finding" and name in symptoms and name not in treated:
            meanings[name] = ("cause unknown", "a symptom, which points to several components")
            if word_key(word) != word_key(name):
                variants.setdefault(name, []).append((word, f'{rows}; says "{name}"'))
        elif ours in treated:
            variants.setdefault(ours, []).append((word, f'{rows}; says "{name}"'))
        elif near:
            variants.setdefault(near, []).append((word, f"{rows}; {why}"))
        else:
            meaning = "cause unknown" if kind == "finding" else "continues"
            meanings[word] = (meaning, f"{rows}; not understood: please say what it means")
    return ProposedWords(
        variants={word: tuple(texts) for word, texts in variants.items()},
        meanings=meanings,
        known=tuple(same),
    )


def matched_vehicles(words: Sequence[str], known: Sequence[str]) -> ProposedWords:
    """Return vehicle ids of the log that the register writes otherwise.

    Signs, case, blanks and leading zeros need no entry. What is left is proposed where the
    register has one vehicle with the same number, and no number twice.

    Examples
    --------
    >>> matched_vehicles(["Truck 12", "T-07"], ["T07", "T12"]).variants
    {'T12': (('Truck 12', '1 row; the only vehicle with the number 12'),)}
    """
    keys = {vehicle_key(word) for word in known}
    numbers: dict[str, list[str]] = {}
    for word in known:
        numbers.setdefault(_number(word), []).append(word)
    counts = pd.Series(list(words), dtype=object).value_counts()
    variants: dict[str, list[tuple[str, str]]] = {}
    unmatched = []
    for word, count in zip(counts.index.astype(str), counts, strict=True):
        if not word or not known or vehicle_key(word) in keys:
            continue
        same = numbers.get(_number(word), []) if _number(word) else []
        if len(same) == 1:
            rows = f"{count:,} {'row' if count == 1 else 'rows'}"
            why = f"{rows}; the only vehicle with the number {_number(word)}"
            variants.setdefault(same[0], []).append((word, why))
        else:
            unmatched.append((word, int(count)))
    return ProposedWords(
        variants={word: tuple(texts) for word, texts in variants.items()},
        unmatched=tuple(unmatched),
    )


def _number(word: str) -> str:
    """Return the number in a vehicle id without leading zeros; blank where there is not one."""
    found = re.findall(r"\d+", word)
    return found[0].lstrip("0") if len(found) == 1 else ""


def _best(
    word: str, known: Iterable[str], also: Mapping[str, tuple[str, ...]], *, least: float
) -> tuple[str, str]:
    """Return the known word that is most like a word, and why; blanks where none is enough."""
    scored = sorted(
        ((*_likeness(word, name, also.get(name.casefold(), ())), name) for name in known),
        key=lambda item: -item[0],
    )
    if not scored or scored[0][0] < least:
        return "", ""
    if len(scored) > 1 and scored[0][0] - scored[1][0] < LEAST_LEAD:
        return "", ""
    return scored[0][2], scored[0][1]


def _likeness(word: str, name: str, also: tuple[str, ...]) -> tuple[float, str]:
    own, other = word_key(word), word_key(name)
    if own in map(word_key, also):
        return 100.0, f'usual shorthand for "{name}"'
    if _contradict(own, other):
        return 0.0, ""
    if _abbreviates(own, other):
        return 95.0, f'shortens "{name}"'
    held = _held(own.split(), other.split())
    if held:
        return held, f'"{other}" is its end' if held > HELD else f'begins "{other}"'
    likeness = float(fuzz.token_sort_ratio(own, other))
    return (likeness, f"{likeness:.0f} % alike") if _partnered(own, other) else (0.0, "")


def _held(mine: list[str], theirs: list[str]) -> float:
    """Likeness of names one of which is the end, or the beginning, of the other; else 0."""
    if len(mine) > len(theirs) and mine[-len(theirs) :] == theirs:
        return HELD + min(len(theirs), 3)  # without a register this is never enough
    if len(mine) < len(theirs) and theirs[: len(mine)] == mine:
        return HELD_BY
    return 0.0


def _partnered(own: str, other: str) -> bool:
    """Whether each word of a name is like one of the other, or both are alike unparted."""
    if fuzz.ratio(own.replace(" ", ""), other.replace(" ", "")) >= TWINS:
        return True
    return all(
        max(fuzz.ratio(word, theirs) for theirs in other.split()) >= _WORD for word in own.split()
    )


def _contradict(own: str, other: str) -> bool:
    """Whether two names differ in a number, or the first says a side that the other does not."""
    if re.findall(r"\d+", own) != re.findall(r"\d+", other):
        return True
    mine, theirs = set(tokens_of(own)), set(tokens_of(other))
    return bool((mine - theirs) & _SIDES)


def _abbreviates(own: str, other: str) -> bool:
    """Whether each word of one name shortens the word at its place in the other."""
    mine, theirs = own.split(), other.split()
    if len(mine) != len(theirs) or len(own) < 3:
        return False
    return all(
        long.startswith(short[0]) and len(short) > 1 and _within(short, long)
        for short, long in zip((part.rstrip(".") or "?" for part in mine), theirs, strict=True)
    )


def _within(short: str, long: str) -> bool:
    letters = iter(long)
    return all(letter in letters for letter in short)
