"""Draws of shape and scale against the posterior on a fine plane and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.survival.draws import draw_law, drawn_parameters, law_of_estimates
from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.shape_posterior import (
    ShapeTable,
    censoring_power,
    shape_table,
    stated_posterior,
)
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_likelihood import weibull_likelihood


def lives_of(failures: int, n: int = 40, seed: int = 4) -> ObservedLives:
    rng = np.random.default_rng(seed)
    age = np.sort(rng.weibull(1.8, n)) * 1000 + 1
    end = np.where(np.arange(n) < failures, age, age * rng.uniform(0.5, 1, n))
    return observed_lives(np.zeros(n, int), end, np.arange(n) < failures)


def tabled(lives: ObservedLives) -> ShapeTable:
    likelihood, fits = weibull_likelihood(lives), own_fits(lives)
    informative = likelihood.failures > 0
    return shape_table(
        likelihood, fits.lives, informative, np.log(fits.shape), fits.log_shape_std_error
    )


def plane(lives: ObservedLives) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Posterior on a plane of log shape and log scale, from the likelihood's definition.

    The prior is the stated one of the log shape, and flat in the log rate but for the power of
    the shape that censoring asks for.
    """
    u, v = np.meshgrid(np.linspace(-1.5, 2.5, 401), np.linspace(4.5, 30, 1531), indexing="ij")
    x = np.log(lives.age)[:, None, None]
    value = np.zeros_like(u)
    for log_age, failed in zip(x, lives.failures, strict=True):
        z = np.exp(u) * (log_age - v)
        value += failed * (u + z) - np.exp(z)
    value -= (((u - math.log(1.3)) / 0.45) ** 2) / 2
    share = lives.failures.mean()
    value += u * (1 - censoring_power(np.array([share]))[0])
    weight = np.exp(value - value.max())
    return u, v, weight / weight.sum()


