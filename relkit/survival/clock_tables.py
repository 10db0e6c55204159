"""Frames in and out: which clock the failures of each component follow.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from relkit.survival.clocks import clock_likelihoods
from relkit.survival.frame_codes import By, as_names, life_columns, require_columns, stratum_codes

__all__ = ["calendar_ages", "clock_comparison"]

_DAY = 86_400.0


def calendar_ages(
    lives: pd.DataFrame, *, observed_from: str | pd.Timestamp | None = None
) -> pd.DataFrame:
    """Entry and age of each life in days, from its dates.

    Parameters
    ----------
    lives : DataFrame
        Columns ``fitted_on``, ``ended_on`` and, where present, ``entry``.
    observed_from : str or Timestamp, optional
        Date at which lives that enter late (``entry`` above 0) came under observation.

    Returns
    -------
    DataFrame
        ``entry_days`` and ``age_days``, with the index of ``lives``. [d]

    Raises
    ------
    ValueError
        A column is missing, or lives enter late and ``observed_from`` is not given.

    Examples
    --------
    >>> dates = pd.DataFrame({"fitted_on": ["2024-01-01"], "ended_on": ["2024-01-31"]})
    >>> calendar_ages(dates).to_numpy().tolist()
    [[0.0, 30.0]]
    """
    require_columns("lives", lives, ["fitted_on", "ended_on"])
    fitted, ended = pd.to_datetime(lives["fitted_on"]), pd.to_datetime(lives["ended_on"])
    entry = np.zeros(len(lives))
    late = lives["entry"].to_numpy(np.float64) > 0 if "entry" in lives.columns else entry > 0
    if late.any():
        if observed_from is None:
            raise ValueError(
                f"{int(late.sum())} lives enter late: give observed_from, the date from which "
                "they were observed"
            )
        passed = (pd.Timestamp(observed_from) - fitted).dt.total_seconds().to_numpy() / _DAY
        entry = np.where(late, np.maximum(passed, 0.0), 0.0)
    age = (ended - fitted).dt.total_seconds().to_numpy() / _DAY
    return pd.DataFrame({"entry_days": entry, "age_days": age}, index=lives.index)


def clock_comparison(
    lives: pd.DataFrame,
    clocks: Mapping[str, tuple[str, str]],
    component: By = "component",
    by: By = "location",
    *,
    rates: Mapping[str, str] | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Log-likelihood of each clock for each component, the best one, and whether it decides.

    Parameters
    ----------
    lives : DataFrame
        Column ``failed``, and entry and age in each clock. Lives without exposure in some
        clock are left out of all. A failure found at a check counts at the age it was found.
    clocks : mapping of str to pair of str
        For each clock, by name, the columns of entry and age, such as ``{"engine hours":
        ("entry", "age"), "days": ("entry_days", "age_days")}``. At least two.
    component : str or list of str, optional
        Columns that make the groups which may each have another clock.
    by : str or list of str, optional
        Columns that make the strata within a group, each with a Weibull law of its own.
    rates : mapping of str to str, optional
        For each clock, the column with its speed when the life ended, per unit of one common
        measure; the mean speed over the life where left out.
    confidence_level : float
        1 less this is the level at which a clock is decisively better. [1]

    Returns
    -------
    DataFrame
        Per group a row for each clock: the columns of ``component``, ``clock``,
        ``log_likelihood``, ``difference`` (to the best, at most 0), ``p_value`` (of being as
        good as the best), ``lives``, ``failures``, ``left_out``, ``finding``: "best",
        "decisively worse", "not decisive", or "not known".

    Raises
    ------
    ValueError
        A column is missing, a value is out of bounds, or fewer than two clocks are given.

    Notes
    -----
    See :func:`relkit.survival.clocks.clock_likelihoods` for how densities per hour and per day
    are made comparable. A decision needs vehicles whose use per day differs.

    Examples
    --------
    >>> lives = pd.DataFrame({"failed": True, "entry": 0.0, "age": [51.0, 49.0, 50.0, 50.0],
    ...                       "days": [100.0, 210.0, 290.0, 420.0]})
    >>> clocks = {"hours": ("entry", "age"), "days": ("entry", "days")}
    >>> clock_comparison(lives, clocks, None, None)["finding"].tolist()
    ['best', 'decisively worse']
    """
    if len(clocks) < 2:
        raise ValueError(f"clocks names {len(clocks)}: give at least two to compare")
    columns = [name for pair in clocks.values() for name in pair]
    speeds = [rates[name] for name in clocks] if rates is not None else []
    require_columns("lives", lives, [*columns, *speeds, *as_names(component), *as_names(by)])
    failed = life_columns(lives.assign(age=lives[columns[1]])).failed
    groups, keys = stratum_codes(lives, component)
    strata, _ = stratum_codes(lives, by)
    entry, age = (
        np.stack([lives[pair[place]].to_numpy(np.float64) for pair in clocks.values()])
        for place in (0, 1)
    )
    speed = np.stack([lives[name].to_numpy(np.float64) for name in speeds]) if speeds else None
    if speed is not None:
        speed = speed / speed[0]
    tables = []
    for code in range(len(keys)):
        own = groups == code
        result = clock_likelihoods(
            entry[:, own],
            age[:, own],
            failed[own],
            stratum=np.unique(strata[own], return_inverse=True)[1],
            rate=None if speed is None else speed[:, own],
        )
        table = keys.iloc[[code] * len(clocks)].reset_index(drop=True)
        tables.append(
            table.assign(
                clock=list(clocks),
                log_likelihood=result.log_likelihood,
                difference=result.difference,
                p_value=result.p_value,
                lives=result.lives,
                failures=result.failures,
                left_out=result.left_out,
                finding=_findings(result.difference, result.p_value, 1 - confidence_level),
            )
        )
    return pd.concat(tables, ignore_index=True)


def _findings(difference: np.ndarray, p_value: np.ndarray, level: float) -> np.ndarray:
    """Say what each clock is; where none is better by anything, all are "not decisive"."""
    words = np.where(p_value < level, "decisively worse", "not decisive").astype(object)
    words[np.isnan(difference)] = "not known"
    if (difference < 0).any():
        words[np.isnan(p_value) & (difference == 0)] = "best"
    return words
