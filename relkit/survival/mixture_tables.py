"""Frames in and out: two populations in one stratum.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.survival.frame_codes import By, lives_of_strata
from relkit.survival.mixtures import FEWEST_FOR_TWO, MixtureFits, mixture_fit
from relkit.survival.status import REASONS, Status

__all__ = ["mixture_fits"]

_REASONS = {
    "too few failures": f"fewer than {FEWEST_FOR_TWO:g} failures cannot carry two laws",
    "not told apart": (
        "no two laws of at least two failures each fit better than one: the data do not "
        "identify a mixture"
    ),
}


def mixture_fits(
    lives: pd.DataFrame, by: By = None, *, confidence_level: float = 0.95
) -> pd.DataFrame:
    """Mixture of two Weibull laws in each stratum, and whether it is worth it.

    A kink in a Weibull plot may be two populations: a bad batch among good items, or items
    fitted badly among items fitted well. Look for what tells them apart before believing it.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``; ``entry``, ``age_lower``, ``count`` and
        ``failure_share`` are used when present. [clock]
    by : str or sequence of str, optional
        Columns that make the strata; none: all lives are one.
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]

    Returns
    -------
    DataFrame
        Keys, ``lives``, ``failures``, ``share_early`` (share of items in the population of the
        lesser scale), ``shape_early``, ``scale_early``, ``shape_late``, ``scale_late``, each
        with ``_lower`` and ``_upper``, ``log_likelihood``, ``log_likelihood_of_one``,
        ``bic_gain`` (above 0 speaks for two laws), ``finding`` ("two populations", "one law is
        enough" or "not known"), ``status``, ``reason``.

    Raises
    ------
    ValueError
        A column is missing, or a value breaks its bounds: the rows are named.

    Notes
    -----
    See :func:`relkit.survival.mixtures.mixture_fit` for method and references. A stratum of
    some hundred lives takes about half a second.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [10.0, 20.0, 30.0], "failed": True})
    >>> mixture_fits(lives)[["status", "finding"]].values.tolist()
    [['too few failures', 'not known']]
    """
    observed, keys = lives_of_strata(lives, by)
    fits = mixture_fit(observed, confidence_level=confidence_level)
    ends = ("", "_lower", "_upper")
    columns: dict[str, np.ndarray] = {"lives": fits.lives, "failures": fits.failures}
    columns |= {f"share_early{end}": getattr(fits, f"share{end}") for end in ends}
    for place, name in enumerate(("early", "late")):
        for parameter in ("shape", "scale"):
            for end in ends:
                columns[f"{parameter}_{name}{end}"] = getattr(fits, parameter + end)[place]
    columns |= {
        name: getattr(fits, name)
        for name in ("log_likelihood", "log_likelihood_of_one", "bic_gain")
    }
    words = [_REASONS.get(str(s)) or REASONS[Status(str(s))] for s in fits.status]
    return keys.assign(**columns, finding=_findings(fits), status=fits.status, reason=words)


def _findings(fits: MixtureFits) -> np.ndarray:
    with np.errstate(invalid="ignore"):  # NaN where there is no mixture
        finding = np.where(fits.bic_gain > 0, "two populations", "one law is enough").astype(object)
    finding[fits.status == "not told apart"] = "one law is enough"
    finding[~np.isin(fits.status, ["ok", "not told apart"])] = "not known"
    return finding
