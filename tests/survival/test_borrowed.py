"""Limits of scales whose shape is borrowed: closed forms, a slow mixture, coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import gammaincc

from relkit.survival.borrowed import borrowed_columns
from relkit.survival.few_failures import pooled_fits
from relkit.survival.known_shape import known_shape_scales
from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.shape_posterior import LOG_SHAPES, ShapePosterior, ShapeTable, shape_table
from relkit.survival.weibull_likelihood import WeibullLikelihood, weibull_likelihood


def tabled(lives: ObservedLives) -> tuple[WeibullLikelihood, ShapeTable]:
    likelihood = weibull_likelihood(lives)
    none = np.full(likelihood.n_strata, np.nan)
    lives_of = lives.strata.sums(lives.counts())
    return likelihood, shape_table(likelihood, lives_of, likelihood.failures > 0, none, none)


LIVES = observed_lives(
    [0] * 8 + [1] * 5,
    [300.0, 500, 650, 800, 900, 900, 950, 1000, 400, 700, 800, 900, 1100],
    [1, 0, 1, 0, 1, 0, 0, 0] + [0] * 5,
    entry=[0.0, 100, 0, 300, 0, 0, 0, 0, 0, 0, 0, 0, 500],
)


def test_a_shape_known_for_certain_gives_the_chi_square_limits() -> None:
    # Source: closed form of the known shape (see test_known_shape.py), shape on a grid point.
    likelihood, table = tabled(LIVES)
    k = 75
    certain = np.zeros((2, len(LOG_SHAPES)))
    certain[:, k] = 1.0
    columns = borrowed_columns(ShapePosterior(certain), table, likelihood.failures, 0.9)
    shape = np.full(2, math.exp(LOG_SHAPES[k]))
    known = known_shape_scales(likelihood, shape, 0.9)
    np.testing.assert_allclose(columns["shape"], shape, rtol=1e-12)
    np.testing.assert_allclose(columns["scale"], known.scale, rtol=1e-6)
    np.testing.assert_allclose(columns["scale_lower"], known.lower, rtol=1e-6)
    np.testing.assert_allclose(columns["scale_upper"], known.upper, rtol=1e-6)
    to_b10 = (-math.log(0.9)) ** (1 / shape)
    np.testing.assert_allclose(columns["b10_lower"], known.lower * to_b10, rtol=1e-6)
    assert columns["log_scale_std_error"][0] == pytest.approx(known.log_std_error[0], rel=1e-6)


def test_limits_average_over_the_shape() -> None:
    # Source: independent root of the average (scipy.brentq), one stratum, from the definition.
    likelihood, table = tabled(LIVES)
    weight = np.exp(-(((LOG_SHAPES - 0.5) / 0.3) ** 2) / 2)
    posterior = ShapePosterior(np.tile(weight / weight.sum(), (2, 1)))
    columns = borrowed_columns(posterior, table, likelihood.failures, 0.95)
    shape = np.exp(LOG_SHAPES)
    rows = [(300, 0), (500, 100), (650, 0), (800, 300), (900, 0), (900, 0), (950, 0), (1000, 0)]
    power = sum(
        np.where(e > 0, float(a) ** shape - float(max(e, 1)) ** shape, float(a) ** shape)
        for a, e in rows
    )

    def share_below(log_life: float, degrees: float) -> float:
        below = gammaincc(degrees, power * np.exp(-shape * log_life))
        return float((weight * below).sum() / weight.sum())

    low = math.exp(brentq(lambda v: share_below(v, 4) - 0.025, 3, 15))
    high = math.exp(brentq(lambda v: share_below(v, 3) - 0.975, 3, 15))
    assert columns["scale_lower"][0] == pytest.approx(low, rel=1e-7)
    assert columns["scale_upper"][0] == pytest.approx(high, rel=1e-7)
    assert columns["scale_upper"][1] == np.inf
    assert np.isnan(columns["scale"][1])


@pytest.mark.slow
def test_limits_of_few_failures_cover_the_truth() -> None:
    # 80 fleets of 12 strata; log shapes scatter by 0.25 about log 1.8, log scales by 0.8.
    # Coverage of the 90 % limits in strata of 1 to 4 failures must not fall below 87 % (two
    # standard deviations of 1.4 % under 90); that of the scale is higher, as chi-square limits of
    # so few failures are wide. The mean P(shape > 1) must not be bolder than the truth.
    rng = np.random.default_rng(77)
    shape = (1.8 * np.exp(0.25 * rng.standard_normal((80, 12)))).ravel()
    scale = 3000 * np.exp(0.8 * rng.standard_normal(960))
    codes = np.repeat(np.arange(960), 25)
    life = scale[codes] * rng.weibull(shape[codes])
    end = rng.uniform(100, 1400, len(codes))
    lives = observed_lives(codes, np.minimum(life, end), life <= end)
    pool, names = np.repeat(np.arange(80), 12), [str(i) for i in range(80)]
    fits = pooled_fits(lives, pool, names, confidence_level=0.9).fits
    few = (fits.failures >= 1) & (fits.failures < 5)
    assert few.sum() > 350
    b10 = scale * (-math.log(0.9)) ** (1 / shape)
    for name, truth, most in (("shape", shape, 0.96), ("scale", scale, 1), ("b10", b10, 1)):
        lower, upper = getattr(fits, f"{name}_lower"), getattr(fits, f"{name}_upper")
        inside = ((lower <= truth) & (truth <= upper))[few].mean()
        assert 0.87 < inside < most, name
    assert fits.probability_of_wear[few].mean() < (shape[few] > 1).mean() + 0.02
