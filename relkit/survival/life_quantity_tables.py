"""Frames in and out: lives, survival and mean lives with limits, from curves and from families.

Layer: survival (door). pandas and numpy; the array functions know no frames.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import generator, share
from relkit.survival.curve_quantities import curve_means, curve_quantiles, last_ages
from relkit.survival.families import FAMILIES, FamilyName
from relkit.survival.frame_codes import By, lives_of_strata
from relkit.survival.nonparametric import survival_steps
from relkit.survival.quantity_limits import LifeQuantities, life_quantity_limits
from relkit.survival.status import REASONS, Status
from relkit.survival.weibull import LimitsKind

__all__ = ["curve_quantities", "life_quantities"]

Floats = NDArray[np.float64]
_NOT_SO_FAR = "the curve does not fall so far: the share has not failed while enough were at risk"
_NOT_SEEN = "too few lives are at risk at this age"
_NOT_REACHED = "hardly any item reaches this age"
_NONE_FAILED = "nothing failed: there are no limits"


def life_quantities(
    lives: pd.DataFrame,
    by: By = None,
    *,
    families: Sequence[FamilyName] = ("Weibull",),
    shares: Sequence[float] = (0.1,),
    ages: Sequence[float] = (),
    reached: Sequence[float] = (0.0,),
    confidence_level: float = 0.95,
    limits: LimitsKind = "profile",
    rng: np.random.Generator | int = 0,
    replicates: int = 1000,
) -> pd.DataFrame:
    """Parameters, lives, survival and mean life of each stratum, each with limits.

    What an item that has reached an age may still expect is asked for by ``reached``: its
    remaining life by which a share fails, its survival of a further time, its mean remaining
    life.

    Parameters
    ----------
    lives : DataFrame
        Columns ``age`` and ``failed``, and where present ``age_lower``, ``entry``, ``count``
        and ``failure_share``. [clock]
    by : str or sequence of str, optional
        Columns that make the strata.
    families : sequence of str
        Families of life distributions.
    shares : sequence of float
        Shares failed, each between 0 and 1: 0.1 for the B10 life. [1]
    ages : sequence of float
        Times after the age reached, above 0, at which survival is asked for. [clock]
    reached : sequence of float
        Ages reached; 0: from new. [clock]
    confidence_level : float
        Two-sided, between 0 and 1. [1]
    limits : {"fisher", "profile", "likelihood ratio", "bootstrap"}
        As for :func:`relkit.survival.tables.weibull_fits`.
    rng : numpy.random.Generator or int
        Source of the weights, only used by "bootstrap".
    replicates : int
        Number of refits, only used by "bootstrap".

    Returns
    -------
    DataFrame
        Keys, ``family``, ``quantity`` (a parameter by name, "life", "survival", "mean life"),
        ``reached`` [clock], ``at`` (share of a life, time of a survival, else NaN),
        ``estimate``, ``lower``, ``upper``, ``failures``, ``status``, ``reason``. Lives and mean
        lives count on from the age reached. A stratum without a fit has NaN and says why.

    Raises
    ------
    ValueError
        A column is missing, a value is out of its bounds, or an option is not one of its
        choices.

    Notes
    -----
    See :func:`relkit.survival.quantity_limits.life_quantity_limits` for methods and references.
    Some 10 ms a stratum and family with limits "profile".

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [10.0, 20.0, 30.0, 30.0], "failed": [1, 1, 1, 0]})
    >>> table = life_quantities(lives, families=["exponential"], shares=[0.5])
    >>> table[["quantity", "estimate"]].round(2).values.tolist()
    [['scale', 30.0], ['life', 20.79], ['mean life', 30.0]]
    """
    unknown = [name for name in families if name not in FAMILIES]
    if unknown:
        raise ValueError(f"family is {unknown[0]!r}: give one of {', '.join(FAMILIES)}")
    observed, keys = lives_of_strata(lives, by)
    source = generator(rng)
    parts = []
    for name in families:
        found = life_quantity_limits(
            observed,
            name,
            shares=shares,
            ages=ages,
            reached=reached,
            confidence_level=confidence_level,
            limits=limits,
            rng=source,
            replicates=replicates,
        )
        parts.append(_quantity_frame(found, keys))
    table = pd.concat(parts).sort_index(kind="stable")
    return table.reset_index(drop=True)


def _quantity_frame(found: LifeQuantities, keys: pd.DataFrame) -> pd.DataFrame:
    number, strata = len(found.quantities), len(keys)
    taken = keys.iloc[np.tile(np.arange(strata), number)]
    words = [REASONS[Status(str(status))] for status in found.fits.status]
    reason = np.where(found.reason == "", np.array(words, dtype=object), found.reason)

    told = np.tile(reason, number)
    lost = (told == "") & np.isnan(found.estimate.ravel())
    told = np.where(lost, _NOT_REACHED, told)

    def each(values: list[float] | list[str]) -> NDArray[np.object_] | Floats:
        return np.repeat(np.array(values), strata)

    return taken.assign(
        family=found.family,
        quantity=each([q.name for q in found.quantities]),
        reached=each([q.reached for q in found.quantities]),
        at=each([q.at for q in found.quantities]),
        estimate=found.estimate.ravel(),
        lower=found.lower.ravel(),
        upper=found.upper.ravel(),
        failures=np.tile(found.fits.failures, number),
        status=np.tile(found.fits.status.astype(object), number),
        reason=told,
    )


def curve_quantities(
    lives: pd.DataFrame,
    by: By = None,
    *,
    shares: Sequence[float] = (0.1, 0.5),
    up_to: float | None = None,
    confidence_level: float = 0.95,
    fewest_at_risk: float = 5.0,
) -> pd.DataFrame:
    """Ages by which a share has failed, and the mean time without failure, without a model.

    Read from the Kaplan-Meier curve while enough lives are at risk.

    Parameters
    ----------
    lives : DataFrame
        As for :func:`relkit.survival.tables.survival_curves`.
    by : str or sequence of str, optional
        Columns that make the strata.
    shares : sequence of float
        Shares failed, each between 0 and 1: 0.5 for the median. [1]
    up_to : float, optional
        Age up to which the mean counts, which must be the same for strata that are to be
        compared; where left out, each stratum's last age with enough at risk. [clock]
    confidence_level : float
        Two-sided, between 0 and 1. [1]
    fewest_at_risk : float
        The curve ends when fewer are at risk, and with late entry starts when so many are. [1]

    Returns
    -------
    DataFrame
        Keys, ``quantity`` ("life" or "restricted mean"), ``at`` (share of a life, age up to
        which the mean counts), ``estimate``, ``lower``, ``upper``, ``std_error`` (of means),
        ``starts_at`` (all is given survival of this age; means count from it) [clock],
        ``reason`` (why something is missing).

    Raises
    ------
    ValueError
        A column is missing, or a value is out of its bounds.

    Notes
    -----
    See :func:`relkit.survival.curve_quantities.curve_quantiles` and
    :func:`relkit.survival.curve_quantities.curve_means` for methods and references.

    Examples
    --------
    >>> lives = pd.DataFrame({"age": [10.0, 20.0, 30.0, 40.0], "failed": True})
    >>> table = curve_quantities(lives, shares=[0.5], up_to=40.0, fewest_at_risk=0)
    >>> table[["quantity", "estimate"]].values.tolist()
    [['life', 20.0], ['restricted mean', 25.0]]
    """
    for p in shares:
        share("shares", p)
    if up_to is not None and not 0 < up_to < np.inf:
        raise ValueError(f"up_to is {up_to:g}: must be finite and above 0")
    observed, keys = lives_of_strata(lives, by)
    n = observed.strata.n_strata
    curve = survival_steps(
        observed, confidence_level=confidence_level, fewest_at_risk=fewest_at_risk
    )
    parts = []
    for p in shares:
        found = curve_quantiles(curve, p, n)
        reason = np.where(np.isnan(found.age), _NOT_SO_FAR, "").astype(object)
        columns = (found.age, found.lower, found.upper, np.full(n, np.nan), found.starts_at)
        parts.append(_curve_frame(keys, "life", np.full(n, p), columns, reason))
    ends = last_ages(observed, fewest_at_risk) if up_to is None else np.full(n, float(up_to))
    mean = curve_means(
        observed,
        ends,
        confidence_level=confidence_level,
        fewest_at_risk=fewest_at_risk,
    )
    reason = np.where(np.isnan(mean.std_error), _NONE_FAILED, "").astype(object)
    reason[np.isnan(mean.mean)] = _NOT_SEEN
    columns = (mean.mean, mean.lower, mean.upper, mean.std_error, mean.starts_at)
    parts.append(_curve_frame(keys, "restricted mean", ends, columns, reason))
    return pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)


def _curve_frame(
    keys: pd.DataFrame,
    quantity: str,
    at: Floats,
    columns: tuple[Floats, ...],
    reason: NDArray[np.object_],
) -> pd.DataFrame:
    names = ("estimate", "lower", "upper", "std_error", "starts_at")
    values = dict(zip(names, columns, strict=True))
    return keys.assign(quantity=quantity, at=at, **values, reason=reason)
