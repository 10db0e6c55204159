"""Shapes of a pool on a grid: against a slow sum, closed forms and a simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.shape_posterior import (
    LOG_SHAPES,
    PRIOR_MEAN,
    PRIOR_SD,
    ShapePosterior,
    ShapeTable,
    at_log_shape,
    censoring_power,
    pooled_posterior,
    shape_table,
    stated_posterior,
)
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_likelihood import weibull_likelihood


def table_of(lives: ObservedLives) -> ShapeTable:
    likelihood, fits = weibull_likelihood(lives), own_fits(lives)
    informative = likelihood.failures > 0
    return shape_table(
        likelihood, fits.lives, informative, np.log(fits.shape), fits.log_shape_std_error
    )


def simulated(shapes: list[float], per: int, seed: int) -> ObservedLives:
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(len(shapes)), per)
    life = 1000 * rng.weibull(np.array(shapes)[codes])
    end = rng.uniform(200, 1500, len(codes))
    return observed_lives(codes, np.minimum(life, end), life <= end)


@pytest.mark.parametrize("found_later", [False, True])
def test_the_rate_is_summed_over(found_later: bool) -> None:
    # Source: numerical integral over the log rate of the likelihood itself (scipy.quad); the
    # gamma form is exact for known ages and within 3 % where failures were found later.
    age, failed = np.array([300.0, 500.0, 650.0, 800.0, 900.0]), [1, 1, 0, 1, 0]
    lower = age - 120 if found_later else age
    lives = observed_lives([0] * 5, age, failed, age_lower=lower)
    likelihood, table = weibull_likelihood(lives), table_of(lives)

    def integral(k: int) -> float:
        u = LOG_SHAPES[k : k + 1]

        def value(y: float) -> float:
            return math.exp(float(likelihood.slopes(u, np.array([y])).value[0]) + 20)

        return quad(value, -15, 8, limit=400)[0]

    places = [40, 62, 75, 90]
    power = float(censoring_power(np.array([0.6]))[0])
    by_hand = np.log([integral(k) for k in places]) - power * LOG_SHAPES[places]
    got = table.log_likelihood[0, places]
    tolerance = 0.03 if found_later else 1e-6
    np.testing.assert_allclose(got - got[1], by_hand - by_hand[1], atol=tolerance)


def test_censoring_power_is_minus_the_slope_of_its_mean() -> None:
    # Source: numerical integral of the mean of log s - log H with weight s exp(-s) up to H over
    # 1 - exp(-H), and its difference in log H.
    def mean(hazard: float) -> float:
        weighed = quad(lambda s: s * (math.log(s / hazard)) * math.exp(-s), 0, hazard)[0]
        return weighed / -math.expm1(-hazard)

    for p in (0.05, 0.3, 0.7, 0.95):
        hazard = -math.log(1 - p)
        slope = (mean(hazard * 1.0001) - mean(hazard / 1.0001)) / (2 * math.log(1.0001))
        assert censoring_power(np.array([p]))[0] == pytest.approx(-slope, rel=1e-5)


@pytest.mark.slow
def test_many_strata_of_few_failures_do_not_pull_the_shape_to_one_side() -> None:
    # 400 strata of 20 lives, shape 2, few failures each: the summed likelihood of the common
    # shape must peak within 6 % of it at any share failed. Its standard error is 1 / sqrt(total
    # failures) or less: 3.5 % at 800 failures, here 1,300 and more. Divided by the shape
    # throughout (flat in log scale) it would be 30 % off at the lowest share.
    rng = np.random.default_rng(31)
    codes = np.repeat(np.arange(400), 20)
    for cut in (0.45, 0.8, 5.0):
        life = rng.weibull(2.0, len(codes))
        lives = observed_lives(codes, np.minimum(life, cut), life <= cut)
        total = table_of(lives).log_likelihood.sum(axis=0)
        assert math.exp(LOG_SHAPES[total.argmax()]) == pytest.approx(2.0, rel=0.06)


def test_sums_of_powers_and_their_reading() -> None:
    # Source: own algebra.
    table = table_of(observed_lives([0, 0], [3.0, 4.0], [1, 0], entry=[1.0, 0.0]))
    shape = np.exp(LOG_SHAPES)
    exact = np.log(3**shape - 1 + 4**shape) - shape * math.log(4)
    np.testing.assert_allclose(table.log_power[0], exact, atol=1e-12)
    off = math.log(1.234)
    exact = math.log(3**1.234 - 1 + 4**1.234) - 1.234 * math.log(4)
    assert at_log_shape(table.log_power, np.array([off]))[0] == pytest.approx(exact, abs=1e-5)


def test_without_failures_the_stated_prior_remains() -> None:
    # Source: normal distribution with mean log 1.3 and standard deviation 0.45; the pooled
    # prior has nearly the same spread (0.46).
    table = table_of(observed_lives([0, 1], [100.0, 200.0], [0, 0]))
    stated = stated_posterior(table)
    np.testing.assert_allclose(stated.quantile(0.5), PRIOR_MEAN, atol=1e-3)
    np.testing.assert_allclose(
        stated.quantile(0.841344746) - stated.quantile(0.5), PRIOR_SD, atol=2e-3
    )
    np.testing.assert_allclose(stated.probability_above(0.0), 0.72, atol=2e-3)  # Phi(0.583)
    pooled = pooled_posterior(table, np.array([0, 0]), 1)
    spread = (pooled.quantile(0.841344746) - pooled.quantile(0.158655254)) / 2
    np.testing.assert_allclose(spread, PRIOR_SD, atol=0.05)
    np.testing.assert_allclose(pooled.probability.sum(axis=1), 1.0)


def test_quantiles_and_means_of_a_known_posterior() -> None:
    # Source: normal distribution.
    weight = np.exp(-(((LOG_SHAPES - 0.5) / 0.3) ** 2) / 2)
    posterior = ShapePosterior((weight / weight.sum())[None, :])
    assert posterior.quantile(0.025)[0] == pytest.approx(0.5 - 1.96 * 0.3, abs=2e-3)
    assert posterior.probability_above(0.8)[0] == pytest.approx(0.158655, abs=2e-3)
    assert posterior.mean(LOG_SHAPES[None, :])[0] == pytest.approx(0.5, abs=1e-6)


def slow_posterior(table: ShapeTable, stratum: int) -> np.ndarray:
    """Posterior by a triple loop over mean, scatter and shape on coarser grids."""
    likelihood = np.exp(table.log_likelihood)
    total = np.zeros(len(LOG_SHAPES))
    scatters = np.array([0.06, 0.09, 0.13, 0.18, 0.25, 0.33, 0.43, 0.56, 0.73, 0.95])
    widths = np.gradient(scatters)
    for mean in np.arange(-1.4, 2.7, 0.1):
        for scatter, width in zip(scatters, widths, strict=True):
            normal = np.exp(-(((LOG_SHAPES - mean) / scatter) ** 2) / 2)
            normal /= normal.sum()
            prior = math.exp(-(((mean - math.log(1.3)) / 0.35) ** 2) / 2)
            prior *= math.exp(-((scatter / 0.30) ** 2) / 2) * width
            for other in range(len(likelihood)):
                if other != stratum:
                    prior *= float((normal * likelihood[other]).sum())
            total += prior * normal * likelihood[stratum]
    return total / total.sum()


def test_pooling_agrees_with_a_slow_sum() -> None:
    # Source: independent reference in this file.
    table = table_of(simulated([1.0, 1.3, 2.5, 2.0], 25, seed=1))
    pooled = pooled_posterior(table, np.zeros(4, int), 1)
    for stratum in range(4):
        np.testing.assert_allclose(
            pooled.probability[stratum], slow_posterior(table, stratum), atol=2e-3
        )


def test_like_strata_lend_much_and_unlike_ones_little() -> None:
    # Common practice: borrowing should narrow a poor stratum among like ones, and leave a
    # random item random among others that wear.
    few = simulated([2.5], 8, seed=3)

    def with_others(shapes: list[float]) -> tuple[float, float]:
        rich = simulated(shapes, 150, seed=4)
        lives = observed_lives(
            np.r_[np.zeros(8, int), rich.strata.codes() + 1],
            np.r_[few.age, rich.age],
            np.r_[few.failures, rich.failures],
        )
        n = len(shapes) + 1
        posterior = pooled_posterior(table_of(lives), np.zeros(n, int), n_pools=1)
        return float(posterior.quantile(0.1)[0]), float(posterior.quantile(0.9)[0])

    alone = stated_posterior(table_of(few))
    own_width = alone.quantile(0.9)[0] - alone.quantile(0.1)[0]
    low, high = with_others([2.5] * 8)
    assert math.exp(low) < 2.5 < math.exp(high)
    assert high - low < 0.5 * own_width
    low, high = with_others([0.8, 1.0, 3.0, 4.0, 0.9, 3.5, 1.0, 2.8])
    assert high - low > 0.6 * own_width


def test_strata_with_very_many_failures_inform_by_their_estimate() -> None:
    # Common practice: a likelihood narrower than the grid is widened, not lost between points.
    table = table_of(simulated([2.0], 4000, seed=5))
    assert table.narrow[0]
    posterior = stated_posterior(table)
    assert math.exp(posterior.quantile(0.5)[0]) == pytest.approx(math.exp(table.own[0]), rel=0.01)


def test_pools_do_not_mix() -> None:
    # Source: invariants: two pools in one call are the two pools alone.
    table = table_of(simulated([1.0, 1.2, 3.0, 3.2], 30, seed=6))
    both = pooled_posterior(table, np.array([0, 0, 1, 1]), 2)
    first = np.array([True, True, False, False])
    alone = pooled_posterior(table.of_strata(first), np.array([0, 0]), 1)
    np.testing.assert_allclose(both.probability[first], alone.probability, atol=1e-12)
