"""Where interval-censored failures can lie: intervals of support, and lives as runs of them.

Layer: survival. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.survival.risk_sets import sums_by

__all__ = ["SupportProblem", "spread_over", "support_problem"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class SupportProblem:
    """Like lives taken together; each is a run of support intervals ``low`` to ``high``."""

    weight: Floats
    failed: Bools
    low: Ints  #: first support interval in which the failure may lie
    high: Ints  #: last one; of no meaning for survivors
    at_risk: Floats  #: by support interval: weight of lives known to survive it
    certain: Bools  #: by support interval: some fail there and nobody is known to survive it


def support_problem(
    start: Floats, age: Floats, failed: Bools, entry: Floats, count: Floats
) -> tuple[Floats, Floats, SupportProblem]:
    """Lower and upper ends of the innermost intervals, and the lives as runs of them.

    Ends of lives (Turnbull 1976) and entries (Frydman 1994) bound the intervals; an entry of -1
    is a life seen from age 0. ``start`` equal to ``age`` is a failure at an exact age.
    """
    ages = np.unique(np.concatenate([start[failed], age, entry]))
    # place of a point on the line: twice its rank, one more for "just after"
    exact = failed & (start == age)
    left = 2 * np.searchsorted(ages, np.where(failed, start, age)) + ~exact
    right = 2 * np.searchsorted(ages, age)
    begin = 2 * np.searchsorted(ages, entry)
    lefts, rights = np.unique(left), np.unique(np.concatenate([right[failed], begin]))
    # an interval of support runs from a left end to the next right end, no other left between
    next_right = np.searchsorted(rights, lefts)
    bounded = next_right < len(rights)
    lefts, ends = lefts[bounded], rights[next_right[bounded]]
    inner = np.append(lefts[1:] > ends[:-1], True)[: len(lefts)]
    lefts, ends = lefts[inner], ends[inner]
    low = np.searchsorted(lefts, left)
    high = np.searchsorted(ends, right, side="right") - 1
    first = np.searchsorted(lefts, begin, side="right")
    high[~failed] = -1
    rows, back = np.unique(np.column_stack([failed, first, low, high]), axis=0, return_inverse=True)
    weight = sums_by(back.ravel(), count, len(rows))
    problem = _grouped(weight, rows, len(lefts))
    return ages[lefts // 2], ages[ends // 2], problem


def _grouped(weight: Floats, rows: Ints, n_support: int) -> SupportProblem:
    failed, begin, low, high = rows[:, 0] == 1, rows[:, 1], rows[:, 2], rows[:, 3]
    at_risk = spread_over(weight, begin, low, n_support)
    covered = spread_over(weight[failed], low[failed], high[failed] + 1, n_support)
    return SupportProblem(weight, failed, low, high, at_risk, (covered > 0) & (at_risk == 0))


def spread_over(values: Floats, first: Ints, past: Ints, size: int) -> Floats:
    """Return the sum of the values over every position from ``first`` up to, not with, ``past``."""
    steps = sums_by(first, values, size + 1).astype(np.float64)
    steps -= sums_by(past, values, size + 1)
    sums = np.cumsum(steps)[:size]
    held = np.bincount(first, minlength=size + 1) - np.bincount(past, minlength=size + 1)
    return np.where(np.cumsum(held)[:size] > 0, sums, 0.0)  # exact nought where none is
