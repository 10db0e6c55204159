"""Frames in and out: Weibull fits of causes that some jobs mask, and candidates of each job.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.survival.frame_codes import By, as_names, life_columns, require_columns, stratum_codes
from relkit.survival.masked_fits import MaskedFits, masked_fits
from relkit.survival.observed import observed_lives

__all__ = ["candidate_probabilities", "masked_weibull_fits"]


def masked_weibull_fits(
    lives: pd.DataFrame, by: By, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Weibull fit of each stratum from known failures and masked jobs together.

    A masked job replaced several items of which one had failed, nobody knows which. See
    :func:`relkit.survival.masked_fits.masked_fits` for likelihood and limits, and
    :func:`relkit.survival.masked.masked_shares` for what must hold of the masking.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age``, ``failed`` and ``masked_job`` (the same text for all candidates of one
        job, blank elsewhere); ``entry``, ``age_lower`` and ``count`` are used when present.
        [clock]
    by : str or sequence of str
        Columns that make the strata, such as component and location.
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]

    Returns
    -------
    DataFrame
        Keys and the columns of :func:`relkit.survival.tables.weibull_fits` (``failures``: known
        and expected; ``log_likelihood`` of all strata linked), ``known_failures``,
        ``masked_lives``, ``linked`` (the same number: strata that masked jobs link), and the
        extremes: ``shape``, ``scale`` and ``b10`` with ``_if_none`` (no candidate of the
        stratum had failed) and ``_if_all`` (every one had).

    Raises
    ------
    ValueError
        A column is missing, a value breaks its bounds, a candidate is a failure or has age 0,
        or the counts of one job's candidates differ.

    Examples
    --------
    >>> lives = pd.DataFrame({
    ...     "part": ["a"] * 5 + ["b"] * 5,
    ...     "age": [20.0, 30, 35, 50, 40, 60, 70, 95, 99, 40],
    ...     "failed": [True, True, True, True, False] * 2,
    ...     "masked_job": ["", "", "", "", "J7"] * 2,
    ... })
    >>> fits = masked_weibull_fits(lives, "part")
    >>> fits[["part", "known_failures", "failures", "shape"]].round(2).values.tolist()
    [['a', 4.0, 4.99, 3.96], ['b', 4.0, 4.01, 5.89]]
    """
    result, keys = _fitted(lives, by, confidence_level)
    fits = result.fits
    columns = {f.name: getattr(fits, f.name) for f in fields(fits) if f.name != "confidence_level"}
    columns["status"] = fits.status.astype(object)
    columns["known_failures"] = result.known_failures
    columns["masked_lives"] = result.masked_lives
    columns["linked"] = result.linked
    for name in ("shape", "scale", "b10"):
        columns[f"{name}_if_none"] = getattr(result.if_none, name)
        columns[f"{name}_if_all"] = getattr(result.if_all, name)
    return keys.assign(**columns)


def candidate_probabilities(lives: pd.DataFrame, by: By) -> pd.DataFrame:
    """Probability of each candidate of each masked job to be the one that had failed.

    Parameters
    ----------
    lives, by
        As for :func:`masked_weibull_fits`.

    Returns
    -------
    DataFrame
        One row per candidate, by job: ``masked_job``, keys, ``age`` [clock], ``probability``
        (at the estimates; adds up to 1 in each job), with the index of ``lives``.

    Raises
    ------
    ValueError
        As for :func:`masked_weibull_fits`.
    """
    result, _ = _fitted(lives, by, 0.95)
    names = [name for name in as_names(by) if name != "masked_job"]
    table = lives[["masked_job", *names, "age"]].assign(probability=result.probability)
    return table[_jobs(lives) >= 0].sort_values("masked_job", kind="stable")


def _jobs(lives: pd.DataFrame) -> NDArray[np.intp]:
    blank = lives["masked_job"].isna() | (lives["masked_job"] == "")
    codes, _ = pd.factorize(lives["masked_job"].mask(blank))
    return codes.astype(np.intp)


def _fitted(
    lives: pd.DataFrame, by: By, confidence_level: float
) -> tuple[MaskedFits, pd.DataFrame]:
    require_columns("lives", lives, ["masked_job", *as_names(by)])
    columns = life_columns(lives)
    codes, keys = stratum_codes(lives, by)
    plain = isinstance(lives.index, pd.RangeIndex)
    observed = observed_lives(
        codes,
        columns.age,
        columns.failed,
        entry=columns.entry,
        age_lower=columns.age_lower,
        count=columns.count,
        n_strata=len(keys),
        row_names=None if plain else lives.index.to_numpy(object),
    )
    return masked_fits(observed, _jobs(lives), confidence_level=confidence_level), keys
