"""Frames in and out: own, pooled and pool-wide estimates of each stratum, and draws of them.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from dataclasses import fields

import pandas as pd

from relkit.survival.frame_codes import By, as_names, life_columns, require_columns, stratum_codes
from relkit.survival.observed import observed_lives
from relkit.survival.partial_pooling import PartialPooling, partial_pooling

__all__ = ["partially_pooled_fits"]

_LEFT_OUT = ("confidence_level", "posterior", "log_reference")


def partially_pooled_fits(
    lives: pd.DataFrame, by: By, pool: By = None, confidence_level: float = 0.95
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

    Returns
    -------
    DataFrame
        Keys, ``lives``, ``failures``, ``shape``, ``scale`` and ``b10`` each with ``_lower`` and
        ``_upper``,
        ``own_shape``, ``own_scale``, ``pool_shape``, ``pool_scale``, ``pull`` (way of the log
        scale from own to pool), ``shape_pull``, ``borrowed``, ``status`` (of the own fit),
        ``reason`` (why nothing was borrowed).

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
    result, keys = _pooled(lives, by, pool, confidence_level)
    names = [f.name for f in fields(result) if f.name not in _LEFT_OUT]
    table = {name: getattr(result, name) for name in names}
    return keys.assign(**table | {"status": result.status.astype(object)})


def _pooled(
    lives: pd.DataFrame, by: By, pool: By, confidence_level: float
) -> tuple[PartialPooling, pd.DataFrame]:
    require_columns("lives", lives, as_names(by))
    strange = [name for name in as_names(pool) if name not in as_names(by)]
    if strange:
        raise ValueError(f"pool names {', '.join(strange)}: must be columns named in by")
    columns = life_columns(lives)
    codes, keys = stratum_codes(lives, by)
    pools, pool_keys = stratum_codes(keys, pool)
    shares = None
    if "failure_share" in lives.columns:
        shares = lives["failure_share"].fillna(0.0).to_numpy(dtype="float64")
    plain = isinstance(lives.index, pd.RangeIndex)
    observed = observed_lives(
        codes,
        columns.age,
        columns.failed,
        entry=columns.entry,
        age_lower=columns.age_lower,
        count=columns.count,
        failure_share=shares,
        n_strata=len(keys),
        row_names=None if plain else lives.index.to_numpy(object),
    )
    result = partial_pooling(observed, pools, len(pool_keys), confidence_level=confidence_level)
    return result, keys
