"""Every row that was read and the one class in which it ended.

Layer: lives. Rows in = rows classed, checked here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.events import PositionEvents, reason_mends
from relkit.lives.histories import History
from relkit.lives.observed import ObservedLives
from relkit.lives.set_aside import rows_set_aside

if TYPE_CHECKING:
    from relkit.logbook.read import RepairLog

__all__ = ["COLUMNS", "job_classes", "job_rows_set_aside", "row_classes"]

COLUMNS = ("source", "kind", "row_class", "detail")

#: Classes of a row of the log, the strongest first.
_STRONGEST = (
    *("failure", "interval", "masked", "censored", "opens life", "recurrence", "merged"),
    "set aside",
)


def job_classes(
    jobs: pd.DataFrame,
    events: PositionEvents,
    reasons: NDArray[np.object_],
    history: History,
    observed: ObservedLives,
) -> pd.DataFrame:
    """Class of each job row: source, row_class, detail, reason (blank unless set aside).

    The row with the strongest finding carries the class of its event and the others are merged
    into it; of an event that lies outside what was observed, all rows are set aside.

    Parameters
    ----------
    jobs : DataFrame
        The repair log's ``jobs``.
    events : PositionEvents
        Their events.
    reasons : array by row
        Why a row is part of no event; blank where nothing speaks against it.
    history, observed
        What became of the events.
    """
    row = history.log_row
    usable = row >= 0
    event_reason = history.log_reason.copy()
    event_reason[usable] = observed.reason[row[usable]]
    event_class = np.append(observed.row_class, "set aside")[row]  # the last for row -1
    event_detail = np.append(observed.detail, "")[row]
    source = jobs["source"].to_numpy(dtype=object)
    row_class = np.full(len(jobs), "recurrence", dtype=object)
    detail = np.full(len(jobs), "no component named", dtype=object)
    reason = reasons.copy()
    used = np.flatnonzero(events.row_event >= 0)
    at = events.row_event[used]
    row_class[used], detail[used], reason[used] = (
        event_class[at],
        event_detail[at],
        event_reason[at],
    )
    leader = np.empty(len(event_class), dtype=object)
    leads = np.flatnonzero(events.row_leads)
    leader[events.row_event[leads]] = source[leads]
    folded = used[~events.row_leads[used] & (event_class[at] != "set aside")]
    row_class[folded], reason[folded] = "merged", ""
    detail[folded] = "into " + leader[events.row_event[folded]]
    aside = reason != ""
    row_class[aside], detail[aside] = "set aside", reason[aside]
    classes = pd.DataFrame(
        {"source": source, "row_class": row_class, "detail": detail, "reason": reason}
    )
    return _once(classes)


def _once(classes: pd.DataFrame) -> pd.DataFrame:
    """Classes of rows of which several were made, one for each position: the strongest stands."""
    if classes["source"].is_unique:
        return classes
    rank = classes["row_class"].map({name: place for place, name in enumerate(_STRONGEST)})
    order = np.lexsort((np.arange(len(classes)), rank))
    first = classes.iloc[order].drop_duplicates("source")
    return classes.drop(columns=["row_class", "detail", "reason"]).merge(first, on="source")


def job_rows_set_aside(jobs: pd.DataFrame, classes: pd.DataFrame) -> pd.DataFrame:
    """Job rows that were set aside while lives were built, from their classes."""
    aside = (classes["reason"] != "").to_numpy() & ~classes["source"].duplicated().to_numpy()
    reason = classes.loc[aside, "reason"].to_numpy(dtype=object)
    return rows_set_aside(jobs[aside], reason, kind="log", mend=reason_mends(reason))


def row_classes(
    log: RepairLog, jobs: pd.DataFrame, corrected: pd.Series, register_set_aside: pd.DataFrame
) -> pd.DataFrame:
    """Class of every row of every kind that was read.

    Parameters
    ----------
    log : RepairLog
        The log as read.
    jobs : DataFrame
        From :func:`job_classes`.
    corrected : Series of str
        By source: what was corrected about a meter reading.
    register_set_aside : DataFrame
        Rows of the register set aside while lives were built.

    Raises
    ------
    RuntimeError
        A row has two classes or none: an error of this program, not of the data.
    """
    before = log.set_aside[["source", "kind"]].assign(
        row_class="set aside", detail=log.set_aside["reason"]
    )
    parts = [
        jobs[["source", "row_class", "detail"]].drop_duplicates("source").assign(kind="log"),
        _kind_rows(log.fitments["source"], "register", "register", before, register_set_aside),
        _reading_rows(log, before, corrected),
        _kind_rows(log.inspections["source"], "inspections", "inspection", before),
        before,
    ]
    classes = pd.concat(parts, ignore_index=True)[list(COLUMNS)]
    of_log = classes.loc[classes["kind"] == "log", "source"]
    twice = log.jobs.duplicated(["source", "component", "location"])  # one row may hold several
    expected = (
        log.jobs["source"].nunique()
        + int(twice.sum())
        + int((log.set_aside["kind"] == "log").sum())
    )
    if len(of_log) != expected or of_log.duplicated().any():
        raise RuntimeError(
            f"{expected} rows of the log were read and {of_log.nunique()} have one class"
        )
    return classes


def _kind_rows(
    sources: pd.Series,
    kind: str,
    row_class: str,
    before: pd.DataFrame,
    set_aside: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One line per row of a kind; a row that gives several entries counts once."""
    known = before.loc[before["kind"] == kind, "source"]
    unique = sources.drop_duplicates()
    rows = pd.DataFrame({"source": unique[~unique.isin(known)]})
    rows = rows.assign(kind=kind, row_class=row_class, detail="")
    if set_aside is None or set_aside.empty:
        return rows
    left = sources.value_counts().sub(set_aside["source"].value_counts(), fill_value=0)
    gone = rows["source"].isin(left.index[left <= 0]).to_numpy()
    reason = set_aside.drop_duplicates("source").set_index("source")["reason"]
    rows.loc[gone, "detail"] = reason.reindex(rows.loc[gone, "source"]).to_numpy()
    rows.loc[gone, "row_class"] = "set aside"
    return rows


def _reading_rows(log: RepairLog, before: pd.DataFrame, corrected: pd.Series) -> pd.DataFrame:
    """Rows of the readings' own files; readings that came with a job are the job's row."""
    sources = log.readings["source"].drop_duplicates()
    from_jobs = sources.isin(log.jobs["source"])
    files = log.files.groupby("file")["kind"].agg(set)
    both = {name for name, kinds in files.items() if {"log", "readings"} <= kinds}
    if both:  # a file read as log and as readings: its rows are rows of both kinds
        own = sources[from_jobs].str.rsplit(":", n=1).str[0].isin(both)
        from_jobs &= ~own.reindex(sources.index, fill_value=False)
    sources = sources[~from_jobs]
    rows = _kind_rows(sources, "readings", "reading", before)
    return rows.assign(detail=rows["source"].map(corrected).fillna(""))
