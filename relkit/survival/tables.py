"""Frames in and out: survival curves, cumulative hazards, Weibull fits, draws of parameters.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, share
from relkit.survival.draws import DrawLaw, drawn_parameters, law_of_estimates
from relkit.survival.few_failures import pooled_fits
from relkit.survival.frame_codes import (
    By,
    as_names,
    lives_of_strata,
    require_columns,
    stratum_codes,
)
from relkit.survival.known_shape import scale_lower_bounds
from relkit.survival.limits import B10_HAZARD
from relkit.survival.masked import masked_shares
from relkit.survival.nonparametric import (
    CumulativeHazards,
    SurvivalCurves,
    cumulative_hazard_steps,
    survival_steps,
)
from relkit.survival.weibull import LimitsKind, given_shape_fits, own_fits
from relkit.survival.weibull_likelihood import weibull_likelihood
from relkit.survival.weibull_result import WeibullFits, aged_lives

__all__ = [
    "cumulative_hazards",
    "parameter_draws",
    "pooled_weibull_fits",
    "scale_bounds",
    "shared_causes",
    "survival_curves",
    "weibull_fits",
]

_DRAW = "draw_"


def survival_curves(
    lives: pd.DataFrame,
    by: By = None,
    confidence_level: float = 0.95,
    *,
    fewest_at_risk: float = 0.0,
) -> pd.DataFrame:
    """Kaplan-Meier estimate of each stratum, one row per age at which something failed.

    At risk at age t are lives with entry < t <= age. See
    :func:`relkit.survival.nonparametric.survival_steps` for early risk sets that run empty
    under late entry: ``starts_at`` tells the age from which survival is counted, ``stops_at``
    the age after which too few are at risk, ``left_out`` the failures not in the curve.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``; ``entry``, ``count`` and ``failure_share`` (share of a
        failure, read where ``failed`` is False) are used when present. A failure found later
        (``age_lower``) counts at ``age``. [clock]
    by : str or sequence of str, optional
        Columns that make the strata; none: all lives are one.
    confidence_level : float
        Level of the two-sided limits (log-log form), between 0 and 1. [1]
    fewest_at_risk : float
        The curve ends when fewer are at risk, and with late entry starts when so many are. [1]

    Returns
    -------
    DataFrame
        Keys, ``age`` [clock], ``at_risk``, ``failures``, ``survival``, ``std_error``
        (Greenwood), ``lower``, ``upper``, ``starts_at`` [clock], ``left_out``, ``stops_at``
        (NaN where the curve is not cut) [clock]. Error and limits
        are NaN where survival is 0; a stratum without a failure has no row.

    Raises
    ------
    ValueError
        A column is missing or a value breaks its bounds: the rows are named.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [10.0, 20.0, 30.0], "failed": [True, False, True]})
    >>> survival_curves(lives)[["age", "at_risk", "survival"]].round(3).values.tolist()
    [[10.0, 3.0, 0.667], [30.0, 1.0, 0.0]]
    """
    observed, keys = lives_of_strata(lives, by)
    steps = survival_steps(
        observed, confidence_level=confidence_level, fewest_at_risk=fewest_at_risk
    )
    return _step_frame(steps, keys)


def cumulative_hazards(
    lives: pd.DataFrame, by: By = None, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Nelson-Aalen estimate of each stratum, one row per age at which something failed.

    Parameters
    ----------
    lives, by, confidence_level
        As for :func:`survival_curves`; limits are on the log scale.

    Returns
    -------
    DataFrame
        Keys, ``age`` [clock], ``at_risk``, ``failures``, ``cumulative_hazard``, ``std_error``
        (root of the sum of failures over at risk squared), ``lower``, ``upper``.

    Raises
    ------
    ValueError
        A column is missing or a value breaks its bounds: the rows are named.
    """
    observed, keys = lives_of_strata(lives, by)
    return _step_frame(cumulative_hazard_steps(observed, confidence_level=confidence_level), keys)


