"""Columns of lives as checked arrays, and strata as codes, for the doors of this layer.

Layer: survival (door). pandas and numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.survival.observed import ObservedLives, observed_lives

__all__ = [
    "By",
    "LifeColumns",
    "as_names",
    "life_columns",
    "lives_of_strata",
    "require_columns",
    "stratum_codes",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: One column, several, or none (everything is one stratum).
By = str | Sequence[str] | None


@dataclass(frozen=True, slots=True, eq=False)
class LifeColumns:
    """Columns of a frame of lives as arrays; optional ones are None where missing."""

    age: Floats
    failed: NDArray[np.bool_]
    age_lower: Floats  #: equal to age where the column is missing or blank
    entry: Floats | None
    count: Floats | None


def as_names(by: By) -> list[str]:
    """Return the columns that ``by`` names, as a list."""
    if by is None:
        return []
    return [by] if isinstance(by, str) else list(by)


def require_columns(name: str, frame: pd.DataFrame, columns: Sequence[str]) -> None:
    """Check that the frame has the columns.

    Raises
    ------
    ValueError
        A column is missing: the message names it, the frame, and the columns there are.
    """
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise ValueError(
            f"{name} has no column {', '.join(missing)}: it has "
            f"{', '.join(map(str, frame.columns))}"
        )


def stratum_codes(frame: pd.DataFrame, by: By) -> tuple[Ints, pd.DataFrame]:
    """Code of the stratum of each row, and the key columns of each stratum in order of code.

    A blank in a key column is a stratum of its own.
    """
    names = as_names(by)
    if not names:
        return np.zeros(len(frame), np.int64), pd.DataFrame(index=range(1))
    codes = frame.groupby(names, sort=True, dropna=False, observed=True).ngroup().to_numpy()
    first = np.zeros(codes.max(initial=-1) + 1, dtype=np.int64)
    first[codes[::-1]] = np.arange(len(codes))[::-1]  # written last: the first row of each code
    return codes.astype(np.int64), frame[names].iloc[first].reset_index(drop=True)


def life_columns(lives: pd.DataFrame) -> LifeColumns:
    """Columns ``age``, ``failed`` and, when present, ``age_lower``, ``entry`` and ``count``.

    Raises
    ------
    ValueError
        ``age`` or ``failed`` is missing, a value is not a number, or ``failed`` is neither
        true nor false: the column, the first row (from 0) and the value are named.
    """
    require_columns("lives", lives, ["age", "failed"])
    age = _numbers(lives, "age")
    lower = _numbers(lives, "age_lower") if "age_lower" in lives.columns else age
    return LifeColumns(
        age=age,
        failed=_truths(lives["failed"]),
        age_lower=np.where(np.isnan(lower), age, lower),
        entry=_numbers(lives, "entry") if "entry" in lives.columns else None,
        count=_numbers(lives, "count") if "count" in lives.columns else None,
    )


def lives_of_strata(lives: pd.DataFrame, by: By) -> tuple[ObservedLives, pd.DataFrame]:
    """Lives as checked arrays, and the key columns of each stratum.

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds: row and value are named.
    """
    require_columns("lives", lives, as_names(by))
    columns = life_columns(lives)
    codes, keys = stratum_codes(lives, by)
    shares = None
    if "failure_share" in lives.columns:
        shares = lives["failure_share"].fillna(0.0).to_numpy(np.float64)
    plain = isinstance(lives.index, pd.RangeIndex)
    observed = observed_lives(
        codes,
        columns.age,
        columns.failed,
        entry=columns.entry,
        age_lower=columns.age_lower,
        count=columns.count,
        failure_share=shares,
        n_strata=len(keys),
        row_names=None if plain else lives.index.to_numpy(object),
    )
    return observed, keys


def _numbers(frame: pd.DataFrame, column: str) -> Floats:
    values = pd.to_numeric(frame[column], errors="coerce").to_numpy(np.float64, na_value=np.nan)
    text = np.flatnonzero(np.isnan(values) & frame[column].notna().to_numpy())
    if len(text):
        value = frame[column].iloc[int(text[0])]
        raise ValueError(f"{column} in row {int(text[0])} is {value!r}: give a number")
    return values


def _truths(column: pd.Series[Any]) -> NDArray[np.bool_]:
    good = column.isin([True, False]).to_numpy()
    if not good.all():
        row = int(np.flatnonzero(~good)[0])
        raise ValueError(f"failed in row {row} is {column.iloc[row]!r}: give True or False")
    return column.astype(bool).to_numpy()
