"""How a forecast of a count compares with what came: intervals, place in the forecast, score.

Layer: whatif. numpy and scipy.special. Forecasts are distribution functions over 0, 1, 2, ...
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import pdtr

__all__ = ["LEVELS", "Judged", "histories_law", "inside_share", "judged", "poisson_law"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Shares of outcomes that the prediction intervals should hold [1].
LEVELS = (0.5, 0.8, 0.95)


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Forecasts against outcomes; one row per forecast."""

    mean: Floats  #: expected count [1]
    low: Integers  #: (n_levels, n) lower ends of the central intervals [1]
    high: Integers  #: (n_levels, n) upper ends [1]
    place: Floats  #: randomised place of the outcome in the forecast, 0 to 1 [1]
    middle_place: Floats  #: the same with half of the outcome's own probability [1]
    score: Floats  #: continuous ranked probability score; smaller is better [1]


def histories_law(counts: Integers, most: int) -> Floats:
    """Distribution function of simulated counts at 0 to ``most``.

    Parameters
    ----------
    counts : ndarray of shape (n, n_histories)
        Counts.
    most : int
        Last count of the table.

    Returns
    -------
    ndarray of shape (n, most + 1)
        Probability of at most so many. [1]
    """
    rows, histories = counts.shape
    cells = np.arange(rows)[:, None] * (most + 1) + np.minimum(counts, most)
    found = np.bincount(cells.ravel(), minlength=rows * (most + 1)).reshape(rows, most + 1)
    return np.asarray(np.cumsum(found, axis=1) / histories)


def poisson_law(mean: Floats, most: int) -> Floats:
    """Distribution function of Poisson counts at 0 to ``most``, (n, most + 1)."""
    law = pdtr(np.arange(most + 1)[None, :], mean[:, None])
    return np.asarray(np.where(mean[:, None] > 0, law, 1.0))


def judged(law: Floats, seen: Integers, luck: Floats) -> Judged:
    """Forecasts against outcomes.

    Parameters
    ----------
    law : ndarray of shape (n, most + 1)
        Distribution functions; ``most`` beyond all outcomes.
    seen : ndarray of shape (n,)
        What came.
    luck : ndarray of shape (n,)
        Numbers between 0 and 1 that randomise the place of the outcome.

    Notes
    -----
    A central interval of a count holds more than its share, for its ends are whole numbers. The
    randomised place is free of that: were the forecasts right, it would be spread evenly over 0
    to 1, and the share of outcomes with a place within the middle 80 % would be 80 %.

    References
    ----------
    .. [1] Randomised place: J. E. Smith, Journal of Forecasting 4, 1985; score of counts:
       C. Czado, T. Gneiting and L. Held, Biometrics 65, 2009, section 3 (from memory).
    """
    row = np.arange(len(seen))
    reached = law[row, seen]
    under = np.where(seen > 0, law[row, np.maximum(seen - 1, 0)], 0.0)
    tails = np.array([(1 - level) / 2 for level in LEVELS])
    # the last digits of sums of many equal weights
    low, high = (
        (law[None] < limit[:, None, None] - 1e-12).sum(axis=2) for limit in (tails, 1 - tails)
    )
    step = np.arange(law.shape[1])[None, :] >= seen[:, None]
    return Judged(
        mean=(1 - law).sum(axis=1),
        low=low.astype(np.int64),
        high=high.astype(np.int64),
        place=under + luck * (reached - under),
        middle_place=(under + reached) / 2,
        score=((law - step) ** 2).sum(axis=1),
    )


def inside_share(place: Floats, level: float) -> float:
    """Share of places within the middle ``level``; NaN without any."""
    if len(place) == 0:
        return float("nan")
    return float(np.mean(np.abs(place - 0.5) <= level / 2))
