"""Frames in and out: batches screened, whether repairs hold, systems that keep failing.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd

from relkit.survival.frame_codes import By, as_names, life_columns, require_columns, stratum_codes
from relkit.survival.repairs import RateRatios, early_exposure, rate_ratios, repeat_failures
from relkit.survival.stratified_ratio import StratifiedRatio, stratified_ratio
from relkit.survival.subgroups import benjamini_hochberg, subgroup_tests

__all__ = [
    "batch_screen",
    "fitted_half_year",
    "repair_screen",
    "repeat_failure_screen",
    "serial_prefix",
]

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
    text = serial.fillna("").astype(str)
    prefix: pd.Series[Any] = text.str.split("-").str[0].where(text.str.contains("-"), "")
    return prefix.str.strip().rename("serial_prefix")


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
    fewest_expected: float = 5.0,
) -> pd.DataFrame:
    """Compare the lives of each label with their like at equal age: does a batch fail more often.

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
        (Weibull, common shape), ``p_value`` (one-sided), ``p_value_adjusted``, ``finding``
        ("fails more often", "nothing found", "not tested"), ``in_service`` (lives still
        going), ``in_service_vehicles`` (where they are).

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    See :func:`relkit.survival.subgroups.subgroup_tests` for the test: it looks for a batch that
    has a worse law of its own wherever it is fitted. The ratios are means over the places and
    ages, so a batch that is bad in mild places only can have a ratio near 1.
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
    sure = tests.p_value_adjusted < 1 - confidence_level
    told = np.where(sure, "fails more often", "nothing found")
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


def repair_screen(
    lives: pd.DataFrame,
    early: float,
    kind: str = "component",
    *,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Failure rate in the first time after fitting, by kind of item: do repairs hold.

    Two questions: is the rate of a kind higher at first than later (early against later), and
    is it higher at first than that of the other kinds of the same component ("cable, re-made
    joint" against "cable"; the words before the first comma tell the component)? The second
    compares like ages, and finds poor work from few failures.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed``, the kind, and where present ``entry`` and ``count`` (whole
        numbers). A failure found at a check counts at the age it was found. [clock]
    early : float
        Age at which the first phase ends, above 0: such as the shortest service interval.
        [clock]
    kind : str
        Column with the kind of item.
    confidence_level : float
        Of the two-sided limits; 1 less this is the level at which something is found. [1]

    Returns
    -------
    DataFrame
        Per kind: the kind, ``early_failures``, ``early_exposure``, ``later_failures``,
        ``later_exposure``; ``early_ratio`` (early rate over later rate) with ``_lower``,
        ``_upper``, ``early_p_value`` and ``early_p_value_adjusted``; ``others_failures``,
        ``others_exposure`` (early, of the component's other kinds), ``others_ratio`` (early
        rate over theirs) with the same; ``finding``: "fails early" where a ratio above 1 has
        an adjusted p-value below the level, "nothing found", or "not tested".

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    See :func:`relkit.survival.repairs.rate_ratios` for the exact limits. P-values are adjusted
    by Benjamini and Hochberg, over the kinds, separately for the two questions. Places are
    not told apart.

    Examples
    --------
    >>> lives = pd.DataFrame({"component": ["cable"] * 9 + ["cable, re-made joint"] * 3,
    ...                       "age": [900.0] * 9 + [40.0, 60.0, 90.0],
    ...                       "failed": [False] * 9 + [True] * 3})
    >>> repair_screen(lives, 100.0)["finding"].tolist()
    ['nothing found', 'fails early']
    """
    columns = life_columns(lives)
    require_columns("lives", lives, [kind])
    codes, keys = stratum_codes(lives, kind)
    phases = early_exposure(
        columns.age,
        columns.failed,
        codes,
        early=early,
        entry=columns.entry,
        count=columns.count,
    )
    table = keys.assign(**{name: getattr(phases, name) for name in type(phases).__slots__})
    base = table[kind].astype(str).str.split(",").str[0].str.strip()
    both = table.groupby(base)[["early_failures", "early_exposure"]].transform("sum")
    others = both - table[["early_failures", "early_exposure"]]
    names = ["early_failures", "early_exposure", "later_failures", "later_exposure"]
    failures, exposure, later, later_exposure = (table[name].to_numpy() for name in names)
    other, other_exposure = others.to_numpy().T
    early_columns = _ratio_columns(
        "early", rate_ratios(
            failures, exposure, later, later_exposure, confidence_level=confidence_level
        )
    )  # fmt: skip
    other_columns = {"others_failures": other, "others_exposure": other_exposure} | _ratio_columns(
        "others", rate_ratios(
            failures, exposure, other, other_exposure, confidence_level=confidence_level
        )
    )  # fmt: skip
    table = table.assign(**early_columns, **other_columns)
    found, tested = np.zeros(len(table), np.bool_), np.zeros(len(table), np.bool_)
    for name in ("early", "others"):
        tested |= table[f"{name}_p_value"].notna().to_numpy()
        sure = table[f"{name}_p_value_adjusted"] < 1 - confidence_level
        found |= (sure & (table[f"{name}_ratio"] > 1)).to_numpy()
    words = np.where(found, "fails early", np.where(tested, "nothing found", "not tested"))
    return table.assign(finding=words.astype(object))


def _ratio_columns(name: str, ratios: RateRatios) -> dict[str, np.ndarray]:
    return {
        f"{name}_ratio": ratios.ratio,
        f"{name}_ratio_lower": ratios.lower,
        f"{name}_ratio_upper": ratios.upper,
        f"{name}_p_value": ratios.p_value,
        f"{name}_p_value_adjusted": benjamini_hochberg(ratios.p_value),
    }


def repeat_failure_screen(
    lives: pd.DataFrame,
    system: By = "vehicle",
    by: By = ("component", "location"),
    *,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Vehicles, or positions, with more failures than exposure and ages of their items explain.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed``, those of ``system`` and ``by``, and where present ``entry``
        and ``count``. A failure found at a check counts at the age it was found. [clock]
    system : str or list of str
        Columns that name what is looked at: "vehicle", or vehicle, component and location.
    by : str or list of str, optional
        Columns that make the strata whose lives are alike.
    confidence_level : float
        Of the two-sided limits; 1 less this is the level at which something is found. [1]

    Returns
    -------
    DataFrame
        Per system, by adjusted p-value: the columns of ``system``, ``failures``, ``expected``,
        ``ratio``, ``lower``, ``upper``, ``p_value`` (one-sided: so many or more),
        ``p_value_adjusted``, ``finding`` ("keeps failing", "nothing found", "not tested").

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Notes
    -----
    See :func:`relkit.survival.repairs.repeat_failures` for the method.
    """
    columns = life_columns(lives)
    require_columns("lives", lives, [*as_names(system), *as_names(by)])
    codes, keys = stratum_codes(lives, system)
    strata, _ = stratum_codes(lives, by)
    result = repeat_failures(
        columns.age,
        columns.failed,
        codes,
        entry=columns.entry,
        count=columns.count,
        stratum=strata,
        confidence_level=confidence_level,
    )
    names = [name for name in type(result).__slots__ if name != "confidence_level"]
    table = keys.assign(**{name: getattr(result, name) for name in names})
    sure = table["p_value_adjusted"] < 1 - confidence_level
    words = np.where(sure, "keeps failing", "nothing found")
    words = np.where(table["p_value"].notna(), words, "not tested")
    table = table.assign(finding=words.astype(object))
    return table.sort_values("p_value_adjusted", kind="stable", ignore_index=True)
