"""Lives and covariates as the rows and columns of regressions.

Layer: survival (door). pandas and numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import share
from relkit.survival.frame_codes import (
    By,
    as_names,
    lives_of_strata,
    require_columns,
    stratum_codes,
)
from relkit.survival.observed import ObservedLives

__all__ = [
    "CheckedLives",
    "Design",
    "RegressionRows",
    "checked_lives",
    "design_of",
    "regression_rows",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CheckedLives:
    """Lives with their covariates, checked."""

    frame: pd.DataFrame  # covariates, in the order of the lives
    lives: ObservedLives  # in one stratum, so in the order given
    codes: NDArray[np.int64]
    keys: pd.DataFrame
    covariates: list[str]


@dataclass(frozen=True, slots=True, eq=False)
class RegressionRows:
    """Rows of one regression without a blank covariate."""

    key: pd.DataFrame  # one row
    frame: pd.DataFrame
    age: Floats
    age_lower: Floats
    entry: Floats
    failures: Floats
    count: Floats
    baseline: NDArray[np.int64]
    left_out: int


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Columns of numbers for the coefficients, and what each of them stands for."""

    columns: Floats  # (n, k)
    covariate: list[str]  # (k,)
    level: list[str]  # the word that a column marks; blank for numbers
    against: list[str]  # the word compared with
    constant: list[str]  # covariates without a second value


def checked_lives(
    lives: pd.DataFrame, covariates: Sequence[str], by: By, level: float, within: list[str]
) -> CheckedLives:
    """Check lives and covariates for regressions.

    Raises
    ------
    ValueError
        A column is missing, no covariate is given, or a value breaks its bounds.
    """
    share("confidence_level", level)
    names = list(covariates)
    if not names or isinstance(covariates, str):
        raise ValueError("covariates names no column in a list: give at least one")
    require_columns("lives", lives, [*names, *as_names(by), *within])
    observed, _ = lives_of_strata(lives, None)
    codes, keys = stratum_codes(lives, by)
    frame = lives[list(dict.fromkeys([*names, *within]))].reset_index(drop=True)
    return CheckedLives(frame, observed, codes, keys, names)


def regression_rows(checked: CheckedLives, within: By) -> list[RegressionRows]:
    """Rows of each regression, those with a blank covariate left out and counted."""
    observed = checked.lives
    n = len(observed.age)
    entry = np.zeros(n) if observed.entry is None else observed.entry
    lower = observed.age if observed.age_lower is None else observed.age_lower
    baseline, _ = stratum_codes(checked.frame, within)
    blank = checked.frame.isna().any(axis=1).to_numpy()
    # at age 0 nothing was observed: dead on arrival has no place in a hazard
    usable = ~blank & (observed.age > 0) & (observed.counts() > 0)
    parts = []
    for code in range(len(checked.keys) if n else 0):
        own = checked.codes == code
        rows = own & usable
        parts.append(
            RegressionRows(
                checked.keys.iloc[[code]].reset_index(drop=True),
                checked.frame[rows],
                observed.age[rows],
                lower[rows],
                entry[rows],
                observed.failures[rows],
                observed.counts()[rows],
                baseline[rows],
                int((own & blank).sum()),
            )
        )
    return parts


def design_of(frame: pd.DataFrame, covariates: Sequence[str]) -> Design:
    """Columns of the coefficients: words are marked against the most frequent one."""
    columns, names, levels, against, constant = [], [], [], [], []
    for name in covariates:
        values = frame[name]
        if values.nunique() < 2:
            constant.append(name)
        elif pd.api.types.is_bool_dtype(values) or pd.api.types.is_numeric_dtype(values):
            columns.append(values.to_numpy(np.float64))
            names.append(name)
            levels.append("")
            against.append("")
        else:
            words = values.astype(str)
            counted = words.value_counts(sort=False).sort_index()
            usual = str(counted.idxmax())
            for word in counted.index.drop(usual):
                columns.append((words == word).to_numpy(np.float64))
                names.append(name)
                levels.append(str(word))
                against.append(usual)
    matrix = np.column_stack(columns) if columns else np.zeros((len(frame), 0))
    return Design(matrix, names, levels, against, constant)
