"""Frames in and out: repeated events of systems, their growth and their trend.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pandas as pd

from relkit.survival.event_histories import EventHistories, Truncation, event_histories
from relkit.survival.frame_codes import By, as_names, require_columns, stratum_codes
from relkit.survival.power_law import power_law_processes
from relkit.survival.recurrent import (
    MeanCumulative,
    mean_cumulative_difference,
    mean_cumulative_functions,
)
from relkit.survival.trend import trend_test_results

__all__ = [
    "histories_of",
    "mean_cumulative",
    "mean_cumulative_comparison",
    "power_law_fits",
    "trend_tests",
]


def mean_cumulative(
    events: pd.DataFrame, ends: pd.DataFrame, by: By = None, *, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Mean number of events of a system up to each age, without a model.

    Parameters
    ----------
    events : DataFrame
        Columns ``system`` and ``age`` (of the system at the event); several events may share
        one age.
    ends : DataFrame
        Columns ``system``, ``end`` and where present ``start`` (0 where left out): a system
        was under observation from ``start`` to ``end``. Several rows of a system are several
        windows. Systems without events belong here too.
    by : str or list of str, optional
        Columns that make the strata. A column found only in ``ends`` belongs to the system;
        one found in both belongs to the system's row there; one found only in ``events`` (a
        kind of event) puts every system under observation for each of its values.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    DataFrame
        The columns of ``by``, ``age`` (each with an event), ``at_risk`` (systems under
        observation), ``events``, ``mean_cumulative``, ``std_error`` (robust),
        ``std_error_nelson``, ``lower`` and ``upper`` (from the robust error, log scale). A
        stratum without events has no row.

    Raises
    ------
    ValueError
        A column is missing, a value is out of its bounds, or an event lies outside the
        observation of its system.

    Notes
    -----
    See :func:`relkit.survival.recurrent.mean_cumulative_functions` for method and references.

    Examples
    --------
    >>> events = pd.DataFrame({"system": ["A", "B"], "age": [5.0, 8.0]})
    >>> ends = pd.DataFrame({"system": ["A", "B"], "start": 0.0, "end": [9.0, 8.0]})
    >>> mean_cumulative(events, ends)["mean_cumulative"].tolist()
    [0.5, 1.0]
    """
    histories, keys = histories_of(events, ends, by)
    curve = mean_cumulative_functions(histories, confidence_level=confidence_level)
    names = (
        "age", "at_risk", "events", "mean_cumulative", "std_error", "std_error_nelson",
        "lower", "upper",
    )  # fmt: skip
    taken = keys.iloc[curve.stratum].reset_index(drop=True)
    rows = pd.DataFrame({name: getattr(curve, name) for name in names}, index=taken.index)
    return pd.concat([taken, rows], axis=1)


