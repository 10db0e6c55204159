"""Exports of one list of jobs at different times: each job counts once, as in the newest one.

Layer: logbook. Which export is newer is told by the files' names or by the study, never by when
a file was written to disk.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.logbook.columns import OUR_COLUMNS
from relkit.logbook.findings import Finding, finding
from relkit.logbook.kind_texts import SourceTexts
from relkit.logbook.set_aside import Sifted, sift
from relkit.logbook.words import word_key
from relkit.study.settings import Study

__all__ = ["SUPERSEDED", "as_in_newest_exports"]

#: Reason of a row that a newer export of the same job no longer has.
SUPERSEDED = "superseded by a newer export"


def as_in_newest_exports(read: SourceTexts, typed: Sifted, study: Study) -> Sifted:
    """Rows of a source without those of jobs that stand in a newer file of it.

    A job is told by ``same_job`` of the source, by default job number, vehicle and day. All its
    rows are taken from the newest file that has it. An older row that says the same is a
    duplicate; one that says something else, or is gone, is superseded.

    Parameters
    ----------
    read : SourceTexts
        The source, for its files and the texts of its rows.
    typed : Sifted
        Its rows with dates and numbers.
    study : Study
        For messages.

    Raises
    ------
    StudyError
        ``same_job`` names no column of the log, or ``export_order`` not each file once.
    """
    files = read.files["file"].tolist()
    names = _job_columns(read, study)
    ranks = _ranks(files, read, study)
    rows = typed.rows
    if len(files) < 2 or not names or any(name not in rows for name in names) or rows.empty:
        return typed
    rank = ranks[_file_numbers(read, rows)]
    codes, stated = _job_codes(rows, names)
    newest = _largest(rank, codes)
    older = stated & (rank < newest)
    if not older.any():
        return _with(typed, Sifted(rows, (), _renumbered(rows, rank, names)))
    same, fresh = _compared(read, rows, codes, older, rank == newest)
    first = _first_rows(rows, codes, rank == newest)
    value = pd.Series(first.reindex(codes).to_numpy(dtype=object), index=rows.index)
    left = sift(
        rows,
        older & same,
        reason="duplicate",
        column="",
        value=value,
        mend="None: the newer export has the same row",
    )
    changed = (older & ~same)[~(older & same)]
    left_over = sift(
        left.rows,
        changed,
        reason=SUPERSEDED,
        column="",
        value=value.loc[left.rows.index],
        mend="None: the newer export is used. same_job = [] counts each file for itself",
    )
    exported_again = np.isin(codes, codes[older]) & (rank == newest)
    changed_jobs = np.isin(codes, codes[(older & ~same) | fresh])
    findings = (
        *_told(_first_rows(rows, codes, exported_again & ~changed_jobs), read, changed=False),
        *_told(_first_rows(rows, codes, exported_again & changed_jobs), read, changed=True),
        *_renumbered(left_over.rows, rank[~older], names),
    )
    both = Sifted(left_over.rows, left.set_aside + left_over.set_aside)
    return _with(typed, both, findings)


def _with(typed: Sifted, sifted: Sifted, findings: tuple[Finding, ...] = ()) -> Sifted:
    return replace(
        typed,
        rows=sifted.rows,
        set_aside=(*typed.set_aside, *sifted.set_aside),
        findings=(*typed.findings, *sifted.findings, *findings),
    )


def _job_columns(read: SourceTexts, study: Study) -> tuple[str, ...]:
    names = read.source.same_job
    for name in names:
        if name not in OUR_COLUMNS["log"]:
            problem = f'same_job of "{read.source.label}" names "{name}", which the log has not'
            mend = f"Known are: {', '.join(OUR_COLUMNS['log'])}"
            raise StudyError(problem, path=str(study.path), mend=mend)
    return names


def _ranks(files: list[str], read: SourceTexts, study: Study) -> NDArray[np.int64]:
    """Return the place of each file from the oldest to the newest."""
    order = read.source.export_order
    if not order:
        order = tuple(sorted(files, key=_natural))
    if sorted(order) != sorted(files):
        odd = sorted(set(order) ^ set(files)) or [name for name in files if order.count(name) > 1]
        raise StudyError(
            f'export_order of "{read.source.label}" does not name each of its files once: '
            f"{', '.join(odd)}",
            path=str(study.path),
            mend=f"Write all of them, the oldest first: {', '.join(files)}",
        )
    return np.array([order.index(name) for name in files], dtype=np.int64)


def _natural(name: str) -> list[tuple[int, str]]:
    """Sort key under which 2 comes before 10."""
    parts = re.split(r"(\d+)", name)
    return [(int(part), "") if part.isdigit() else (-1, part) for part in parts]


def _file_numbers(read: SourceTexts, rows: pd.DataFrame) -> NDArray[np.int64]:
    """Return which of the source's files each row stands in: files follow each other."""
    ends = read.texts.index[0] + np.cumsum(read.files["rows"].to_numpy())
    return np.searchsorted(ends, rows.index.to_numpy(), side="right").astype(np.int64)


