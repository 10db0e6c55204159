"""What reading gives for one kind of table, with the account of its rows.

Layer: logbook. Rows read = rows kept + rows set aside, or it is a fault of this program.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_datetime64_any_dtype, is_numeric_dtype

from relkit.logbook.changes import change_lines, joined_changes
from relkit.logbook.findings import Finding
from relkit.logbook.kind_texts import SourceTexts
from relkit.logbook.set_aside import Sifted, set_aside_findings, set_aside_frame

__all__ = ["KindRead", "accounted", "joined"]


@dataclass(frozen=True, slots=True, eq=False)
class KindRead:
    """Rows of one kind."""

    rows: pd.DataFrame  #: the rows kept, typed; the index is the row's place in what was read
    set_aside: pd.DataFrame
    findings: tuple[Finding, ...]
    files: pd.DataFrame
    given: frozenset[str]  #: our columns that at least one source gives
    changes: pd.DataFrame  #: lines of the change list


def joined(pieces: Iterable[Sifted]) -> Sifted:
    """Return the sources of one kind as one frame; what a source lacks is blank or NaN in it."""
    sifted = list(pieces)
    rows = sifted[0].rows
    if len(sifted) > 1:
        rows = pd.concat([piece.rows for piece in sifted if len(piece.rows)] or [rows])
        texts = [name for name in rows.columns if not _is_typed(rows[name])]
        rows[texts] = rows[texts].fillna("")
    set_aside = tuple(aside for piece in sifted for aside in piece.set_aside)
    findings = tuple(one for piece in sifted for one in piece.findings)
    changes = tuple(lines for piece in sifted for lines in piece.changes)
    return Sifted(rows, set_aside, findings, changes)


def _is_typed(column: pd.Series[Any]) -> bool:
    kind = column.dtype
    return is_numeric_dtype(kind) or is_bool_dtype(kind) or is_datetime64_any_dtype(kind)


def _as_in_files(read: tuple[SourceTexts, ...]) -> pd.DataFrame:
    """Texts of all rows as the files have them, without the corrections of a person."""
    texts = pd.concat([one.texts for one in read])
    for one in read:
        for name, lines in one.corrected.groupby("ours"):
            texts.loc[lines.index, str(name)] = lines["old"]
    return texts


def _corrected_by_hand(read: tuple[SourceTexts, ...]) -> list[pd.DataFrame]:
    """Cells that a person corrected, as lines of the change list."""
    lines = []
    for one in read:
        source = one.texts["source"].reindex(one.corrected.index)
        cells = (one.corrected[name] for name in ("ours", "old", "new"))
        lines.append(change_lines("corrected by a person", source, *cells))
    return lines


def accounted(kind: str, read: tuple[SourceTexts, ...], sifted: Sifted) -> KindRead:
    """Return the rows of a kind, after checking that each row read is kept or set aside, once.

    Raises
    ------
    RuntimeError
        A row was lost or counted twice: a fault of this program.
    """
    index = np.concatenate([one.texts.index.to_numpy() for one in read])
    aside = [piece.index.to_numpy() for piece in sifted.set_aside]
    kept = sifted.rows.index.unique().to_numpy()  # an expanded row counts once
    found = np.sort(np.concatenate([kept, *aside]))
    if len(found) != len(index) or not np.array_equal(found, np.sort(index)):
        raise RuntimeError(
            f"{kind}: {len(index)} rows were read, but {len(kept)} kept and "
            f"{sum(map(len, aside))} set aside: please report this"
        )
    texts = _as_in_files(read)
    called = {file: columns for one in read for file, columns in one.called.items()}
    frame = set_aside_frame(kind, sifted.set_aside, texts, called)
    return KindRead(
        rows=sifted.rows,
        set_aside=frame,
        findings=(*sifted.findings, *set_aside_findings(frame)),
        files=pd.concat([one.files for one in read], ignore_index=True),
        given=frozenset(name for one in read for name in one.texts.columns),
        changes=joined_changes([*_corrected_by_hand(read), *sifted.changes]),
    )
