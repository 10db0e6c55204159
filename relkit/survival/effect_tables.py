"""Frames in and out: effect of a fix at a date, and whether the treated were chosen by their past.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pandas as pd

from relkit.survival.fix_effect import ratio_of_ratios, return_to_mean, split_at_ages
from relkit.survival.frame_codes import (
    By,
    as_names,
    life_columns,
    require_columns,
    stratum_codes,
)
from relkit.survival.repairs import repeat_failures
from relkit.survival.stratified_ratio import StratifiedRatio, stratified_ratio

__all__ = ["ages_on", "fix_effect", "treated_past"]

#: What a fix changes: the items fitted from the date on, or every item from the date on.
FixScope = Literal["items fitted since", "all items"]

_COLUMNS = (
    "part", "lives_before", "lives_after", "failures_before", "failures_after",
    "exposure_before", "exposure_after", "hazard_ratio", "hazard_ratio_lower",
    "hazard_ratio_upper", "p_value", "status", "finding",
)  # fmt: skip


def ages_on(
    lives: pd.DataFrame,
    date: str | pd.Timestamp,
    *,
    observed_from: str | pd.Timestamp | None = None,
) -> pd.Series[float]:
    """Age of each item on a date, on a straight line over its observed life.

    Parameters
    ----------
    lives : DataFrame
        Columns ``fitted_on``, ``ended_on``, ``age`` and where present ``entry``. [clock]
    date : str or Timestamp
        The date.
    observed_from : str or Timestamp, optional
        Date at which lives that enter late came under observation (at their ``entry``). Where
        left out, their line runs from age 0 on the date fitted.

    Returns
    -------
    Series
        ``age_at``, with the index of ``lives``: minus infinite where fitted later, infinite
        where ended by then. [clock]

    Raises
    ------
    ValueError
        A column is missing or holds no dates.

    Notes
    -----
    Exact on a calendar clock. On a counter, use that is uneven over the year moves the age of
    lives that span the date, not their failures: an approximation of the exposure only.
    """
    require_columns("lives", lives, ["fitted_on", "ended_on", "age"])
    at = pd.Timestamp(date)
    begin, end = pd.to_datetime(lives["fitted_on"]), pd.to_datetime(lives["ended_on"])
    age = lives["age"].to_numpy(np.float64)
    first = np.zeros(len(lives))
    fitted = begin.copy()
    if observed_from is not None and "entry" in lives.columns:
        entry = lives["entry"].to_numpy(np.float64)
        late = entry > 0
        first = np.where(late, entry, 0.0)
        seen = pd.Timestamp(observed_from)
        begin = begin.mask(late & (begin < seen).to_numpy(), seen)
    span = (end - begin).dt.total_seconds().to_numpy(np.float64)
    passed = (at - begin).dt.total_seconds().to_numpy(np.float64)
    share = np.clip(passed / np.where(span > 0, span, 1.0), 0.0, 1.0)
    ages = first + share * (age - first)
    ages = np.where((fitted >= at).to_numpy(), -np.inf, ages)
    ages = np.where((end <= at).to_numpy(), np.inf, ages)
    return pd.Series(ages, index=lives.index, name="age_at")


def fix_effect(
    lives: pd.DataFrame,
    date: str | pd.Timestamp,
    by: By = ("component", "location"),
    *,
    scope: FixScope = "all items",
    treated: str | None = None,
    age_at: str | None = None,
    observed_from: str | pd.Timestamp | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Failure rate after a date over that before it, at equal age, with controls where given.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed``, ``fitted_on``, ``ended_on``, and where present ``entry``
        and ``count``. A failure found at a check counts at the age it was found. [clock]
    date : str or Timestamp
        When the fix began to work.
    by : str or list of str, optional
        Columns within which before and after are compared.
    scope : {"all items", "items fitted since"}
        Whether the fix changed every item from the date on (lives that span the date are
        split: unfailed before, late entry after), or only items fitted from the date on.
    treated : str, optional
        Column of True (had the fix) and False (control); none: all had it.
    age_at : str, optional
        Column with the age of each item on the date, such as from meters; where left out,
        :func:`ages_on` is used.
    observed_from : str or Timestamp, optional
        As for :func:`ages_on`.
    confidence_level : float
        Of the two-sided limits; 1 less this is the level at which something is found. [1]

    Returns
    -------
    DataFrame
        A row for "treated" and, with controls, rows for "controls" and "treated over
        controls": ``part``, ``lives_before``, ``lives_after``, ``failures_before``,
        ``failures_after``, ``exposure_before``, ``exposure_after``, ``hazard_ratio`` with
        ``_lower`` and ``_upper`` (likelihood ratio; by errors of the logs in the last row),
        ``p_value``, ``status``, ``finding`` ("fewer failures", "more failures", "no effect
        shown", "not known").

    Raises
    ------
    ValueError
        A column is missing, an option is not among its choices, or a value is out of bounds.

    Notes
    -----
    See :func:`relkit.survival.stratified_ratio.stratified_ratio` for the model. Look at
    :func:`treated_past` before believing a fall where the worst vehicles were treated first.
    """
    if scope not in ("all items", "items fitted since"):
        raise ValueError(f'scope is "{scope}": must be "all items" or "items fitted since"')
    require_columns("lives", lives, [*as_names(by), *([treated] if treated else [])])
    spans = _periods(lives, date, scope, age_at, observed_from)
    strata, _ = stratum_codes(lives, by)
    spans = spans.assign(stratum=strata[spans["row"]])
    had = np.ones(len(spans), np.bool_)
    if treated is not None:
        had = lives[treated].astype(bool).to_numpy()[spans["row"]]
    own = _ratio(spans[had], confidence_level)
    rows = [_row("treated", own)]
    if treated is not None:
        controls = _ratio(spans[~had], confidence_level)
        rows.append(_row("controls", controls))
        both = ratio_of_ratios(own, controls)
        missing = dict.fromkeys(_COLUMNS[1:7], np.nan)
        status = "ok" if np.isfinite(both.ratio) else "nothing to compare"
        numbers = (both.ratio, both.lower, both.upper, both.p_value)
        rows.append(
            {"part": "treated over controls"}
            | missing
            | dict(zip(_COLUMNS[7:11], numbers, strict=True))
            | {"status": status, "finding": _finding(both.ratio, both.p_value, confidence_level)}
        )
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _periods(
    lives: pd.DataFrame,
    date: str | pd.Timestamp,
    scope: FixScope,
    age_at: str | None,
    observed_from: str | pd.Timestamp | None,
) -> pd.DataFrame:
    """Spans before and after the date, with the row of their life."""
    columns = life_columns(lives)
    entry = np.zeros(len(lives)) if columns.entry is None else columns.entry
    count = np.ones(len(lives)) if columns.count is None else columns.count
    if scope == "items fitted since":
        require_columns("lives", lives, ["fitted_on"])
        after = (pd.to_datetime(lives["fitted_on"]) >= pd.Timestamp(date)).to_numpy()
        at = np.where(after, -np.inf, np.inf)
    elif age_at is not None:
        require_columns("lives", lives, [age_at])
        at = lives[age_at].to_numpy(np.float64)
    else:
        at = ages_on(lives, date, observed_from=observed_from).to_numpy()
    split = split_at_ages(entry, columns.age, columns.failed, at)
    return pd.DataFrame(
        {
            "row": split.row,
            "entry": split.entry,
            "age": split.age,
            "failed": split.failed,
            "after": split.after,
            "count": count[split.row],
        }
    )


