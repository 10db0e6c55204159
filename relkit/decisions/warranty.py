"""Warranty: failures inside it that nobody claimed, and claims still to expect.

Layer: decisions. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv

from relkit.checks import positive, within
from relkit.checks import share as checked_share
from relkit.decisions.lifetimes import weibull_parameters
from relkit.decisions.renewal import renewals
from relkit.decisions.spares import demand_limits
from relkit.survival.rates import failure_rates

__all__ = ["ClaimsExpected", "ClaimsMissed", "claims_expected", "claims_missed"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class ClaimsMissed:
    """Failures under warranty; masks have one value per life, the rest one per stratum."""

    missed: Bools  #: failed inside the warranty, no claim, (n_lives,)
    not_known: Bools  #: failed, not claimed; date or reading missing to tell, (n_lives,)
    claimed_outside: Bools  #: claimed, but failed past the warranty, (n_lives,)
    failures_inside: Integers  #: failures inside the warranty
    missed_count: Integers  #: of them, without a claim
    not_known_count: Integers  #: failures that might be inside
    missed_share: Floats  #: of the failures inside; NaN where there are none [1]
    missed_share_lower: Floats  #: exact binomial limits [1]
    missed_share_upper: Floats
    exposure: Floats  #: time that items were watched under warranty [d]
    failure_rate: Floats  #: failures inside over exposure; NaN without exposure [1/d]
    failure_rate_lower: Floats  #: exact Poisson limits [1/d]
    failure_rate_upper: Floats
    confidence_level: float  #: of the two-sided limits [1]


@dataclass(frozen=True, slots=True, eq=False)
class ClaimsExpected:
    """Claims over what is left of the warranties; one value per stratum unless stated."""

    days_left: Floats  #: until time or use ends each item's warranty, (n_items,) [d]
    failure_probability: Floats  #: that each item fails before, mean over draws, (n_items,)
    items: Integers  #: items still under warranty
    expected: Floats  #: mean number of claims
    lower: Integers  #: prediction limits, counts and parameters both uncertain
    upper: Integers
    confidence_level: float  #: least probability between the limits [1]


def claims_missed(
    calendar_age: ArrayLike,
    failed: ArrayLike,
    claimed: ArrayLike,
    stratum: ArrayLike,
    *,
    warranty_time: ArrayLike,
    age: ArrayLike = np.nan,
    warranty_use: ArrayLike = np.inf,
    n_strata: int | None = None,
    confidence_level: float = 0.95,
) -> ClaimsMissed:
    """Failures inside the warranty for which no claim was made, and how often that happens.

    Parameters
    ----------
    calendar_age : array_like of shape (n_lives,)
        Time from fitting to the failure or the end of the life; NaN where the fitting date is
        not known. [d]
    failed, claimed : array_like of bool, shape (n_lives,)
        Ended by its own failure; a claim was made for it.
    stratum : array_like of int, shape (n_lives,)
        Stratum of each life, from 0.
    warranty_time : array_like of shape () or (n_lives,)
        Warranty from the fitting date, above 0. [d]
    age : array_like of shape () or (n_lives,)
        Use from fitting to the end; NaN where not known. [h or km]
    warranty_use : array_like of shape () or (n_lives,)
        Use at which the warranty ends, whichever comes first; inf: time only. [h or km]
    n_strata : int, optional
        Number of strata; none: as many as the codes need.
    confidence_level : float
        Of the two-sided limits. [1]

    Returns
    -------
    ClaimsMissed
        A failure on the last day or at the last hour is inside.

    Raises
    ------
    ValueError
        A value is out of bounds (argument, position and value are named), or the shapes do
        not fit.

    Notes
    -----
    Where use ends a warranty, its date is put at an even rate of use over the life.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, Biometrika 26, 1934, 404-413 (limits of a share).
    Limits of the rate: as in ``relkit.survival.rates.failure_rates``.

    Examples
    --------
    Two years of warranty: failed inside and claimed, inside and not, outside, still fitted.

    >>> found = claims_missed(
    ...     [300.0, 500.0, 900.0, 400.0], [True, True, True, False],
    ...     [True, False, False, False], [0, 0, 0, 0], warranty_time=730.0,
    ... )
    >>> found.missed.tolist(), found.missed_share.tolist()
    ([False, True, False, False], [0.5])
    """
    code, count = _codes(stratum, n_strata)
    days = _known_or_nan("calendar_age", calendar_age, code.shape)
    use = _known_or_nan("age", age, code.shape)
    limit_days, limit_use = _terms(warranty_time, warranty_use, code.shape)
    broken, asked = (
        _flags(n, v, code.shape) for n, v in (("failed", failed), ("claimed", claimed))
    )
    outside = (days > limit_days) | (use > limit_use)
    inside = (days <= limit_days) & ((use <= limit_use) | np.isposinf(limit_use))
    missed, not_known = broken & inside & ~asked, broken & ~inside & ~outside & ~asked

    def counted(mask: Bools) -> Integers:
        return np.bincount(code[mask], minlength=count).astype(np.int64)

    failures, missing = counted(broken & inside), counted(missed)
    lower, upper = _share_limits(missing, failures, confidence_level)
    watched_days = _days_inside(days, use, limit_days, limit_use)
    exposure = np.bincount(code, watched_days, count).astype(np.float64)
    watched = exposure > 0
    rates = failure_rates(
        failures, np.where(watched, exposure, 1.0), confidence_level=confidence_level
    )
    return ClaimsMissed(
        missed=missed,
        not_known=not_known,
        claimed_outside=broken & outside & asked,
        failures_inside=failures,
        missed_count=missing,
        not_known_count=counted(not_known),
        missed_share=_over(missing, failures),
        missed_share_lower=lower,
        missed_share_upper=upper,
        exposure=exposure,
        failure_rate=np.where(watched, rates.rate, np.nan),
        failure_rate_lower=np.where(watched, rates.lower, np.nan),
        failure_rate_upper=np.where(watched, rates.upper, np.nan),
        confidence_level=float(confidence_level),
    )


def claims_expected(
    calendar_age: ArrayLike,
    age: ArrayLike,
    stratum: ArrayLike,
    *,
    use_rate: ArrayLike,
    scale: ArrayLike,
    shape: ArrayLike,
    warranty_time: ArrayLike,
    warranty_use: ArrayLike = np.inf,
    ahead: float = np.inf,
    confidence_level: float = 0.8,
) -> ClaimsExpected:
    """Claims to expect from the items present until their warranties end.

    Assumes that a replaced item is covered for the rest of the first one's warranty, and that
    each failure inside it is claimed.

    Parameters
    ----------
    calendar_age, age : array_like of shape (n_items,)
        Time since fitting [d] and use since then [h or km] of the items present, 0 or more.
    stratum : array_like of int, shape (n_items,)
        Stratum of each item, 0 to n_strata - 1.
    use_rate : array_like of shape () or (n_items,)
        Use per day to come, 0 or more. [h or km per d]
    scale, shape : array_like of shape (n_strata, n_draws)
        Draws of Weibull scale above 0 [h or km] and shape of at least 0.01 [1], in pairs; a few
        tens of draws are enough for a forecast.
    warranty_time, warranty_use : array_like of shape () or (n_items,)
        Warranty from the fitting date [d], and use at which it ends, inf: time only.
    ahead : float
        Days ahead to count claims in; inf: all that is left of the warranties. [d]
    confidence_level : float
        Least probability that the number lies between the limits. [1]

    Returns
    -------
    ClaimsExpected
        Items past their warranty count nothing.

    Raises
    ------
    ValueError
        A value is out of bounds: argument, position and value are named.

    References
    ----------
    Renewal function from the present age (``relkit.decisions.renewal.renewals``), number of
    claims as a mixture of Poisson laws over the draws (``demand_limits``).

    Examples
    --------
    Two items of one year, of which one is past its warranty by use; random failures:

    >>> ahead = claims_expected(
    ...     [365.0, 365.0], [1000.0, 5000.0], [0, 0], use_rate=4.0, scale=[[14600.0]],
    ...     shape=[[1.0]], warranty_time=730.0, warranty_use=4000.0,
    ... )
    >>> ahead.days_left.tolist(), ahead.expected.round(3).tolist()
    ([365.0, 0.0], [0.1])
    """
    eta, beta = (np.atleast_2d(v) for v in weibull_parameters(scale, shape))
    eta, beta = np.broadcast_arrays(eta, beta)
    code, count = _codes(stratum, len(eta))
    days, use, rate = (
        np.broadcast_to(within(name, values, 0.0), code.shape)
        for name, values in (
            ("calendar_age", calendar_age),
            ("age", age),
            ("use_rate", use_rate),
        )
    )
    limit_days, limit_use = _terms(warranty_time, warranty_use, code.shape)
    if not ahead > 0:
        raise ValueError(f"ahead is {ahead:g}: must be above 0, or inf for all that is left")
    left = np.minimum(np.maximum(limit_days - days, 0.0), ahead)
    use_left = np.maximum(limit_use - use, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_use = np.where(use_left > 0, np.where(rate > 0, use_left / rate, np.inf), 0.0)
    left = np.minimum(left, by_use)
    part = np.flatnonzero(left > 0)
    probability = np.zeros(len(code))
    means = np.zeros((count, eta.shape[1]))
    if len(part):
        each = renewals(
            (left * rate)[part, None],
            scale=eta[code[part]],
            shape=beta[code[part]],
            age=use[part, None],
        )
        probability[part] = each.first_failure_probability.mean(axis=1)
        np.add.at(means, code[part], each.expected)
    limits = demand_limits(means, confidence_level=confidence_level)
    return ClaimsExpected(
        days_left=left,
        failure_probability=probability,
        items=np.bincount(code[part], minlength=count).astype(np.int64),
        expected=limits.expected,
        lower=limits.lower,
        upper=limits.upper,
        confidence_level=float(confidence_level),
    )


def _codes(stratum: ArrayLike, n_strata: int | None) -> tuple[Codes, int]:
    code = np.asarray(stratum)
    if code.ndim != 1 or not np.issubdtype(code.dtype, np.integer):
        raise ValueError(
            f"stratum is {code.dtype} of shape {code.shape}: give one whole number per life"
        )
    most = n_strata - 1 if n_strata is not None else np.iinfo(np.int64).max
    within("stratum", code, 0, most)
    return code.astype(np.intp), int(n_strata if n_strata is not None else code.max() + 1)


def _known_or_nan(name: str, values: ArrayLike, form: tuple[int, ...]) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    within(name, np.where(np.isnan(array), 0.0, array), 0.0)
    return np.broadcast_to(array, form)


def _terms(time: ArrayLike, use: ArrayLike, form: tuple[int, ...]) -> tuple[Floats, Floats]:
    days, most = positive("warranty_time", time), np.asarray(use, dtype=np.float64)
    positive("warranty_use", np.where(np.isposinf(most), 1.0, most))
    return np.broadcast_to(days, form), np.broadcast_to(most, form)


def _flags(name: str, values: ArrayLike, form: tuple[int, ...]) -> Bools:
    flags = np.asarray(values)
    if flags.dtype != np.bool_ or flags.shape != form:
        raise ValueError(
            f"{name} is {flags.dtype} of shape {flags.shape}: give True or False per life, {form}"
        )
    return flags


def _days_inside(days: Floats, use: Floats, limit_days: Floats, limit_use: Floats) -> Floats:
    """Days under warranty that each life was watched; 0 where its fitting date is not known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(use > limit_use, limit_use / use, 1.0)
    return np.nan_to_num(np.minimum(days * part, limit_days), nan=0.0)


def _over(part: Integers, whole: Integers) -> Floats:
    nothing = np.full(len(part), np.nan)
    return np.asarray(np.divide(part, whole, out=nothing, where=whole > 0))


def _share_limits(part: Integers, whole: Integers, level: float) -> tuple[Floats, Floats]:
    tail = (1 - checked_share("confidence_level", level)) / 2
    rest = whole - part
    # [1]: quantiles of beta laws, 0 and 1 where all or none
    lower = np.where(part > 0, betaincinv(np.maximum(part, 1), rest + 1.0, tail), 0.0)
    upper = np.where(rest > 0, betaincinv(part + 1.0, np.maximum(rest, 1), 1 - tail), 1.0)
    none = whole == 0
    return np.where(none, np.nan, lower), np.where(none, np.nan, upper)
