"""Cumulative incidence of several causes of failure (Aalen-Johansen), with late entry.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from relkit.checks import share
from relkit.survival.risk_sets import (
    Spans,
    blocks,
    risk_index,
    running_sums,
    running_survival,
    spans,
    sums_by,
)

__all__ = ["CumulativeIncidences", "cumulative_incidences"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class CumulativeIncidences:
    """One row per stratum, cause seen in it and age at which anything failed in it."""

    stratum: Ints  #: code of the stratum
    cause: Ints  #: code of the cause
    age: Floats  #: age at which something failed [clock]
    at_risk: Floats  #: items at risk at that age [1]
    failures: Floats  #: failures by this cause at that age [1]
    incidence: Floats  #: share failed by this cause up to and at the age [1]
    std_error: Floats  #: its standard error [1]
    lower: Floats  #: lower confidence limit, NaN while the incidence is 0 [1]
    upper: Floats  #: upper confidence limit, NaN while the incidence is 0 [1]
    survival: Floats  #: share not failed by any cause [1]
    starts_at: Floats  #: 0, or the age to which the curve takes survival as given [clock]
    confidence_level: float


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Distinct ages at which anything failed, by stratum."""

    stratum: Ints
    age: Floats
    at_risk: Floats
    failures: Floats
    starts_at: Floats
    key: Ints  #: stratum and rank of the age, as one number
    life_key: Ints  #: the same of each failed life, in their order


