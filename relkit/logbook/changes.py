"""The change list: what a rule changed, at which row and column, from what to what.

Layer: logbook. Files are never changed; the list tells how their cells were read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
import pandas as pd

from relkit.logbook.findings import Finding
from relkit.logbook.set_aside import Sifted

__all__ = ["COLUMNS", "Stage", "change_lines", "in_turn_noting", "joined_changes", "noted"]

#: Columns of the change list, in order.
COLUMNS = ("rule", "source", "column", "old", "new")

Stage = Callable[[pd.DataFrame], Sifted]


def change_lines(
    rule: str,
    source: Iterable[str],
    column: str | Iterable[str],
    old: Iterable[str],
    new: Iterable[str],
) -> pd.DataFrame:
    """Lines of the change list: one per source, old and new value.

    Parameters
    ----------
    rule : str
        Short name of the rule, as in the findings.
    source : iterable of str
        "FILE:ROW" of each line.
    column : str or iterable of str
        The column that changed, one for all lines or one each.
    old, new : iterable of str
        Before and after; "" is a blank.
    """
    sources = np.asarray(list(source), dtype=object)
    columns = {
        "source": sources,
        "column": column if isinstance(column, str) else np.asarray(list(column), dtype=object),
        "old": np.asarray(list(old), dtype=object),
        "new": np.asarray(list(new), dtype=object),
    }
    table = pd.DataFrame(columns, index=pd.RangeIndex(len(sources)))
    table.insert(0, "rule", rule)
    return table[list(COLUMNS)].astype(object)


def noted(before: pd.DataFrame, after: pd.DataFrame, rule: str) -> list[pd.DataFrame]:
    """Return a line for each text of the kept rows that a stage changed.

    Parameters
    ----------
    before, after : DataFrame
        Rows before and after the stage, on one index; rows may have been taken out.
    rule : str
        Name of the rule.
    """
    lines = []
    same_rows = len(before) == len(after)
    for name in after.columns:
        if name in ("source", "event") or name not in before:
            continue
        new, old = after[name], before[name]
        if new is old or not _is_text(new) or not _is_text(old):
            continue
        if not same_rows:
            if not before.index.is_unique:
                continue
            old = old.loc[after.index]
        first, second = old.to_numpy(), new.to_numpy()
        at = np.flatnonzero(first != second)
        if len(at):
            source = after["source"].to_numpy()[at]
            lines.append(change_lines(rule, source, str(name), first[at], second[at]))
    return lines


def _is_text(column: pd.Series[str]) -> bool:
    return column.dtype == object


def joined_changes(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return the lines of several rules below each other."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return change_lines("", (), "", (), ())
    return pd.concat(filled, ignore_index=True)[list(COLUMNS)]


def in_turn_noting(rows: pd.DataFrame, stages: Sequence[tuple[str, Stage]]) -> Sifted:
    """Pass rows through stages, each named by its rule; what a stage changed is noted."""
    set_aside: list[pd.DataFrame] = []
    findings: list[Finding] = []
    lines: list[pd.DataFrame] = []
    for rule, stage in stages:
        sifted = stage(rows)
        if sifted.rows is not rows:
            lines.extend(noted(rows, sifted.rows, rule))
        rows = sifted.rows
        set_aside.extend(sifted.set_aside)
        findings.extend(sifted.findings)
        lines.extend(sifted.changes)
    return Sifted(rows, tuple(set_aside), tuple(findings), tuple(lines))
