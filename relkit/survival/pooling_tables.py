"""Frames in and out: own, pooled and pool-wide estimates of each stratum, and draws of them.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import generator
from relkit.survival.draws import drawn_parameters, law_of_estimates
from relkit.survival.frame_codes import By, as_names, lives_of_strata, stratum_codes
from relkit.survival.observed import ObservedLives
from relkit.survival.partial_pooling import PartialPooling, drawn_cells, partial_pooling
from relkit.survival.weibull import own_fits

__all__ = ["partially_pooled_draws", "partially_pooled_fits"]

_LEFT_OUT = ("confidence_level", "posterior", "log_reference")


def partially_pooled_fits(
    lives: pd.DataFrame,
    by: By,
    pool: By = None,
    confidence_level: float = 0.95,
    *,
    subpool: By = None,
) -> pd.DataFrame:
    """Own, pooled and pool-wide shape and scale of each stratum, and how far it was pulled.

    See :func:`relkit.survival.partial_pooling.partial_pooling` for the model.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``; ``entry``, ``age_lower``, ``count`` and
        ``failure_share`` are used when present. [clock]
    by : str or sequence of str
        Columns that make the strata, such as component and location.
    pool : str or sequence of str, optional
        Those of the columns ``by`` that make the pools; none: all strata are one pool.
    confidence_level : float
        Probability between the limits, between 0 and 1. [1]
    subpool : str or sequence of str, optional
        Those of the columns ``by`` that make the parts of the pools whose strata are more alike,
        such as component and location group (low and wet, in the cab).

    Returns
    -------
    DataFrame
        Keys, ``lives``, ``failures``, ``shape``, ``scale`` and ``b10`` each with ``_lower`` and
        ``_upper``, ``own_shape``, ``own_scale``, ``pool_shape``, ``pool_scale``,
        ``subpool_shape``, ``subpool_scale``, ``pull`` (way of the log scale from own to pool),
        ``shape_pull``, ``borrowed``, ``status`` (of the own fit), ``reason`` (why nothing was
        borrowed).

    Raises
    ------
    ValueError
        A column is missing, a value breaks its bounds, or a column of ``pool`` is not one of
        ``by``.

    Examples
    --------
    >>> lives = pd.DataFrame({
    ...     "location": ["roof"] * 6 + ["rear"] * 6,
    ...     "age": [300.0, 500, 700, 800, 900, 900, 400, 900, 900, 900, 900, 900],
    ...     "failed": [True] * 4 + [False] * 2 + [True] + [False] * 5,
    ... })
    >>> fits = partially_pooled_fits(lives, "location")
    >>> fits[["location", "failures", "borrowed"]].values.tolist()
    [['rear', 1.0, True], ['roof', 4.0, True]]
    """
    result, keys, _ = _pooled(lives, by, pool, subpool, confidence_level)
    return _fit_frame(result, keys)


def partially_pooled_draws(
    lives: pd.DataFrame,
    by: By,
    pool: By = None,
    *,
    subpool: By = None,
    draws: int = 400,
    rng: np.random.Generator | int = 0,
    confidence_level: float = 0.95,
) -> tuple[pd.DataFrame, NDArray[np.float64], NDArray[np.float64]]:
    """Pooled fits, and shapes and scales that stand for what is not known of them.

    Parameters
    ----------
    lives, by, pool, subpool, confidence_level
        As for :func:`partially_pooled_fits`.
    draws : int
        Draws of each stratum, at least 1. [1]
    rng : numpy.random.Generator or int
        Source of the draws; the same integer gives the same draws.

    Returns
    -------
    fits : DataFrame
        As from :func:`partially_pooled_fits`.
    shape, scale : ndarray, shape (n_strata, draws)
        In the order of ``fits``: from the pooled posterior; from the own fit where it stands;
        NaN where nothing is known.

    Raises
    ------
    ValueError
        As for :func:`partially_pooled_fits`, or ``draws`` is below 1.
    """
    result, keys, observed = _pooled(lives, by, pool, subpool, confidence_level)
    source = generator(rng)
    shape, scale = drawn_cells(result, draws, source)
    own = ~result.borrowed & np.isfinite(result.scale)
    if own.any():
        fits = own_fits(observed.of_strata(own))
        law = law_of_estimates(
            fits.shape,
            fits.scale,
            fits.failures,
            log_shape_std_error=fits.log_shape_std_error,
            log_scale_std_error=fits.log_scale_std_error,
            log_correlation=fits.log_correlation,
        )
        shape[own], scale[own] = drawn_parameters(law, draws, source)
    return _fit_frame(result, keys), shape, scale


def _fit_frame(result: PartialPooling, keys: pd.DataFrame) -> pd.DataFrame:
    names = [f.name for f in fields(result) if f.name not in _LEFT_OUT]
    table = {name: getattr(result, name) for name in names}
    return keys.assign(**table | {"status": result.status.astype(object)})


def _pooled(
    lives: pd.DataFrame, by: By, pool: By, subpool: By, confidence_level: float
) -> tuple[PartialPooling, pd.DataFrame, ObservedLives]:
    for role, columns in (("pool", pool), ("subpool", subpool)):
        strange = [name for name in as_names(columns) if name not in as_names(by)]
        if strange:
            raise ValueError(f"{role} names {', '.join(strange)}: must be columns named in by")
    observed, keys = lives_of_strata(lives, by)
    pools, pool_keys = stratum_codes(keys, pool)
    # a subpool of one name in two pools is two subpools
    inner = [*as_names(pool), *as_names(subpool)]
    parts = stratum_codes(keys, list(dict.fromkeys(inner)))[0] if as_names(subpool) else None
    result = partial_pooling(
        observed,
        pools.astype(np.intp),
        len(pool_keys),
        subpool=None if parts is None else parts.astype(np.intp),
        confidence_level=confidence_level,
    )
    return result, keys, observed
