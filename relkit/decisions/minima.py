"""Lowest places of many functions at once: trials over a range, then golden section.

Layer: decisions. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["lowest_places"]

Floats = NDArray[np.float64]

#: Places tried first, evenly, and rounds of golden section after that.
TRIALS, ROUNDS = 91, 32


def lowest_places(function: Callable[[Floats], Floats], lower: Floats, upper: Floats) -> Floats:
    """Place of the lowest value of each function between its two bounds.

    Finds the lowest of several dips where they are further apart than a ninetieth of the range.

    Parameters
    ----------
    function : callable
        From places of shape (n,) to values of that shape, elementwise.
    lower, upper : ndarray of shape (n,)
        Bounds of the place.

    Returns
    -------
    ndarray of shape (n,)
        The places, to about 1e-8 of the range.

    Examples
    --------
    >>> goal = np.array([1.0, 2.5])
    >>> lowest_places(lambda x: (x - goal) ** 2, np.zeros(2), np.full(2, 9.0)).round(6)
    array([1. , 2.5])
    """
    parts = np.linspace(0.0, 1.0, TRIALS)
    tried = np.stack([function(lower + x * (upper - lower)) for x in parts])
    place = np.clip(np.argmin(tried, axis=0), 1, TRIALS - 2)
    low, high = (lower + parts[place + side] * (upper - lower) for side in (-1, 1))
    golden = (np.sqrt(5) - 1) / 2
    left, right = high - golden * (high - low), low + golden * (high - low)
    at_left, at_right = function(left), function(right)
    for _ in range(ROUNDS):
        down = at_left < at_right
        low, high = np.where(down, low, left), np.where(down, right, high)
        kept, at_kept = np.where(down, left, right), np.where(down, at_left, at_right)
        new = np.where(down, high - golden * (high - low), low + golden * (high - low))
        at_new = function(new)
        left, right = np.where(down, new, kept), np.where(down, kept, new)
        at_left, at_right = np.where(down, at_new, at_kept), np.where(down, at_kept, at_new)
    return np.asarray((low + high) / 2)
