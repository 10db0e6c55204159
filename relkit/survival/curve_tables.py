"""Frames in and out: interval-censored survival, cumulative incidence, group comparison.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.survival.comparison import group_comparisons, pair_comparisons
from relkit.survival.competing import cumulative_incidences
from relkit.survival.frame_codes import (
    By,
    LifeColumns,
    life_columns,
    require_columns,
    stratum_codes,
)
from relkit.survival.interval_censored import IntervalSurvival, interval_survival_curve

__all__ = [
    "cause_specific_lives",
    "cumulative_incidence",
    "group_comparison",
    "interval_survival",
    "pair_comparison",
]


def interval_survival(
    lives: pd.DataFrame, by: By = None, *, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Survival without a model where failures are only known to lie between two ages.

    Turnbull's estimate; with exact ages and right-censored lives only it is Kaplan-Meier's.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``, and where present ``age_lower`` (a failure lies in
        (age_lower, age]; blank or equal to ``age``: at ``age``), ``entry``, ``count``.
    by : str or list of str, optional
        Columns that make the strata.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    DataFrame
        The columns of ``by``, then a row per interval that holds failures: ``age_lower`` and
        ``age`` (its ends; equal for an exact age), ``probability`` (share failing in it),
        ``survival`` (share left at ``age``), ``std_error``, ``lower``, ``upper``, ``starts_at``
        (0, or the age to which survival is taken as given because late entry left nobody at
        risk up to it), ``lives``, ``failures``, ``kuhn_tucker_breach``, ``status``. A stratum
        without failures has no row.

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    See :func:`relkit.survival.interval_censored.interval_survival_curve` for method and
    references. Standard errors are right for inspections at a few common ages and an
    approximation otherwise. A stratum of 20,000 lives with as many different ages of
    inspection takes some 0.3 s; mixed half and half with exact ages, about a minute.

    Examples
    --------
    >>> lives = pd.DataFrame({"age_lower": [0.0, 1.0, 2.0], "age": [1.0, 2.0, 2.0],
    ...                       "failed": [True, True, False]})
    >>> interval_survival(lives)["survival"].round(3).tolist()
    [0.667, 0.333]
    """
    columns = life_columns(lives)
    codes, keys = stratum_codes(lives, by)
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(keys) + 1))
    curves = [
        _one_curve(columns, order[bounds[i] : bounds[i + 1]], confidence_level)
        for i in range(len(keys) if len(lives) else 0)
    ]
    code = np.repeat(np.arange(len(curves)), [len(curve.age) for curve in curves])
    rows = {
        name: np.concatenate([getattr(curve, name) for curve in curves] or [np.zeros(0)])
        for name in (
            "age_lower", "age", "probability", "survival", "std_error", "lower", "upper",
        )
    }  # fmt: skip
    whole = {
        name: np.array([getattr(curve, name) for curve in curves])[code]
        for name in ("starts_at", "lives", "failures", "kuhn_tucker_breach", "status")
    }
    return _keyed(keys, code.astype(np.int64), rows | whole)


def _one_curve(columns: LifeColumns, rows: np.ndarray, level: float) -> IntervalSurvival:
    return interval_survival_curve(
        columns.age_lower[rows],
        columns.age[rows],
        columns.failed[rows],
        entry=None if columns.entry is None else columns.entry[rows],
        count=None if columns.count is None else columns.count[rows],
        confidence_level=level,
    )


def _keyed(keys: pd.DataFrame, code: np.ndarray, columns: dict[str, np.ndarray]) -> pd.DataFrame:
    taken = keys.iloc[code].reset_index(drop=True)
    return pd.concat([taken, pd.DataFrame(columns, index=taken.index)], axis=1)


