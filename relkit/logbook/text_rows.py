"""Blank findings and actions of jobs filled from their notes, and notes beside what they say.

Layer: logbook. Only where the study says so (treatments.read_notes); what is read with little
confidence stays blank and is listed for a person.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.logbook.findings import Finding, finding
from relkit.logbook.lexicon import CompiledLexicon, compiled_lexicon
from relkit.logbook.positions import KnownPositions, group_codes
from relkit.logbook.set_aside import Sifted, with_columns
from relkit.logbook.text_notes import NOTE_COLUMNS, read_notes, words_not_understood
from relkit.logbook.words import word_key
from relkit.study.settings import Study

if TYPE_CHECKING:
    from relkit.logbook.read import RepairLog

__all__ = ["notes_of_jobs", "sift_notes", "study_lexicon"]

#: So many words that were not understood are named in a finding.
_WORDS_SHOWN = 8

_KEYS = ("vehicle", "component", "location")


def study_lexicon(study: Study) -> CompiledLexicon:
    """Lexicon of relkit with the study's own words, its meanings checked against the treatments.

    Raises
    ------
    StudyError
        An entry of the lexicon counts as a finding or action that no treatment knows.
    """
    lexicon = compiled_lexicon(study.lexicon, path=str(study.path))
    for (kind, name), word in lexicon.counts_as.items():
        if not _study_word(kind, name, lexicon, study):
            raise StudyError(
                f'lexicon.{kind}s."{name}" counts as "{word}", which no treatment says the '
                "meaning of",
                path=str(study.path),
                mend=f"Add it to treatments.{kind}s, or give it counts_as = one of: "
                f"{', '.join(_treated(kind, study))}",
            )
    return lexicon


def sift_notes(rows: pd.DataFrame, known: KnownPositions | None, study: Study) -> Sifted:
    """Rows with blank findings and actions, components and locations taken from their notes.

    Nothing that a row states is changed. A component or location is taken only where the note
    names one and, with a register, the vehicle has it there.

    Parameters
    ----------
    rows : DataFrame
        Typed rows of the log with our words.
    known : KnownPositions or None
        What the register has.
    study : Study
        ``treatments.read_notes``, ``treatments.least_note_confidence`` and ``lexicon`` are used.
    """
    noted = (rows["note"] != "").to_numpy()
    silent = noted & ((rows["finding"] == "") | (rows["action"] == "")).to_numpy()
    asked = silent | noted & ((rows["component"] == "") | (rows["location"] == "")).to_numpy()
    if not study.treatments.read_notes:
        return Sifted(rows, (), _not_read(rows, silent))
    if not asked.any():
        return Sifted(rows)
    lexicon = study_lexicon(study)
    chosen = rows[asked]
    codes, texts = pd.factorize(chosen["note"].to_numpy(dtype=object))
    names = _place_names(rows, known, study, lexicon)
    notes = read_notes(texts, lexicon, components=names["component"], locations=names["location"])
    least = study.treatments.least_note_confidence
    columns: dict[str, NDArray[np.object_]] = {}
    for kind in ("finding", "action"):
        words = [_study_word(kind, name, lexicon, study) for name in notes[kind]]
        trusted = (notes[kind + "_confidence"] >= least).to_numpy()
        read = np.where(trusted, np.array([*words, ""], dtype=object)[:-1], "")[codes]
        columns[kind] = np.where(chosen[kind] == "", read, chosen[kind])
    columns.update(_places(chosen, notes, codes, known))
    changed = np.zeros(len(chosen), dtype=bool)
    whole: dict[str, Any] = {}
    for name, values in columns.items():
        changed |= np.asarray(values != chosen[name].to_numpy(dtype=object), dtype=bool)
        whole[name] = rows[name].to_numpy(dtype=object).copy()
        whole[name][asked] = values
    doubted = np.zeros(len(chosen), dtype=bool)
    for kind in ("finding", "action"):
        doubted |= (columns[kind] == "") & (notes[kind] != "").to_numpy()[codes]
    mute = (columns["finding"] == "") & silent[asked] & ~doubted & ~changed
    findings = _findings(chosen["source"], notes, codes, changed, doubted, mute)
    return Sifted(with_columns(rows, whole), (), findings)


def notes_of_jobs(log: RepairLog, study: Study) -> pd.DataFrame:
    """Every note of the jobs beside what it says: one row per job row that has a note.

    Parameters
    ----------
    log : RepairLog
        From :func:`relkit.read_log`.
    study : Study
        Its words and ``lexicon`` are used.

    Returns
    -------
    DataFrame
        source, text, finding, action, component, location, confidence, words, also,
        not_understood (see :func:`relkit.logbook.text_notes.read_notes`), counts_as_finding and
        counts_as_action (the study's words), row_finding and row_action (what the row's own cells
        hold, after reading).

    Raises
    ------
    StudyError
        ``lexicon`` has a word for two meanings, or a finding or action that no treatment knows:
        the entry is named.
    """
    jobs = log.jobs
    chosen = jobs[jobs["note"] != ""]
    lexicon = study_lexicon(study)
    names = _place_names(jobs, None, study, lexicon)
    codes, texts = pd.factorize(chosen["note"].to_numpy(dtype=object))
    notes = read_notes(texts, lexicon, components=names["component"], locations=names["location"])
    for kind in ("finding", "action"):
        notes["counts_as_" + kind] = [
            _study_word(kind, name, lexicon, study) for name in notes[kind]
        ]
    beside = notes.iloc[codes].reset_index(drop=True)
    beside.insert(0, "source", chosen["source"].to_numpy(dtype=object))
    for kind in ("finding", "action"):
        beside["row_" + kind] = chosen[kind].to_numpy(dtype=object)
    own = ["counts_as_finding", "counts_as_action", "row_finding", "row_action"]
    return beside[["source", *NOTE_COLUMNS, *own]]


def _treated(kind: str, study: Study) -> Mapping[str, object]:
    return study.treatments.findings if kind == "finding" else study.treatments.actions


def _study_word(kind: str, name: str, lexicon: CompiledLexicon, study: Study) -> str:
    """Return the study's word for a finding or action of the lexicon; blank where it has none."""
    treated = _treated(kind, study)
    variants: Mapping[str, tuple[str, ...]] = getattr(study.words, kind)
    for word in (name, lexicon.counts_as.get((kind, name), "")):
        if word in treated:
            return word
        for ours, spellings in variants.items():
            if word and word_key(word) in map(word_key, spellings):
                return ours
    return ""