def quantiles(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    order = np.argsort(values, axis=None)
    total = np.cumsum(weight.ravel()[order])
    return values.ravel()[order][np.searchsorted(total, [0.05, 0.25, 0.5, 0.75, 0.95])]


@pytest.mark.parametrize("failures", [2, 5, 20])
def test_draws_follow_the_posterior_on_the_plane(failures: int) -> None:
    # Source: independent posterior in this file. 40,000 draws place a 5 % quantile to 0.01
    # standard deviations; the law itself may be off by a tenth.
    lives = lives_of(failures)
    table = tabled(lives)
    shape, scale = drawn_parameters(draw_law(table, stated_posterior(table)), 40_000, 1)
    u, v, weight = plane(lives)
    levels = [0.05, 0.25, 0.5, 0.75, 0.95]
    by_plane = {"shape": quantiles(u, weight), "scale": quantiles(v, weight)}
    by_draws = {
        "shape": np.quantile(np.log(shape), levels),
        "scale": np.quantile(np.log(scale), levels),
    }
    for name, expected in by_plane.items():
        sd = (expected[-1] - expected[0]) / 3.29
        np.testing.assert_allclose(by_draws[name], expected, atol=0.12 * sd + 0.01, err_msg=name)
    mean_u, mean_v = (u * weight).sum(), (v * weight).sum()
    together = ((u - mean_u) * (v - mean_v) * weight).sum()
    spread = math.sqrt(((u - mean_u) ** 2 * weight).sum() * ((v - mean_v) ** 2 * weight).sum())
    correlation = np.corrcoef(np.log(shape[0]), np.log(scale[0]))[0, 1]
    assert correlation == pytest.approx(together / spread, abs=0.08)


def test_without_failures_the_scale_is_as_after_one() -> None:
    # Source: closed form for each drawn shape b: T_b scale^-b is exponential, so its quantile
    # below which 95 % lie is -log(0.05), the zero-failure bound of the known shape.
    lives = lives_of(0)
    table = tabled(lives)
    shape, scale = drawn_parameters(draw_law(table, stated_posterior(table)), 20_000, 2)
    power = np.array([(lives.age**b).sum() for b in shape[0]])
    pivot = power * scale[0] ** -shape[0]
    assert np.mean(pivot) == pytest.approx(1.0, abs=0.03)
    assert np.mean(pivot < -math.log(0.05)) == pytest.approx(0.95, abs=0.01)
    assert np.median(shape) == pytest.approx(1.3, rel=0.02)


def test_strata_with_many_failures_have_narrow_draws() -> None:
    # Source: asymptotic theory: the standard errors of the fit.
    rng = np.random.default_rng(3)
    lives = observed_lives(np.zeros(3000, int), rng.weibull(2.5, 3000) * 800, np.ones(3000))
    table, fits = tabled(lives), own_fits(lives)
    shape, scale = drawn_parameters(draw_law(table, stated_posterior(table)), 20_000, 3)
    assert np.log(shape).std() == pytest.approx(fits.log_shape_std_error[0], rel=0.03)
    assert np.log(scale).std() == pytest.approx(fits.log_scale_std_error[0], rel=0.03)
    assert np.log(scale).mean() == pytest.approx(math.log(fits.scale[0]), abs=2e-3)


def test_law_of_estimates_has_their_errors_and_correlation() -> None:
    # Source: own algebra: with a prior much wider than the error the draws have the errors of
    # the estimates; a given shape does not vary at all.
    fits = own_fits(lives_of(30))
    law = law_of_estimates(
        fits.shape,
        fits.scale,
        fits.failures,
        log_shape_std_error=fits.log_shape_std_error,
        log_scale_std_error=fits.log_scale_std_error,
        log_correlation=fits.log_correlation,
    )
    shape, scale = drawn_parameters(law, 50_000, 4)
    assert np.log(shape).std() == pytest.approx(fits.log_shape_std_error[0], rel=0.08)
    assert np.log(scale).std() == pytest.approx(fits.log_scale_std_error[0], rel=0.08)
    correlation = np.corrcoef(np.log(shape[0]), np.log(scale[0]))[0, 1]
    assert correlation == pytest.approx(fits.log_correlation[0], abs=0.06)
    # a normal law of precision p and the prior's of precision q have their mean at
    # (p u + q log 1.3) / (p + q)
    p, q = fits.log_shape_std_error[0] ** -2, 0.45**-2
    middle = (p * math.log(fits.shape[0]) + q * math.log(1.3)) / (p + q)
    assert np.log(shape).mean() == pytest.approx(middle, abs=3e-3)
    given = law_of_estimates(
        np.array([2.0]),
        np.array([500.0]),
        np.array([4.0]),
        log_shape_std_error=np.zeros(1),
        log_scale_std_error=np.array([0.25]),
        log_correlation=np.array([np.nan]),
    )
    shape, scale = drawn_parameters(given, 50_000, 5)
    np.testing.assert_allclose(shape, 2.0, rtol=1e-12)
    # scale^-2 times 4 * 500^2 is gamma with 4 degrees: mean 4
    assert np.mean(4 * 500.0**2 * scale**-2.0) == pytest.approx(4.0, rel=0.02)


def test_the_same_seed_gives_the_same_draws() -> None:
    table = tabled(lives_of(3))
    law = draw_law(table, stated_posterior(table))
    first, again, other = (drawn_parameters(law, 10, seed) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first[0], again[0])
    np.testing.assert_array_equal(first[1], again[1])
    assert (first[0] != other[0]).all()
    with pytest.raises(ValueError, match="draws is 0: must be at least 1"):
        drawn_parameters(law, 0, 1)


def test_no_exposure_gives_no_draws() -> None:
    table = tabled(observed_lives([0], [5.0], [1], n_strata=2))
    shape, scale = drawn_parameters(draw_law(table, stated_posterior(table)), 3, 1)
    assert np.isfinite(scale[0]).all()
    assert np.isnan(scale[1]).all()
    assert shape.shape == (2, 3)
