"""Frames in and out: goodness-of-fit tests by stratum.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.checks import generator
from relkit.survival.families import FamilyName
from relkit.survival.frame_codes import By, life_columns, stratum_codes
from relkit.survival.goodness import goodness_of_fit_test

__all__ = ["goodness_of_fit"]


def goodness_of_fit(
    lives: pd.DataFrame,
    by: By = None,
    *,
    family: FamilyName = "Weibull",
    samples: int = 499,
    rng: np.random.Generator | int = 0,
) -> pd.DataFrame:
    """Anderson-Darling test of one family in each stratum, by parametric bootstrap.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``, and where present ``entry`` and ``count`` (whole
        numbers). A failure known only between two ages cannot be tested here.
    by : str or list of str, optional
        Columns that make the strata.
    family : str
        Family to test, without a threshold.
    samples : int
        Samples to draw for each stratum, at least 19. [1]
    rng : Generator or int
        Source of randomness.

    Returns
    -------
    DataFrame
        One row per stratum: the columns of ``by``, ``family``, ``statistic``, ``p_value``
        (small: the family does not fit), ``samples`` (that could be fitted), ``lives``,
        ``failures``, ``status`` ("interval censoring" where failures lie between ages).

    Raises
    ------
    ValueError
        A column is missing, a value is out of its bounds, or a count is not whole.

    Notes
    -----
    See :func:`relkit.survival.goodness.goodness_of_fit_test` for method and references.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [10.0, 20.0, 30.0, 45.0], "failed": True})
    >>> goodness_of_fit(lives, samples=49)["status"].tolist()
    ['ok']
    """
    columns = life_columns(lives)
    codes, keys = stratum_codes(lives, by)
    count = np.ones(len(lives)) if columns.count is None else columns.count
    broken = np.flatnonzero(~(count == np.round(count)))
    if len(broken):
        row = int(broken[0])
        raise ValueError(f"count in row {row} is {count[row]:g}: give whole numbers of lives")
    source = generator(rng)
    between = columns.failed & (columns.age_lower < columns.age)
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(keys) + 1))
    rows: list[tuple[str, float, float, int, float, float, str]] = []
    for i in range(len(keys)):
        own = order[bounds[i] : bounds[i + 1]]
        own = np.repeat(own, count[own].astype(np.int64))
        if between[own].any():
            rows.append((family, np.nan, np.nan, 0, len(own), int(columns.failed[own].sum()),
                         "interval censoring"))  # fmt: skip
            continue
        test = goodness_of_fit_test(
            columns.age[own],
            columns.failed[own],
            family=family,
            entry=None if columns.entry is None else columns.entry[own],
            samples=samples,
            rng=source,
        )
        rows.append((test.family, test.statistic, test.p_value, test.samples, test.lives,
                     test.failures, test.status))  # fmt: skip
    names = ["family", "statistic", "p_value", "samples", "lives", "failures", "status"]
    return pd.concat([keys, pd.DataFrame(rows, columns=names, index=keys.index)], axis=1)
