"""The log-likelihood against its definition, life by life, and its slopes against differences."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.weibull_likelihood import Slopes, weibull_likelihood


def log_likelihood_by_hand(
    rows: list[tuple[float, float, float, float, float]], shape: float, scale: float
) -> float:
    """Sum over lives of entry, age_lower, age, failure weight, count; shares no code."""

    def hazard(t: float) -> float:
        return (t / scale) ** shape

    total = 0.0
    for entry, lower, age, weight, count in rows:
        total += count * hazard(entry)
        if lower < age and weight > 0:
            total += weight * math.log(math.exp(-hazard(lower)) - math.exp(-hazard(age)))
        else:
            total += weight * (
                math.log(shape / scale) + (shape - 1) * math.log(age / scale) - hazard(age)
            )
        total -= (count - weight) * hazard(age)
    return total


def mixed_lives(seed: int, n: int = 60, strata: int = 4) -> tuple[ObservedLives, NDArray[np.intp]]:
    """Right-censored, late, found later, left-censored, shared and weighted lives together."""
    rng = np.random.default_rng(seed)
    codes = rng.integers(0, strata, n)
    age = rng.weibull(1.5, n) * 800 + 1
    failed = rng.random(n) < 0.6
    entry = np.where(rng.random(n) < 0.4, age * rng.random(n) * 0.8, 0.0)
    lower = np.where(rng.random(n) < 0.4, entry + (age - entry) * rng.random(n), age)
    lower = np.where((rng.random(n) < 0.1) & (entry == 0), 0.0, lower)
    share = np.where(rng.random(n) < 0.2, rng.random(n), 0.0)
    lives = observed_lives(
        codes,
        age,
        failed,
        entry=entry,
        age_lower=lower,
        count=rng.integers(1, 4, n),
        failure_share=share,
    )
    return lives, codes


def test_by_hand_reference_on_a_published_value() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.4.1.3: log-likelihood -75.135 at 1.7208 and 606.528.
    ages = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    rows = [(0.0, t, t, 1.0, 1.0) for t in ages] + [(0.0, 500.0, 500.0, 0.0, 10.0)]
    assert log_likelihood_by_hand(rows, 1.7208, 606.528) == pytest.approx(-75.135, abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_every_kind_of_life_adds_what_its_definition_says(seed: int) -> None:
    # Source: independent reference in this file.
    lives, _ = mixed_lives(seed)
    likelihood = weibull_likelihood(lives)
    shape = np.array([0.7, 1.0, 1.8, 3.0])
    scale = np.array([500.0, 900.0, 700.0, 1200.0])
    y = shape * (likelihood.log_reference - np.log(scale))
    got = likelihood.slopes(np.log(shape), y).value
    entry = np.zeros(len(lives.age)) if lives.entry is None else lives.entry
    lower = lives.age if lives.age_lower is None else lives.age_lower
    rows = np.stack([entry, lower, lives.age, lives.failures, lives.counts()], axis=1)
    for code in range(4):
        mine = [tuple(row) for row in rows[lives.strata.codes() == code]]
        by_hand = log_likelihood_by_hand(mine, shape[code], scale[code])
        assert got[code] == pytest.approx(by_hand, rel=1e-11)


def test_slopes_agree_with_differences() -> None:
    # Source: central differences of the value, error about 1e-7 of it.
    likelihood = weibull_likelihood(mixed_lives(1)[0])
    u, y = np.array([-0.4, 0.0, 0.5, 1.2]), np.array([-1.0, 0.3, 0.8, 1.5])
    at, h = likelihood.slopes(u, y), 1e-4

    def near(du: float, dy: float) -> Slopes:
        return likelihood.slopes(u + du * h, y + dy * h)

    np.testing.assert_allclose(at.u, (near(1, 0).value - near(-1, 0).value) / (2 * h), rtol=1e-5)
    np.testing.assert_allclose(at.y, (near(0, 1).value - near(0, -1).value) / (2 * h), rtol=1e-5)
    np.testing.assert_allclose(at.uu, (near(1, 0).u - near(-1, 0).u) / (2 * h), rtol=1e-5)
    np.testing.assert_allclose(at.uy, (near(0, 1).u - near(0, -1).u) / (2 * h), rtol=1e-5)
    np.testing.assert_allclose(at.yy, (near(0, 1).y - near(0, -1).y) / (2 * h), rtol=1e-5)


def test_narrow_and_early_intervals_keep_their_digits() -> None:
    # Source: own algebra. log(S(a) - S(a + d)) is log(h(a) d) - H(a) for small d, here at a
    # cumulative hazard of 1e-22, where S(a) - S(a + d) as written is 0, and a d that the ratio
    # of the ages does not hold.
    lives = observed_lives([0, 0], [7.0 + 1e-12, 1000.0], [1, 0], age_lower=[7.0, 0.0])
    likelihood = weibull_likelihood(lives)
    shape, scale = 10.0, 1000.0
    value = likelihood.slopes(
        np.log([shape]), shape * (likelihood.log_reference - math.log(scale))
    ).value[0]
    width = (7.0 + 1e-12) - 7.0
    log_density = math.log(shape / scale) + 9 * math.log(7.0 / scale)
    assert value == pytest.approx(log_density + math.log(width) - 1.0, rel=1e-9)


def test_a_failure_certain_within_its_interval_costs_nothing() -> None:
    # Source: own algebra: log(1 - exp(-H)) is 0 to the last digit at H = 1e4.
    likelihood = weibull_likelihood(observed_lives([0], [1e4], [1], age_lower=[0.0]))
    at = likelihood.slopes(np.array([0.0]), np.log([1e4]))
    for name in Slopes.__slots__:
        assert getattr(at, name)[0] == pytest.approx(0.0, abs=1e-12)


def test_best_rate_for_a_shape_has_no_slope() -> None:
    # Source: closed form r / T without intervals; with them the slope must vanish.
    likelihood = weibull_likelihood(mixed_lives(2)[0])
    u = np.array([-0.2, 0.1, 0.4, 0.9])
    sums = likelihood.power_sums(u)
    y = likelihood.log_rates(u, sums)
    np.testing.assert_allclose(likelihood.slopes(u, y, sums).y, 0.0, atol=1e-9)
    exact = weibull_likelihood(observed_lives([0, 0], [2.0, 4.0], [1, 0]))
    zero = np.zeros(1)
    rate = np.exp(exact.log_rates(zero, exact.power_sums(zero)))
    np.testing.assert_allclose(rate, 1 / (2 / 4 + 4 / 4), rtol=1e-15)


def test_strata_taken_out_of_a_batch_keep_their_likelihood() -> None:
    # Source: invariants.
    likelihood = weibull_likelihood(mixed_lives(3)[0])
    u, y, wanted = np.full(4, 0.3), np.full(4, 0.2), np.array([False, True, False, True])
    part = likelihood.of_strata(wanted)
    np.testing.assert_allclose(
        part.slopes(u[wanted], y[wanted]).uu, likelihood.slopes(u, y).uu[wanted], rtol=1e-12
    )
