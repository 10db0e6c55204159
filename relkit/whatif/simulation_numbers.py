"""Random numbers that hang on who asks, not on the order of asking.

Layer: whatif. numpy only. History, position, renewal and purpose give one number: two variants of
a fleet then meet the same luck wherever they are alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["bases", "history_keys", "mixed", "uniforms"]

Keys = NDArray[np.uint64]

#: Increment, multipliers and shifts of SplitMix64: G. L. Steele, D. Lea and C. H. Flood, Fast
#: splittable pseudorandom number generators, OOPSLA 2014 (from memory; a test holds its first
#: outputs and how evenly the numbers are spread).
_STEP = np.uint64(0x9E3779B97F4A7C15)
_FIRST = np.uint64(0xBF58476D1CE4E5B9)
_SECOND = np.uint64(0x94D049BB133111EB)
_SHIFTS = tuple(np.uint64(n) for n in (30, 27, 31, 11))
#: Numbers that one life can ask for.
PURPOSES = 64


def mixed(values: Keys) -> Keys:
    """Whole numbers of 64 bits, each turned into another one that looks unrelated."""
    z = (values ^ (values >> _SHIFTS[0])) * _FIRST
    z ^= z >> _SHIFTS[1]
    z *= _SECOND
    z ^= z >> _SHIFTS[2]
    return z


def history_keys(seed: int, first: int, count: int) -> Keys:
    """Keys of some histories, the first one being number ``first``."""
    numbers = np.arange(first, first + count, dtype=np.uint64)
    return mixed(mixed(np.uint64(seed) + _STEP * np.ones(1, dtype=np.uint64)) + _STEP * numbers)


def bases(history: Keys, who: Keys) -> Keys:
    """Start of the sequence of each pair of a history's key and a position's mixed key."""
    return mixed(history + who)


def uniforms(base: Keys, renewal: NDArray[np.integer], purpose: int) -> NDArray[np.float64]:
    """Numbers between 0 and 1, both excluded.

    Parameters
    ----------
    base : array of uint64
        From :func:`bases`.
    renewal : array of int
        Number of the life at the position: 0 for the item present at the start.
    purpose : int
        What the number is for, 0 to 63.
    """
    count = renewal.astype(np.uint64) * np.uint64(PURPOSES) + np.uint64(purpose + 1)
    bits = mixed(base + count * _STEP) >> _SHIFTS[3]
    return (bits.astype(np.float64) + 0.5) * 2.0**-53
