"""Frames in and out: lives cut into spans where covariates such as the season change.

Layer: survival (door). pandas and numpy.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.survival.frame_codes import By, as_names, require_columns, stratum_codes
from relkit.survival.risk_sets import blocks

__all__ = ["split_at_changes"]

Ints = NDArray[np.int64]


def split_at_changes(lives: pd.DataFrame, changes: pd.DataFrame, on: By = None) -> pd.DataFrame:
    """Lives cut at the dates at which covariates change, one row for each span.

    From each date on, the covariates have the values of its row, until the next date. Ages
    between the dates of a life are taken as growing evenly with the calendar.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed``, ``fitted_on`` and ``ended_on`` (dates), and ``entry``
        where present.
    changes : DataFrame
        Column ``date``, the columns of ``on``, and one for each covariate, such as ``month``
        or ``washes``.
    on : str or sequence of str, optional
        Columns in both frames that say for which lives a change holds, such as the vehicle;
        none: for all.

    Returns
    -------
    DataFrame
        Columns of ``lives`` and the covariates. ``entry`` and ``age`` are those of the span;
        ``failed`` is False but for the last span of a life that failed. ``life`` is the label of
        the life in ``lives``. Before the first change a covariate is blank.

    Raises
    ------
    ValueError
        A column is missing, a date is blank, a life ends before it begins, or two changes
        share one date.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [100.0], "failed": [True],
    ...                       "fitted_on": ["2024-01-01"], "ended_on": ["2024-04-10"]})
    >>> seasons = pd.DataFrame({"date": ["2023-12-01", "2024-03-01"],
    ...                         "season": ["winter", "spring"]})
    >>> split_at_changes(lives, seasons)[["entry", "age", "failed", "season"]].values.tolist()
    [[0.0, 60.0, False, 'winter'], [60.0, 100.0, True, 'spring']]
    """
    keys = as_names(on)
    require_columns("lives", lives, ["age", "failed", "fitted_on", "ended_on", *keys])
    require_columns("changes", changes, ["date", *keys])
    begun, ended = _nanoseconds(lives, "fitted_on"), _nanoseconds(lives, "ended_on")
    backwards = np.flatnonzero(ended < begun)
    if len(backwards):
        raise ValueError(
            f"ended_on in row {backwards[0]} is before fitted_on ({len(backwards)} rows are): "
            "a life cannot end before it begins"
        )
    age = lives["age"].to_numpy(np.float64)
    entry = lives["entry"].to_numpy(np.float64) if "entry" in lives.columns else np.zeros(len(age))
    date = _nanoseconds(changes, "date")
    both = pd.concat([lives[keys], changes[keys]], ignore_index=True)
    code, _ = stratum_codes(both, keys)
    own, of_change = code[: len(lives)], code[len(lives) :]
    order = np.lexsort((date, of_change))
    date, of_change = date[order], of_change[order]
    _require_distinct(date, of_change)
    # date at which observation began, as the age grows evenly
    share = np.divide(entry, age, out=np.zeros(len(age)), where=age > 0)
    seen = begun + np.rint(share * (ended - begun)).astype(np.int64)
    ranks = np.unique(np.concatenate([date, seen, ended]), return_inverse=True)[1]
    width = int(ranks.max(initial=0)) + 1
    change_key = of_change * width + ranks[: len(date)]
    from_key = own * width + ranks[len(date) : len(date) + len(age)]
    to_key = own * width + ranks[len(date) + len(age) :]
    # changes after the beginning and before the end cut the life
    first = np.searchsorted(change_key, from_key, side="right")
    past = np.maximum(np.searchsorted(change_key, to_key, side="left"), first)
    row = np.repeat(np.arange(len(age)), past - first + 1)
    change = blocks(first - 1, past - first + 1)  # the one that holds from the span's start on
    known = (change >= 0) & (change < len(date))
    known &= (
        np.where(known, of_change[np.clip(change, 0, None) % max(1, len(date))], -1) == own[row]
    )
    return _spans(
        lives, changes.iloc[order], keys, row, np.where(known, change, -1), (begun, ended, date)
    )


def _spans(
    lives: pd.DataFrame,
    changes: pd.DataFrame,
    keys: list[str],
    row: Ints,
    change: Ints,
    dates: tuple[Ints, Ints, Ints],
) -> pd.DataFrame:
    begun, ended, date = dates
    table = lives.iloc[row].reset_index(drop=True)
    age = table["age"].to_numpy(np.float64)
    opens = np.append(True, row[1:] != row[:-1])[: len(row)]
    closes = np.append(row[1:] != row[:-1], True)[: len(row)]
    start = begun[row]
    length = np.maximum(ended[row] - start, 1)
    at_change = np.where(change >= 0, date[change] if len(date) else 0, 0)
    reached = age * np.clip((at_change - start) / length, 0.0, 1.0)
    entry = table["entry"].to_numpy(np.float64) if "entry" in table else np.zeros(len(age))
    begins = np.where(opens, entry, reached)
    ends = np.where(closes, age, np.append(begins[1:], 0.0)[: len(age)])
    failed = table["failed"].to_numpy(bool) & closes
    values = changes.drop(columns=["date", *keys]).reset_index(drop=True)
    held = values.reindex(np.where(change >= 0, change, -1)).reset_index(drop=True)
    changed = {"entry": begins, "age": ends, "failed": failed, "life": lives.index.to_numpy()[row]}
    return pd.concat([table.assign(**changed), held], axis=1)


def _nanoseconds(frame: pd.DataFrame, column: str) -> Ints:
    dates = pd.to_datetime(frame[column])
    blank = np.flatnonzero(dates.isna())
    if len(blank):
        raise ValueError(f"{column} in row {blank[0]} is blank ({len(blank)} are): give a date")
    return dates.to_numpy().astype("datetime64[ns]").astype(np.int64)


def _require_distinct(date: Ints, code: Ints) -> None:
    twice = np.flatnonzero((date[1:] == date[:-1]) & (code[1:] == code[:-1]))
    if len(twice):
        day = np.datetime64(int(date[twice[0]]), "ns").astype("datetime64[s]")
        raise ValueError(f"two changes have the date {day} ({len(twice)} dates are given twice)")
