"""Frames in and out: how far repairs restore the systems of each stratum.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.survival.event_tables import histories_of
from relkit.survival.frame_codes import By
from relkit.survival.restoration import FACTORS, Reach, RestorationFits, restoration_fits

__all__ = ["restoration_factors", "restoration_profiles"]

#: Events below which the estimate is called fragile whatever its limits: from experience with
#: simulated systems (own choice).
_FEW = 30
#: Width of the limits from which the factor is not known to speak of.
_WIDE = 0.5
_STATUSES = {
    "no system seen from age 0": "no system was seen from age 0, and virtual age needs all repairs",
    "too few events": "fewer than 3 events tell nothing of repairs",
    "no fit": "no Weibull law fits the virtual ages of any factor",
}


def restoration_factors(
    events: pd.DataFrame,
    ends: pd.DataFrame,
    by: By = None,
    *,
    reach: Reach = "last gap",
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Restoration factor of repairs: 0 leaves a system as new, 1 as old as it was.

    Parameters
    ----------
    events, ends, by
        As for :func:`relkit.survival.event_tables.mean_cumulative`. Only systems seen from age 0
        are used.
    reach : {"last gap", "whole age"}
        Whether a repair takes away wear since the last one only, or a share of all of it.
    confidence_level : float
        Two-sided, between 0 and 1. [1]

    Returns
    -------
    DataFrame
        Keys, ``systems``, ``events``, ``left_out`` (windows that start later), ``factor``,
        ``factor_lower``, ``factor_upper``, ``shape``, ``scale`` (Weibull law of a new system),
        ``p_as_new``, ``p_as_old`` (p-values of the two extremes), ``finding`` ("as new is ruled
        out", "as old is ruled out", "neither as new nor as old", "not known"), ``status``,
        ``caution`` (why not to lean on it).

    Raises
    ------
    ValueError
        As for :func:`relkit.survival.event_tables.mean_cumulative`, or ``reach`` is neither.

    Notes
    -----
    See :func:`relkit.survival.restoration.restoration_fits` for method and references, and
    look at the profile before using the number.

    Examples
    --------
    >>> events = pd.DataFrame({"system": "A", "age": [5.0, 9.0]})
    >>> ends = pd.DataFrame({"system": ["A"], "start": [0.0], "end": [12.0]})
    >>> restoration_factors(events, ends)["status"].tolist()
    ['too few events']
    """
    fits, keys = _fitted(events, ends, by, reach, confidence_level)
    names = (
        "systems", "events", "left_out", "factor", "factor_lower", "factor_upper", "shape",
        "scale", "p_as_new", "p_as_old",
    )  # fmt: skip
    rows = {name: getattr(fits, name) for name in names}
    new_out = fits.p_as_new < 1 - confidence_level
    old_out = fits.p_as_old < 1 - confidence_level
    finding = np.select(
        [new_out & old_out, new_out, old_out],
        ["neither as new nor as old", "as new is ruled out", "as old is ruled out"],
        "not known",
    )
    return keys.assign(
        **rows, finding=finding.astype(object), status=fits.status, caution=_cautions(fits)
    )


def restoration_profiles(
    events: pd.DataFrame,
    ends: pd.DataFrame,
    by: By = None,
    *,
    reach: Reach = "last gap",
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Log-likelihood of each restoration factor, under its maximum.

    Parameters
    ----------
    events, ends, by, reach, confidence_level
        As for :func:`restoration_factors`.

    Returns
    -------
    DataFrame
        Keys, ``factor``, ``fall`` (of the greatest log-likelihood for the factor below that of
        the best one), ``inside`` (whether the factor lies within the limits). A stratum without
        a factor has no row.

    Raises
    ------
    ValueError
        As for :func:`restoration_factors`.
    """
    fits, keys = _fitted(events, ends, by, reach, confidence_level)
    held = np.flatnonzero(fits.status == "ok")
    profile = fits.profile[held]
    top = np.nanmax(profile, axis=1, initial=-np.inf, keepdims=True)
    taken = keys.iloc[np.repeat(held, len(FACTORS))].reset_index(drop=True)
    factor = np.tile(FACTORS, len(held))
    lower, upper = (
        np.repeat(getattr(fits, name)[held], len(FACTORS))
        for name in ("factor_lower", "factor_upper")
    )
    return taken.assign(
        factor=factor, fall=(top - profile).ravel(), inside=(lower <= factor) & (factor <= upper)
    )


def _fitted(
    events: pd.DataFrame, ends: pd.DataFrame, by: By, reach: Reach, level: float
) -> tuple[RestorationFits, pd.DataFrame]:
    histories, keys = histories_of(events, ends, by)
    return restoration_fits(histories, reach=reach, confidence_level=level), keys


def _cautions(fits: RestorationFits) -> list[str]:
    cautions = []
    for i, status in enumerate(fits.status):
        if status != "ok":
            cautions.append(_STATUSES[status])
            continue
        parts = []
        if fits.events[i] < _FEW:
            parts.append(f"{fits.events[i]} events: fewer than {_FEW} seldom tell the factor")
        if fits.factor_upper[i] - fits.factor_lower[i] > _WIDE:
            parts.append("the limits hold most of the range: look at the profile")
        if 0.8 < fits.shape[i] < 1.3:
            parts.append("next to no wear: nothing tells what repairs restore")
        parts.append("unlike systems look like repairs that restore little")
        cautions.append("; ".join(parts))
    return cautions
