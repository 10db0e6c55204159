"""All rows of one kind of table (log, register, readings, inspections) as text under our names.

Layer: logbook. One block per source, since date format and signs are declared per source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.logbook.columns import ColumnMap, check_source, map_columns, wanted_names
from relkit.logbook.corrections import (
    Correction,
    corrected_texts,
    read_corrections,
    refuse_rows_not_there,
)
from relkit.logbook.date_checks import check_date_format
from relkit.logbook.findings import Finding, finding
from relkit.logbook.set_aside import Sifted
from relkit.logbook.sources import read_source
from relkit.logbook.text_table import TextTable
from relkit.study.settings import Source, Study

__all__ = ["SourceTexts", "read_texts", "tidy_texts"]

#: Blanks of all kinds, line breaks, marks of no width, control characters.
_BLANKS = r"[\s\p{Z}\p{Cc}\x{200B}\x{2060}\x{FEFF}]+"

#: Cells that may hold some of those: plain ones are left as they are, which is faster.
_ODD = r"[^ -~]|  |^ | $"

#: Texts by which databases and spreadsheets say that a cell is blank.
_MARKS = frozenset(
    form
    for mark in ("null", "nan", "n/a", "#n/a", "#null!", "#ref!", "#value!", "<na>", "nat")
    for form in (mark, mark.upper(), mark.capitalize())
) | {"NaN", "NaT"}

#: So many cells tell whether a column holds few words.
_SAMPLE = 20_000


@dataclass(frozen=True, slots=True, eq=False)
class SourceTexts:
    """Rows of one source as text; ``texts`` has all of them, broken ones with blank cells."""

    source: Source
    texts: pd.DataFrame  #: column ``source`` and our names as far as given; index: place in kind
    readable: Sifted  #: the rows whose cells could be told apart
    called: dict[str, dict[str, str]]  #: file -> our name -> what the file calls it
    files: pd.DataFrame  #: one row per file: what was read and how
    corrected: pd.DataFrame  #: cells that a person corrected: old and new; index: place in kind


def read_texts(
    kind: str,
    sources: tuple[Source, ...],
    study: Study,
    progress: Callable[[str], None] | None = None,
) -> tuple[SourceTexts, ...]:
    """Rows of all sources of one kind, numbered through.

    Raises
    ------
    InputError
        A file cannot be used.
    StudyError
        The settings of a source cannot be used, or a file is named twice.
    """
    read: list[SourceTexts] = []
    start = 0
    seen: Counter[str] = Counter()
    corrections = read_corrections(study)
    for source in sources:
        check_source(kind, source, study)
        check_date_format(source.date_format, str(study.path))
        tables = read_source(source, study, wanted=wanted_names(kind, source), progress=progress)
        for table in tables:
            seen[table.file] += 1
            if seen[table.file] > 1:
                problem = f'"{table.file}" is named twice among the {kind} files'
                mend = "Name each file once; give each query of a database a name of its own"
                raise StudyError(problem, path=str(study.path), mend=mend)
        read.append(_source_texts(kind, source, tables, study, start, corrections))
        start += len(read[-1].texts)
    if corrections:
        sources_of = pd.concat([one.texts["source"] for one in read])
        by_file = dict(list(sources_of.groupby(sources_of.str.rsplit(":", n=1).str[0])))
        empty = {file: sources_of.iloc[:0] for file in seen}
        refuse_rows_not_there(kind, corrections, {**empty, **by_file})
    return tuple(read)


def _source_texts(
    kind: str,
    source: Source,
    tables: tuple[TextTable, ...],
    study: Study,
    start: int,
    corrections: tuple[Correction, ...],
) -> SourceTexts:
    maps = [map_columns(kind, table, source, study) for table in tables]
    frames = [_texts(table, columns) for table, columns in zip(tables, maps, strict=True)]
    texts = pd.concat(frames, ignore_index=True)
    if len(frames) > 1 or any(table.broken for table in tables):
        texts = texts.fillna("")  # cells of broken rows, and columns that one file lacks
    marks = _blank_marks(texts)
    for name, value in source.fixed.items():
        texts[name] = value
    texts.index = pd.RangeIndex(start, start + len(texts))
    reasons = texts.pop("reason")
    details = {name: texts.pop(name) for name in ("value", "mend")}
    called = {table.file: dict(one.called) for table, one in zip(tables, maps, strict=True)}
    corrected = corrected_texts(kind, texts, called, corrections)
    reasons.loc[corrected.whole] = ""
    broken = reasons != ""
    aside = pd.DataFrame({"source": texts["source"], "reason": reasons, "column": "", **details})
    pieces = (aside.loc[broken],) if broken.any() else ()
    findings = tuple(
        one
        for table, columns in zip(tables, maps, strict=True)
        for one in (*table.findings, *_file_findings(table, columns))
    )
    return SourceTexts(
        source=source,
        texts=texts,
        readable=Sifted(texts.loc[~broken], pieces, (*findings, *marks, *corrected.findings)),
        called=called,
        files=_files_frame(kind, source, tables, maps),
        corrected=corrected.changes,
    )


def _texts(table: TextTable, columns: ColumnMap) -> pd.DataFrame:
    """One file's rows under our names, broken ones in their places with blank cells."""
    frame = pd.DataFrame(
        {our: tidy_texts(table.cells.column(place)) for our, place in columns.places.items()},
        index=table.rows,
    )
    frame["reason"] = frame["value"] = frame["mend"] = ""
    if table.broken:
        broken = pd.DataFrame(
            {
                "reason": [one.reason for one in table.broken],
                "value": [one.value for one in table.broken],
                "mend": [one.mend for one in table.broken],
            },
            index=[one.row for one in table.broken],
        )
        frame = pd.concat([frame, broken]).sort_index(kind="stable")
    rows = pa.array(frame.index.to_numpy(dtype=np.int64)).cast(pa.string())
    ids = pc.binary_join_element_wise(pa.scalar(table.file), rows, ":")
    frame.insert(0, "source", ids.to_numpy(zero_copy_only=False))
    return frame


