"""Are lives of several groups alike: log-rank test and its weighted forms, with late entry.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from relkit.checks import within
from relkit.survival.risk_sets import Spans, blocks, risk_index, running_survival, spans, sums_by

__all__ = ["GroupComparisons", "PairComparisons", "group_comparisons", "holm", "pair_comparisons"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Share of the largest eigenvalue below which a direction carries no information.
_RANK_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class GroupComparisons:
    """One test per stratum; the fields named ``cell`` have one row per group in a stratum."""

    statistic: Floats  #: chi-square, NaN where nothing can be compared [1]
    degrees_of_freedom: Ints  #: groups less 1, fewer where risk sets do not meet [1]
    p_value: Floats  #: probability of as large a statistic if the groups are alike [1]
    status: NDArray[np.str_]  #: "ok", "no failures", "one group" or "nothing to compare"
    cell_stratum: Ints  #: stratum of each row of the cell fields
    cell_group: Ints  #: group of each row of the cell fields
    lives: Floats  #: by cell: lives, with their frequency weights [1]
    observed: Floats  #: by cell: failures seen [1]
    expected: Floats  #: by cell: failures expected if the groups were alike [1]


@dataclass(frozen=True, slots=True, eq=False)
class PairComparisons:
    """One row per pair of groups in a stratum."""

    stratum: Ints
    group: Ints  #: first group of the pair
    other: Ints  #: second group of the pair
    statistic: Floats  #: chi-square [1]
    p_value: Floats  #: of this pair alone [1]
    p_value_adjusted: Floats  #: by Holm, over the pairs of the stratum [1]


def group_comparisons(
    age: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    early: float = 0.0,
    late: float = 0.0,
) -> GroupComparisons:
    """Log-rank test of several groups in each stratum, weighted where wished.

    Parameters
    ----------
    age : array_like, shape (n_lives,)
        Age at failure or end of observation, at least 0. [clock]
    failed : array_like of bool
        Whether the life ended by failure.
    group : array_like of int
        Code of the group, from 0.
    entry, count, stratum : array_like, optional
        Age at which observation began [clock], frequency weight [1], code of the stratum.
    early, late : float
        Powers of the Fleming-Harrington weight S(t-)^early (1 - S(t-))^late, at least 0, with
        the survival of all groups together; 0 and 0 give the log-rank test. [1]

    Returns
    -------
    GroupComparisons
        ``observed`` and ``expected`` are counts of failures, without the weight.

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    References
    ----------
    .. [1] T. R. Fleming and D. P. Harrington, Counting Processes and Survival Analysis, Wiley,
       1991, section 7.2 (section from memory).

    Examples
    --------
    >>> test = group_comparisons([1.0, 2.0, 3.0, 4.0], [True] * 4, [0, 0, 1, 1])
    >>> test.observed.tolist(), test.p_value.round(3).tolist()
    ([2.0, 2.0], [0.09])
    """
    powers = float(within("early", early, 0.0)), float(within("late", late, 0.0))
    lives = spans(age, entry=entry, count=count, stratum=stratum)
    groups, ended = np.asarray(group, np.int64), np.asarray(failed, bool)
    for name, given in (("group", groups), ("failed", ended)):
        if given.shape != lives.age.shape:
            raise ValueError(f"{name} has shape {given.shape}: give one value for each age")
    if len(groups) and groups.min() < 0:
        raise ValueError("group holds a code below 0: give codes from 0")
    width = int(groups.max(initial=-1)) + 1
    cells, cell = np.unique(lives.stratum * max(width, 1) + groups, return_inverse=True)
    cell_stratum = cells // max(width, 1)
    return _tests(lives, ended & lives.seen, cell, cell_stratum, cells % max(width, 1), powers)


def _tests(
    lives: Spans,
    failed: NDArray[np.bool_],
    cell: Ints,
    cell_stratum: Ints,
    cell_group: Ints,
    powers: tuple[float, float],
) -> GroupComparisons:
    n_strata = int(lives.stratum.max(initial=-1)) + 1
    first = np.searchsorted(cell_stratum, np.arange(n_strata))
    size = np.bincount(cell_stratum, minlength=n_strata)
    ages = np.unique(lives.age[failed])
    key = lives.stratum[failed] * len(ages) + np.searchsorted(ages, lives.age[failed])
    keys, row = np.unique(key, return_inverse=True)
    stratum, rank = keys // max(len(ages), 1), keys % max(len(ages), 1)
    failures = sums_by(row, lives.count[failed], len(keys))
    at_risk = _at_risk(lives, cell, ages, stratum, rank, first, size)
    weight, variance = _weights(stratum, failures, at_risk.sum(axis=1), powers)
    share = at_risk / np.maximum(at_risk.sum(axis=1), 1e-300)[:, None]
    column = cell - first[lives.stratum]
    seen = np.zeros(at_risk.shape)
    np.add.at(seen, (row, column[failed]), lives.count[failed])
    excess = _by_stratum(weight[:, None] * (seen - share * failures[:, None]), stratum, n_strata)
    spread = _spread(share, variance, stratum, n_strata)
    statistic, freedom = _quadratic_form(excess, spread)
    expected = _by_stratum(share * failures[:, None], stratum, n_strata)
    return GroupComparisons(
        statistic=statistic,
        degrees_of_freedom=freedom,
        p_value=np.where(freedom > 0, chdtrc(np.maximum(freedom, 1), statistic), np.nan),
        status=_status(size, np.bincount(stratum, minlength=n_strata), freedom),
        cell_stratum=cell_stratum,
        cell_group=cell_group,
        lives=sums_by(cell, lives.count, len(cell_stratum)),
        observed=sums_by(cell[failed], lives.count[failed], len(cell_stratum)),
        expected=expected[cell_stratum, np.arange(len(cell_stratum)) - first[cell_stratum]],
    )


def _at_risk(
    lives: Spans, cell: Ints, ages: Floats, stratum: Ints, rank: Ints, first: Ints, size: Ints
) -> Floats:
    """Numbers at risk by failure age and group, groups in columns."""
    on = lives.seen
    index = risk_index(ages, cell[on], lives.entry[on], lives.age[on], lives.count[on])
    table = np.zeros((len(stratum), int(size.max(initial=1))))
    for column in range(table.shape[1]):
        held = size[stratum] > column
        table[held, column] = index.sums(first[stratum[held]] + column, rank[held])
    return table


def _weights(
    stratum: Ints, failures: Floats, at_risk: Floats, powers: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Weight of each failure age, and the factor of the hypergeometric variance."""
    emptied = failures >= at_risk * (1 - 1e-12)
    # a risk set that late entry lets empty and fill again starts a new survival curve
    spell = stratum + np.cumsum(np.append(0, emptied[:-1]))[: len(stratum)]
    before, _ = running_survival(at_risk, failures, spell)
    weight = before ** powers[0] * (1 - before) ** powers[1]
    above_one = np.where(at_risk > 1, at_risk - 1, np.inf)
    return weight, weight**2 * failures * np.maximum(at_risk - failures, 0.0) / above_one


