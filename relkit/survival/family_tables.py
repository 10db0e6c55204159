"""Frames in and out: fits of several families of life distributions, side by side.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from relkit.survival.families import FAMILIES, FamilyName
from relkit.survival.family_fits import FamilyFits, family_fit
from relkit.survival.frame_codes import By, lives_of_strata
from relkit.survival.status import REASONS, Status

__all__ = ["family_fits"]

#: Parameters shown, by family: column and whether it is exp(theta), exp(-theta) or theta.
_SHOWN: dict[str, tuple[tuple[str, int], ...]] = {
    "exponential": (("scale", 1),),
    "Weibull": (("scale", 1), ("shape", -1)),
    "Weibull with threshold": (("scale", 1), ("shape", -1)),
    "lognormal": (("log_mean", 0), ("log_std_dev", 1)),
    "loglogistic": (("scale", 1), ("shape", -1)),
    "gamma": (("scale", 1), ("shape", 1)),
    "generalised gamma": (("log_location", 0), ("log_spread", 1), ("skew", 0)),
}
_NO_THRESHOLD = (
    "the likelihood keeps rising as the threshold nears the first failure: no estimate exists"
)
_COLUMNS = ("scale", "shape", "log_mean", "log_std_dev", "log_location", "log_spread", "skew")


def family_fits(
    lives: pd.DataFrame,
    by: By = None,
    *,
    families: Sequence[FamilyName] | None = None,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """Maximum likelihood fits of several families to each stratum, with AICc and BIC.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``, and where present ``age_lower``, ``entry``, ``count``
        and ``failure_share``.
    by : str or list of str, optional
        Columns that make the strata.
    families : list of str, optional
        Names of families; all where left out.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    DataFrame
        Per stratum a row for each family: the columns of ``by``, ``family``, its parameters
        (``scale`` and ``shape`` of exponential, Weibull, loglogistic and gamma, ``threshold``,
        ``log_mean`` and ``log_std_dev`` of the lognormal, ``log_location``, ``log_spread``
        (exponentiated) and ``skew`` of the generalised gamma), ``log_likelihood``, ``aic``,
        ``aicc``, ``bic`` (the last two with the number of lives), ``aicc_difference`` (over
        the best family of the stratum; below 2 the data do not tell them apart), ``b10``,
        ``b10_lower``, ``b10_upper``, ``lives``, ``failures``, ``status``, ``reason``.

    Raises
    ------
    ValueError
        A column is missing, a value is out of its bounds, or a family is unknown.

    Notes
    -----
    See :func:`relkit.survival.family_fits.family_fit` for method and references. A fit with a
    threshold says that nothing can fail before it: look for another reason for a late start
    (mixed modes, ages cut off, inspection) before believing it.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [10.0, 20.0, 30.0], "failed": [True, True, False]})
    >>> family_fits(lives, families=["exponential"])["scale"].round(6).tolist()
    [30.0]
    """
    names: Sequence[str] = list(FAMILIES) if families is None else families
    unknown = [name for name in names if name not in FAMILIES]
    if unknown:
        raise ValueError(f"family is {unknown[0]!r}: give one of {', '.join(FAMILIES)}")
    observed, keys = lives_of_strata(lives, by)
    parts = [
        _frame(family_fit(observed, FAMILIES[name].name, confidence_level=confidence_level), keys)
        for name in names
    ]
    table = pd.concat(parts).sort_index(kind="stable")
    best = table["aicc"].groupby(level=0).transform("min")
    place = int(table.columns.get_indexer(pd.Index(["bic"]))[0]) + 1
    table.insert(place, "aicc_difference", table["aicc"] - best)
    return table.reset_index(drop=True)


def _frame(fits: FamilyFits, keys: pd.DataFrame) -> pd.DataFrame:
    table = keys.assign(family=fits.family)
    shown = pd.DataFrame(np.nan, index=keys.index, columns=list(_COLUMNS))
    for column, (name, sign) in enumerate(_SHOWN[fits.family]):
        value = fits.theta[:, column]
        shown[name] = np.exp(sign * value) if sign else value
    own = {
        name: getattr(fits, name)
        for name in (
            "threshold", "log_likelihood", "aic", "aicc", "bic", "b10", "b10_lower", "b10_upper",
            "lives", "failures", "status",
        )
    }  # fmt: skip
    reasons = [
        _NO_THRESHOLD
        if FAMILIES[fits.family].threshold and status == Status.NO_MAXIMUM
        else REASONS[Status(str(status))]
        for status in fits.status
    ]
    rest = pd.DataFrame(own, index=keys.index).assign(reason=reasons)
    return pd.concat([table, shown, rest], axis=1)
