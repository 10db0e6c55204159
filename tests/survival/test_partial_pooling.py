"""Partial pooling of shape and scale against a Monte-Carlo integral, limits and invariants."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.partial_pooling import drawn_cells, partial_pooling
from relkit.survival.pooling_levels import TILT
from relkit.survival.shape_posterior import censoring_power
from relkit.survival.weibull import own_fits

AGES = (
    np.array([200.0, 350, 420, 500, 600, 700, 800, 900]),
    np.array([600.0, 700, 800, 900, 1000, 1000]),
)
FAILED = (np.array([1, 0, 1, 1, 0, 1, 0, 0]), np.array([0, 1, 0, 0, 0, 0]))


def two() -> ObservedLives:
    return observed_lives([0] * 8 + [1] * 6, np.concatenate(AGES), np.concatenate(FAILED))


def fleet(seed: int, cells: int = 8, per: int = 30) -> ObservedLives:
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(cells), per)
    scale = 3000 * np.exp(0.4 * rng.standard_normal(cells))
    life, end = scale[codes] * rng.weibull(1.8, len(codes)), rng.uniform(300, 2000, len(codes))
    return observed_lives(codes, np.minimum(life, end), life <= end)


def half_normal(
    rng: np.random.Generator, sd: float, low: float, high: float, n: int
) -> NDArray[np.float64]:
    values = np.abs(rng.normal(0, sd, 4 * n))
    return values[(values > low) & (values < high)][:n]


def weighted_quantile(values: NDArray[np.float64], weight: NDArray[np.float64], p: float) -> float:
    order = np.argsort(values)
    return float(np.interp(p, np.cumsum(weight[order]) / weight.sum(), values[order]))


def test_posterior_agrees_with_draws_from_the_model() -> None:
    # Source: importance sampling of the stated model in this file: means, scatters and both
    # strata drawn from the priors, weighted by the likelihood. Its errors are about 0.02.
    n, rng = 400_000, np.random.default_rng(1)
    result = partial_pooling(two(), np.array([0, 0]), 1, confidence_level=0.9)
    reference = result.log_reference[0]  # middle of the flat prior of the mean log scale
    mean_u, mean_v = rng.normal(math.log(1.3), 0.8, n), rng.uniform(-1.8, 2.4, n)
    scatter_u = half_normal(rng, 0.3, 0.03, 0.82, n)
    scatter_v = half_normal(rng, 0.5, 0.03, 1.5, n)
    weight, shapes, scales = 1.0 * (np.abs(mean_u - 0.65) < 1.2), [], []  # means of the grid
    weight = weight * np.exp(TILT * (1 - censoring_power(np.array([5 / 14]))) * mean_u)
    for age, failed in zip(AGES, FAILED, strict=True):
        u = rng.normal(mean_u, scatter_u)
        v = reference + rng.normal(mean_v, scatter_v)
        log_hazard = np.exp(u)[:, None] * (np.log(age) - v[:, None])
        log_density = u[:, None] + log_hazard - np.log(age)
        weight = weight * np.exp((failed * log_density - np.exp(log_hazard)).sum(axis=1))
        shapes.append(u)
        scales.append(v)
    for i in (0, 1):
        for end, p, tolerance in (("", 0.5, 0.05), ("_lower", 0.05, 0.1), ("_upper", 0.95, 0.1)):
            for name, values in (("shape", shapes[i]), ("scale", scales[i])):
                expected = weighted_quantile(values, weight, p)
                got = math.log(getattr(result, name + end)[i])
                assert got == pytest.approx(expected, abs=tolerance), (i, name, end)
            b10 = scales[i] + math.log(-math.log(0.9)) / np.exp(shapes[i])
            expected = weighted_quantile(b10, weight, p)
            got = math.log(getattr(result, "b10" + end)[i])
            assert got == pytest.approx(expected, abs=tolerance), (i, "b10", end)
    assert math.log(result.pool_shape[0]) == pytest.approx(
        np.average(mean_u, weights=weight), abs=0.05
    )


def test_three_levels_agree_with_draws_from_the_model() -> None:
    # Source: importance sampling of the stated model, as above: pool, two subpools of one stratum
    # and a third without lives to speak of. Its errors are about 0.04.
    n, rng = 500_000, np.random.default_rng(2)
    ages = (*AGES, np.array([100.0, 50.0]))
    failed = (*FAILED, np.array([0, 0]))
    sizes = [len(a) for a in ages]
    codes = np.repeat(np.arange(3), sizes)
    lives = observed_lives(codes, np.concatenate(ages), np.concatenate(failed))
    subpool = np.array([0, 1, 1])
    result = partial_pooling(lives, np.zeros(3, int), 1, subpool=subpool, confidence_level=0.9)
    reference = result.log_reference[0]
    top_u, top_v = rng.normal(math.log(1.3), 0.8, n), rng.uniform(-1.8, 2.4, n)
    tilt = TILT * (1 - censoring_power(np.array([5 / 16])))
    weight = (np.abs(top_u - 0.65) < 1.2) * np.exp(tilt * top_u)
    wide_u, near_u = half_normal(rng, 0.3, 0.03, 0.82, n), half_normal(rng, 0.3, 0.03, 0.82, n)
    wide_v, near_v = half_normal(rng, 0.5, 0.03, 1.5, n), half_normal(rng, 0.5, 0.03, 1.5, n)
    means = [(rng.normal(top_u, wide_u), rng.normal(top_v, wide_v)) for _ in range(2)]
    shapes, scales = [], []
    for age, ended, g in zip(ages, failed, subpool, strict=True):
        u = rng.normal(means[g][0], near_u)
        v = reference + rng.normal(means[g][1], near_v)
        log_hazard = np.exp(u)[:, None] * (np.log(age) - v[:, None])
        log_density = u[:, None] + log_hazard - np.log(age)
        weight = weight * np.exp((ended * log_density - np.exp(log_hazard)).sum(axis=1))
        shapes.append(u)
        scales.append(v)
    for i in range(3):
        for end, p, tolerance in (("", 0.5, 0.08), ("_lower", 0.05, 0.16), ("_upper", 0.95, 0.16)):
            for name, values in (("shape", shapes[i]), ("scale", scales[i])):
                expected = weighted_quantile(values, weight, p)
                got = math.log(getattr(result, name + end)[i])
                assert got == pytest.approx(expected, abs=tolerance), (i, name, end)
    average = np.average(means[1][0], weights=weight)
    assert math.log(result.subpool_shape[1]) == pytest.approx(average, abs=0.06)
    with pytest.raises(ValueError, match="subpool 0 has strata of several pools"):
        partial_pooling(two(), np.array([0, 1]), 2, subpool=np.array([0, 0]))


def test_draws_follow_the_posterior() -> None:
    # Source: quantiles of the same posterior; 20,000 draws have errors of about 0.01.
    result = partial_pooling(fleet(2), np.zeros(8, int), 1, confidence_level=0.9)
    shape, scale = drawn_cells(result, 20_000, 5)
    np.testing.assert_allclose(np.log(np.median(shape, axis=1) / result.shape), 0, atol=0.02)
    np.testing.assert_allclose(np.log(np.median(scale, axis=1) / result.scale), 0, atol=0.02)
    b10 = np.quantile(scale * (-math.log(0.9)) ** (1 / shape), [0.05, 0.95], axis=1)
    np.testing.assert_allclose(np.log(b10[0] / result.b10_lower), 0, atol=0.04)
    np.testing.assert_allclose(np.log(b10[1] / result.b10_upper), 0, atol=0.04)
    with pytest.raises(ValueError, match="draws is 0"):
        drawn_cells(result, 0, 5)


def test_pooling_draws_together_and_few_failures_move_most() -> None:
    # Common practice: that is what partial pooling is. Pulls: the definition.
    result = partial_pooling(fleet(3), np.zeros(8, int), 1)
    own = np.log(result.own_scale)
    known = np.isfinite(own)
    assert known.sum() >= 6
    assert np.std(np.log(result.scale)[known]) < 0.8 * np.std(own[known])
    assert np.std(np.log(result.shape)[known]) < 0.8 * np.std(np.log(result.own_shape)[known])
    moved, way = np.log(result.scale) - own, np.log(result.pool_scale) - own
    told = np.isfinite(result.pull)
    np.testing.assert_allclose(result.pull[told], (moved / way)[told])
    assert np.median(result.pull[told]) > 0
    # ten times the lives: strata of 30 failures and more keep to themselves
    rich = partial_pooling(fleet(3, per=300), np.zeros(8, int), 1)
    many = rich.failures >= 30
    assert many.sum() >= 6
    assert np.abs(np.log(rich.scale / rich.own_scale))[many].max() < 0.1
    assert np.abs(np.log(rich.scale / rich.own_scale))[~many].max() > 1


def test_many_failures_keep_their_own_fit_and_still_lend() -> None:
    # Source: the rule stated; Fisher limits of own_fits.
    rng = np.random.default_rng(4)
    codes = np.r_[np.zeros(200, int), np.ones(6, int)]
    age = np.r_[rng.weibull(2.0, 200) * 1000, np.full(6, 400.0)]
    failed = np.r_[np.ones(200), 1, np.zeros(5)]
    lives = observed_lives(codes, age, failed)
    result = partial_pooling(lives, np.zeros(2, int), 1)
    own = own_fits(lives)
    assert result.borrowed.tolist() == [False, True]
    assert result.shape_upper[0] == own.shape_upper[0]
    assert np.isnan(drawn_cells(result, 3, 0)[0][0]).all()
    assert "own fit stands" in result.reason[0]
    assert result.reason[1] == ""
    assert result.lives.tolist() == [200.0, 6.0]
    assert 1.2 < result.shape[1] < 2.4


def test_pools_order_and_unit_do_not_matter() -> None:
    # Source: invariants: one pool alone = the same pool in a batch, unit of age, order.
    lives = fleet(5)
    pool = np.array([0, 1, 0, 1, 0, 1, 0, 1])
    base = partial_pooling(lives, pool, 2)
    alone = partial_pooling(lives.of_strata(pool == 0), np.zeros(4, int), 1)
    other = observed_lives(7 - lives.strata.codes(), lives.age / 24, lives.failures > 0)
    turned = partial_pooling(other, 1 - pool[::-1], 2)
    for name, factor in (("shape", 1), ("scale_upper", 24), ("b10_lower", 24), ("pool_scale", 24)):
        expected = getattr(base, name)
        np.testing.assert_allclose(getattr(alone, name), expected[pool == 0], rtol=1e-6)
        np.testing.assert_allclose(getattr(turned, name)[::-1] * factor, expected, rtol=1e-6)


def test_degenerate_strata_never_break_a_batch() -> None:
    # Common practice. A pool without two failures knows no scale; a stratum without a failure,
    # or without exposure, takes what the pool says; failures found later and late entry work.
    codes = [0, 0, 0, 1, 2, 2, 3, 4]
    age = [100.0, 200, 300, 500, 50, 60, 0, 1e9]
    failed = [1, 1, 0, 0, 1, 0, 1, 0]
    entry = [0.0, 50, 0, 0, 0, 0, 0, 0]
    lower = [60.0, 200, 300, 500, 50, 60, 0, 1e9]
    lives = observed_lives(codes, age, failed, entry=entry, age_lower=lower)
    result = partial_pooling(lives, np.array([0, 0, 1, 0, 1]), 2)
    assert result.borrowed.tolist() == [True, True, False, True, False]
    assert np.isfinite(result.scale[[0, 1, 3]]).all()
    assert np.isnan(result.scale[[2, 4]]).all()
    assert result.scale[1] > result.scale[0]
    assert np.isnan(result.own_scale[1])
    assert result.status[1] == "no failures"
    assert "fewer than two failures" in result.reason[2]
    with pytest.raises(ValueError, match="confidence_level"):
        partial_pooling(lives, np.zeros(5, int), 1, confidence_level=0.0)