def cumulative_incidences(
    age: ArrayLike,
    cause: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> CumulativeIncidences:
    """Share of items that have failed by each cause while the other causes act too.

    Assumes that entry and censoring tell nothing about the coming failure.

    Parameters
    ----------
    age : array_like, shape (n_lives,)
        Age at failure or end of observation, at least 0. [clock]
    cause : array_like of int, shape (n_lives,)
        Code of the cause, from 0; -1 where the life did not end by failure.
    entry, count, stratum : array_like, optional
        Age at which observation began [clock], frequency weight [1], code of the stratum.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    CumulativeIncidences
        At risk at an age means entry < age at risk <= age at end. Where late entry leaves an
        age with everything at risk failed and more items entering after it, the curve starts
        after that age and ``starts_at`` says so.

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    Notes
    -----
    The variance is [2]_'s, of Greenwood type: with one cause it is Greenwood's. Limits are
    formed on log(-log(incidence)).

    References
    ----------
    .. [1] O. O. Aalen and S. Johansen, Scandinavian Journal of Statistics 5, 1978, 141-150.
    .. [2] E. Marubini and M. G. Valsecchi, Analysing Survival Data from Clinical Trials and
       Observational Studies, Wiley, 1995, eq. 10.12 (number from memory).

    Examples
    --------
    >>> cumulative_incidences([1.0, 2.0, 3.0, 4.0], [0, 1, 0, -1]).incidence.tolist()
    [0.25, 0.25, 0.5, 0.0, 0.25, 0.25]
    """
    level = share("confidence_level", confidence_level)
    lives = spans(age, entry=entry, count=count, stratum=stratum)
    codes = np.asarray(cause, dtype=np.int64)
    if codes.shape != lives.age.shape:
        raise ValueError(f"cause has shape {codes.shape}: give one code for each age")
    failed = lives.seen & (codes >= 0)
    table = _failure_table(lives, failed)
    return _by_cause(table, lives, codes, failed, level)


def _failure_table(lives: Spans, failed: NDArray[np.bool_]) -> _Table:
    ages = np.unique(lives.age[failed])
    width = len(ages) + 1
    index = risk_index(
        ages,
        lives.stratum[lives.seen],
        lives.entry[lives.seen],
        lives.age[lives.seen],
        lives.count[lives.seen],
    )
    key = lives.stratum[failed] * width + np.searchsorted(ages, lives.age[failed])
    keys, row = np.unique(key, return_inverse=True)
    failures = sums_by(row, lives.count[failed], len(keys))
    stratum, rank = keys // width, keys % width
    at_risk = index.sums(stratum, rank)
    emptied = failures >= at_risk * (1 - 1e-12)
    more = np.append(stratum[1:] == stratum[:-1], False)[: len(keys)]
    restart = emptied & more
    start = np.full(int(stratum.max(initial=-1)) + 1, -1.0)
    np.maximum.at(start, stratum[restart], ages[rank[restart]])
    kept = ages[rank] > start[stratum]
    return _Table(
        stratum=stratum[kept],
        age=ages[rank[kept]],
        at_risk=at_risk[kept],
        failures=failures[kept],
        starts_at=np.maximum(start, 0.0)[stratum[kept]],
        key=keys[kept],
        life_key=key,
    )


def _by_cause(
    table: _Table, lives: Spans, cause: Ints, failed: NDArray[np.bool_], level: float
) -> CumulativeIncidences:
    before, after = running_survival(table.at_risk, table.failures, table.stratum)
    n_causes = max(int(cause.max(initial=-1)) + 1, 1)
    held = np.isin(table.life_key, table.key)  # not those before a curve's start
    life_row = np.searchsorted(table.key, table.life_key[held])
    pair_key = table.stratum[life_row] * n_causes + cause[failed][held]
    pairs, pair = np.unique(pair_key, return_inverse=True)
    pair_stratum = pairs // n_causes
    first = np.searchsorted(table.stratum, pair_stratum)
    size = np.searchsorted(table.stratum, pair_stratum, side="right") - first
    row = blocks(first, size)
    code = np.repeat(np.arange(len(pairs)), size)
    place = (np.cumsum(size) - size)[pair] + life_row - first[pair]
    own = sums_by(place, lives.count[failed][held], len(row))
    incidence, std_error = _incidence(table, row, code, own, before)
    lower, upper = _limits(incidence, std_error, level)
    return CumulativeIncidences(
        stratum=table.stratum[row],
        cause=(pairs % n_causes)[code],
        age=table.age[row],
        at_risk=table.at_risk[row],
        failures=own,
        incidence=incidence,
        std_error=std_error,
        lower=lower,
        upper=upper,
        survival=after[row],
        starts_at=table.starts_at[row],
        confidence_level=level,
    )


def _incidence(
    table: _Table, row: Ints, code: Ints, own: Floats, before: Floats
) -> tuple[Floats, Floats]:
    """Aalen-Johansen estimate and its standard error, by cause within stratum."""
    n, d, s = table.at_risk[row], table.failures[row], before[row]
    incidence = running_sums(s * own / n, code)
    # [2] with the square multiplied out, so that running sums do; the last age of a curve may
    # leave nothing at risk, but its own term has the factor I(t) - I(t) = 0.
    left = np.where(d >= n * (1 - 1e-12), np.inf, n - d)
    a, b = d / (n * left), s * own / n**2
    sum_a = running_sums(a, code) - a
    sum_b = running_sums(incidence * a + b, code) - incidence * a - b
    sum_c = running_sums(incidence**2 * a + 2 * incidence * b, code)
    sum_c -= incidence**2 * a + 2 * incidence * b
    spread = running_sums(s**2 * own * (n - own) / n**3, code)
    variance = incidence**2 * sum_a - 2 * incidence * sum_b + sum_c + spread
    # rounding may leave a difference just below 0
    return incidence, np.sqrt(np.where(variance < 0, 0.0, variance))


def _limits(incidence: Floats, std_error: Floats, level: float) -> tuple[Floats, Floats]:
    z = float(ndtri((1 + level) / 2))
    inside = (incidence > 0) & (incidence < 1 - 1e-12)
    value = np.where(inside, incidence, 0.5)
    # capped where rounding has left an error at an incidence of all but 1
    stretch = np.exp(np.minimum(z * std_error / (value * -np.log(value)), 700.0))
    with np.errstate(under="ignore"):  # 0 is the right limit
        lower, upper = value**stretch, value ** (1 / stretch)
    return np.where(inside, lower, np.nan), np.where(inside, upper, np.nan)