def _job_codes(
    rows: pd.DataFrame, names: tuple[str, ...]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return a number for the job of each row, and whether the row states what tells it."""
    codes = np.zeros(len(rows), dtype=np.int64)
    stated = np.ones(len(rows), dtype=bool)
    for name in names:
        column = rows[name]
        if column.dtype == object:
            own, unique = pd.factorize(column)
            own = pd.factorize(np.array([word_key(text) for text in unique], dtype=object))[0][own]
            stated &= (column != "").to_numpy()
        elif name == "date":
            own = pd.factorize(column.dt.normalize())[0]
        else:
            own = pd.factorize(column, use_na_sentinel=False)[0]
            stated &= column.notna().to_numpy()
        codes = pd.factorize(codes * (int(own.max()) + 1) + own)[0]
    return codes, stated


def _largest(values: NDArray[np.int64], codes: NDArray[np.int64]) -> NDArray[np.int64]:
    most = np.full(int(codes.max()) + 1, -1, dtype=np.int64)
    np.maximum.at(most, codes, values)
    return most[codes]


def _compared(
    read: SourceTexts,
    rows: pd.DataFrame,
    codes: NDArray[np.int64],
    older: NDArray[np.bool_],
    newest: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which older rows are, text by text, rows of their job in the newest file; which are new."""
    among = np.flatnonzero(older | (newest & np.isin(codes, codes[older])))
    texts = read.texts.loc[rows.index[among]].drop(columns="source").assign(job_code=codes[among])
    whole = texts.groupby(list(texts.columns), sort=False, dropna=False).ngroup().to_numpy()
    same = np.zeros(len(rows), dtype=bool)
    fresh = np.zeros(len(rows), dtype=bool)
    same[among] = older[among] & np.isin(whole, whole[newest[among]])
    fresh[among] = newest[among] & ~np.isin(whole, whole[older[among]])
    return same, fresh


def _first_rows(
    rows: pd.DataFrame, codes: NDArray[np.int64], among: NDArray[np.bool_]
) -> pd.Series[str]:
    """Source of the first row of each job among some rows, by the job's number."""
    sources = pd.Series(rows["source"].to_numpy(dtype=object)[among], index=codes[among])
    return sources[~sources.index.duplicated()]


def _told(places: pd.Series[str], read: SourceTexts, *, changed: bool) -> tuple[Finding, ...]:
    """Return the finding that jobs stand in several exports, one place for each job."""
    if places.empty:
        return ()
    order = "export_order" if read.source.export_order else "the order of their names"
    one = finding(
        "changed between exports" if changed else "seen in several exports",
        f"Jobs {'differ between' if changed else 'stand unchanged in several'} files of "
        f"{read.source.label}",
        sources=places,
        done=f"Each counts once, as in the newest file by {order}",
        severity="look" if changed else "information",
    )
    return (one,)


def _renumbered(
    rows: pd.DataFrame, rank: NDArray[np.int64], names: tuple[str, ...]
) -> tuple[Finding, ...]:
    """Return the finding that job numbers stand in several files with another vehicle or day."""
    if "job" not in names or names == ("job",) or rows.empty:
        return ()
    own = pd.factorize(rows["job"])[0]
    blank = (rows["job"] == "").to_numpy()
    seen = pd.DataFrame({"job": own, "rank": rank})[~blank].drop_duplicates()
    several = seen["job"].value_counts()
    twice = several.index[several > 1]
    if not len(twice):
        return ()
    others = [name for name in names if name != "job"]
    one = finding(
        "job numbers in several files",
        f"Job numbers stand in several files with another {' or '.join(others)}",
        sources=rows["source"][np.isin(own, twice) & ~blank],
        rows=len(twice),
        done='Each counts; if it is the same job, corrected, write same_job = ["job"]',
        severity="look",
    )
    return (one,)