def weibull_fits(
    lives: pd.DataFrame,
    by: By = None,
    shape: ArrayLike | None = None,
    confidence_level: float = 0.95,
    limits: LimitsKind = "fisher",
    *,
    rng: np.random.Generator | int = 0,
    replicates: int = 1000,
) -> pd.DataFrame:
    """Two-parameter Weibull fit of each stratum by maximum likelihood, one row each.

    R(t) = exp(-(t / scale)^shape). A stratum that cannot be fitted is a row with a ``status``
    and a ``reason``; it never stops the others. Lives of age 0 are not in the fit: those that
    failed are counted in ``zero_ages``.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``; ``entry``, ``age_lower`` (last age known good of a
        failure found later), ``count`` and ``failure_share`` are used when present. [clock]
    by : str or sequence of str, optional
        Columns that make the strata; none: all lives are one.
    shape : float or array_like, optional
        Known shape, for all strata or for each in the order of the result: only the scale is
        fitted, with chi-square limits whatever ``limits`` says. [1]
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]
    limits : {"fisher", "profile", "likelihood ratio", "bootstrap"}
        Observed information on the log scale; likelihood ratio corrected for small samples;
        the same without correction, as in textbooks; refits with random weights.
    rng : numpy.random.Generator or int
        Source of the weights, only used by "bootstrap".
    replicates : int
        Number of refits, only used by "bootstrap".

    Returns
    -------
    DataFrame
        Keys, ``lives``, ``failures``, ``zero_ages``, ``exposure``, ``shape``, ``scale`` and
        ``b10`` each with ``_lower`` and ``_upper``, ``log_likelihood``,
        ``log_shape_std_error``, ``log_scale_std_error``, ``log_correlation``,
        ``probability_of_wear`` (that the shape is above 1), ``shape_source``, ``status``,
        ``reason``. Where nothing failed, ``scale_lower`` and ``b10_lower`` are one-sided bounds,
        for shape 1 if none was given.

    Raises
    ------
    ValueError
        A column is missing, an option is not one of its choices, or a value breaks its
        bounds: the rows are named.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [50.0, 80.0, 90.0, 90.0], "failed": [1, 1, 1, 0]})
    >>> weibull_fits(lives)[["failures", "shape", "scale", "status"]].round(2).values.tolist()
    [[3.0, 5.04, 87.51, 'ok']]
    """
    observed, keys = lives_of_strata(lives, by)
    if shape is not None:
        given = given_shape_fits(observed, shape, confidence_level=confidence_level)
        return _fit_frame(given, keys)
    fits = own_fits(
        observed, confidence_level=confidence_level, limits=limits, rng=rng, replicates=replicates
    )
    return _fit_frame(fits, keys)


def pooled_weibull_fits(
    lives: pd.DataFrame,
    by: By,
    pool: By = None,
    *,
    confidence_level: float = 0.95,
    limits: LimitsKind = "profile",
    rng: np.random.Generator | int = 0,
) -> pd.DataFrame:
    """Weibull fit of each stratum that borrows the shape from its pool where failures are few.

    See :func:`relkit.survival.few_failures.pooled_fits` for the rules: own shape from 5
    failures, shape shared over the pool with 1 to 4, a bound of the scale only with none.

    Parameters
    ----------
    lives, by, confidence_level, limits, rng
        As for :func:`weibull_fits`.
    pool : str or sequence of str, optional
        Those of the columns ``by`` that make the pools, such as the component; none: all
        strata are one pool.

    Returns
    -------
    DataFrame
        As from :func:`weibull_fits`, and columns ``draw_...`` that :func:`parameter_draws` uses.

    Raises
    ------
    ValueError
        As for :func:`weibull_fits`, or a column of ``pool`` is not one of ``by``.
    """
    observed, keys = lives_of_strata(lives, by)
    names = as_names(pool)
    strange = [name for name in names if name not in keys.columns]
    if strange:
        raise ValueError(f"pool names {', '.join(strange)}: must be columns named in by")
    codes, pools = stratum_codes(keys, names)
    called = [", ".join(map(str, row)) for row in pools.itertuples(index=False)] or ["all strata"]
    result = pooled_fits(
        observed, codes, called, confidence_level=confidence_level, limits=limits, rng=rng
    )
    law = {_DRAW + name: numbers for name, numbers in asdict(result.law).items()}
    return _fit_frame(result.fits, keys).assign(**law)