def _by_stratum(values: Floats, stratum: Ints, n_strata: int) -> Floats:
    sums = np.zeros((n_strata, values.shape[1]))
    if len(stratum):
        first = np.flatnonzero(np.concatenate([[True], stratum[1:] != stratum[:-1]]))
        sums[stratum[first]] = np.add.reduceat(values, first, axis=0)
    return sums


def _spread(share: Floats, variance: Floats, stratum: Ints, n_strata: int) -> Floats:
    k = share.shape[1]
    spread = np.zeros((n_strata, k, k))
    diagonal = _by_stratum(variance[:, None] * share, stratum, n_strata)
    for column in range(k):
        product = (variance * share[:, column])[:, None] * share
        spread[:, column, :] = -_by_stratum(product, stratum, n_strata)
        spread[:, column, column] += diagonal[:, column]
    return spread


def _quadratic_form(excess: Floats, spread: Floats) -> tuple[Floats, Ints]:
    """Chi-square of each stratum, with the rank of its variance as degrees of freedom."""
    scale = np.sqrt(np.einsum("sii->si", spread))
    unit = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(spread / unit[:, :, None] / unit[:, None, :])
    largest = values.max(axis=1, initial=0.0)[:, None]
    kept = (values > _RANK_TOLERANCE * largest) & (values > 0)
    along = np.einsum("sij,si->sj", vectors, excess / unit)
    freedom = kept.sum(axis=1)
    parts = np.where(kept, along**2 / np.where(kept, values, 1.0), 0.0)
    return np.where(freedom > 0, parts.sum(axis=1), np.nan), freedom


