"""Boundary checks of arrays, shared by all layers: argument, position and value are named.

Layer: checks. numpy only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["finite", "generator", "positive", "share", "within"]


def within(name: str, values: ArrayLike, least: float, most: float = np.inf) -> NDArray[np.float64]:
    """Values as a float array, all of them finite and from ``least`` to ``most``.

    Parameters
    ----------
    name : str
        The argument's name, for the message.
    values : array_like of any shape
        What was given.
    least, most : float
        Bounds, both allowed.

    Raises
    ------
    ValueError
        The array is empty, or a value is not finite or outside the bounds: the message names
        the argument, the first bad position, its value and how many are bad.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.size == 0:
        raise ValueError(f"{name} is empty: give at least one value")
    good = np.isfinite(array) & (array >= least) & (array <= most)
    if not good.all():
        bad = np.argwhere(~good)
        place = tuple(int(i) for i in bad[0])
        bounds = f"at least {least:g}" if most == np.inf else f"from {least:g} to {most:g}"
        raise ValueError(
            f"{name} at position {place} is {array[place]:g}: must be finite and {bounds} "
            f"({len(bad)} of {array.size} values are not)"
        )
    return array


def positive(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """Values as a float array, all finite and above 0; raises like :func:`within`."""
    return within(name, values, np.finfo(np.float64).tiny)


def finite(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """Values as a float array, all finite; raises like :func:`within`."""
    return within(name, values, -np.finfo(np.float64).max)


def share(name: str, value: float) -> float:
    """Return a number strictly between 0 and 1, such as a confidence level.

    Raises
    ------
    ValueError
        The number is not strictly between 0 and 1.
    """
    if not 0 < value < 1:
        raise ValueError(f"{name} is {value:g}: must lie strictly between 0 and 1")
    return float(value)


def generator(rng: np.random.Generator | int) -> np.random.Generator:
    """Return the generator as given, or one seeded with the integer."""
    return rng if isinstance(rng, np.random.Generator) else np.random.default_rng(rng)
