"""The rules for few failures: own shape, borrowed shape, bound only."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.survival.few_failures import STATED_PRIOR, pooled_fits
from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.weibull import own_fits


def fleet() -> ObservedLives:
    """Five strata of 40 lives: 20, 5, 4, 1 and 0 failures, then one of an outside pool."""
    rng = np.random.default_rng(12)
    failures = [20, 5, 4, 1, 0, 2]
    age = rng.weibull(2.0, (6, 40)) * 1000
    failed = np.argsort(np.argsort(age, axis=1), axis=1) < np.array(failures)[:, None]
    return observed_lives(np.repeat(np.arange(6), 40), age.ravel(), failed.ravel())


POOL = np.array([0, 0, 0, 0, 0, 1])


def test_each_stratum_falls_under_its_rule() -> None:
    # Source: rules as stated: own shape from 5 failures, borrowed with 1 to 4, bound with none;
    # the second pool has 2 failures in all and takes the stated prior.
    lives = fleet()
    fits, own = (
        pooled_fits(lives, POOL, ["camera", "cable"]).fits,
        own_fits(lives, limits="profile"),
    )
    shared = "shared over camera"
    assert fits.shape_source.tolist() == [
        "own data",
        "own data",
        shared,
        shared,
        shared,
        STATED_PRIOR,
    ]
    for name in ("shape", "shape_lower", "scale", "scale_upper", "b10_lower", "log_likelihood"):
        np.testing.assert_array_equal(getattr(fits, name)[:2], getattr(own, name)[:2])
    assert fits.status.tolist() == ["ok", "ok", "ok", "one failure", "no failures", "ok"]
    assert (fits.scale_upper[:4] < np.inf).all()
    assert fits.scale_upper[4] == np.inf
    assert np.isnan(fits.scale[4])
    assert 0 < fits.scale_lower[4] < np.inf
    assert np.isfinite(fits.shape).all()
    assert "bound" in fits.reason[4]
    assert "borrowed" in fits.reason[3]
    assert "log 1.3" in fits.reason[5]
    assert fits.reason[0] == ""


def test_limits_asked_for_are_those_of_the_strata_with_their_own_shape() -> None:
    lives = fleet()
    fisher = pooled_fits(lives, POOL, ["camera", "cable"], limits="fisher").fits
    own = own_fits(lives)
    np.testing.assert_array_equal(fisher.shape_lower[:2], own.shape_lower[:2])


def test_borrowing_narrows_the_shape_of_a_stratum_with_four_failures() -> None:
    # Common practice: that is what borrowing is for.
    lives = fleet()
    fits, own = (
        pooled_fits(lives, POOL, ["camera", "cable"]).fits,
        own_fits(lives, limits="profile"),
    )
    width = np.log(fits.shape_upper / fits.shape_lower)
    assert width[2] < 0.8 * np.log(own.shape_upper[2] / own.shape_lower[2])


def test_failures_all_of_one_age_lend_nothing() -> None:
    # Common practice: they rather tell of the day they were found.
    age = np.r_[np.full(10, 500.0), [100.0, 300.0, 600.0]]
    failed = np.r_[np.ones(10, bool), [True, False, False]]
    lives = observed_lives(np.r_[np.zeros(10, int), [1, 1, 1]], age, failed)
    fits = pooled_fits(lives, np.array([0, 0]), ["relay"]).fits
    assert fits.status[0] == "equal ages"
    assert fits.shape_source.tolist() == [STATED_PRIOR, STATED_PRIOR]
    assert np.isfinite(fits.scale[0])


def test_zero_ages_and_strata_without_exposure() -> None:
    lives = observed_lives([0, 0, 0, 1], [0.0, 50.0, 60.0, 0.0], [1, 1, 0, 1])
    fits = pooled_fits(lives, np.array([0, 0]), ["lamp"]).fits
    assert fits.status.tolist() == ["one failure", "no exposure"]
    assert "dead on arrival" in fits.reason[0]
    assert np.isnan(fits.shape[1])


def test_pools_and_units_do_not_matter() -> None:
    # Source: invariants: order of strata within the batch and the unit of age.
    lives = fleet()
    base = pooled_fits(lives, POOL, ["camera", "cable"]).fits
    days = observed_lives(5 - lives.strata.codes(), lives.age / 24, lives.failures > 0)
    other = pooled_fits(days, POOL[::-1], ["camera", "cable"]).fits
    for name, factor in (("shape", 1), ("shape_upper", 1), ("scale_lower", 24), ("b10", 24)):
        np.testing.assert_allclose(
            getattr(other, name)[::-1] * factor, getattr(base, name), rtol=1e-6
        )


@pytest.mark.slow
def test_random_failures_are_seldom_called_wear() -> None:
    # 300 pools of 11 strata: four random ones (shape 1), the others wear with 1.5 to 3. The
    # first, random, has about 3 failures; its own estimate exceeds 1.5 in a third of cases. A
    # probability of wear above 0.95, which a pool of mostly wearing strata makes likelier, must
    # stay rare: 10 % expected, standard deviation of the binomial 2 %.
    rng = np.random.default_rng(8)
    pools, per = 300, 60
    shapes = [1.0, 1.0, 1.0, 1.0, 1.5, 1.8, 2.2, 2.4, 2.6, 2.8, 3.0]
    codes = np.repeat(np.arange(11 * pools), per)
    first = codes % 11 == 0
    life = np.where(first, 14_000.0, 1000.0) * rng.weibull(np.tile(shapes, pools)[codes])
    end = np.where(first, rng.uniform(200, 1500, len(codes)), rng.uniform(200, 1200, len(codes)))
    lives = observed_lives(codes, np.minimum(life, end), life <= end)
    fits = pooled_fits(lives, np.repeat(np.arange(pools), 11), [""] * pools).fits
    few = (np.arange(11 * pools) % 11 == 0) & (fits.failures < 5) & (fits.failures > 0)
    assert few.sum() > 200
    assert (own_fits(lives).shape[few] > 1.5).mean() > 0.25
    assert (fits.probability_of_wear[few] > 0.95).mean() < 0.15