def _status(groups: Ints, failure_ages: Ints, freedom: Ints) -> NDArray[np.str_]:
    return np.select(
        [groups < 2, failure_ages == 0, freedom == 0],
        ["one group", "no failures", "nothing to compare"],
        default="ok",
    )


def pair_comparisons(
    age: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    early: float = 0.0,
    late: float = 0.0,
) -> PairComparisons:
    """Log-rank test of each pair of groups in each stratum, adjusted by Holm.

    Parameters, errors and references are those of :func:`group_comparisons`; each pair is
    tested on its own lives only.

    References
    ----------
    .. [1] S. Holm, Scandinavian Journal of Statistics 6, 1979, 65-70.

    Examples
    --------
    >>> pairs = pair_comparisons([1.0, 2.0, 3.0, 4.0], [True] * 4, [0, 0, 1, 1])
    >>> pairs.p_value_adjusted.round(3).tolist()
    [0.09]
    """
    lives = spans(age, entry=entry, count=count, stratum=stratum)
    groups = np.asarray(group, np.int64)
    width = int(groups.max(initial=-1)) + 1
    cells = np.unique(lives.stratum * max(width, 1) + groups)
    cell_stratum, cell_group = cells // max(width, 1), cells % max(width, 1)
    ended = np.asarray(failed, bool)
    one, two = _pairs(cell_stratum)
    cell = np.searchsorted(cells, lives.stratum * max(width, 1) + groups)
    # each life once for every pair its cell belongs to: the pair is the stratum of the test
    member = np.argsort(cell, kind="stable")
    held = np.bincount(cell, minlength=len(cells))
    start = np.cumsum(held) - held
    side = np.concatenate([one, two])
    pair = np.concatenate([np.arange(len(one))] * 2)
    sizes = held[side]
    row = member[blocks(start[side], sizes)]
    test = group_comparisons(
        lives.age[row],
        ended[row],
        np.repeat(np.concatenate([np.zeros_like(one), np.ones_like(two)]), sizes),
        entry=np.maximum(lives.entry, 0.0)[row],
        count=lives.count[row],
        stratum=np.repeat(pair, sizes),
        early=early,
        late=late,
    )
    return PairComparisons(
        stratum=cell_stratum[one],
        group=cell_group[one],
        other=cell_group[two],
        statistic=test.statistic,
        p_value=test.p_value,
        p_value_adjusted=holm(test.p_value, cell_stratum[one]),
    )


def _pairs(cell_stratum: Ints) -> tuple[Ints, Ints]:
    """All pairs of cells of one stratum, the earlier cell first."""
    n = len(cell_stratum)
    past = np.searchsorted(cell_stratum, cell_stratum, side="right")
    partners = past - np.arange(n) - 1
    return np.repeat(np.arange(n), partners), blocks(np.arange(n) + 1, partners)


def holm(p_values: ArrayLike, family: ArrayLike | None = None) -> Floats:
    """P-values adjusted for how many were looked at, by Holm's step-down rule.

    Parameters
    ----------
    p_values : array_like, shape (n,)
        Single p-values; NaN (no test) is passed over and not counted. [1]
    family : array_like of int, shape (n,), optional
        Code of the family each belongs to; one family where left out.

    Returns
    -------
    array, shape (n,)

    References
    ----------
    .. [1] S. Holm, Scandinavian Journal of Statistics 6, 1979, 65-70.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.asarray(p_values, dtype=np.float64)
    codes = np.zeros(len(p), np.int64) if family is None else np.asarray(family, np.int64)
    adjusted = np.full(len(p), np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    if not len(tested):
        return adjusted
    order = tested[np.lexsort((p[tested], codes[tested]))]
    code = codes[order]
    first = np.searchsorted(code, code)
    left = np.searchsorted(code, code, side="right") - np.arange(len(code))
    raised = np.minimum(p[order] * left, 1.0)
    # running maximum within a family: by whole ranks, so that small p-values keep their digits
    rising = np.argsort(raised, kind="stable")
    rank = np.empty(len(raised), np.int64)
    rank[rising] = np.arange(len(raised))
    highest = np.maximum.accumulate(rank + first * len(raised)) - first * len(raised)
    adjusted[order] = raised[rising[highest]]
    return adjusted
