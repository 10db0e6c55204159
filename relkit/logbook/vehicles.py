"""Vehicle ids in their spellings (GR-07, GR7, gr 07) to the ids of the register.

Layer: logbook. Letters and numbers decide; signs between them, case and leading zeros do not.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from rapidfuzz import fuzz, process

from relkit.logbook.findings import finding
from relkit.logbook.set_aside import Sifted, sift, with_columns
from relkit.logbook.words import known_words, merged, word_key

__all__ = ["merge_vehicles", "sift_vehicles", "vehicle_key"]

_RUNS = re.compile(r"[^\W\d_]+|\d+")


def vehicle_key(text: str) -> str:
    """Return what the spellings of one vehicle id have in common.

    Examples
    --------
    >>> {vehicle_key(text) for text in ("GR-07", "GR7", "gr 07", "Gr.007")}
    {'gr 7'}
    >>> vehicle_key("A1-1") == vehicle_key("A11")
    False
    """
    folded = unicodedata.normalize("NFKC", text).casefold()
    runs = (run.lstrip("0") or "0" if run[0].isdigit() else run for run in _RUNS.findall(folded))
    return " ".join(runs) or folded.strip()


def merge_vehicles(
    rows: pd.DataFrame, aliases: Mapping[str, tuple[str, ...]], *, path: str
) -> Sifted:
    """Rows with one spelling for each vehicle: the alias table's, else the most frequent one."""
    texts, _ = _by_alias(rows["vehicle"].to_numpy(dtype=object), aliases, path)
    words, changed = merged(texts, vehicle_key, preferred=aliases)
    kept = with_columns(rows, {"vehicle": words})
    if not changed.any():
        return Sifted(kept)
    what = "Vehicle ids differ only in signs, case or leading zeros"
    done = "Taken as one vehicle, in its most frequent spelling"
    sources = rows["source"][changed]
    return Sifted(kept, (), (finding("vehicle spellings", what, sources=sources, done=done),))


def sift_vehicles(
    rows: pd.DataFrame,
    register: Iterable[str],
    aliases: Mapping[str, tuple[str, ...]],
    *,
    path: str,
) -> Sifted:
    """Rows with the register's vehicle ids, those of no vehicle in the register set aside.

    Parameters
    ----------
    rows : DataFrame
        With columns ``source`` and ``vehicle``.
    register : iterable of str
        The ids of the register.
    aliases : Mapping
        Vehicle id -> other ways to write it, from the study.
    path : str
        The study file, for messages.
    """
    known = {vehicle_key(vehicle): vehicle for vehicle in register}
    texts, by_alias = _by_alias(rows["vehicle"].to_numpy(dtype=object), aliases, path)
    codes, unique = pd.factorize(texts)
    ours = np.array([known.get(vehicle_key(text), "") for text in unique], dtype=object)
    missing = ours == ""
    nearest = [
        _nearest(text, known) if bad else "" for text, bad in zip(unique, missing, strict=True)
    ]
    words = np.where(missing, unique, ours)[codes]
    values = pd.Series(rows["vehicle"].to_numpy(dtype=object), index=rows.index)
    mends = np.array(nearest, dtype=object)[codes]
    sifted = sift(
        with_columns(rows, {"vehicle": words}),
        missing[codes],
        reason="unknown vehicle",
        column="vehicle",
        value=values,
        mend=pd.Series(mends, index=rows.index),
    )
    respelled = ~missing[codes] & ~by_alias & (words != values.to_numpy())
    if not respelled.any():
        return sifted
    what = "Vehicle ids are spelled otherwise than in the register"
    done = "Taken as the register's id: only signs, case or leading zeros differ"
    one = finding("vehicle spellings", what, sources=rows["source"][respelled], done=done)
    return Sifted(sifted.rows, sifted.set_aside, (one,))


def _by_alias(
    texts: NDArray[np.object_], aliases: Mapping[str, tuple[str, ...]], path: str
) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
    """Texts with the study's aliases put in, and where that was so."""
    if not aliases:
        return texts, np.zeros(len(texts), dtype=bool)
    known = known_words(aliases, (), kind="vehicle", path=path)
    codes, unique = pd.factorize(texts)
    found = np.array([known.get(word_key(text), "") for text in unique], dtype=object)
    used = found != ""
    return np.where(used, found, unique)[codes], used[codes]


def _nearest(text: str, known: Mapping[str, str]) -> str:
    found = process.extractOne(vehicle_key(text), list(known), scorer=fuzz.ratio)
    if found is None:
        return "Add the vehicle to the register"
    vehicle = known[found[0]]
    return (
        f'The nearest id in the register is "{vehicle}": if it is that one, add the spelling to '
        f'words.vehicle."{vehicle}"; else add the vehicle to the register'
    )
