"""Rows that are not used: each with its reason, the value at fault and the mend; none is lost.

Layer: logbook. Stages take a frame of rows, keep some, set the others aside and say so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.findings import Finding, finding

__all__ = [
    "COLUMNS",
    "Sifted",
    "in_turn",
    "set_aside_findings",
    "set_aside_frame",
    "sift",
    "with_columns",
]

#: Columns of the frame of rows set aside, in order.
COLUMNS = ("source", "kind", "reason", "column", "value", "mend", "original")

_STAGE_COLUMNS = ["source", "reason", "column", "value", "mend"]

#: A value longer than this is shortened where it is shown.
VALUE_LENGTH = 80


@dataclass(frozen=True, slots=True, eq=False)
class Sifted:
    """What one stage of reading made of its rows."""

    rows: pd.DataFrame  #: the rows kept; the index is the row's place in what was read
    set_aside: tuple[pd.DataFrame, ...] = ()  #: the rows not kept, on the same index
    findings: tuple[Finding, ...] = ()  #: what the stage noticed
    changes: tuple[pd.DataFrame, ...] = ()  #: lines of the change list


def sift(
    rows: pd.DataFrame,
    bad: NDArray[np.bool_] | pd.Series[bool],
    *,
    reason: str,
    column: str,
    value: pd.Series[str] | str = "",
    mend: pd.Series[str] | str = "",
) -> Sifted:
    """Rows without the bad ones, and the bad ones set aside.

    Parameters
    ----------
    rows : DataFrame
        With a column ``source``.
    bad : bool array, one per row
        Which rows cannot be used.
    reason : str
        Short name of the rule.
    column : str
        Our name of the column at fault.
    value, mend : str, or Series with one entry per row
        The value at fault, and the sentence that says what to do.
    """
    mask = np.asarray(bad, dtype=bool)
    if not mask.any():
        return Sifted(rows)
    chosen = rows.loc[mask]
    aside = pd.DataFrame({"source": chosen["source"], "reason": reason, "column": column})
    aside["value"] = value if isinstance(value, str) else value.loc[mask]
    aside["value"] = aside["value"].str.slice(0, VALUE_LENGTH)
    aside["mend"] = mend if isinstance(mend, str) else mend.loc[mask]
    return Sifted(rows.loc[~mask], (aside,))


def in_turn(rows: pd.DataFrame, stages: Sequence[Callable[[pd.DataFrame], Sifted]]) -> Sifted:
    """Pass the rows through the stages, each taking what the one before kept."""
    set_aside: list[pd.DataFrame] = []
    findings: list[Finding] = []
    changes: list[pd.DataFrame] = []
    for stage in stages:
        sifted = stage(rows)
        rows = sifted.rows
        set_aside.extend(sifted.set_aside)
        findings.extend(sifted.findings)
        changes.extend(sifted.changes)
    return Sifted(rows, tuple(set_aside), tuple(findings), tuple(changes))


def with_columns(rows: pd.DataFrame, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Rows with columns put in the place of their own, or added; no other column is copied."""
    old = {str(name): rows[name] for name in rows.columns}
    return pd.DataFrame({**old, **columns}, index=rows.index, copy=False)


def set_aside_frame(
    kind: str,
    pieces: Sequence[pd.DataFrame],
    texts: pd.DataFrame,
    called: dict[str, dict[str, str]],
) -> pd.DataFrame:
    """Frame of the rows of one kind that were set aside, in the order they were read.

    Parameters
    ----------
    kind : str
        log, register, readings or inspections.
    pieces : sequence of DataFrame
        What the stages set aside.
    texts : DataFrame
        Every row read, as text under our names, on the index of the pieces.
    called : dict
        File -> our name -> what the file calls the column.
    """
    if not pieces:
        return pd.DataFrame(columns=list(COLUMNS), dtype=object)
    aside = pd.concat([piece[_STAGE_COLUMNS] for piece in pieces]).sort_index(kind="stable")
    aside["kind"] = kind
    files = aside["source"].str.rsplit(":", n=1).str[0]
    aside["column"] = [
        called.get(file, {}).get(column, column)
        for file, column in zip(files, aside["column"], strict=True)
    ]
    aside["original"] = _original(texts.loc[aside.index])
    return aside[list(COLUMNS)].reset_index(drop=True)


def _original(texts: pd.DataFrame) -> list[str]:
    """Return the row's text as "name=value | ...", blanks left out."""
    columns = [name for name in texts.columns if name != "source"]
    lines: list[list[str]] = [[] for _ in range(len(texts))]
    for name in columns:
        shown = name.removeprefix("counter:")
        for line, value in zip(lines, texts[name].tolist(), strict=True):
            if isinstance(value, str) and value:
                line.append(f"{shown}={value}")
    return [" | ".join(line) for line in lines]


def set_aside_findings(aside: pd.DataFrame) -> tuple[Finding, ...]:
    """One finding for each kind of file and reason in a frame of rows set aside."""
    sentences = {
        "duplicate": "The same work or reading stands in another row",
        "not a job": "The row is a total, a footer or a repeated header, not a job",
        "superseded by a newer export": "A newer export has the job, with other rows",
        "not an entry": "The row is a total, a footer or a repeated header, not an entry",
    }
    return tuple(
        finding(
            str(reason),
            f"{sentences.get(str(reason), _sentence(str(reason)))} ({kind})",
            sources=group["source"],
            done="Set aside",
            severity="information" if reason in sentences else "look",
        )
        for (kind, reason), group in aside.groupby(["kind", "reason"], sort=True)
    )


def _sentence(reason: str) -> str:
    return f"The row cannot be used: {reason}"
