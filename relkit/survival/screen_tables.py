"""Frames in and out: batches screened, whether repairs hold, effect of a fix, clocks compared.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd

from relkit.survival.frame_codes import By, as_names, life_columns, require_columns, stratum_codes
from relkit.survival.stratified_ratio import StratifiedRatio, stratified_ratio
from relkit.survival.subgroups import subgroup_tests

__all__ = ["batch_screen", "fitted_half_year", "serial_prefix"]

_RATIOS = [field.name for field in fields(StratifiedRatio)[:6]]
_IN_SERVICE = "still in service"


def serial_prefix(serial: pd.Series[Any]) -> pd.Series[Any]:
    """Text of each serial number before its first "-"; blank where there is none.

    Raises
    ------
    AttributeError
        The column does not hold text; raises like ``Series.str``.

    Examples
    --------
    >>> serial_prefix(pd.Series(["M3-10042", "17", ""])).tolist()
    ['M3', '', '']
    """
    parts = serial.fillna("").str.partition("-")
    return parts[0].where(parts[1].eq("-"), "").str.strip().rename("serial_prefix")


def fitted_half_year(fitted_on: pd.Series[Any]) -> pd.Series[Any]:
    """Half-year in which each item was fitted, such as "2023 H1"; blank where unknown.

    Raises
    ------
    AttributeError
        The column does not hold dates; raises like ``Series.dt``.

    Examples
    --------
    >>> fitted_half_year(pd.to_datetime(pd.Series(["2023-04-01", None]))).tolist()
    ['2023 H1', '']
    """
    half = np.where(fitted_on.dt.month <= 6, "H1", "H2")
    year = fitted_on.dt.year.astype("Int64").astype("string")
    words: pd.Series[Any] = (year + " " + half).fillna("").astype(object)
    return words.rename("fitted_half_year")


def batch_screen(
    lives: pd.DataFrame,
    label: str,
    by: By = "location",
    *,
    within: By = "component",
    confidence_level: float = 0.95,
    fewest_expected: float = 1.0,
) -> pd.DataFrame:
    """Compare the lives of each label with their like at equal age: does a batch fail otherwise.

    Each label is compared with the other lives of the same component, place by place. Many
    labels are looked at, so p-values are adjusted by Benjamini and Hochberg over all of them:
    of what is found at a level of 0.05, no more than 5 % is by chance in the long run.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed``, the label, and where present ``entry``, ``count``,
        ``ended_by`` and ``vehicle``. A blank label belongs to none. A failure found at a check
        counts at the age it was found. [clock]
    label : str
        Column to screen, such as those of :func:`serial_prefix` or :func:`fitted_half_year`.
    by : str or list of str, optional
        Columns within which a label is compared with the rest.
    within : str or list of str, optional
        Columns that part the labels: a label is one thing in each.
    confidence_level : float
        Of the two-sided limits; 1 less this is the level at which something is found. [1]
    fewest_expected : float
        Labels with fewer expected failures are listed but not tested. [1]

    Returns
    -------
    DataFrame
        Per label, by adjusted p-value: the columns of ``within``, the label, ``lives``,
        ``failures`` and ``expected`` (if like the rest; both while others were at risk),
        ``hazard_ratio`` and ``scale_ratio`` to the rest with ``_lower`` and ``_upper``
        (Weibull, common shape), ``p_value``, ``p_value_adjusted``, ``finding`` ("fails more
        often", "fails less often", "nothing found", "not tested"), ``in_service`` (lives still
        going), ``in_service_vehicles`` (where they are).

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    See :func:`relkit.survival.subgroups.subgroup_tests` for the test: it also sees a batch that
    is worse in mild places only. The ratios are means over the places.
    """
    names = as_names(within)
    columns = life_columns(lives)
    require_columns("lives", lives, [label, *names, *as_names(by)])
    labelled = (lives[label].notna() & lives[label].ne("")).to_numpy()
    groups = np.full(len(lives), -1, np.int64)
    groups[labelled], keys = stratum_codes(lives[labelled], [*names, label])
    if not labelled.any():
        keys = lives.iloc[:0][[*names, label]]
    strata, _ = stratum_codes(lives, list(dict.fromkeys([*names, *as_names(by)])))
    tests = subgroup_tests(
        columns.age,
        columns.failed,
        groups,
        entry=columns.entry,
        count=columns.count,
        stratum=strata,
        fewest_expected=fewest_expected,
    )
    tested = ~np.isnan(tests.p_value)
    ratios = np.full((len(keys), len(_RATIOS)), np.nan)
    for code in np.flatnonzero(tested):
        near = np.isin(strata, strata[groups == code])
        found = stratified_ratio(
            columns.age[near],
            columns.failed[near],
            groups[near] == code,
            entry=None if columns.entry is None else columns.entry[near],
            count=None if columns.count is None else columns.count[near],
            stratum=strata[near],
            confidence_level=confidence_level,
        )
        ratios[code] = [getattr(found, name) for name in _RATIOS]
    more = np.where(tests.observed > tests.expected, "fails more often", "fails less often")
    told = np.where(tests.p_value_adjusted < 1 - confidence_level, more, "nothing found")
    table = keys.assign(
        lives=tests.lives,
        failures=tests.observed,
        expected=tests.expected,
        **dict(zip(_RATIOS, ratios.T, strict=True)),
        p_value=tests.p_value,
        p_value_adjusted=tests.p_value_adjusted,
        finding=np.where(tested, told, "not tested").astype(object),
    )
    table = pd.concat([table, _in_service(lives, groups, len(keys))], axis=1)
    return table.sort_values("p_value_adjusted", kind="stable", ignore_index=True)


def _in_service(lives: pd.DataFrame, groups: np.ndarray, n_groups: int) -> pd.DataFrame:
    """How many lives of each group still go on, and on which vehicles."""
    table = pd.DataFrame({"in_service": 0, "in_service_vehicles": ""}, index=range(n_groups))
    if "ended_by" not in lives.columns:
        return table.assign(in_service=np.nan)
    going = lives["ended_by"].eq(_IN_SERVICE).to_numpy() & (groups >= 0)
    table["in_service"] = np.bincount(groups[going], minlength=n_groups)
    if "vehicle" in lives.columns and going.any():
        vehicles = lives["vehicle"][going].astype(str)
        joined = vehicles.groupby(groups[going]).agg(lambda own: ", ".join(sorted(set(own))))
        table.loc[joined.index, "in_service_vehicles"] = joined.to_numpy()
    return table
