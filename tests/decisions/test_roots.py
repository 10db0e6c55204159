"""Bracketed Newton steps against known roots, on functions that mislead plain Newton."""

from __future__ import annotations

import numpy as np

from relkit.decisions.roots import increasing_roots, roots_from_guess


def test_cube_roots() -> None:
    # Source: closed form.
    targets = np.array([1e-6, 8.0, 27.0, 1e6])
    roots = increasing_roots(
        lambda x, c: (x**3 - c, 3 * x**2),
        np.zeros(4),
        np.full(4, 1e3),
        start=np.ones(4),
        args=(targets,),
    )
    np.testing.assert_allclose(roots, np.cbrt(targets), rtol=1e-12)


def test_arctangent_where_newton_runs_away() -> None:
    # Source: closed form; from 10 plain Newton diverges.
    roots = increasing_roots(
        lambda x: (np.arctan(x - 3), 1 / (1 + (x - 3) ** 2)),
        np.full(1, -1e6),
        np.full(1, 1e6),
        start=np.full(1, 1e5),
    )
    np.testing.assert_allclose(roots, 3.0, atol=1e-10)


def test_a_step_without_slope_is_halved() -> None:
    # Source: the jump is at 0.3 by construction.
    roots = increasing_roots(
        lambda x: (np.where(x < 0.3, -1.0, 1.0), np.zeros_like(x)),
        np.zeros(1),
        np.ones(1),
        start=np.full(1, 0.9),
    )
    np.testing.assert_allclose(roots, 0.3, atol=1e-9)


def test_slopes_that_mislead_still_end_at_the_root() -> None:
    # Source: by construction; the slope given is far too steep, Newton would crawl.
    roots = increasing_roots(
        lambda x: (x - 7.0, np.full_like(x, 1e6)),
        np.zeros(1),
        np.full(1, 1e3),
        start=np.full(1, 1.0),
    )
    np.testing.assert_allclose(roots, 7.0, rtol=1e-9)


def test_bracket_is_found_far_from_the_guess() -> None:
    # Source: closed form, log of 1e-40 and of 1e40.
    targets = np.array([1e-40, 1e40])
    roots = roots_from_guess(
        lambda x, c: (x - np.log(c), np.ones_like(x)), np.zeros(2), args=(targets,)
    )
    np.testing.assert_allclose(roots, np.log(targets), rtol=1e-12)
