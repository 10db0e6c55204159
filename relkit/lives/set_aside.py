"""Rows set aside while lives are built, in the columns of the repair log's own.

Layer: lives. Small frames of plain words.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.set_aside import COLUMNS

__all__ = ["original_text", "rows_set_aside", "with_noun"]


def rows_set_aside(
    rows: pd.DataFrame,
    reason: str | NDArray[np.object_],
    *,
    kind: str,
    column: str = "",
    mend: str | NDArray[np.object_] = "",
) -> pd.DataFrame:
    """Rows of one kind as lines of the table of rows set aside.

    Parameters
    ----------
    rows : DataFrame
        With ``source`` and the mapped columns of its kind.
    reason, mend : str or array of str
        Why the rows are not used and what a person can do; one for all or one each.
    kind : str
        "log", "register", "readings" or "inspections".
    column : str
        The column at fault, whose value is shown.
    """
    value = _texts(rows[column]) if column else np.full(len(rows), "", dtype=object)
    columns = {
        "source": rows["source"].to_numpy(dtype=object),
        "kind": kind,
        "reason": reason,
        "column": column,
        "value": value,
        "mend": mend,
        "original": original_text(rows),
    }
    return pd.DataFrame(columns, columns=pd.Index(COLUMNS))


def original_text(rows: pd.DataFrame) -> NDArray[np.object_]:
    """Rows written out: ``name=value | name=value``, blanks and own columns left out."""
    text = np.full(len(rows), "", dtype=object)
    for name in rows.columns.difference(["source", "event", "date_is_day"], sort=False):
        value = _texts(rows[name])
        part = np.where(text == "", "", " | ").astype(object) + f"{name}=" + value
        text = np.where(value == "", text, text + part)
    return text


def with_noun(count: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun: ``1 row``, ``1,204 rows``.

    >>> with_noun(1, "row"), with_noun(1204, "row"), with_noun(0, "life", "lives")
    ('1 row', '1,204 rows', '0 lives')
    """
    return f"{count:,} {noun if count == 1 else plural or noun + 's'}"


def _texts(values: pd.Series) -> NDArray[np.object_]:
    """Values as text; what is missing becomes blank, whole numbers lose their point."""
    if pd.api.types.is_datetime64_any_dtype(values):
        form = "%Y-%m-%d" if (values == values.dt.normalize()).all() else "%Y-%m-%d %H:%M:%S"
        shown = values.dt.strftime(form).fillna("")
        return np.asarray(shown, dtype=object)
    missing = values.isna().to_numpy()
    if pd.api.types.is_float_dtype(values):
        shown = [f"{value:.10g}" for value in values.fillna(0.0)]
        return np.where(missing, "", np.array(shown, dtype=object))
    return np.where(missing, "", values.astype(str).to_numpy(dtype=object))
