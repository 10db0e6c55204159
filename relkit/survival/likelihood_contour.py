"""Points at which the log-likelihood has fallen by a given amount, and extremes of values there.

Layer: survival. Arrays in, arrays out; numpy only.

The profile limits of any value of the parameters are its least and greatest value where the
likelihood has not fallen too far. The region is looked at from its peak along directions, in
coordinates in which it is nearly a ball: errors of a location grow with the spread.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Contour", "bent", "contour", "extremes"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
#: Gives a number (n,) for parameters (n, k).
Value = Callable[[Floats], Floats]

#: Directions looked at with one, two and three parameters.
_ANGLES, _SPREAD = 96, 240
#: Distance from the peak, over that of a round likelihood, beyond which the region is open.
_FARTHEST = 25.0
_STEPS = 40
#: Fall of the log-likelihood that stands for an impossible point.
_DEEP = 1e12
_CLOSE = 1e-7
#: Share of the fall by which the likelihood at an extreme may be bettered by the other parameter.
_BENT = 0.05
#: Rounds in which the best of three-dimensional directions is bettered, and the first angle.
_ROUNDS, _FIRST = 24, 0.15


#: Gives parameters (n, k) for round coordinates (n, k).
Place = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """Points of the contour of each of n strata along m directions."""

    value: Value  #: log-likelihood
    place: Place  #: from round coordinates, the maximum at 0
    top: Floats  #: log-likelihood at the maximum, (n,)
    error: Floats  #: standard errors of the parameters, (n, k)
    z: Floats  #: the likelihood falls by z^2 / 2, (n,)
    direction: Floats  #: unit vectors, (m, k)
    point: Floats  #: parameters, (m, n, k)
    open: Flags  #: the likelihood never falls so far along this direction, (m, n)


def contour(
    value: Value, peak: Floats, covariance: Floats, z: Floats, *, location_and_spread: bool
) -> Contour:
    """Contour around the maximum of each stratum.

    Parameters
    ----------
    value : callable
        Log-likelihood (n,) of parameters (n, k); -inf where impossible.
    peak : ndarray, shape (n, k)
        Maximum of each stratum; k from 1 to 3.
    covariance : ndarray, shape (n, k, k)
        Inverse of the observed information there, positive definite.
    z : ndarray, shape (n,)
        The log-likelihood falls by half of its square. [1]
    location_and_spread : bool
        Whether the two parameters are a location and the log of the spread about it.
    """
    place = _bent_place(peak, covariance) if location_and_spread else _place(peak, covariance)
    top = value(peak)
    directions = _directions(peak.shape[1])
    points, open_ = [], []
    for direction in directions:
        along = np.broadcast_to(direction, peak.shape)
        distance, beyond = _distances(value, place, top, along, z)
        points.append(place(distance[:, None] * along))
        open_.append(beyond)
    error = np.sqrt(np.einsum("nii->ni", covariance))
    return Contour(value, place, top, error, z, directions, np.stack(points), np.stack(open_))


def _place(peak: Floats, covariance: Floats) -> Place:
    root = np.linalg.cholesky(covariance).astype(np.float64)
    return lambda x: peak + np.einsum("nij,nj->ni", root, x)


def _bent_place(peak: Floats, covariance: Floats) -> Place:
    """Return the same for a location and a log spread, all errors in units of the spread.

    The age that the lives tell best is the location plus some number of spreads: along it the
    likelihood has a ridge, which is straight here (own algebra).
    """
    spread = np.sqrt(covariance[:, 1, 1])
    ridge = covariance[:, 0, 1] / covariance[:, 1, 1]
    rest = np.sqrt(np.maximum(covariance[:, 0, 0] - ridge * covariance[:, 0, 1], 0.0))

    def place(x: Floats) -> Floats:
        log_spread = spread * x[:, 1]
        with np.errstate(over="ignore", invalid="ignore"):  # far off: impossible parameters
            location = ridge * np.expm1(log_spread) + rest * x[:, 0] * np.exp(log_spread)
        return peak + np.column_stack([location, log_spread])

    return place


def _directions(k: int) -> Floats:
    if k == 1:
        return np.array([[-1.0], [1.0]])
    if k == 2:
        angle = 2 * np.pi * np.arange(_ANGLES) / _ANGLES
        return np.column_stack([np.cos(angle), np.sin(angle)])
    # evenly spread over the sphere along a spiral with the golden angle
    height = 1 - (2 * np.arange(_SPREAD) + 1) / _SPREAD
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(_SPREAD)
    width = np.sqrt(1 - height**2)
    return np.column_stack([width * np.cos(turn), width * np.sin(turn), height])


def _distances(
    value: Value, place: Place, top: Floats, along: Floats, z: Floats
) -> tuple[Floats, Flags]:
    """Return how far along each direction the contour lies, and whether it is never met.

    The root of twice the fall is nearly proportional to the distance: secants on it.
    """
    far = _FARTHEST * z

    def root_of_fall(distance: Floats) -> Floats:
        fall = top - value(place(distance[:, None] * along))
        met: Floats = np.sqrt(2 * np.clip(np.where(np.isnan(fall), _DEEP, fall), 0.0, _DEEP))
        return met

    beyond: Flags = root_of_fall(far) < z
    low, high = np.zeros(len(z)), far
    before, met_before = np.zeros(len(z)), np.zeros(len(z))
    here = np.where(beyond, far, z)
    for _ in range(_STEPS):
        met = root_of_fall(here)
        outside = met > z
        high, low = np.where(outside, here, high), np.where(outside, low, here)
        # level or impossible stretches: halved below
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            trial = here + (z - met) * (here - before) / (met - met_before)
        inside = (trial > low) & (trial < high)  # False for NaN
        trial = np.where(inside, trial, (low + high) / 2)
        trial = np.where(beyond, far, trial)
        before, met_before = here, met
        moved = np.abs(trial - here)
        here = trial
        if (moved < _CLOSE * z).all():
            break
    return here, beyond


def bent(found: Contour) -> Flags:
    """Whether part of the region of two parameters lies out of sight of the maximum, (n,).

    Where one parameter is extreme on the contour, the other can gain nothing: if it can, the
    region goes on behind a bend.
    """
    n = len(found.top)
    flags = np.zeros(n, dtype=np.bool_)
    if found.error.shape[1] != 2:
        return flags
    level = found.top - found.z**2 / 2
    for j in (0, 1):
        for side in (-1.0, 1.0):
            best = np.argmax(side * found.point[:, :, j], axis=0)
            at = found.point[best, np.arange(n)].copy()
            higher = _climbed_along(found.value, at, 1 - j, found.error[:, 1 - j] * found.z)
            over = higher - level > _BENT * found.z**2 / 2
            flags |= over & ~found.open[best, np.arange(n)]
    return flags


def _climbed_along(value: Value, start: Floats, column: int, reach: Floats) -> Floats:
    """Return the greatest value found by moving one parameter, by steps that shrink."""
    at, step = start.copy(), 0.25 * reach
    top = value(at)
    for _ in range(30):
        rose = np.zeros(len(step), dtype=np.bool_)
        for side in (-1.0, 1.0):
            trial = at.copy()
            trial[:, column] += side * step
            there = value(trial)
            better = there > top
            at[better], top = trial[better], np.where(better, there, top)
            rose |= better
        step = np.where(rose, step * 1.5, step / 2)
    return top


def extremes(found: Contour, of: Value) -> tuple[Floats, Floats]:
    """Least and greatest value on the contour of each stratum, (n,) each.

    Parameters
    ----------
    found : Contour
        From :func:`contour`.
    of : callable
        The value (n,) of parameters (n, k), on a scale without bounds such as a log.

    Returns
    -------
    tuple of ndarray
        Infinite where the region is open towards the extreme.

    Notes
    -----
    With two parameters a quartic through the best of 96 directions and its neighbours: good
    to about 2e-5 of the distance between the limits. With three, the best direction is bettered
    by ever smaller turns: good to about 1e-3 of it.
    """
    table = np.stack([of(point) for point in found.point])
    low = -_greatest(found, -table, lambda theta: -of(theta))
    return low, _greatest(found, table, of)


def _greatest(found: Contour, table: Floats, of: Value) -> Floats:
    n = np.arange(table.shape[1])
    table = np.where(np.isnan(table), -np.inf, table)
    best = np.argmax(table, axis=0)
    top = table[best, n]
    k = found.error.shape[1]
    opens = found.open[best, n]
    if k == 2:
        near = [(best + step) % _ANGLES for step in range(-2, 3)]
        opens |= np.logical_or.reduce([found.open[place, n] for place in near])
        top = _top_of_quartic(np.stack([table[place, n] for place in near]))
    elif k == 3:
        top = _bettered(found, of, found.direction[best], top)
    return np.where(opens, np.inf, top)


def _top_of_quartic(values: Floats) -> Floats:
    """Return the greatest value of the quartic through five even points, the middle greatest."""
    with np.errstate(invalid="ignore"):  # infinite neighbours: the middle stands
        one, two = (values[3] - values[1]) / 2, (values[4] - values[0]) / 2
        mean_one = (values[3] + values[1]) / 2 - values[2]
        mean_two = (values[4] + values[0]) / 2 - values[2]
        first, third = (8 * one - two) / 6, (two - 2 * one) / 6
        second, fourth = (16 * mean_one - mean_two) / 12, (mean_two - 4 * mean_one) / 12
        bends = np.isfinite(first + second + third + fourth) & (second < 0)
    first, second, third, fourth = (
        np.where(bends, c, d)
        for c, d in ((first, 0.0), (second, -1.0), (third, 0.0), (fourth, 0.0))
    )
    at = np.clip(-first / (2 * second), -0.5, 0.5)
    for _ in range(4):  # Newton's method on the slope
        slope = first + at * (2 * second + at * (3 * third + at * 4 * fourth))
        bend = 2 * second + at * (6 * third + at * 12 * fourth)
        at = np.clip(at - slope / np.minimum(bend, second), -1.0, 1.0)
    rise = at * (first + at * (second + at * (third + at * fourth)))
    top: Floats = values[2] + np.maximum(rise, 0.0)
    return top


def _bettered(found: Contour, of: Value, direction: Floats, top: Floats) -> Floats:
    """Return the greatest value after turning each direction a little, again and again."""
    direction, turn = direction.copy(), np.full(len(top), _FIRST)
    for _ in range(_ROUNDS):
        rose = np.zeros(len(top), dtype=np.bool_)
        for across in _tangents(direction):
            for side in (-1.0, 1.0):
                trial = direction + side * turn[:, None] * across
                trial /= np.linalg.norm(trial, axis=1)[:, None]
                distance, _ = _distances(found.value, found.place, found.top, trial, found.z)
                reached = of(found.place(distance[:, None] * trial))
                better = reached > top
                direction[better], top = trial[better], np.where(better, reached, top)
                rose |= better
        turn = np.where(rose, turn, turn / 2)
    return top


def _tangents(direction: Floats) -> tuple[Floats, Floats]:
    """Two vectors at right angles to each direction and to one another."""
    least = np.argmin(np.abs(direction), axis=1)
    axis = np.eye(3)[least]
    one = np.cross(direction, axis)
    one /= np.linalg.norm(one, axis=1)[:, None]
    return one, np.cross(direction, one)
