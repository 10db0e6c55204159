"""Frames in and out: how covariates of vehicle, position and season change life and hazard.

Layer: survival (door). pandas and numpy; lifelines, loaded on use.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from relkit.survival.frame_codes import By, as_names
from relkit.survival.proportionality import proportionality_p_values, residual_sums
from relkit.survival.regression_rows import (
    Design,
    RegressionRows,
    checked_lives,
    design_of,
    regression_rows,
)

__all__ = ["RegressionFamily", "hazard_ratios", "life_ratios"]

Floats = NDArray[np.float64]
#: Families whose scale covariates may stretch.
RegressionFamily = Literal["Weibull", "lognormal", "loglogistic"]
#: Failures per coefficient below which limits are too narrow: a rule of thumb, from memory.
_ENOUGH = 10.0
#: Standard error of a log ratio that only a ratio without a finite estimate has.
_ENDLESS = 20.0
_FEW = (
    "fewer than about 10 failures per coefficient: the limits are too narrow, the ratio uncertain"
)
#: Age, over the largest one, that stands for 0 where lifelines cannot take a 0.
_NEXT_TO_ZERO = 1e-9
_STATUSES = {
    "ok": "",
    "no failures": "nothing failed: nothing can be compared",
    "the same for all": "all lives have the same value: nothing can be compared",
    "not told apart": "covariates go together: which of them matters cannot be told",
    "no finite ratio": "one of the groups has no failures: its ratio has no finite estimate",
    "not converged": "the iteration ended before the estimates were found",
}


def hazard_ratios(
    lives: pd.DataFrame,
    covariates: Sequence[str],
    by: By = None,
    *,
    within: By = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """How many times as often items fail at one value of a covariate as at another.

    Cox regression: no shape of the hazard over age is assumed, only that the ratios hold at
    all ages, which is checked. Covariates that change during a life, such as season or number
    of washes, need lives in spans: see :func:`relkit.survival.covariate_spans.split_at_changes`.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed`` and the covariates; ``entry``, ``count`` and
        ``failure_share`` are used when present. A failure found later counts at ``age``. Rows
        may be spans of one life. [clock]
    covariates : sequence of str
        Columns of numbers, or of words: words are compared with the most frequent one.
    by : str or sequence of str, optional
        Columns that make the strata, each with a regression of its own.
    within : str or sequence of str, optional
        Columns whose values each have a hazard over age of their own in one regression.
    confidence_level : float
        Two-sided, between 0 and 1. [1]

    Returns
    -------
    DataFrame
        Keys, ``covariate``, ``level`` (word; blank for numbers), ``against`` (the word compared
        with), ``ratio`` (of hazards, per unit of a number), ``lower``, ``upper``, ``p_value``,
        ``proportional_p_value`` (small: the ratio changes with age), ``lives``, ``failures``,
        ``failures_per_coefficient``, ``left_out`` (rows with a blank covariate), ``status``,
        ``meaning`` (a sentence).

    Raises
    ------
    ValueError
        A column is missing, no covariate is given, or a value breaks its bounds.

    References
    ----------
    .. [1] D. R. Cox, Regression models and life-tables, Journal of the Royal Statistical
       Society B 34, 1972, 187-220 (fitted by lifelines, ties after Efron).

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [1.0, 2, 3, 4, 5, 6], "failed": True,
    ...                       "place": ["wet", "dry", "wet", "wet", "dry", "dry"]})
    >>> hazard_ratios(lives, ["place"])[["level", "against", "ratio"]].round(2).values.tolist()
    [['wet', 'dry', 4.03]]
    """
    checked = checked_lives(lives, covariates, by, confidence_level, as_names(within))
    tables = []
    for part in regression_rows(checked, within):
        design = design_of(part.frame, covariates)
        found = _fitted(part, design, _cox, None)
        tables.append(_table(part, design, found, confidence_level, "fails", "as often"))
    return pd.concat(tables, ignore_index=True)


def life_ratios(
    lives: pd.DataFrame,
    covariates: Sequence[str],
    by: By = None,
    *,
    family: RegressionFamily = "Weibull",
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """How many times as long items live at one value of a covariate as at another.

    Accelerated failure time: a covariate stretches all lives by one factor, the shape is
    common. Failures found later count within their interval.

    Parameters
    ----------
    lives : DataFrame
        As for :func:`hazard_ratios`, and ``age_lower`` is used when present. Rows must be whole
        lives or lives cut by late entry, with covariates that do not change.
    covariates : sequence of str
        Columns of numbers, or of words: words are compared with the most frequent one.
    by : str or sequence of str, optional
        Columns that make the strata, each with a regression of its own.
    family : {"Weibull", "lognormal", "loglogistic"}
        Life distribution.
    confidence_level : float
        Two-sided, between 0 and 1. [1]

    Returns
    -------
    DataFrame
        As from :func:`hazard_ratios`, ``ratio`` being one of lives, without
        ``proportional_p_value`` and with ``log_likelihood``.

    Raises
    ------
    ValueError
        As for :func:`hazard_ratios`, or ``family`` is none of the three.

    References
    ----------
    .. [1] J. D. Kalbfleisch and R. L. Prentice, The Statistical Analysis of Failure Time Data,
       2nd ed., Wiley, 2002, ch. 2 and 3 (from memory; fitted by lifelines).
    """
    if family not in get_args(RegressionFamily):
        raise ValueError(
            f"family is {family!r}: give one of {', '.join(get_args(RegressionFamily))}"
        )
    checked = checked_lives(lives, covariates, by, confidence_level, [])
    tables = []
    for part in regression_rows(checked, None):
        design = design_of(part.frame, covariates)
        found = _fitted(part, design, _accelerated, family)
        table = _table(part, design, found, confidence_level, "lives", "as long")
        tables.append(table.drop(columns="proportional_p_value").assign(log_likelihood=found.value))
    return pd.concat(tables, ignore_index=True)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    status: str
    coefficients: Floats
    covariance: Floats
    proportional: Floats
    value: float


def _fitted(
    part: RegressionRows, design: Design, fit: Any, family: RegressionFamily | None
) -> _Found:
    """Return the fit, or the status that says why there is none; never an exception."""
    k = design.columns.shape[1]
    none = (np.full(k, np.nan), np.full((k, k), np.nan), np.full(k, np.nan), np.nan)
    if part.failures.sum() <= 0:
        return _Found("no failures", *none)
    if not k:
        return _Found("the same for all", *none)
    centred = design.columns - design.columns.mean(axis=0)
    spread = np.abs(centred).max(axis=0)
    if np.linalg.matrix_rank(centred / spread, tol=1e-8) < k:
        return _Found("not told apart", *none)
    # columns within -1 to 1 suit the iteration, and the ratios are put back after it
    coefficients, covariance, value = fit(part, centred / spread, family)
    if coefficients is None:
        return _Found("not converged", *none)
    errors = np.sqrt(np.diag(covariance))
    if not (np.isfinite(errors).all() and (errors < _ENDLESS).all()):
        return _Found("no finite ratio", *none)
    proportional = np.full(k, np.nan)
    if family is None:
        ages, number, residual = residual_sums(
            part.entry, part.age, part.failures, centred / spread, coefficients,
            count=part.count, stratum=part.baseline,
        )  # fmt: skip
        proportional = proportionality_p_values(ages, number, residual, covariance)
    return _Found(
        "ok", coefficients / spread, covariance / np.outer(spread, spread), proportional, value
    )


_Fit = tuple[Floats | None, Floats, float]


def _rows(part: RegressionRows, columns: Floats) -> pd.DataFrame:
    """Rows as lifelines takes them: a shared failure is part failure, part survivor."""
    base = pd.DataFrame(columns, columns=[f"x{i}" for i in range(columns.shape[1])])
    base = base.assign(entry=part.entry, age=part.age, lower=part.age_lower, baseline=part.baseline)
    failed = base.assign(failed=True, weight=part.failures)
    unfailed = base.assign(failed=False, weight=part.count - part.failures, lower=part.age)
    both = pd.concat([failed, unfailed], ignore_index=True)
    return both[both["weight"] > 0].reset_index(drop=True)


def _cox(part: RegressionRows, columns: Floats, _family: None) -> _Fit:
    from lifelines import CoxPHFitter

    rows = _rows(part, columns).drop(columns="lower")
    several = len(np.unique(part.baseline)) > 1
    if not several:
        rows = rows.drop(columns="baseline")

    def run() -> Any:
        return CoxPHFitter().fit(
            rows,
            duration_col="age",
            event_col="failed",
            entry_col="entry",
            weights_col="weight",
            strata=["baseline"] if several else None,
        )

    fitter = _quietly(run)
    if fitter is None:
        return None, np.empty(0), np.nan
    names = [f"x{i}" for i in range(columns.shape[1])]
    covariance = fitter.variance_matrix_.loc[names, names].to_numpy(np.float64)
    return (
        fitter.params_[names].to_numpy(np.float64),
        covariance,
        float(fitter.log_likelihood_),
    )


def _accelerated(part: RegressionRows, columns: Floats, family: RegressionFamily) -> _Fit:
    from lifelines import LogLogisticAFTFitter, LogNormalAFTFitter, WeibullAFTFitter

    kinds = {
        "Weibull": (WeibullAFTFitter, "lambda_"),
        "lognormal": (LogNormalAFTFitter, "mu_"),
        "loglogistic": (LogLogisticAFTFitter, "alpha_"),
    }
    kind, parameter = kinds[family]
    unit = float(part.age.max())
    rows = _rows(part, columns).drop(columns="baseline")
    for name in ("age", "entry", "lower"):
        rows[name] /= unit
    between = rows["failed"] & (rows["lower"] < rows["age"])
    common = {"event_col": "failed", "entry_col": "entry", "weights_col": "weight"}

    def run() -> Any:
        fitter = kind()
        if not between.any():
            return fitter.fit(rows.drop(columns="lower"), duration_col="age", **common)
        upper = rows["age"].where(rows["failed"], np.inf)
        exact = rows["failed"] & ~between
        # slopes at age 0 are not numbers there: an age that nothing tells from 0
        lower = rows["lower"].clip(lower=_NEXT_TO_ZERO)
        table = rows.drop(columns=["age", "failed"]).assign(upper=upper, lower=lower, exact=exact)
        return fitter.fit_interval_censoring(
            table,
            lower_bound_col="lower",
            upper_bound_col="upper",
            **(common | {"event_col": "exact"}),
        )

    fitter = _quietly(run)
    if fitter is None:
        return None, np.empty(0), np.nan
    names = [(parameter, f"x{i}") for i in range(columns.shape[1])]
    covariance = fitter.variance_matrix_.loc[names, names].to_numpy(np.float64)
    exact_weight = float(rows["weight"][rows["failed"] & ~between].sum())
    value = float(fitter.log_likelihood_) - exact_weight * np.log(unit)
    return fitter.params_[names].to_numpy(np.float64), covariance, value


def _quietly(run: Any) -> Any:
    """Return the fitted object, or None where lifelines says that it did not converge."""
    from lifelines.exceptions import ConvergenceError, ConvergenceWarning

    with warnings.catch_warnings():
        # statuses and sentences of the table tell what these warnings are about
        warnings.simplefilter("ignore")
        warnings.simplefilter("error", ConvergenceWarning)
        try:
            return run()
        except (ConvergenceError, ConvergenceWarning, np.linalg.LinAlgError):
            return None


def _table(
    part: RegressionRows, design: Design, found: _Found, level: float, does: str, how: str
) -> pd.DataFrame:
    z = float(ndtri(0.5 + level / 2))
    errors = np.sqrt(np.diag(found.covariance))
    table = pd.DataFrame(
        {
            "covariate": design.covariate,
            "level": design.level,
            "against": design.against,
            "ratio": np.exp(found.coefficients),
            "lower": np.exp(found.coefficients - z * errors),
            "upper": np.exp(found.coefficients + z * errors),
            "p_value": 2 * ndtr(-np.abs(found.coefficients) / errors),
            "proportional_p_value": found.proportional,
        }
    )
    each = float(part.failures.sum()) / max(1, len(table))
    words = _meanings(table, found.status, each, level, does, how)
    table = table.assign(status=found.status, meaning=words)
    for name in design.constant:
        row = {"covariate": name, "level": "", "against": "", "status": "the same for all"}
        row["meaning"] = f"{name}: {_STATUSES['the same for all']}"
        table = pd.concat([table, pd.DataFrame([row])], ignore_index=True)
    for place, (name, value) in enumerate(
        (
            ("lives", float(part.count.sum())),
            ("failures", float(part.failures.sum())),
            ("failures_per_coefficient", each),
            ("left_out", part.left_out),
        )
    ):
        table.insert(8 + place, name, value)
    key = part.key.loc[np.zeros(len(table), dtype=np.intp)].reset_index(drop=True)
    return pd.concat([key, table], axis=1)


def _meanings(
    table: pd.DataFrame, status: str, each: float, level: float, does: str, how: str
) -> list[str]:
    words = []
    for row in table.to_dict("records"):
        what = f"{row['covariate']} {row['level']}".strip()
        if status != "ok":
            words.append(f"{what}: {_STATUSES[status]}")
            continue
        against = f"than with {row['against']}" if row["against"] else "for each unit more"
        text = (
            f"{what}: {does} {row['ratio']:.3g} times {how} {against} "
            f"({level:.0%} limits {row['lower']:.3g} to {row['upper']:.3g})"
        )
        if row["lower"] <= 1 <= row["upper"]:
            text += "; no difference is within the limits"
        if row["proportional_p_value"] < 1 - level:
            text += "; the ratio changes with age: this is an average over the ages seen"
        if each < _ENOUGH:
            text += f"; {_FEW}"
        words.append(text)
    return words