def _ratio(spans: pd.DataFrame, confidence_level: float) -> StratifiedRatio:
    return stratified_ratio(
        spans["age"],
        spans["failed"],
        spans["after"],
        entry=spans["entry"],
        count=spans["count"],
        stratum=spans["stratum"],
        confidence_level=confidence_level,
    )


def _row(part: str, ratio: StratifiedRatio) -> dict[str, Any]:
    numbers = (*ratio.lives, *ratio.failures, *ratio.exposure)
    row: dict[str, Any] = {"part": part} | dict(zip(_COLUMNS[1:7], numbers, strict=True))
    for name in ("hazard_ratio", "hazard_ratio_lower", "hazard_ratio_upper", "p_value", "status"):
        row[name] = getattr(ratio, name)
    row["finding"] = _finding(ratio.hazard_ratio, ratio.p_value, ratio.confidence_level)
    return row


def _finding(ratio: float, p_value: float, confidence_level: float) -> str:
    if np.isnan(p_value):
        return "not known"
    if p_value >= 1 - confidence_level:
        return "no effect shown"
    return "fewer failures" if ratio < 1 else "more failures"


def treated_past(
    lives: pd.DataFrame,
    date: str | pd.Timestamp,
    treated: str,
    system: By = "vehicle",
    by: By = ("component", "location"),
    *,
    age_at: str | None = None,
    observed_from: str | pd.Timestamp | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Whether the treated systems had the worse past, and the fall to expect without any fix.

    Parameters
    ----------
    lives, date, by, age_at, observed_from, confidence_level
        As for :func:`fix_effect`.
    treated : str
        Column of True and False, the same in all lives of a system.
    system : str or list of str
        Columns that name what was chosen for treatment.

    Returns
    -------
    DataFrame
        One row: ``failures_treated``, ``expected_treated``, ``failures_others``,
        ``expected_others`` (before the date, expected at equal age if all were alike),
        ``past_ratio`` with ``_lower`` and ``_upper``, ``p_value``, ``return_ratio`` (after over
        before that the treated would show with no fix at all), ``finding``: "chosen by a bad
        past" or "no sign of a choice by the past".

    Raises
    ------
    ValueError
        A column is missing, a value is out of bounds, or a system is both treated and not.

    Notes
    -----
    See :func:`relkit.survival.fix_effect.return_to_mean` for the method.
    """
    require_columns("lives", lives, [treated, *as_names(system), *as_names(by)])
    spans = _periods(lives, date, "all items", age_at, observed_from)
    past = spans[~spans["after"]]
    own = lives.iloc[past["row"].to_numpy()]
    codes, keys = stratum_codes(own, system)
    strata, _ = stratum_codes(own, by)
    had = own[treated].astype(bool).to_numpy()
    marked = np.bincount(codes, had, len(keys)) / np.maximum(np.bincount(codes), 1)
    if ((marked > 0) & (marked < 1)).any():
        row = int(np.flatnonzero((marked > 0) & (marked < 1))[0])
        name = ", ".join(map(str, keys.iloc[row]))
        raise ValueError(f"{treated} is both True and False for {name}: give one for each system")
    result = repeat_failures(
        past["age"],
        past["failed"],
        codes,
        entry=past["entry"],
        count=past["count"],
        stratum=strata,
        confidence_level=confidence_level,
    )
    found = return_to_mean(
        result.failures, result.expected, marked > 0, confidence_level=confidence_level
    )
    words = "chosen by a bad past" if found.chosen else "no sign of a choice by the past"
    return pd.DataFrame(
        {
            "failures_treated": [found.failures[1]],
            "expected_treated": [found.expected[1]],
            "failures_others": [found.failures[0]],
            "expected_others": [found.expected[0]],
            "past_ratio": [found.past_ratio],
            "past_ratio_lower": [found.lower],
            "past_ratio_upper": [found.upper],
            "p_value": [found.p_value],
            "return_ratio": [found.return_ratio],
            "finding": [words],
        }
    )
