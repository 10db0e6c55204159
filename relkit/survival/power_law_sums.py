"""Sums over windows and events from which power-law processes are fitted, and the shape.

Layer: survival. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from relkit.survival.event_histories import EventHistories
from relkit.survival.risk_sets import sums_by

__all__ = ["SHAPE_RANGE", "PowerLawSums", "moments", "power_law_shapes", "power_law_sums"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Range of shapes searched, and steps of the safeguarded Newton search.
SHAPE_RANGE = (1e-3, 1e3)
_STEPS = 100
#: Relative change of the shape at which the search ends.
_TOLERANCE = 1e-13


@dataclass(frozen=True, slots=True, eq=False)
class PowerLawSums:
    """What a fit needs of each stratum; ages over the latest end, so that powers are tame."""

    n: Ints  #: events
    unit: Floats  #: latest end [clock]
    window_stratum: Ints
    start: Floats  #: over unit
    end: Floats  #: over unit
    log_age: Floats  #: sum of log(age / unit) over events
    pivot: Floats  #: sum over events of log(end / age); NaN where a system is seen from later on
    pivot_events: Ints  #: events less one per failure-truncated system

    def spent(self, beta: Floats) -> Floats:
        """Return by stratum the sum over windows of end^beta - start^beta, over the unit."""
        return beta * moments(self, beta, 0)[0]


def power_law_sums(histories: EventHistories, at_event: Bools) -> PowerLawSums:
    """Return the sums of each stratum; ``at_event``: windows that ended at an event."""
    h, n_strata = histories, histories.n_strata
    code = h.event_stratum
    n = np.bincount(code, minlength=n_strata)
    unit = np.ones(n_strata)
    longest = np.zeros(n_strata)
    np.maximum.at(longest, h.stratum, h.end)
    unit[longest > 0] = longest[longest > 0]
    with np.errstate(divide="ignore"):  # an event at age 0: -inf, told apart by the status
        log_age = np.log(h.age / unit[code])
        log_gap = np.log(h.end[h.window] / np.where(h.age > 0, h.age, np.nan))
    log_gap = np.where(h.start[h.window] > 0, np.nan, log_gap)
    ended = np.bincount(h.stratum[at_event], minlength=n_strata)
    return PowerLawSums(
        n=n,
        unit=unit,
        window_stratum=h.stratum,
        start=h.start / unit[h.stratum],
        end=h.end / unit[h.stratum],
        log_age=sums_by(code, log_age, n_strata),
        pivot=sums_by(code, log_gap, n_strata),
        pivot_events=n - ended,
    )


def moments(sums: PowerLawSums, beta: Floats, order: int) -> list[Floats]:
    """By stratum: sum over windows of the integral of t^(beta - 1) log(t)^k, k = 0 .. order."""
    b = beta[sums.window_stratum]
    low, high = np.where(sums.start > 0, sums.start, 1.0), np.where(sums.end > 0, sums.end, 1.0)
    at_low = np.where(sums.start > 0, low**b, 0.0)
    at_high = np.where(sums.end > 0, high**b, 0.0)
    moments: list[Floats] = []
    previous = np.zeros(len(b))
    for k in range(order + 1):
        # by parts: integral of t^(b-1) log^k = [t^b log^k] / b - (k / b) integral of log^(k-1)
        edge = at_high * np.log(high) ** k - at_low * np.log(low) ** k
        previous = (edge - k * previous) / b
        moments.append(sums_by(sums.window_stratum, previous, len(beta)))
    return moments


def power_law_shapes(sums: PowerLawSums, fitted: Bools) -> Floats:
    """Root of the score, by Newton's method kept within a shrinking bracket, all strata at once.

    The profile log-likelihood -n log(integral of t^(shape - 1)) + (shape - 1) sum log t is
    concave in the shape (the log of an integral of exponentials is convex): own algebra.
    """
    n = np.where(fitted, sums.n, 1)
    mean_log = np.where(fitted, sums.log_age, -1.0) / n
    low, high = np.full(len(n), SHAPE_RANGE[0]), np.full(len(n), SHAPE_RANGE[1])
    beta = np.clip(-1 / np.minimum(mean_log, -1e-12), *SHAPE_RANGE)
    with np.errstate(under="ignore"):  # ages far below the longest count for nothing
        for _ in range(_STEPS):
            whole, first, second = moments(sums, beta, 2)
            whole = np.where(whole > 0, whole, 1.0)
            score = mean_log - first / whole
            slope = second / whole - (first / whole) ** 2
            low, high = np.where(score > 0, beta, low), np.where(score > 0, high, beta)
            step = beta + score / np.where(slope > 0, slope, np.inf)
            inside = (step > low) & (step < high) & (slope > 0)
            new = np.where(score == 0, beta, np.where(inside, step, np.sqrt(low * high)))
            done = np.abs(new - beta) <= _TOLERANCE * beta
            beta = new
            if (done | ~fitted).all():
                break
    return np.where(fitted, beta, np.nan)
