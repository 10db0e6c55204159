"""Frames in and out: what kind of failures each stratum has, and how good the evidence is.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.survival.frame_codes import By, lives_of_strata, stratum_codes
from relkit.survival.verdict import evidence_grades, stratum_verdicts
from relkit.survival.weibull import own_fits

__all__ = ["failure_verdicts"]


def failure_verdicts(
    lives: pd.DataFrame, by: By = None, *, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Early-life, random, wearing out, mixed or too few to tell, with a grade of the evidence.

    ``relkit.survival.verdict.VERDICT_RULE`` and ``GRADE_RULE`` are the rules in words.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``; ``entry``, ``age_lower``, ``count`` and
        ``failure_share`` are used when present. ``age_estimated`` and ``masked_job``, when
        present, may lower the grade. [clock]
    by : str or list of str, optional
        Columns that make the strata.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    DataFrame
        The columns of ``by``, ``failures``, ``shape``, ``shape_lower``, ``shape_upper``,
        ``turning_age`` (parts early failures from wear; NaN unless mixed), ``verdict``,
        ``verdict_reason``, ``grade`` ("strong", "fair", "weak", "none"), ``grade_reason``.

    Raises
    ------
    ValueError
        A column is missing or a value is out of its bounds.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [70.0, 82.0, 90.0, 95.0, 99.0, 104.0], "failed": True})
    >>> failure_verdicts(lives)[["verdict", "grade"]].to_numpy().tolist()
    [['wearing out', 'weak']]
    """
    observed, keys = lives_of_strata(lives, by)
    result = stratum_verdicts(observed, confidence_level=confidence_level)
    fits = own_fits(observed, confidence_level=confidence_level, limits="profile")
    masked, estimated = _doubtful_shares(lives, by, len(keys))
    grades = evidence_grades(
        result.failures,
        fits.b10_lower,
        fits.b10_upper,
        masked_share=masked,
        estimated_share=estimated,
    )
    return keys.assign(
        failures=result.failures,
        shape=result.shape,
        shape_lower=result.shape_lower,
        shape_upper=result.shape_upper,
        turning_age=result.turning_age,
        verdict=result.verdict.astype(object),
        verdict_reason=result.reason,
        grade=grades.grade.astype(object),
        grade_reason=grades.reason,
    )


def _doubtful_shares(lives: pd.DataFrame, by: By, n_strata: int) -> tuple[np.ndarray, np.ndarray]:
    """Share of each stratum's failures that are of unknown cause, and that have estimated ages."""
    codes, _ = stratum_codes(lives, by)
    failures = lives["failed"].to_numpy(np.float64)
    if "failure_share" in lives.columns:
        failures = np.maximum(failures, lives["failure_share"].fillna(0.0).to_numpy(np.float64))
    if "count" in lives.columns:
        failures = failures * lives["count"].to_numpy(np.float64)
    total = np.maximum(np.bincount(codes, failures, n_strata), 1e-300)
    none: np.ndarray = np.zeros(len(lives))
    masked, estimated = none, none
    if "masked_job" in lives.columns:
        masked = lives["masked_job"].fillna("").ne("").to_numpy(np.float64)
    if "age_estimated" in lives.columns:
        estimated = lives["age_estimated"].to_numpy(np.float64)
    return (
        np.minimum(np.bincount(codes, failures * masked, n_strata) / total, 1.0),
        np.minimum(np.bincount(codes, failures * estimated, n_strata) / total, 1.0),
    )