def cumulative_incidence(
    lives: pd.DataFrame, by: By = None, cause: str = "cause", *, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Share of items that have failed by each cause, while all causes act together.

    Aalen-Johansen's estimate. One less the survival curve of one cause, with the others
    censored, is larger: it tells what would happen if the other causes were gone.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed``, the cause of failed lives, and where present ``entry``
        and ``count``. A failure found at a check counts at the age it was found.
    by : str or list of str, optional
        Columns that make the strata.
    cause : str
        Column with the cause; looked at for failed lives only.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    DataFrame
        The columns of ``by``, the cause under its column's name, ``age`` (each at which
        anything failed in the stratum), ``at_risk``, ``failures`` (by the cause),
        ``cumulative_incidence``, ``std_error``, ``lower``, ``upper``, ``survival`` (share not
        failed by any cause), ``starts_at``. A cause not seen in a stratum has no row there.

    Raises
    ------
    ValueError
        A column is missing, a value is out of its bounds, or a failed life has no cause.

    Notes
    -----
    See :func:`relkit.survival.competing.cumulative_incidences` for method and references.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [1.0, 2.0, 3.0], "failed": [True, True, False],
    ...                       "cause": ["seal", "cable", ""]})
    >>> cumulative_incidence(lives)["cumulative_incidence"].round(3).tolist()
    [0.0, 0.333, 0.333, 0.333]
    """
    columns = life_columns(lives)
    code, names = _cause_codes(lives, columns, cause)
    strata, keys = stratum_codes(lives, by)
    result = cumulative_incidences(
        columns.age,
        code,
        entry=columns.entry,
        count=columns.count,
        stratum=strata,
        confidence_level=confidence_level,
    )
    rows = {
        cause: names.to_numpy()[result.cause],
        "age": result.age,
        "at_risk": result.at_risk,
        "failures": result.failures,
        "cumulative_incidence": result.incidence,
        "std_error": result.std_error,
        "lower": result.lower,
        "upper": result.upper,
        "survival": result.survival,
        "starts_at": result.starts_at,
    }
    return _keyed(keys, result.stratum, rows)


def _cause_codes(
    lives: pd.DataFrame, columns: LifeColumns, cause: str
) -> tuple[np.ndarray, pd.Index]:
    require_columns("lives", lives, [cause])
    given = lives[cause].astype(object).where(columns.failed)
    blank = columns.failed & (given.isna() | (given == "")).to_numpy()
    if blank.any():
        row = int(np.flatnonzero(blank)[0])
        raise ValueError(
            f"{cause} in row {row} is blank although the life failed ({int(blank.sum())} are): "
            "give a cause, or a word such as unknown"
        )
    codes, names = pd.factorize(given, sort=True)
    return codes.astype(np.int64), pd.Index(names)


def cause_specific_lives(lives: pd.DataFrame, cause: str = "cause") -> pd.DataFrame:
    """All lives once per cause, failed only where they failed by it: for fits by cause.

    Take ``[*by, cause]`` as the strata of a fit: each cause is fitted with the failures by
    other causes censored, which tells what prevention of one cause can gain.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed`` and the cause of failed lives.
    cause : str
        Column with the cause.

    Returns
    -------
    DataFrame
        As many copies of ``lives`` as causes, with ``failed`` and the cause column set; a row
        that did not fail by the cause is a survivor at its ``age``.

    Raises
    ------
    ValueError
        A column is missing, or a failed life has no cause.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [1.0, 2.0], "failed": [True, True],
    ...                       "cause": ["seal", "cable"]})
    >>> cause_specific_lives(lives)["failed"].tolist()
    [False, True, True, False]
    """
    code, names = _cause_codes(lives, life_columns(lives), cause)
    copies = lives.iloc[np.tile(np.arange(len(lives)), len(names))].reset_index(drop=True)
    wanted = np.repeat(np.arange(len(names)), len(lives))
    own = np.tile(code, len(names)) == wanted
    changed = {"failed": own, cause: names.to_numpy()[wanted]}
    if "age_lower" in lives.columns:  # a survivor's last age known good is its age
        changed["age_lower"] = np.where(own, copies["age_lower"], copies["age"])
    return copies.assign(**changed)


def group_comparison(
    lives: pd.DataFrame,
    group: str,
    by: By = None,
    *,
    early: float = 0.0,
    late: float = 0.0,
) -> pd.DataFrame:
    """Log-rank test of whether the lives of several groups are alike.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed``, the group, and where present ``entry`` and ``count``. A
        failure found at a check counts at the age it was found.
    group : str
        Column that names the groups to compare.
    by : str or list of str, optional
        Columns that make the strata, each with a test of its own.
    early, late : float
        Powers of the Fleming-Harrington weight: early 1 looks more at early failures, late 1
        at late ones; 0 and 0 is the log-rank test. [1]

    Returns
    -------
    DataFrame
        The columns of ``by``, the group under its column's name, ``lives``, ``observed`` and
        ``expected`` failures of the group; and, the same in all rows of a stratum, the test:
        ``statistic``, ``degrees_of_freedom``, ``p_value``, ``status``.

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    See :func:`relkit.survival.comparison.group_comparisons` for method and references.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [1.0, 2.0, 3.0, 4.0], "failed": True,
    ...                       "location": ["roof", "roof", "door", "door"]})
    >>> group_comparison(lives, "location")["p_value"].round(3).tolist()
    [0.09, 0.09]
    """
    columns = life_columns(lives)
    require_columns("lives", lives, [group])
    strata, keys = stratum_codes(lives, by)
    groups, names = stratum_codes(lives, group)
    test = group_comparisons(
        columns.age,
        columns.failed,
        groups,
        entry=columns.entry,
        count=columns.count,
        stratum=strata,
        early=early,
        late=late,
    )
    at = test.cell_stratum
    rows = {
        group: names[group].to_numpy()[test.cell_group],
        "lives": test.lives,
        "observed": test.observed,
        "expected": test.expected,
        "statistic": test.statistic[at],
        "degrees_of_freedom": test.degrees_of_freedom[at],
        "p_value": test.p_value[at],
        "status": test.status[at],
    }
    return _keyed(keys, at, rows)


def pair_comparison(
    lives: pd.DataFrame,
    group: str,
    by: By = None,
    *,
    early: float = 0.0,
    late: float = 0.0,
) -> pd.DataFrame:
    """Log-rank test of each pair of groups, with p-values adjusted by Holm.

    Parameters are those of :func:`group_comparison`; it raises like that.

    Returns
    -------
    DataFrame
        The columns of ``by``, then per pair: the group under its column's name, ``other``,
        ``statistic``, ``p_value``, ``p_value_adjusted`` (over the pairs of the stratum).

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [1.0, 2.0, 3.0, 4.0], "failed": True,
    ...                       "location": ["roof", "roof", "door", "door"]})
    >>> pair_comparison(lives, "location")[["location", "other"]].to_numpy().tolist()
    [['door', 'roof']]
    """
    columns = life_columns(lives)
    require_columns("lives", lives, [group])
    strata, keys = stratum_codes(lives, by)
    groups, names = stratum_codes(lives, group)
    pairs = pair_comparisons(
        columns.age,
        columns.failed,
        groups,
        entry=columns.entry,
        count=columns.count,
        stratum=strata,
        early=early,
        late=late,
    )
    words = names[group].to_numpy()
    rows = {
        group: words[pairs.group],
        "other": words[pairs.other],
        "statistic": pairs.statistic,
        "p_value": pairs.p_value,
        "p_value_adjusted": pairs.p_value_adjusted,
    }
    return _keyed(keys, pairs.stratum, rows)