def _place_names(
    rows: pd.DataFrame, known: KnownPositions | None, study: Study, lexicon: CompiledLexicon
) -> dict[str, dict[str, tuple[str, ...]]]:
    """Components and locations that may stand in notes, with their variants."""
    table = rows if known is None else known.table
    names: dict[str, dict[str, tuple[str, ...]]] = {}
    for column in ("component", "location"):
        variants: Mapping[str, tuple[str, ...]] = getattr(study.words, column)
        also = lexicon.components if column == "component" else {}
        words: Iterable[str] = dict.fromkeys([*table[column].unique(), *variants])
        names[column] = {
            word: (*variants.get(word, ()), *also.get(word.casefold(), ()))
            for word in words
            if word
        }
    return names


def _places(
    rows: pd.DataFrame, notes: pd.DataFrame, codes: NDArray[np.int64], known: KnownPositions | None
) -> dict[str, NDArray[np.object_]]:
    """Component and location of rows, blanks taken from notes where the vehicle has them there."""
    stated = {name: rows[name].to_numpy(dtype=object) for name in ("component", "location")}
    tried = {}
    for name, values in stated.items():
        read = notes[name].where(~notes[name].str.contains(";", regex=False), "")
        tried[name] = np.where(values == "", read.to_numpy(dtype=object)[codes], values)
    take = tried["component"] != ""
    if known is not None and take.any():
        take &= _fitted(with_columns(rows, tried), known)
    return {name: np.where(take, tried[name], values) for name, values in stated.items()}


def _fitted(rows: pd.DataFrame, known: KnownPositions) -> NDArray[np.bool_]:
    """Rows at positions of the register; a blank location fits any of the component."""
    fitted = np.zeros(len(rows), dtype=bool)
    for columns in (_KEYS, ("vehicle", "component")):
        both = pd.concat([known.table[list(columns)], rows[list(columns)]], ignore_index=True)
        codes = group_codes(both, columns)
        inside = np.isin(codes[len(known.table) :], codes[: len(known.table)])
        blank = (rows["location"] == "").to_numpy() if columns != _KEYS else True
        fitted |= inside & blank
    return fitted


def _not_read(rows: pd.DataFrame, silent: NDArray[np.bool_]) -> tuple[Finding, ...]:
    if not silent.any():
        return ()
    return (
        finding(
            "notes not read",
            "Rows leave the finding or the action blank and have a note that may tell it",
            sources=rows["source"][silent],
            done="The notes were not read: read_notes = true under [treatments] has them read, "
            "`relkit notes` shows what would come of it",
        ),
    )


def _findings(
    source: pd.Series[str],
    notes: pd.DataFrame,
    codes: NDArray[np.int64],
    changed: NDArray[np.bool_],
    doubted: NDArray[np.bool_],
    mute: NDArray[np.bool_],
) -> tuple[Finding, ...]:
    found = []
    if changed.any():
        found.append(
            finding(
                "notes read",
                "Rows leave a finding, action, component or location blank that their note tells",
                sources=source[changed],
                done="Taken from the note, by the lexicon; `relkit notes` shows on what words",
            )
        )
    if doubted.any():
        found.append(
            finding(
                "notes for a person",
                "Notes can be read in two ways, or only with little confidence",
                sources=source[doubted],
                done="Left blank, which leaves open what had failed; `relkit notes` lists them. "
                "Write finding or action into the row, or a phrase under [lexicon] in the study",
                severity="look",
            )
        )
    if mute.any():
        counts = pd.Series(codes[mute]).value_counts()
        own = notes.iloc[counts.index]
        words = words_not_understood(own, pd.Series(counts.to_numpy(), index=own["text"]))
        shown = ", ".join(
            f"{row.word} ({row.rows})" for row in words.head(_WORDS_SHOWN).itertuples()
        )
        found.append(
            finding(
                "notes not understood",
                "Notes tell no finding or action that the lexicon knows; most frequent words: "
                + (shown or "none"),
                sources=source[mute],
                done="Left blank: the row counts as one without a finding. Add phrases under "
                "[lexicon] in the study",
                severity="look",
            )
        )
    return tuple(found)
