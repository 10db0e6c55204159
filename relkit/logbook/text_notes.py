"""Notes to findings and actions, by the lexicon: what each text says, and on what words.

Layer: logbook. Each distinct text is read once; what a text denies is not read into it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from relkit.logbook.lexicon import (
    BREAK,
    CompiledLexicon,
    Phrase,
    base_words,
    tokens_of,
)

__all__ = ["NOTE_COLUMNS", "read_notes", "words_not_understood"]

#: Columns of the frame of notes that were read.
NOTE_COLUMNS = (
    *("text", "finding", "action", "component", "location", "confidence"),
    *("finding_confidence", "action_confidence", "words", "also", "not_understood"),
)

#: Confidence of a phrase, and what lowers it (common practice; measured in the tests).
SURE, UNSURE, MISTYPED, DISPUTED = 0.9, 0.5, 0.9, 0.6

#: What a finding explains: the second does not speak against the first.
_EXPLAINS = {
    "external damage": ("failed",),
    "not fitted": ("no fault found",),
    "campaign": ("planned",),
    "found failed at check": ("failed", "planned"),
}

#: A denial reaches over so many words.
DENIAL_REACH = 3

_LONGEST_GAP = 3

#: Words that say nothing by themselves, left out of what was not understood.
_SMALL_WORDS = frozenset(
    (
        *("a", "an", "the", "and", "or", "of", "on", "in", "at", "to", "for", "from", "by", "with"),
        *("is", "was", "are", "be", "been", "it", "its", "this", "that", "as", "up", "down", "out"),
        *("off", "not", "all", "both", "one", "two", "has", "had", "have", "still", "now", "then"),
        *("than", "after", "before", "when"),
    )
)


#: First word of a name -> its words and the name, the longest first.
_Names = Mapping[str, list[tuple[tuple[str, ...], str]]]


@dataclass(frozen=True, slots=True)
class _Match:
    phrase: Phrase
    start: int
    end: int  #: past the last word, gaps included
    places: tuple[int, ...]  #: of the words themselves


def read_notes(
    texts: Iterable[str],
    lexicon: CompiledLexicon,
    *,
    components: Mapping[str, tuple[str, ...]] | None = None,
    locations: Mapping[str, tuple[str, ...]] | None = None,
) -> pd.DataFrame:
    """Return what each text says, one row per distinct text, in the order in which they come.

    Parameters
    ----------
    texts : iterable of str
        Notes.
    lexicon : CompiledLexicon
        From :func:`relkit.logbook.lexicon.compiled_lexicon`.
    components, locations : Mapping, optional
        Names that may be found in the notes -> other ways to write them.

    Returns
    -------
    DataFrame
        text, finding, action, component, location (blank where none is read; several possible
        components or locations joined "; "), finding_confidence and action_confidence [0 to 1; 0
        where none is read], confidence (the lower of those that are read), words (the words of
        the text that finding and action rest on), also (other findings and actions read),
        not_understood (words that nothing was made of, joined by blanks).

    Examples
    --------
    >>> from relkit.logbook.lexicon import compiled_lexicon
    >>> notes = read_notes(["oil leakng at hose, hose chngd", "no leak found"], compiled_lexicon())
    >>> notes[["finding", "action", "confidence"]].values.tolist()
    [['leak', 'replaced', 0.81], ['no fault found', '', 0.9]]
    """
    places = [_spelled(names or {}) for names in (components, locations)]
    distinct = dict.fromkeys(texts)
    rows = [_reading(text, lexicon, places[0], places[1]) for text in distinct]
    frame = pd.DataFrame(rows, columns=list(NOTE_COLUMNS))
    return frame.astype(dict.fromkeys(NOTE_COLUMNS[5:8], np.float64))


def words_not_understood(notes: pd.DataFrame, counts: pd.Series | None = None) -> pd.DataFrame:
    """Words of the notes that nothing was made of, the most frequent first.

    Parameters
    ----------
    notes : DataFrame
        From :func:`read_notes`.
    counts : Series of int, optional
        By text: how many rows have it; default: each text counts once.

    Returns
    -------
    DataFrame
        word, rows, example: one text that has it.
    """
    seen: Counter[str] = Counter()
    example: dict[str, str] = {}
    weights = [1] * len(notes) if counts is None else counts.reindex(notes["text"]).fillna(0)
    for text, words, weight in zip(notes["text"], notes["not_understood"], weights, strict=True):
        for word in dict.fromkeys(words.split()):
            seen[word] += int(weight)
            example.setdefault(word, text)
    rows = [(word, count, example[word]) for word, count in seen.most_common()]
    return pd.DataFrame(rows, columns=["word", "rows", "example"])


def _reading(
    text: str,
    lexicon: CompiledLexicon,
    components: _Names,
    locations: _Names,
) -> tuple[str | float, ...]:
    tokens = tokens_of(text)
    words, mended = base_words(tokens, lexicon)
    matches = _accepted(words, lexicon)
    said = [match for match in matches if not _denied(match, words, matches)]
    finding, other_findings = _first(said, "finding")
    action, other_actions = _first(said, "action")
    place, placed = _named(tokens, locations, frozenset())
    component, named = _named(tokens, components, placed)
    taken = placed | named | {at for match in matches for at in match.places}
    chosen = [match for match in (finding, action) if match is not None]
    sure = [_confidence(match, other_findings, mended, lexicon) for match in (finding, action)]
    parts = dict.fromkeys(" ".join(tokens[at] for at in match.places) for match in chosen)
    rest = [
        token
        for at, token in enumerate(tokens)
        if at not in taken and token != BREAK and token not in _SMALL_WORDS and token[0].isalpha()
    ]
    return (
        text,
        finding.phrase.name if finding else "",
        action.phrase.name if action else "",
        component,
        place,
        min((own for own in sure if own), default=0.0),
        *sure,
        "; ".join(parts),
        ", ".join(dict.fromkeys(m.phrase.name for m in (*other_findings, *other_actions))),
        " ".join(rest),
    )


def _confidence(
    match: _Match | None, others: list[_Match], mended: list[bool], lexicon: CompiledLexicon
) -> float:
    """Return the confidence of a match; 0 where there is none."""
    if match is None:
        return 0.0
    own = SURE if match.phrase.sure else UNSURE
    if any(mended[at] for at in match.places):
        own *= MISTYPED
    if match.phrase.kind == "finding" and _disputed(match, others, lexicon):
        own *= DISPUTED
    return round(own, 3)


def _disputed(match: _Match, others: list[_Match], lexicon: CompiledLexicon) -> bool:
    """Whether another finding of the text means something else; a mere symptom does not."""
    own = lexicon.counts_as["finding", match.phrase.name]
    meanings = {
        lexicon.counts_as["finding", other.phrase.name] for other in others if other.phrase.sure
    }
    return bool(meanings - {own, "view dark", *_EXPLAINS.get(own, ())})


def _first(said: list[_Match], kind: str) -> tuple[_Match | None, list[_Match]]:
    """Return the match that speaks for the text, and those of other names."""
    own = [match for match in said if match.phrase.kind == kind]
    if not own:
        return None, []
    best = min(own, key=lambda m: (not m.phrase.sure, m.phrase.rank, -m.phrase.length, m.start))
    return best, [match for match in own if match.phrase.name != best.phrase.name]


def _accepted(words: list[str], lexicon: CompiledLexicon) -> list[_Match]:
    """Return the matches that stand: longest first, each word used once of each kind."""
    present = set(words)
    found = [
        match
        for start, word in enumerate(words)
        for phrase in lexicon.by_first_word.get(word, ())
        if not phrase.last.isdisjoint(present)  # most phrases end here
        and (match := _match(phrase, words, start)) is not None
    ]
    found.sort(
        key=lambda m: (m.phrase.kind != "set phrase", -m.phrase.length, m.phrase.rank, m.start)
    )
    used: dict[str, set[int]] = {"finding": set(), "action": set()}
    accepted = []
    for match in found:
        kinds = used if match.phrase.kind == "set phrase" else (match.phrase.kind,)
        span = set(range(match.start, match.end))
        if any(used[kind] & set(match.places) for kind in kinds):
            continue
        for kind in kinds:
            used[kind] |= span
        accepted.append(match)
    return accepted


def _match(phrase: Phrase, words: list[str], start: int) -> _Match | None:
    """Return the phrase's match from a place on, the nearest words taken after a gap."""
    at, gap, places = start, 0, [start]
    for part in phrase.words[1:]:
        at += 1
        if isinstance(part, str):
            gap, at = _LONGEST_GAP, at - 1
            continue
        reach = words[at : at + gap + 1]
        step = next((n for n, word in enumerate(reach) if word in part or word == BREAK), None)
        if step is None or words[at + step] == BREAK:
            return None
        at, gap = at + step, 0
        places.append(at)
    if gap:  # a gap at the end takes what follows in the clause
        end = next((n for n in range(at + 1, len(words)) if words[n] == BREAK), len(words))
        return _Match(phrase, start, end, tuple(range(start, end)))
    return _Match(phrase, start, at + 1, tuple(places))


