"""Roots of many increasing functions at once: Newton steps kept inside a bracket.

Layer: decisions. Arrays in, arrays out; numpy only.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["increasing_roots", "roots_from_guess"]

#: Newton steps that are tried; where they have not settled, halving alone takes over.
NEWTON_STEPS = 40
#: Halvings after that: more than exhaust the digits of a double.
HALVINGS = 80

#: First half width of a bracket, and a width that no double exceeds, both in x = log.
FIRST_WIDTH, WIDEST = 0.5, 600.0

Floats = NDArray[np.float64]
#: (x, *args) -> (value, slope): value rises with x and is 0 at the root
ValueAndSlope = Callable[..., tuple[Floats, Floats]]


def increasing_roots(
    function: ValueAndSlope,
    lower: Floats,
    upper: Floats,
    *,
    start: Floats,
    args: tuple[Floats, ...] = (),
    tolerance: float = 1e-13,
) -> Floats:
    """Roots of one function with many sets of arguments, each between its two bounds.

    Works on the entries that have not settled only. A Newton step that leaves the bracket is
    replaced by halving it, and after 40 steps only halving is done, so the search always ends.

    Parameters
    ----------
    function : callable
        ``(x, *args)`` to value and slope, elementwise; the value must increase with x.
    lower, upper : ndarray of shape (n,)
        Bounds of the root.
    start : ndarray of shape (n,)
        First guess; outside the bounds it is replaced by their middle.
    args : tuple of ndarray of shape (n,)
        Further arguments of the function.
    tolerance : float
        An entry has settled when a step moves x by less than this, absolute and relative:
        meant for x on a log scale.

    Returns
    -------
    ndarray of shape (n,)
        The roots; where the function has no sign change, the bound nearest to one.

    Examples
    --------
    >>> increasing_roots(
    ...     lambda x, c: (x**3 - c, 3 * x**2), np.zeros(2), np.full(2, 9.0),
    ...     start=np.ones(2), args=(np.array([8.0, 27.0]),),
    ... ).round(9)
    array([2., 3.])
    """
    low, high = lower.astype(np.float64), upper.astype(np.float64)
    inside = (start > low) & (start < high)
    root = np.where(inside, start, low + (high - low) / 2)
    active = np.arange(root.size)
    for step_number in range(NEWTON_STEPS + HALVINGS):
        x = root[active]
        value, slope = function(x, *(arg[active] for arg in args))
        low[active] = np.where(value < 0, x, low[active])
        high[active] = np.where(value >= 0, x, high[active])
        with np.errstate(over="ignore"):  # a flat place: the step leaves the bracket
            step = np.divide(value, slope, out=np.full_like(x, np.inf), where=slope > 0)
        nearer = x - step
        bounds_low, bounds_high = low[active], high[active]
        good = (nearer >= bounds_low) & (nearer <= bounds_high) & (step_number < NEWTON_STEPS)
        nearer = np.where(good, nearer, bounds_low + (bounds_high - bounds_low) / 2)
        root[active] = nearer
        moved = np.abs(nearer - x) > tolerance * (1 + np.abs(x))
        active = active[moved & (value != 0)]
        if not len(active):
            break
    return root


def roots_from_guess(
    function: ValueAndSlope,
    guess: Floats,
    *,
    args: tuple[Floats, ...] = (),
    tolerance: float = 1e-13,
) -> Floats:
    """Roots of an increasing function, of x on a log scale, near a guess.

    The bracket is sought outwards from the guess in steps that double, over all that a double
    can hold; the rest is as in :func:`increasing_roots`.

    Examples
    --------
    >>> roots_from_guess(lambda x: (np.exp(x) - 5, np.exp(x)), np.zeros(1)).round(9)
    array([1.60943791])
    """
    lower, upper = guess.copy(), guess.copy()
    for bound, sign in ((lower, -1.0), (upper, 1.0)):
        active, width = np.arange(guess.size), FIRST_WIDTH
        while len(active) and width < WIDEST:
            bound[active] += sign * width
            value, _ = function(bound[active], *(arg[active] for arg in args))
            active = active[sign * value < 0]
            width *= 2
    return increasing_roots(function, lower, upper, start=guess, args=args, tolerance=tolerance)
