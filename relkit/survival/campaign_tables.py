"""Frames in and out: campaigns and retrofits among removals, and faults that pull others down.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import pdtrc

from relkit.checks import generator, share
from relkit.survival.campaigns import EventWindow, densest_window
from relkit.survival.frame_codes import By, as_names, require_columns, stratum_codes
from relkit.survival.subgroups import benjamini_hochberg

__all__ = ["campaign_screen", "common_cause_screen"]

_REMOVED = "removed unfailed"
_FAILED = ("failure", "failure found at check")
_EPOCH = pd.Timestamp("1970-01-01")
_DAY = pd.Timedelta(days=1)


def campaign_screen(
    lives: pd.DataFrame,
    kind: str = "component",
    *,
    longest: float = 184.0,
    fewest_removals: int = 5,
    confidence_level: float = 0.95,
    rng: np.random.Generator | int = 0,
    samples: int = 999,
) -> pd.DataFrame:
    """Unfailed removals crowded in one window, by kind of item: campaigns and retrofits.

    Parameters
    ----------
    lives : DataFrame
        Columns ``vehicle``, ``location``, the kind, ``fitted_on``, ``ended_on``, ``entry`` and
        ``ended_by``.
    kind : str
        Column with the kind of item; the words before its first comma tell the component.
    longest : float
        Longest window that counts as one campaign, above 0. [d]
    fewest_removals : int
        Kinds with fewer removals are listed but not tested.
    confidence_level : float
        1 less this is the level at which something is found. [1]
    rng, samples
        As for :func:`relkit.survival.campaigns.densest_window`.

    Returns
    -------
    DataFrame
        Per kind with removals, by adjusted p-value: the kind, ``removals`` (all; several on
        one vehicle and day count once), ``first_on``, ``last_on``, ``in_window``, ``expected``
        (in the window, if spread over the time in service), ``p_value``,
        ``p_value_adjusted`` (Benjamini and Hochberg), ``replaced_by`` (kind fitted most often
        in place of those removed in the window; "" if none is known), ``finding``:
        "retrofit" (another kind of the component came in), "campaign", "nothing found", "not
        tested".

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    Lives that enter late count as in service from the first day on which any life ended or
    began under observation. Where two like items share a position, what replaced which is a
    guess.
    """
    needed = ["vehicle", "location", kind, "fitted_on", "ended_on", "entry", "ended_by"]
    require_columns("lives", lives, needed)
    share("confidence_level", confidence_level)
    source = generator(rng)
    start, end = _in_service(lives)
    followed = _followers(lives, kind)
    removed = lives["ended_by"].eq(_REMOVED)
    rows: list[dict[str, Any]] = []
    for name in sorted(lives.loc[removed, kind].unique()):
        own = lives[kind].eq(name)
        events = lives.loc[own & removed, ["vehicle", "ended_on"]]
        day: pd.Series[Any] = (events["ended_on"] - _EPOCH) // _DAY
        once = day.groupby([events["vehicle"], day]).first().to_numpy(np.float64)
        found = EventWindow(np.nan, np.nan, 0, np.nan, len(once), np.nan)
        if len(once) >= max(fewest_removals, 2):
            found = densest_window(
                once, start[own], end[own], longest=longest, rng=source, samples=samples
            )
        inside = day.between(found.first_day, found.last_day)
        new = followed[events.index[inside]]
        rows.append(_campaign_row(kind, str(name), found, new[new.ne("")]))
    names = [
        kind, "removals", "first_on", "last_on", "in_window", "expected", "p_value", "replaced_by",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=names)
    adjusted = benjamini_hochberg(table["p_value"].to_numpy(np.float64))
    table.insert(7, "p_value_adjusted", adjusted)
    sure = adjusted < 1 - confidence_level
    other = table["replaced_by"].ne("") & table["replaced_by"].ne(table[kind])
    words = np.where(sure, np.where(other, "retrofit", "campaign"), "nothing found")
    words = np.where(np.isnan(adjusted), "not tested", words)
    table = table.assign(finding=words.astype(object))
    return table.sort_values("p_value_adjusted", kind="stable", ignore_index=True)


def _campaign_row(kind: str, name: str, found: EventWindow, new: pd.Series[Any]) -> dict[str, Any]:
    return {
        kind: name,
        "removals": found.total,
        "first_on": _EPOCH + pd.to_timedelta(found.first_day, unit="D"),
        "last_on": _EPOCH + pd.to_timedelta(found.last_day, unit="D"),
        "in_window": found.events,
        "expected": found.expected,
        "p_value": found.p_value,
        "replaced_by": str(new.mode().iloc[0]) if len(new) else "",
    }


def _in_service(lives: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """First and last day of each life's time under observation."""
    begin = ((lives["fitted_on"] - _EPOCH) / _DAY).to_numpy(np.float64)
    end = ((lives["ended_on"] - _EPOCH) / _DAY).to_numpy(np.float64)
    late = lives["entry"].to_numpy(np.float64) > 0
    opened = min(end.min(initial=np.inf), begin[~late].min(initial=np.inf))
    begin = np.where(late, np.maximum(begin, opened), begin)
    return np.minimum(begin, end), end


