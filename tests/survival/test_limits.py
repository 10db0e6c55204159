"""Limits of shape, scale and B10 life against brute force; their coverage by simulation."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq, minimize_scalar

from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_likelihood import weibull_likelihood

REFERENCES = Path(__file__).parents[1] / "references"
Z95 = 1.959963984540054


def brute_force(lives: ObservedLives, z: float = Z95) -> dict[str, float]:
    """Likelihood-ratio limits of one stratum by nested scalar searches; shares no limit code."""
    likelihood = weibull_likelihood(lives)

    def value(u: float, log_life: float, log_hazard: float) -> float:
        y = log_hazard - math.exp(u) * (log_life - likelihood.log_reference[0])
        return float(likelihood.slopes(np.array([u]), np.array([y])).value[0])

    def best(log_life: float, log_hazard: float) -> float:
        found = minimize_scalar(
            lambda u: -value(u, log_life, log_hazard),
            bounds=(-5, 6),
            method="bounded",
            options={"xatol": 1e-10},
        )
        return -float(found.fun)

    fits = own_fits(lives)
    level = fits.log_likelihood[0] - z**2 / 2
    limits = {}
    for name, log_hazard in (("scale", 0.0), ("b10", math.log(-math.log(0.9)))):
        peak = math.log(getattr(fits, name)[0])

        def over(log_life: float, log_hazard: float = log_hazard) -> float:
            return best(log_life, log_hazard) - level

        limits[f"{name}_lower"] = math.exp(brentq(over, peak - 6, peak, xtol=1e-10))
        limits[f"{name}_upper"] = math.exp(brentq(over, peak, peak + 6, xtol=1e-10))

    def over_shape(u: float) -> float:
        found = minimize_scalar(
            lambda v: -value(u, v, 0.0),
            bounds=(-3 + math.log(fits.scale[0]), 6 + math.log(fits.scale[0])),
            method="bounded",
            options={"xatol": 1e-10},
        )
        return -float(found.fun) - level

    peak = math.log(fits.shape[0])
    limits["shape_lower"] = math.exp(brentq(over_shape, peak - 3, peak, xtol=1e-10))
    limits["shape_upper"] = math.exp(brentq(over_shape, peak, peak + 3, xtol=1e-10))
    return limits


def sample(seed: int, *, late: bool, found_later: bool) -> ObservedLives:
    rng = np.random.default_rng(seed)
    age = rng.weibull(1.6, 25) * 1000 + 5
    failed = rng.random(25) < 0.5
    entry = np.where(rng.random(25) < 0.4, age * 0.4, 0.0) if late else np.zeros(25)
    lower = np.maximum(entry, age - 150) if found_later else age
    return observed_lives(np.zeros(25, int), age, failed, entry=entry, age_lower=lower)


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("found_later", [False, True])
def test_profile_limits_agree_with_brute_force(late: bool, found_later: bool) -> None:
    # Source: independent search in this file.
    lives = sample(6 + late + 2 * found_later, late=late, found_later=found_later)
    fits = own_fits(lives, limits="likelihood ratio")
    for name, expected in brute_force(lives).items():
        assert getattr(fits, name)[0] == pytest.approx(expected, rel=1e-6), name
    # with the correction for small samples: z squared times 1 + 2 failures / lives^2
    stretched = Z95 * math.sqrt(1 + 2 * fits.failures[0] / 25**2)
    fits = own_fits(lives, limits="profile")
    for name, expected in brute_force(lives, stretched).items():
        assert getattr(fits, name)[0] == pytest.approx(expected, rel=1e-6), name


def test_profile_limits_of_the_shock_absorbers_b10() -> None:
    # Source: likelihood-ratio interval 9371 to 17291 km for the B10 life of the data of
    # O'Connor (1985), computed elsewhere and not published.
    table = pd.read_csv(REFERENCES / "shock_absorber_modes.csv")
    lives = observed_lives(np.zeros(38, int), table["km"], table["event"] == "Failure")
    fits = own_fits(lives, limits="likelihood ratio")
    assert fits.b10_lower[0] == pytest.approx(9371, abs=1)
    assert fits.b10_upper[0] == pytest.approx(17291, abs=1)


def test_profile_limits_of_the_bearing_cages() -> None:
    # Source: Meeker and Escobar (1998), ch. 8, from memory: shape 2.035, scale 11,792 h, B10 life
    # 3,903 h with likelihood limits 2,093 and 22,144 h, from 6 failures among 1,703.
    table = pd.read_csv(REFERENCES / "bearing_cages.csv")
    lives = observed_lives(
        np.zeros(len(table), int), table["age"], table["failed"], count=table["count"]
    )
    fits = own_fits(lives, limits="profile")
    assert (fits.lives[0], fits.failures[0]) == (1703, 6)
    assert fits.shape[0] == pytest.approx(2.035, abs=1e-3)
    assert fits.scale[0] == pytest.approx(11792, abs=1)
    assert fits.b10[0] == pytest.approx(3903, abs=1)
    assert fits.b10_lower[0] == pytest.approx(2093, abs=2)
    assert fits.b10_upper[0] == pytest.approx(22144, abs=2)


def test_large_samples_have_the_textbook_errors() -> None:
    # Source: asymptotic theory: with many failures both kinds of limits come together.
    quantile = -np.log(1 - (np.arange(1, 4001) - 0.5) / 4000)
    lives = observed_lives(np.zeros(4000, int), quantile, np.ones(4000))
    ratio, fisher = own_fits(lives, limits="profile"), own_fits(lives)
    for name in ("shape_lower", "shape_upper", "scale_lower", "scale_upper", "b10_upper"):
        assert getattr(ratio, name)[0] == pytest.approx(getattr(fisher, name)[0], rel=2e-3)
    # Asymptotic errors of complete samples: 0.7797 / sqrt(n) of log shape, 1.0530 / sqrt(n) of
    # log scale at shape 1 (textbook constants).
    assert fisher.log_shape_std_error[0] == pytest.approx(0.7797 / math.sqrt(4000), rel=2e-3)
    assert fisher.log_scale_std_error[0] == pytest.approx(1.0530 / math.sqrt(4000), rel=2e-3)


def test_a_likelihood_that_never_falls_has_an_open_limit() -> None:
    # Source: own algebra. Every life is watched from 80 to 90 % of its last age: shapes towards
    # 0 fit almost as well as the best one, so shape and lives have no lower limit above 0.
    age = np.linspace(100, 1000, 12)
    lives = observed_lives([0] * 12, age, [1] * 12, entry=age * np.linspace(0.8, 0.9, 12))
    fits = own_fits(lives, limits="profile")
    assert fits.status[0] == "ok"
    assert fits.shape_lower[0] == 0.0
    assert fits.shape[0] < fits.shape_upper[0] < np.inf
    assert fits.scale_lower[0] == 0.0
    assert fits.b10_lower[0] == 0.0


@pytest.mark.slow
def test_profile_limits_cover_the_truth() -> None:
    # 4,000 strata of 60 lives with about 30 failures, half of them entering late. With a true
    # coverage of 95 %, the count of hits is binomial: its standard deviation is 0.34 %, so
    # 93 to 97 % is nearly six of them and leaves room for the small-sample error of the ratio.
    rng = np.random.default_rng(20240611)
    strata, per, shape, scale = 4000, 60, 1.8, 1000.0
    n = strata * per
    entry = np.where(rng.random(n) < 0.5, 0.0, rng.uniform(0, 900, n))
    life = scale * ((entry / scale) ** shape + rng.standard_exponential(n)) ** (1 / shape)
    end = entry + rng.uniform(100, 1100, n)
    lives = observed_lives(
        np.repeat(np.arange(strata), per), np.minimum(life, end), life <= end, entry=entry
    )
    fits = own_fits(lives, limits="profile")
    assert (fits.status == "ok").all()
    assert 25 < fits.failures.mean() < 35
    b10 = scale * (-math.log(0.9)) ** (1 / shape)
    for name, truth in (("shape", shape), ("scale", scale), ("b10", b10)):
        lower, upper = getattr(fits, f"{name}_lower"), getattr(fits, f"{name}_upper")
        assert 0.93 < ((lower <= truth) & (truth <= upper)).mean() < 0.97, name