def mean_cumulative_comparison(
    events: pd.DataFrame,
    ends: pd.DataFrame,
    group: str,
    *,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Difference of the mean cumulative functions of two groups of systems, by age.

    Parameters
    ----------
    events, ends : DataFrame
        As for :func:`mean_cumulative`.
    group : str
        Column of ``ends`` with two values; each system belongs to one of them.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    DataFrame
        ``first``, ``second`` (the groups, in sorted order), ``age``, ``difference`` (events
        per system, first less second), ``std_error``, ``lower``, ``upper``. Empty where a
        group has no events.

    Raises
    ------
    ValueError
        The group has not two values, a system is in both, or as for :func:`mean_cumulative`.

    Examples
    --------
    >>> events = pd.DataFrame({"system": ["A", "B"], "age": [5.0, 5.0]})
    >>> ends = pd.DataFrame({"system": list("ABCD"), "end": 9.0, "depot": list("NNSN")})
    >>> events = pd.concat([events, pd.DataFrame({"system": ["C"], "age": [4.0]})])
    >>> mean_cumulative_comparison(events, ends, "depot")["difference"].round(3).tolist()
    [-1.0]
    """
    require_columns("ends", ends, [group])
    histories, keys = histories_of(events, ends, group)
    if len(keys) != 2:
        raise ValueError(f"{group} has {len(keys)} values: a difference needs two groups")
    curve = mean_cumulative_functions(histories, confidence_level=confidence_level)
    names = ["first", "second", "age", "difference", "std_error", "lower", "upper"]
    if len(np.unique(curve.stratum)) < 2:
        return pd.DataFrame({name: [] for name in names})
    result = mean_cumulative_difference(_stratum(curve, 0), _stratum(curve, 1))
    rows = {name: getattr(result, name) for name in names[2:]}
    first, second = keys[group]
    return pd.DataFrame({"first": first, "second": second, **rows})


def _stratum(curve: MeanCumulative, code: int) -> MeanCumulative:
    own = curve.stratum == code
    return MeanCumulative(
        stratum=curve.stratum[own],
        age=curve.age[own],
        at_risk=curve.at_risk[own],
        events=curve.events[own],
        mean_cumulative=curve.mean_cumulative[own],
        std_error=curve.std_error[own],
        std_error_nelson=curve.std_error_nelson[own],
        lower=curve.lower[own],
        upper=curve.upper[own],
        confidence_level=curve.confidence_level,
    )


def power_law_fits(
    events: pd.DataFrame,
    ends: pd.DataFrame,
    by: By = None,
    *,
    shape: float | None = None,
    truncation: Truncation = "from data",
    limits: Literal["exact", "fisher"] = "exact",
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Power-law process of each stratum: mean events of a system by age t, (t / scale)^shape.

    Parameters
    ----------
    events, ends, by
        As for :func:`mean_cumulative`.
    shape : float, optional
        Shape taken as known: then only the rate is fitted, with exact limits. [1]
    truncation : {"from data", "time", "failure"}
        Whether observation ended at a set age or at an event; "from data" takes a system
        whose end is the age of its last event as ended by it.
    limits : {"exact", "fisher"}
        Of the shape; exact ones exist where systems are seen from age 0.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    DataFrame
        One row per stratum: the columns of ``by``, ``systems``, ``events``, ``exposure``,
        ``shape``, ``shape_lower``, ``shape_upper``, ``shape_unbiased``,
        ``shape_conditional``, ``scale``, ``scale_lower``, ``scale_upper``, ``multiplier``
        (mean events by age t are multiplier t^shape), ``multiplier_lower``,
        ``multiplier_upper``, ``time_between_at_end``, ``time_between_lower``,
        ``time_between_upper``, ``log_likelihood``, ``cramer_von_mises``,
        ``cramer_von_mises_p_value``, ``truncation``, ``limits``, ``status``.

    Raises
    ------
    ValueError
        As for :func:`mean_cumulative`, or an option is not among its choices.

    Notes
    -----
    See :func:`relkit.survival.power_law.power_law_processes` for method and references.

    Examples
    --------
    >>> events = pd.DataFrame({"system": "A", "age": [1.0, 4.0]})
    >>> ends = pd.DataFrame({"system": ["A"], "start": [0.0], "end": [16.0]})
    >>> power_law_fits(events, ends)["shape"].round(4).tolist()
    [0.4809]
    """
    histories, keys = histories_of(events, ends, by)
    fits = power_law_processes(
        histories,
        shape=shape,
        truncation=truncation,
        limits=limits,
        confidence_level=confidence_level,
    )
    return _one_row_each(keys, fits)


def trend_tests(
    events: pd.DataFrame,
    ends: pd.DataFrame,
    by: By = None,
    *,
    truncation: Truncation = "from data",
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Trend tests of each stratum with a verdict: to be run before gaps are taken as lives.

    Parameters
    ----------
    events, ends, by
        As for :func:`mean_cumulative`.
    truncation : {"from data", "time", "failure"}
        Whether observation ended at a set age or at an event; "from data" takes a system
        whose end is the age of its last event as ended by it.
    confidence_level : float
        The verdict takes p-values below 1 less this as a trend.

    Returns
    -------
    DataFrame
        One row per stratum: the columns of ``by``, ``systems``, ``events``, ``laplace``,
        ``lewis_robinson``, ``military_handbook`` (with its degrees of freedom and one-sided
        p-values), ``gap_trend``, ``reversals``, the ``_p_value`` of each, ``gap_variation``,
        ``truncation``, ``verdict``, ``reason``.

    Raises
    ------
    ValueError
        As for :func:`mean_cumulative`, or an option is not among its choices.

    Notes
    -----
    See :func:`relkit.survival.trend.trend_test_results` for method and references.

    Examples
    --------
    >>> events = pd.DataFrame({"system": "A", "age": [100.0, 180.0, 240.0, 280.0, 300.0]})
    >>> ends = pd.DataFrame({"system": ["A"], "start": [0.0], "end": [310.0]})
    >>> trend_tests(events, ends)["laplace"].round(2).tolist()
    [1.62]
    """
    histories, keys = histories_of(events, ends, by)
    tests = trend_test_results(histories, truncation=truncation, confidence_level=confidence_level)
    return _one_row_each(keys, tests)


def _one_row_each(keys: pd.DataFrame, result: Any) -> pd.DataFrame:
    names = [name for name in type(result).__slots__ if name != "confidence_level"]
    rows = pd.DataFrame({name: getattr(result, name) for name in names}, index=keys.index)
    return pd.concat([keys, rows], axis=1)


def histories_of(
    events: pd.DataFrame, ends: pd.DataFrame, by: By
) -> tuple[EventHistories, pd.DataFrame]:
    """Events and windows as checked arrays, and the keys of the strata.

    Raises
    ------
    ValueError
        As for :func:`mean_cumulative`.
    """
    names = as_names(by)
    require_columns("events", events, ["system", "age"])
    require_columns("ends", ends, ["system", "end"])
    require_columns("events or ends", ends.iloc[:0].join(
        events.iloc[:0][[name for name in names if name in events and name not in ends]]
    ), names)  # fmt: skip
    kinds = [name for name in names if name not in ends.columns]
    if kinds:  # every system is under observation for each kind of event
        ends = ends.merge(events[kinds].drop_duplicates(), how="cross")
    shared = list(dict.fromkeys(["system", *(name for name in names if name in events)]))
    both = pd.concat([ends[shared], events[shared]], ignore_index=True)
    owner, _ = stratum_codes(both, shared)
    stratum, keys = stratum_codes(ends, names)
    known = np.isin(owner[len(ends) :], owner[: len(ends)])
    if not known.all():
        row = int(np.flatnonzero(~known)[0])
        raise ValueError(
            f"system {events['system'].iloc[row]!r} of row {row} of events has no row in ends "
            f"({int((~known).sum())} of {len(events)} events): give its start and end"
        )
    histories = event_histories(
        events["age"].to_numpy(np.float64),
        owner[len(ends) :],
        start=ends["start"].to_numpy(np.float64) if "start" in ends else np.zeros(len(ends)),
        end=ends["end"].to_numpy(np.float64),
        end_system=owner[: len(ends)],
        stratum=stratum,
        n_strata=len(keys),
    )
    return histories, keys