def _denied(match: _Match, words: list[str], matches: list[_Match]) -> bool:
    """Whether a "not" that is no part of another phrase stands shortly before the match."""
    if "not" in (words[at] for at in match.places):
        return False
    for at in range(match.start - 1, max(match.start - 1 - DENIAL_REACH, -1), -1):
        if words[at] == BREAK:
            return False
        if words[at] == "not":
            # the "not" of a phrase beside it is used up; that of a phrase around it is not
            beside = (other for other in matches if other is not match and at in other.places)
            return all(other.start <= match.start and match.end <= other.end for other in beside)
    return False


def _spelled(names: Mapping[str, tuple[str, ...]]) -> _Names:
    """Names and their variants as words, by their first word, the longest first."""
    spelled = {
        tuple(tokens_of(text)): name
        for name, variants in names.items()
        for text in (*variants, name)
        if tokens_of(text)
    }
    by_first: dict[str, list[tuple[tuple[str, ...], str]]] = {}
    for words, name in sorted(spelled.items(), key=lambda item: -len(item[0])):
        by_first.setdefault(words[0], []).append((words, name))
    return by_first


def _named(tokens: list[str], names: _Names, taken: frozenset[int]) -> tuple[str, frozenset[int]]:
    """Return the names that stand in a text, joined "; ", and the places of their words."""
    candidates = [
        (at, words, name)
        for at, token in enumerate(tokens)
        for words, name in names.get(token, ())
        if tuple(tokens[at : at + len(words)]) == words
    ]
    candidates.sort(key=lambda one: (-len(one[1]), one[0]))
    used = set(taken)
    found: dict[str, int] = {}
    for at, words, name in candidates:
        span = set(range(at, at + len(words)))
        if not span & used:
            used |= span
            found[name] = min(found.get(name, at), at)
    return "; ".join(sorted(found, key=lambda name: found[name])), frozenset(used - taken)