def _blank_marks(texts: pd.DataFrame) -> tuple[Finding, ...]:
    """Blank the cells that only say that they are blank, in place; return the finding."""
    marked = np.zeros(len(texts), dtype=bool)
    for name in texts.columns:
        found = texts[name].isin(_MARKS).to_numpy()
        if found.any():
            texts.loc[found, name] = ""
            marked |= found
    if not marked.any():
        return ()
    what = "Cells hold a mark for a missing value, such as NULL, NaN or n/a"
    sources = texts["source"][marked]
    return (finding("marks for blanks", what, sources=sources, done="Taken as blank"),)


def tidy_texts(column: pa.ChunkedArray) -> NDArray[np.object_]:
    """Cells with all blanks, line breaks and no-break spaces made single blanks.

    Equal cells share one string: a column of few words stays small.
    """
    whole = column if column.nbytes < 1 << 31 else column.cast(pa.large_string())
    cells = whole.combine_chunks()
    sample = cells.slice(0, _SAMPLE)
    if pc.count_distinct(sample).as_py() > len(sample) / 2:
        return _tidy(cells)
    encoded = cells.dictionary_encode()
    texts: NDArray[np.object_] = _tidy(encoded.dictionary)[encoded.indices.to_numpy()]
    return texts


def _tidy(cells: pa.Array) -> NDArray[np.object_]:
    words: NDArray[np.object_] = cells.to_numpy(zero_copy_only=False)
    odd = np.flatnonzero(pc.match_substring_regex(cells, _ODD).to_numpy(zero_copy_only=False))
    if len(odd):
        words = words.copy()
        single = pc.replace_substring_regex(cells.take(pa.array(odd)), _BLANKS, " ")
        words[odd] = pc.utf8_trim_whitespace(single).to_numpy(zero_copy_only=False)
    return words


def _file_findings(table: TextTable, columns: ColumnMap) -> tuple[Finding, ...]:
    findings = []
    if table.blank_rows:
        findings.append(
            finding(
                "blank rows",
                "Rows are blank throughout",
                sources=[table.file],
                rows=table.blank_rows,
                done="Skipped; they count as no rows",
            )
        )
    if columns.dropped:
        findings.append(
            finding(
                "names of persons",
                f"Columns hold names of persons: {', '.join(columns.dropped)}",
                sources=[table.file],
                rows=len(columns.dropped),
                done="Not read",
            )
        )
    if columns.by_own_name:
        findings.append(
            finding(
                "columns by their own names",
                f"Columns are called as relkit calls them: {', '.join(columns.by_own_name)}",
                sources=[table.file],
                rows=len(columns.by_own_name),
                done='Read as such; write NAME = "" under columns to leave one out',
            )
        )
    return tuple(findings)


def _files_frame(
    kind: str, source: Source, tables: tuple[TextTable, ...], maps: list[ColumnMap]
) -> pd.DataFrame:
    shown = {"\t": "tab"}
    return pd.DataFrame(
        {
            "file": [table.file for table in tables],
            "kind": kind,
            "rows": [len(table.rows) + len(table.broken) for table in tables],
            "encoding": [table.encoding for table in tables],
            "delimiter": [shown.get(table.delimiter, table.delimiter) for table in tables],
            "date_format": source.date_format,
            "columns_ignored": [", ".join(columns.ignored) for columns in maps],
            "columns_dropped": [", ".join(columns.dropped) for columns in maps],
        }
    )
