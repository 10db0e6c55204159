"""Findings: what was noticed in the data, how many rows, where, and what was done about it.

Layer: logbook. A finding is a plain sentence for a person; the frame joins those of one kind.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

__all__ = ["COLUMNS", "Finding", "Severity", "finding", "findings_frame"]

#: How much a finding asks of a person: nothing, a look, or it limits what can be answered.
Severity = Literal["information", "look", "limits"]

#: Columns of the findings frame, in order.
COLUMNS = ("rule", "what", "rows", "where", "done", "severity")

#: How many places a finding names before it says how many more there are.
PLACES_SHOWN = 12

_RANK = {"limits": 0, "look": 1, "information": 2}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed in the data."""

    rule: str  #: short name of the check
    what: str  #: what was noticed, a plain sentence
    rows: int  #: how many rows (or files, or columns) it concerns
    sources: tuple[str, ...]  #: the first places, "FILE:ROW" or "FILE"
    places: int  #: how many places there are
    done: str  #: what was done about it
    severity: Severity


def finding(
    rule: str,
    what: str,
    *,
    sources: Iterable[str],
    done: str,
    severity: Severity = "information",
    rows: int | None = None,
) -> Finding:
    """One finding; ``rows`` defaults to the number of sources.

    Parameters
    ----------
    rule : str
        Short name of the check.
    what, done : str
        Plain sentences: what was noticed, and what was done about it.
    sources : iterable of str
        The places, "FILE:ROW" or "FILE"; only the first ones are kept.
    severity : {"information", "look", "limits"}
        What it asks of a person.
    rows : int, optional
        How many rows it concerns, where that is not the number of sources.
    """
    places = list(sources)
    count = len(places) if rows is None else rows
    return Finding(rule, what, count, tuple(places[:PLACES_SHOWN]), len(places), done, severity)


def findings_frame(findings: Sequence[Finding]) -> pd.DataFrame:
    """Frame of findings; those that differ only in their places are one row.

    Sorted by severity (what limits the answers first), then by the number of rows.
    """
    joined: dict[tuple[str, str, str, Severity], Finding] = {}
    for one in findings:
        key = (one.rule, one.what, one.done, one.severity)
        held = joined.get(key)
        if held is not None:
            one = replace(
                one,
                rows=held.rows + one.rows,
                sources=(*held.sources, *one.sources)[:PLACES_SHOWN],
                places=held.places + one.places,
            )
        joined[key] = one
    rows = [
        (one.rule, one.what, one.rows, _where(one), one.done, one.severity)
        for one in sorted(joined.values(), key=lambda one: (_RANK[one.severity], -one.rows))
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype({"rows": "int64"})


def _where(one: Finding) -> str:
    shown = ", ".join(one.sources)
    more = one.places - len(one.sources)
    return f"{shown} and {more:,} more" if more else shown
