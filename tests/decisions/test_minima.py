"""Lowest places of functions whose lowest place is known."""

from __future__ import annotations

import numpy as np

from relkit.decisions.minima import lowest_places


def test_known_lowest_places() -> None:
    # Closed form: x / c - log x is lowest at c; a line at its bound.
    c = np.array([0.2, 1.0, 7.0])
    places = lowest_places(lambda x: x / c - np.log(x), np.full(3, 0.01), np.full(3, 50.0))
    np.testing.assert_allclose(places, c, rtol=1e-6)
    ends = lowest_places(lambda x: x * np.array([1.0, -1.0]), np.zeros(2), np.ones(2))
    np.testing.assert_allclose(ends, [0.0, 1.0], atol=1e-8)


def test_the_lower_of_two_dips_is_found() -> None:
    # Source: own algebra: the dip at 8 is one deeper than the dip at 2.
    def dips(x: np.ndarray) -> np.ndarray:
        return np.minimum((x - 2) ** 2, (x - 8) ** 2 - 1)

    np.testing.assert_allclose(lowest_places(dips, np.zeros(1), np.full(1, 10.0)), 8, rtol=1e-6)