def _followers(lives: pd.DataFrame, kind: str) -> pd.Series[Any]:
    """Kind of the item fitted next at the same position; blank where none was."""
    base = lives[kind].astype(str).str.split(",").str[0].str.strip().rename("base")
    places = [lives["vehicle"], base, lives["location"]]
    ordered = lives.assign(base=base).sort_values(["fitted_on", "ended_on"], kind="stable")
    keys = [place.loc[ordered.index] for place in places]
    following = ordered[kind].astype(object).groupby(keys).shift(-1)
    filled: pd.Series[Any] = following.fillna("").reindex(lives.index)
    return filled


def common_cause_screen(
    jobs: pd.DataFrame, lives: pd.DataFrame, by: By = "component", *, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Kinds of item whose failures are told at other places of the vehicle too.

    A failure is accompanied where a row of the same vehicle, day and finding tells of another
    place at which no item was changed: that fault went away with the item that failed, as when
    a shorted cable takes several views down. How many would be by chance follows from how
    often rows of that finding without a change occur per vehicle and day.

    Parameters
    ----------
    jobs : DataFrame
        Columns ``source``, ``vehicle``, ``date``, ``location``, ``finding``.
    lives : DataFrame
        Columns ``vehicle``, ``location``, ``fitted_on``, ``ended_on``, ``ended_by``,
        ``opened_by``, ``closed_by`` (sources joined by "; ") and those of ``by``.
    by : str or list of str
        Columns that make the kinds.
    confidence_level : float
        1 less this is the level at which something is found. [1]

    Returns
    -------
    DataFrame
        Per kind, by adjusted p-value: the columns of ``by``, ``failures``, ``accompanied``,
        ``expected`` (by chance), ``p_value`` (of so many or more, Poisson law),
        ``p_value_adjusted`` (Benjamini and Hochberg), ``where`` (sources of up to 12 rows that
        closed them), ``finding`` ("pulls others down", "nothing found").

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    Only structured columns are read; a common cause told in notes alone is not seen. Where a
    workshop writes one finding at every place it looked at, that is found as well. An item that
    was changed without a life of its own before (its start is unknown) counts among the
    failures too: its row tells as much.
    """
    require_columns("jobs", jobs, ["source", "vehicle", "date", "location", "finding"])
    ends = [
        "vehicle", "location", "fitted_on", "ended_on", "ended_by", "opened_by", "closed_by",
    ]  # fmt: skip
    require_columns("lives", lives, [*ends, *as_names(by)])
    share("confidence_level", confidence_level)
    failed = _changed_after_failure(jobs, lives)
    told = jobs.assign(day=jobs["date"].dt.normalize())
    words = told.drop_duplicates("source").set_index("source")["finding"]
    first = failed["closed_by"].str.split("; ").str[0]
    failed = failed.assign(
        day=failed["ended_on"].dt.normalize(), word=first.map(words).fillna("").astype(str)
    )
    used = pd.concat([lives["opened_by"], lives["closed_by"]]).str.split("; ").explode()
    free = told.loc[~told["source"].isin(used), ["vehicle", "day", "location", "finding"]]
    accompanied = _accompanied(failed, free.drop_duplicates())
    days = max((told["day"].max() - told["day"].min()) / _DAY + 1, 1) if len(told) else 1
    rate = free.groupby("finding").size() / (days * max(told["vehicle"].nunique(), 1))
    chance = -np.expm1(-failed["word"].map(rate).fillna(0.0).to_numpy(np.float64))
    codes, keys = stratum_codes(failed, by)
    size = len(keys) if len(failed) else 0
    hits = np.bincount(codes, accompanied, size)
    expected = np.bincount(codes, chance, size)
    tail = pdtrc(np.maximum(hits - 1, 0.0), np.maximum(expected, 1e-300))
    p_value = np.where(hits > 0, tail, 1.0)
    adjusted = benjamini_hochberg(p_value)
    where = [
        ", ".join(failed["closed_by"][accompanied & (codes == code)].head(12))
        for code in range(size)
    ]
    found = np.where(adjusted < 1 - confidence_level, "pulls others down", "nothing found")
    table = keys.iloc[:size].assign(
        failures=np.bincount(codes, minlength=size),
        accompanied=hits.astype(np.int64),
        expected=expected,
        p_value=p_value,
        p_value_adjusted=adjusted,
        where=where,
        finding=found.astype(object),
    )
    return table.sort_values("p_value_adjusted", kind="stable", ignore_index=True)


def _changed_after_failure(jobs: pd.DataFrame, lives: pd.DataFrame) -> pd.DataFrame:
    """Failed lives, and rows of jobs that opened a life where no earlier one is known."""
    failed = lives[lives["ended_by"].isin(_FAILED)]
    first = lives["opened_by"].str.split("; ").str[0]
    closing = lives["closed_by"].str.split("; ").explode()
    opened = lives[first.isin(jobs["source"]) & ~first.isin(closing)]
    begun = opened.assign(closed_by=first[opened.index], ended_on=opened["fitted_on"])
    return pd.concat([failed, begun], ignore_index=True)


def _accompanied(failed: pd.DataFrame, free: pd.DataFrame) -> np.ndarray:
    """Whether a row without a change tells the same finding of another place that day."""
    left = failed.loc[failed["word"].ne(""), ["vehicle", "day", "word", "location"]].reset_index()
    pairs = left.merge(
        free.rename(columns={"finding": "word", "location": "elsewhere"}),
        on=["vehicle", "day", "word"],
    )
    rows = pairs.loc[pairs["location"] != pairs["elsewhere"], "index"].unique()
    hit = np.zeros(len(failed), np.bool_)
    hit[rows] = True
    return hit
