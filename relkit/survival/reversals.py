"""Reverse arrangements: in how many pairs of gaps between events is the later one longer.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from relkit.survival.risk_sets import sums_by

__all__ = ["ReversalTests", "later_longer_pairs", "reversal_tests"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Gaps of a single window up to which the exact distribution is used (no equal gaps).
_EXACT_GAPS = 30


@dataclass(frozen=True, slots=True, eq=False)
class ReversalTests:
    """One row per stratum."""

    reversals: Ints  #: pairs of which the later gap is longer [1]
    expected: Floats  #: mean number without trend [1]
    p_value: Floats  #: two-sided, equal gaps as half; NaN where no window has 3 gaps [1]


def reversal_tests(gap: Floats, window: Ints, stratum: Ints, n_strata: int) -> ReversalTests:
    """Reverse arrangement test of the gaps of all strata, pairs formed within windows.

    Parameters
    ----------
    gap : array, shape (n_gaps,)
        Gaps between events, in the order of time within each window. [clock]
    window : array of int, shape (n_gaps,)
        Window of each gap, rising.
    stratum : array of int, shape (n_windows,)
        Stratum of each window.
    n_strata : int
        Number of strata.

    Returns
    -------
    ReversalTests
        Exact for one window of up to 30 different gaps; else normal, with a continuity
        correction and the variance less for equal gaps.

    References
    ----------
    .. [1] H. B. Mann, Econometrica 13, 1945, 245-259.
    .. [2] M. G. Kendall, Rank Correlation Methods, 4th ed., Griffin, 1970, ch. 4 (chapter
       from memory).

    Examples
    --------
    >>> one = np.zeros(4, np.int64)
    >>> reversal_tests(np.array([1.0, 2.0, 3.0, 4.0]), one, one[:1], 1).p_value.round(4).tolist()
    [0.0833]
    """
    longer, equal = later_longer_pairs(gap, window)
    size = np.bincount(window, minlength=len(stratum)).astype(np.float64)
    code = stratum[window]
    count = sums_by(code, longer + equal / 2, n_strata)
    expected = sums_by(stratum, size * (size - 1) / 4, n_strata)
    variance = sums_by(stratum, size * (size - 1) * (2 * size + 5) / 72, n_strata) - sums_by(
        stratum, _tie_correction(gap, window, len(stratum)), n_strata
    )
    enough = (variance > 0) & (np.bincount(stratum[size > 2], minlength=n_strata) > 0)
    away = np.maximum(np.abs(count - expected) - 0.5, 0.0)
    p_value = np.where(enough, 2 * ndtr(-away / np.sqrt(np.where(enough, variance, 1.0))), np.nan)
    ties = sums_by(code, equal, n_strata)
    held = np.flatnonzero(size > 1)
    windows = np.bincount(stratum[held], minlength=n_strata)
    for place in held[(windows[stratum[held]] == 1) & (size[held] <= _EXACT_GAPS)]:
        row = int(stratum[place])
        if ties[row] == 0 and enough[row]:
            p_value[row] = _exact(int(size[place]), int(count[row]))
    strict = np.rint(count - ties / 2).astype(np.int64)
    return ReversalTests(strict, expected, np.minimum(p_value, 1.0))


def later_longer_pairs(gap: Floats, window: Ints) -> tuple[Floats, Floats]:
    """For each gap: earlier gaps of its window that are shorter, and that are equal.

    Counted in log2(n) passes: at each, windows are cut in blocks and the right half of a block
    is counted against its left half by one sort (own algebra).
    """
    longer, equal = np.zeros(len(gap)), np.zeros(len(gap))
    if not len(gap):
        return longer, equal
    values, rank = np.unique(gap, return_inverse=True)
    width = len(values) + 1
    position = np.arange(len(gap)) - np.searchsorted(window, window)
    half = 1
    while half <= position.max():
        block = window * (int(position.max()) // (2 * half) + 1) + position // (2 * half)
        right = (position // half) % 2 == 1
        keys = np.sort((block * width + rank)[~right])
        first = np.searchsorted(keys, block[right] * width)
        own = block[right] * width + rank[right]
        below = np.searchsorted(keys, own)
        longer[right] += below - first
        equal[right] += np.searchsorted(keys, own, side="right") - below
        half *= 2
    return longer, equal


def _tie_correction(gap: Floats, window: Ints, n_windows: int) -> Floats:
    """Return what equal gaps take off the variance, by window ([2])."""
    values, rank = np.unique(gap, return_inverse=True)
    keys, size = np.unique(window * (len(values) + 1) + rank, return_counts=True)
    size = size.astype(np.float64)
    weights = size * (size - 1) * (2 * size + 5) / 72
    return sums_by(keys // (len(values) + 1), weights, n_windows)


def _exact(n: int, reversals: int) -> float:
    share = _distribution(n)
    upper = float(share[reversals:].sum())
    lower = float(share[: reversals + 1].sum())
    return 2 * min(upper, lower)


@lru_cache(maxsize=64)
def _distribution(n: int) -> Floats:
    """Probability of each number of reversals among n different gaps in random order ([1])."""
    share = np.ones(1)
    for size in range(2, n + 1):
        share = np.convolve(share, np.full(size, 1 / size))
    return share
