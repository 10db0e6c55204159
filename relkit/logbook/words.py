"""Words of the log to the words of the study: variants, spellings, and the nearest known word.

Layer: logbook. Matching never minds case, blanks, underscores or kinds of dash; nothing else is
taken for granted: a word that is not known is marked, with the nearest one beside it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from rapidfuzz import fuzz, process

from relkit.errors import StudyError
from relkit.logbook.findings import finding
from relkit.logbook.set_aside import Sifted, sift, with_columns

__all__ = ["Matched", "known_words", "match_words", "merge_spellings", "merged", "sift_words"]

_DASHES = re.compile(r"[\s_\-\u2010-\u2015\u2212\u00ad]+")

#: Similarity from which a known word is offered as what was meant [0 to 100].
LEAST_SIMILARITY = 60


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Words of one column; all fields have one entry per text."""

    words: NDArray[np.object_]  #: our word; the text itself where unknown; blank where only a dash
    unknown: NDArray[np.bool_]  #: a text stands there that is no known word
    nearest: NDArray[np.object_]  #: the known word most like an unknown one; else blank


def word_key(text: str) -> str:
    """Return what two spellings of one word have in common.

    Examples
    --------
    >>> word_key("Kerb\u2011Side ") == word_key("kerb  side")
    True
    """
    folded = unicodedata.normalize("NFKC", text).casefold()
    return _DASHES.sub(" ", folded).strip()


def known_words(
    variants: Mapping[str, tuple[str, ...]], also: Iterable[str], *, kind: str, path: str
) -> dict[str, str]:
    """Key of each known spelling -> our word; a word of ours always stands for itself.

    Parameters
    ----------
    variants : Mapping
        Our word -> how the log writes it.
    also : iterable of str
        More words of ours.
    kind, path : str
        For messages: which words, of which study file.

    Raises
    ------
    StudyError
        A spelling stands for two words.
    """
    ours = [*variants, *also]
    known: dict[str, str] = {}
    for word in ours:
        known.setdefault(word_key(word), word)
    for word, spellings in variants.items():
        for spelling in spellings:
            held = known.setdefault(word_key(spelling), word)
            if held != known[word_key(word)]:
                problem = f'words.{kind}: "{spelling}" stands for "{word}" and for "{held}"'
                raise StudyError(problem, path=path, mend="Keep it under one of the two")
    return known


def match_words(texts: NDArray[np.object_], known: Mapping[str, str]) -> Matched:
    """Words of ours that the texts stand for.

    Parameters
    ----------
    texts : array of str
        What stands in the column, blanks made single.
    known : Mapping
        From :func:`known_words`.

    Examples
    --------
    >>> known = known_words({"camera": ("cam",)}, (), kind="component", path="study.toml")
    >>> matched = match_words(np.array(["CAM", "camrea"], dtype=object), known)
    >>> matched.words.tolist(), matched.unknown.tolist(), matched.nearest.tolist()
    (['camera', 'camrea'], [False, True], ['', 'camera'])
    """
    codes, unique = pd.factorize(np.asarray(texts, dtype=object))
    keys = [word_key(text) for text in unique]
    words = np.array(
        [known.get(key, text) if key else "" for key, text in zip(keys, unique, strict=True)],
        dtype=object,
    )
    unknown = np.array([bool(key) and key not in known for key in keys], dtype=bool)
    nearest = np.array(
        [_nearest(key, known) if bad else "" for key, bad in zip(keys, unknown, strict=True)],
        dtype=object,
    )
    return Matched(words[codes], unknown[codes], nearest[codes])


def _nearest(key: str, known: Mapping[str, str]) -> str:
    found = process.extractOne(key, list(known), scorer=fuzz.WRatio, score_cutoff=LEAST_SIMILARITY)
    return known[found[0]] if found else ""


def merge_spellings(
    texts: NDArray[np.object_], preferred: Iterable[str] = ()
) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
    """Texts with one spelling for each word, and where that changed more than blanks.

    The spelling is the preferred one if there is any, else the most frequent (of equals, the
    first in the alphabet).
    """
    return merged(texts, word_key, preferred)


def merged(
    texts: NDArray[np.object_], key: Callable[[str], str], preferred: Iterable[str] = ()
) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
    """Texts with one spelling for each key, and where that changed the text."""
    codes, unique = pd.factorize(np.asarray(texts, dtype=object))
    counts = np.bincount(codes, minlength=len(unique))
    chosen = {key(word): word for word in preferred}
    for place in sorted(range(len(unique)), key=lambda i: (-int(counts[i]), str(unique[i]))):
        chosen.setdefault(key(unique[place]), unique[place])
    words = np.array([chosen[key(text)] if key(text) else "" for text in unique], dtype=object)
    changed = np.array([w != t for w, t in zip(words, unique, strict=True)], dtype=bool)
    return words[codes], changed[codes]


def sift_words(rows: pd.DataFrame, column: str, known: Mapping[str, str] | None) -> Sifted:
    """Rows with the words of one column made ours, those with an unknown word set aside.

    Where nothing is declared (``known`` is None) words are kept as written, with one spelling
    for those that differ only in case, blanks or dashes.
    """
    texts = rows[column].to_numpy(dtype=object)
    if known is None:
        words, changed = merge_spellings(texts)
        kept = with_columns(rows, {column: words})
        if not changed.any():
            return Sifted(kept)
        what = f"Words ({column}) differ only in case, blanks or dashes"
        done = "Taken as one word, in its most frequent spelling"
        sources = rows["source"][changed]
        return Sifted(kept, (), (finding("spellings", what, sources=sources, done=done),))
    matched = match_words(texts, known)
    values = pd.Series(texts, index=rows.index)
    return sift(
        with_columns(rows, {column: matched.words}),
        matched.unknown,
        reason=f"unknown {column}",
        column=column,
        value=values,
        mend=_mends(column, values, matched),
    )


def _mends(column: str, values: pd.Series[str], matched: Matched) -> pd.Series[str]:
    codes, unique = pd.factorize(values)
    first = np.full(len(unique), "", dtype=object)
    first[codes] = matched.nearest
    where = "treatments." + column + "s" if column in ("finding", "action") else "words." + column
    sentences = [
        f'If it means "{near}", add "{value}" to words.{column}."{near}" in the study'
        if near
        else f'Add "{value}" to words.{column}, or as a word of its own to {where}, in the study'
        for value, near in zip(unique, first, strict=True)
    ]
    return pd.Series(np.array(sentences, dtype=object)[codes], index=values.index)