def scale_bounds(
    lives: pd.DataFrame,
    by: By = None,
    shapes: Sequence[float] = (1.0, 1.5, 2.0, 3.0),
    *,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """One-sided lower bounds of scale and B10 life for stated shapes, also without a failure.

    Parameters
    ----------
    lives, by
        As for :func:`weibull_fits`.
    shapes : sequence of float
        Shapes to suppose, each above 0. [1]
    confidence_level : float
        Level of the one-sided bounds, between 0 and 1. [1]

    Returns
    -------
    DataFrame
        Keys, ``lives``, ``failures``, ``shape``, ``scale_lower``, ``b10_lower``; a row for each
        stratum and shape.

    Raises
    ------
    ValueError
        As for :func:`weibull_fits`.
    """
    share("confidence_level", confidence_level)
    given = positive("shapes", shapes)
    observed, keys = lives_of_strata(lives, by)
    aged = aged_lives(observed)
    likelihood = weibull_likelihood(aged)
    rows, shape = np.repeat(np.arange(len(keys)), len(given)), np.tile(given, len(keys))
    bounds = [
        scale_lower_bounds(likelihood, np.full(len(keys), b), confidence_level) for b in given
    ]
    bound = np.stack(bounds, axis=1).ravel()
    table: pd.DataFrame = keys.iloc[rows].reset_index(drop=True)
    return table.assign(
        lives=aged.strata.sums(aged.counts())[rows],
        failures=likelihood.failures[rows],
        shape=shape,
        scale_lower=bound,
        b10_lower=bound * B10_HAZARD ** (1 / shape),
    )


def shared_causes(lives: pd.DataFrame, by: By) -> pd.Series[float]:
    """Share of a failure that each life stands for, from masked jobs.

    See :func:`relkit.survival.masked.masked_shares` for the method and for what must hold of
    the way in which causes are masked.

    Parameters
    ----------
    lives : DataFrame
        As for :func:`weibull_fits`, and ``masked_job``: the same text for all candidates of
        one job of unknown cause, blank elsewhere.
    by : str or sequence of str
        Columns that make the strata; each has its own Weibull law.

    Returns
    -------
    Series
        ``failure_share``, with the index of ``lives``: 1 for failures, 0 for unfailed lives, a
        share between for the candidates, whose shares add up to 1 in each job.

    Raises
    ------
    ValueError
        As for :func:`weibull_fits`, or a candidate is a failure or has age 0.
    """
    require_columns("lives", lives, ["masked_job"])
    unshared = lives.drop(columns="failure_share", errors="ignore")
    observed, _ = lives_of_strata(unshared, by)
    blank = lives["masked_job"].isna() | (lives["masked_job"] == "")
    codes, _ = pd.factorize(lives["masked_job"].mask(blank))
    result = masked_shares(observed, codes.astype(np.intp))
    return pd.Series(result.share, index=lives.index, name="failure_share")


def parameter_draws(
    fits: pd.DataFrame, draws: int, rng: np.random.Generator | int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shapes and scales that stand for what is not known of them, (n_strata, draws) each.

    From :func:`pooled_weibull_fits` the draws follow the likelihood of every stratum with what
    its pool lends, also where nothing failed. From :func:`weibull_fits` they follow estimates
    and errors, with the stated prior on the shape. A stratum without exposure gets NaN.

    Parameters
    ----------
    fits : DataFrame
        From one of these two functions.
    draws : int
        Number of draws of each stratum, at least 1.
    rng : numpy.random.Generator or int
        Source of the draws; the same integer gives the same draws.

    Raises
    ------
    ValueError
        ``draws`` is below 1, or ``fits`` holds neither draw columns nor estimates for all rows.
    """
    names = [field.name for field in fields(DrawLaw)]
    if _DRAW + names[0] in fits.columns:
        law = DrawLaw(*(fits[_DRAW + name].to_numpy(np.float64) for name in names))
        return drawn_parameters(law, draws, rng)
    needed = ["log_shape_std_error", "log_scale_std_error", "log_correlation"]
    require_columns("fits", fits, ["shape", "scale", "failures", *needed])
    missing = np.flatnonzero(fits["scale"].isna())
    if len(missing):
        raise ValueError(
            f"fits has no estimate in row {missing[0]} ({len(missing)} of {len(fits)} rows): "
            "use pooled_weibull_fits, which borrows"
        )
    estimates = (fits[name].to_numpy(np.float64) for name in ("shape", "scale", "failures"))
    errors: dict[str, Any] = {name: fits[name].to_numpy(np.float64) for name in needed}
    return drawn_parameters(law_of_estimates(*estimates, **errors), draws, rng)


def _step_frame(steps: SurvivalCurves | CumulativeHazards, keys: pd.DataFrame) -> pd.DataFrame:
    columns = asdict(steps)
    del columns["confidence_level"]
    table: pd.DataFrame = keys.iloc[columns.pop("stratum")].reset_index(drop=True)
    return table.assign(**columns)


def _fit_frame(fits: WeibullFits, keys: pd.DataFrame) -> pd.DataFrame:
    columns = {f.name: getattr(fits, f.name) for f in fields(fits) if f.name != "confidence_level"}
    columns["status"] = fits.status.astype(object)
    return keys.assign(**columns)
