"""Frames in and out: how often the same place comes back soon after a job, by kind of work.

Layer: survival (door). pandas and numpy; scipy.special for the limits.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import betaincinv, pdtrc

from relkit.checks import positive, share
from relkit.survival.frame_codes import By, as_names, require_columns, stratum_codes
from relkit.survival.subgroups import benjamini_hochberg

__all__ = ["return_screen"]

_DAY = pd.Timedelta(days=1)


def return_screen(
    jobs: pd.DataFrame,
    kind: str,
    system: By = ("vehicle", "location"),
    *,
    longest: float = 30.0,
    ends: str | pd.Timestamp | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Share of jobs after which the same place has a complaint again soon, by kind of work.

    Parameters
    ----------
    jobs : DataFrame
        Columns ``date``, ``complaint`` (True where somebody told of a fault), the kind and
        those of ``system``. Rows of one day, place and kind are one job.
    kind : str
        Column with the kind of work; blank kinds are left out.
    system : str or list of str
        Columns that name a place.
    longest : float
        A complaint within so many days after the day of the job is a return, above 0. [d]
    ends : str or Timestamp, optional
        End of the log; jobs less than ``longest`` before it are left out. The last job's day
        where left out.
    confidence_level : float
        Of the two-sided limits; 1 less this is the level at which something is found. [1]

    Returns
    -------
    DataFrame
        Per kind, by adjusted p-value: the kind, ``jobs``, ``returns``, ``return_share`` with
        ``lower`` and ``upper`` (Clopper-Pearson), ``expected`` (returns if the place had
        complaints no more often than the mean place of its name), ``p_value`` (of so many or
        more, Poisson law), ``p_value_adjusted`` (Benjamini and Hochberg), ``finding`` ("comes
        back", "nothing found").

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    A place whose name is the last column of ``system``: harsh places come back by themselves,
    so each is held against its like. Common practice.

    Examples
    --------
    >>> days = pd.to_datetime(["2024-01-01", "2024-01-06", "2024-06-01"])
    >>> jobs = pd.DataFrame({"date": days, "vehicle": "A", "location": "rear", "complaint": True,
    ...                      "action": ["cleaned", "replaced", "replaced"]})
    >>> return_screen(jobs, "action", ends="2024-12-31")[["action", "returns"]].values.tolist()
    [['cleaned', 1], ['replaced', 0]]
    """
    names = as_names(system)
    require_columns("jobs", jobs, ["date", "complaint", kind, *names])
    reach = float(positive("longest", longest))
    share("confidence_level", confidence_level)
    told = jobs[jobs["date"].notna()]
    day = ((told["date"].dt.normalize() - pd.Timestamp("1970-01-01")) / _DAY).to_numpy(np.float64)
    place, keys = stratum_codes(told, names)
    first = day.min() if len(day) else 0.0
    until = day.max(initial=first) + 1
    if ends is not None:
        until = (pd.Timestamp(ends) - pd.Timestamp("1970-01-01")) / _DAY
    complaint = told["complaint"].astype(bool).to_numpy()
    follow = _next_complaint(place, day, complaint)
    chance = _chance(place, keys, names, complaint, reach, until - first)
    rows = pd.DataFrame(
        {
            kind: told[kind].astype(str).to_numpy(),
            "place": place,
            "day": day,
            "back": follow <= reach,
            "chance": chance,
        }
    )
    whole = rows[(rows["day"] + reach <= until) & rows[kind].ne("")]
    whole = whole.drop_duplicates([kind, "place", "day"])
    table = whole.groupby(kind, sort=True).agg(
        jobs=("back", "size"), returns=("back", "sum"), expected=("chance", "sum")
    )
    return _with_limits(table.reset_index(), confidence_level)


def _next_complaint(place: np.ndarray, day: np.ndarray, complaint: np.ndarray) -> np.ndarray:
    """Days from each row to the next complaint at its place on a later day; inf: none."""
    if not complaint.any():
        return np.full(len(day), np.inf)
    width = day.max() - day.min() + 2
    keys = np.sort(place[complaint] * width + (day[complaint] - day.min()))
    own = place * width + (day - day.min())
    at = np.searchsorted(keys, own + 0.5)
    found = np.where(at < len(keys), keys[np.minimum(at, len(keys) - 1)], np.inf)
    gap: np.ndarray = np.where(found < (place + 1) * width, found - own, np.inf)
    return gap


def _chance(
    place: np.ndarray,
    keys: pd.DataFrame,
    names: list[str],
    complaint: np.ndarray,
    reach: float,
    length: float,
) -> np.ndarray:
    """Chance of a complaint within reach at the mean place of the same name."""
    kinds, groups = stratum_codes(keys, names[-1])
    number = np.bincount(kinds, minlength=len(groups))
    told = np.bincount(kinds[place[complaint]], minlength=len(groups))
    rate = told / np.maximum(number * max(length, 1.0), 1.0)
    chance: np.ndarray = -np.expm1(-rate * reach)[kinds[place]]
    return chance


def _with_limits(table: pd.DataFrame, confidence_level: float) -> pd.DataFrame:
    tail = (1 - confidence_level) / 2
    n, back = (table[name].to_numpy(np.float64) for name in ("jobs", "returns"))
    expected = table["expected"].to_numpy(np.float64)
    lower = np.where(back > 0, betaincinv(np.maximum(back, 1), n - back + 1, tail), 0.0)
    upper = np.where(back < n, betaincinv(back + 1, np.maximum(n - back, 1), 1 - tail), 1.0)
    p_value = np.where(back > 0, pdtrc(np.maximum(back - 1, 0), np.maximum(expected, 1e-300)), 1.0)
    adjusted = benjamini_hochberg(p_value)
    table = table.assign(
        return_share=back / np.maximum(n, 1),
        lower=lower,
        upper=upper,
        p_value=p_value,
        p_value_adjusted=adjusted,
        finding=np.where(adjusted < 1 - confidence_level, "comes back", "nothing found").astype(
            object
        ),
    )
    return table.sort_values("p_value_adjusted", kind="stable", ignore_index=True)
