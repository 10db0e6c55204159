"""Frames in and out: campaigns and retrofits among removals, and faults that pull others down.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import gammaln

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
        ``ended_by``, where present ``item``.
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
    Lives that enter late are taken as in service from the earliest end or entry-free start of
    all lives on.
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
        day = np.floor((events["ended_on"] - _EPOCH) / _DAY)
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
    base = lives[kind].astype(str).str.partition(",")[0].str.strip().rename("base")
    places = [lives["vehicle"], base, lives["location"]]
    if "item" in lives.columns:
        places.append(lives["item"])
    ordered = lives.assign(base=base).sort_values(["fitted_on", "ended_on"], kind="stable")
    keys = [place.loc[ordered.index] for place in places]
    following = ordered[kind].astype(object).groupby(keys).shift(-1)
    filled: pd.Series[Any] = following.fillna("").reindex(lives.index)
    return filled


def common_cause_screen(
    jobs: pd.DataFrame,
    lives: pd.DataFrame,
    by: By = "component",
    *,
    fewest_others: int = 2,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Kinds of item whose failures go with complaints at several other places of the vehicle.

    A failure is accompanied where, on the same vehicle at the same instant, rows tell of at
    least ``fewest_others`` other places at which no item was changed: their fault went away
    with the item that failed. Kinds whose share of such failures is higher than that of all
    other failures are found by an exact test.

    Parameters
    ----------
    jobs : DataFrame
        Columns ``source``, ``vehicle``, ``date``, ``location``.
    lives : DataFrame
        Columns ``vehicle``, ``location``, ``ended_on``, ``ended_by``, ``opened_by``,
        ``closed_by`` and those of ``by``.
    by : str or list of str
        Columns that make the kinds.
    fewest_others : int
        Number of other places from which a failure counts as accompanied, at least 1.
    confidence_level : float
        1 less this is the level at which something is found. [1]

    Returns
    -------
    DataFrame
        Per kind, by adjusted p-value: the columns of ``by``, ``failures``, ``accompanied``,
        ``expected`` (if its share were that of all), ``p_value`` (one-sided, Fisher's exact
        test), ``p_value_adjusted`` (Benjamini and Hochberg), ``where`` (sources of up to 12
        rows that closed them), ``finding`` ("pulls others down", "nothing found").

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    Only structured columns are read; a common cause told in notes alone is not seen.
    """
    require_columns("jobs", jobs, ["source", "vehicle", "date", "location"])
    require_columns(
        "lives", lives,
        ["vehicle", "location", "ended_on", "ended_by", "opened_by", "closed_by", *as_names(by)],
    )  # fmt: skip
    share("confidence_level", confidence_level)
    if fewest_others < 1:
        raise ValueError(f"fewest_others is {fewest_others}: must be at least 1")
    failed = lives[lives["ended_by"].isin(_FAILED)].reset_index(drop=True)
    used = pd.concat([lives["opened_by"], lives["closed_by"]]).str.split("; ").explode()
    free = jobs.loc[~jobs["source"].isin(used), ["vehicle", "date", "location"]].drop_duplicates()
    pairs = failed[["vehicle", "ended_on", "location"]].reset_index().merge(
        free, left_on=["vehicle", "ended_on"], right_on=["vehicle", "date"], suffixes=("", "_other")
    )  # fmt: skip
    pairs = pairs[pairs["location"] != pairs["location_other"]]
    others = pairs.groupby("index").size().reindex(failed.index, fill_value=0)
    accompanied = (others >= fewest_others).to_numpy()
    codes, keys = stratum_codes(failed, by)
    failures = np.bincount(codes, minlength=len(keys))
    hits = np.bincount(codes, accompanied, len(keys)).astype(np.int64)
    total, all_hits = len(failed), int(accompanied.sum())
    p_value = np.array(
        [_upper_tail(k, all_hits, n, total) for k, n in zip(hits, failures, strict=True)],
        np.float64,
    )
    adjusted = benjamini_hochberg(p_value)
    told = [
        ", ".join(failed["closed_by"][accompanied & (codes == code)].head(12))
        for code in range(len(keys))
    ]
    words = np.where(adjusted < 1 - confidence_level, "pulls others down", "nothing found")
    table = keys.iloc[: len(failures)].assign(
        failures=failures,
        accompanied=hits,
        expected=failures * all_hits / max(total, 1),
        p_value=p_value,
        p_value_adjusted=adjusted,
        where=told,
        finding=words.astype(object),
    )
    return table.sort_values("p_value_adjusted", kind="stable", ignore_index=True)


def _upper_tail(hits: int, all_hits: int, size: int, total: int) -> float:
    """Probability of so many hits or more among ``size`` of ``total``: hypergeometric law."""
    at = np.arange(hits, min(all_hits, size) + 1)
    at = at[at >= all_hits - (total - size)]

    def log_choose(n: int, k: np.ndarray | int) -> Any:
        return gammaln(n + 1) - gammaln(np.asarray(k) + 1) - gammaln(n - np.asarray(k) + 1)

    logs = log_choose(size, at) + log_choose(total - size, all_hits - at)
    return min(float(np.exp(logs - log_choose(total, all_hits)).sum()), 1.0)
