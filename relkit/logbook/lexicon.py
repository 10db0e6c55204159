"""The lexicon of free text: words with their forms, phrases of findings and actions.

Layer: logbook. Reads lexicon.toml beside this file, adds what a study says, and compiles both.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files

from rapidfuzz import process
from rapidfuzz.distance import OSA

from relkit.errors import StudyError
from relkit.study.note_settings import Lexicon, LexiconEntry

__all__ = ["GAP", "CompiledLexicon", "Phrase", "compiled_lexicon", "standard_lexicon", "tokens_of"]

#: Place in a phrase for up to three other words; clause breaks are none.
GAP = "..."

#: Between clauses; a denial does not reach over it.
BREAK = ","

_TOKEN = re.compile(r"[^\W_]+(?:[/'_][^\W_]+)*'?|&|\+|[.,;!?()\n]")
_BREAKS = frozenset(".,;!?()\n")

#: Shorter words are never corrected; one of just this length only where letters were swapped.
SHORTEST_MISTYPED = 5

#: From so many letters on two slips are allowed instead of one.
LONG_WORD = 10


@dataclass(frozen=True, slots=True)
class Phrase:
    """One phrase of the lexicon, its words in their base forms."""

    kind: str  #: "finding", "action" or "set phrase"
    name: str  #: what it says; blank for a set phrase
    words: tuple[frozenset[str] | str, ...]  #: alternatives of each word, or GAP
    sure: bool
    rank: int  #: place of the name in the lexicon: the lower speaks first
    last: frozenset[str]  #: alternatives of the last word

    @property
    def length(self) -> int:
        """Number of words, gaps left out."""
        return sum(word != GAP for word in self.words)


@dataclass(frozen=True, slots=True, eq=False)
class CompiledLexicon:
    """A lexicon ready for reading."""

    bases: Mapping[str, str]  #: any known form -> base word
    leave_alone: frozenset[str]
    forms_by_letter: Mapping[str, tuple[str, ...]]  #: forms a mistyped word may stand for
    by_first_word: Mapping[str, tuple[Phrase, ...]]
    counts_as: Mapping[tuple[str, str], str]  #: (kind, name) -> word of the study
    components: Mapping[str, tuple[str, ...]]
    corrected: dict[str, str]  #: words met so far that are no known form -> base word, or itself


def standard_lexicon() -> Lexicon:
    """Lexicon that comes with relkit, as its file says it."""
    text = files("relkit.logbook").joinpath("lexicon.toml").read_text(encoding="utf-8")
    given = tomllib.loads(text)
    entries = {
        part: {
            name: LexiconEntry(
                entry.get("counts_as", ""),
                tuple(entry.get("phrases", ())),
                tuple(entry.get("unsure", ())),
            )
            for name, entry in given[part].items()
        }
        for part in ("findings", "actions")
    }
    return Lexicon(
        leave_alone=tuple(given["leave_alone"]),
        set_phrases=tuple(given["set_phrases"]),
        words={base: tuple(forms) for base, forms in given["words"].items()},
        findings=entries["findings"],
        actions=entries["actions"],
        components={name: tuple(forms) for name, forms in given["components"].items()},
    )


def tokens_of(text: str) -> list[str]:
    """Words of a text in small letters, clause breaks as ",".

    Examples
    --------
    >>> tokens_of("Cam u/s - won't work. Lead o.k.")
    ['cam', 'u/s', ',', 'wont', 'work', ',', 'lead', 'ok', ',']
    """
    folded = unicodedata.normalize("NFKC", text).casefold().replace("\u2019", "'")
    folded = folded.replace('"', "'").replace("o.k.", "ok ,").replace(" - ", " , ")
    folded = re.sub(r"(?<=[a-z])'(?=(?:t|s|re|ll|ve)\b)", "", folded)
    found = _TOKEN.findall(folded)
    words = ["and" if token in ("&", "+") else token.strip("'") for token in found]
    return [BREAK if word in _BREAKS else word for word in words if word]


def compiled_lexicon(own: Lexicon | None = None, *, path: str = "study.toml") -> CompiledLexicon:
    """Lexicon of relkit with a study's own words and phrases, ready for reading.

    A finding or action of the study that relkit has too gets the study's phrases beside those of
    relkit, and its ``counts_as`` where that is given; own ones speak before those of relkit.

    Parameters
    ----------
    own : Lexicon, optional
        What the study says.
    path : str
        The study file, for messages.

    Raises
    ------
    StudyError
        A form stands for two words, is no single word, or a phrase has no words.
    """
    whole = _merged(standard_lexicon(), own or Lexicon())
    bases = _bases(whole.words, path)
    phrases = [
        *_phrases("set phrase", {"": LexiconEntry("", whole.set_phrases)}, bases, path),
        *_phrases("finding", whole.findings, bases, path),
        *_phrases("action", whole.actions, bases, path),
    ]
    known = {word: word for phrase in phrases for part in phrase.words for word in _words(part)}
    by_first: dict[str, list[Phrase]] = {}
    for phrase in phrases:
        for word in _words(phrase.words[0]):
            by_first.setdefault(word, []).append(phrase)
    counts_as = {
        (kind, name): entry.counts_as or name
        for kind, entries in (("finding", whole.findings), ("action", whole.actions))
        for name, entry in entries.items()
    }
    bases = {**known, **bases}
    by_letter: dict[str, list[str]] = {}
    for form in bases:
        if len(form) >= SHORTEST_MISTYPED - 1:
            by_letter.setdefault(form[0], []).append(form)
    return CompiledLexicon(
        bases=bases,
        forms_by_letter={letter: tuple(forms) for letter, forms in by_letter.items()},
        leave_alone=frozenset(word for text in whole.leave_alone for word in tokens_of(text)),
        by_first_word={word: tuple(found) for word, found in by_first.items()},
        counts_as=counts_as,
        components=whole.components,
        corrected={},
    )


def base_words(tokens: Iterable[str], lexicon: CompiledLexicon) -> tuple[list[str], list[bool]]:
    """Return the base word of each token, and whether it took a correction of its spelling.

    Examples
    --------
    >>> base_words(["repalce", "leakng", "hose"], compiled_lexicon())
    (['replace', 'leak', 'hose'], [True, True, False])
    """
    words, mended = [], []
    for token in tokens:
        known = lexicon.bases.get(token)
        if known is None:
            known = lexicon.corrected.get(token)
            if known is None:
                known = lexicon.corrected[token] = _corrected(token, lexicon)
            mended.append(known != token)
        else:
            mended.append(False)
        words.append(known)
    return words, mended


def _corrected(token: str, lexicon: CompiledLexicon) -> str:
    """Return the base word of the form a slip or two away; the token where none or several."""
    if len(token) < SHORTEST_MISTYPED or not token.isalpha() or token in lexicon.leave_alone:
        return token
    slips = 1 if len(token) < LONG_WORD else 2
    near = process.extract(
        token,
        lexicon.forms_by_letter.get(token[0], ()),
        scorer=OSA.distance,
        score_cutoff=slips,
        limit=None,
    )
    if len(token) == SHORTEST_MISTYPED:
        near = [one for one in near if sorted(one[0]) == sorted(token)]
    least = min((distance for _, distance, _ in near), default=0)
    found = {lexicon.bases[form] for form, distance, _ in near if distance == least}
    return found.pop() if len(found) == 1 else token


def _merged(standard: Lexicon, own: Lexicon) -> Lexicon:
    words = dict(standard.words)
    for base, forms in own.words.items():
        words[base] = (*words.get(base, ()), *forms)
    components = dict(standard.components)
    for name, forms in own.components.items():
        components[name] = (*components.get(name, ()), *forms)
    return Lexicon(
        leave_alone=(*standard.leave_alone, *own.leave_alone),
        set_phrases=(*standard.set_phrases, *own.set_phrases),
        words=words,
        findings=_merged_entries(standard.findings, own.findings),
        actions=_merged_entries(standard.actions, own.actions),
        components=components,
    )


def _merged_entries(
    standard: Mapping[str, LexiconEntry], own: Mapping[str, LexiconEntry]
) -> dict[str, LexiconEntry]:
    merged = {name: entry for name, entry in own.items() if name not in standard}
    for name, entry in standard.items():
        added = own.get(name, LexiconEntry())
        merged[name] = LexiconEntry(
            added.counts_as or entry.counts_as,
            (*entry.phrases, *added.phrases),
            (*entry.unsure, *added.unsure),
        )
    return merged


def _bases(words: Mapping[str, tuple[str, ...]], path: str) -> dict[str, str]:
    bases: dict[str, str] = {}
    for base, forms in words.items():
        for form in (base, *forms):
            token = tokens_of(form)
            if len(token) != 1:
                problem = f'lexicon.words: "{form}" of "{base}" is not one word'
                raise StudyError(problem, path=path, mend="Write it as a phrase instead")
            held = bases.setdefault(token[0], base)
            if held != base:
                problem = f'lexicon.words: "{form}" stands for "{base}" and for "{held}"'
                raise StudyError(problem, path=path, mend="Keep it under one of the two")
    return bases


def _phrases(
    kind: str, entries: Mapping[str, LexiconEntry], bases: Mapping[str, str], path: str
) -> list[Phrase]:
    made = []
    for rank, (name, entry) in enumerate(entries.items()):
        for sure, texts in ((True, entry.phrases), (False, entry.unsure)):
            for text in texts:
                words = tuple(_part(part, bases) for part in text.split())
                if not words or words[0] == GAP:
                    problem = f'lexicon: the phrase "{text}" of "{name}" does not begin with a word'
                    raise StudyError(problem, path=path, mend="Correct or remove the phrase")
                last = next(part for part in reversed(words) if not isinstance(part, str))
                made.append(Phrase(kind, name, words, sure, rank, last))
    return made


def _part(text: str, bases: Mapping[str, str]) -> frozenset[str] | str:
    if text == GAP:
        return GAP
    tokens = [token for word in text.split("|") for token in tokens_of(word)]
    return frozenset(bases.get(token, token) for token in tokens)


def _words(part: frozenset[str] | str) -> frozenset[str]:
    return frozenset() if isinstance(part, str) else part
