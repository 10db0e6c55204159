"""Bootstrap limits: repeatable, close to the other kinds, honest where refits fail."""

from __future__ import annotations

import numpy as np

from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.weibull import own_fits


def lives(strata: int = 3, per: int = 60, seed: int = 2) -> ObservedLives:
    rng = np.random.default_rng(seed)
    age = rng.weibull(2.0, strata * per) * 1000
    failed = rng.random(strata * per) < 0.7
    return observed_lives(np.repeat(np.arange(strata), per), age, failed)


def test_limits_are_near_those_by_likelihood_ratio() -> None:
    # Source: asymptotic theory: with 40 failures both kinds agree to some 10 % of the width
    # on the log scale.
    boot = own_fits(lives(), limits="bootstrap", replicates=2000)
    ratio = own_fits(lives(), limits="profile")
    for name in ("shape", "scale", "b10"):
        width = np.log(getattr(ratio, f"{name}_upper") / getattr(ratio, f"{name}_lower"))
        for side in ("lower", "upper"):
            off = np.log(getattr(boot, f"{name}_{side}") / getattr(ratio, f"{name}_{side}"))
            assert (np.abs(off) < 0.2 * width).all(), (name, side)


def test_the_same_seed_gives_the_same_limits() -> None:
    first, again = (own_fits(lives(), limits="bootstrap", rng=5, replicates=50) for _ in range(2))
    other = own_fits(lives(), limits="bootstrap", rng=6, replicates=50)
    np.testing.assert_array_equal(first.shape_lower, again.shape_lower)
    assert (first.shape_lower != other.shape_lower).all()


def test_rows_that_stand_for_several_lives_are_reweighted_as_several() -> None:
    # Source: own algebra: a sum of k exponential weights is a gamma weight of shape k, so that
    # the limits agree with those of the lives written out, within the error of 4,000 refits.
    age, failed, count = [100.0, 300.0, 400.0, 500.0, 700.0], [1, 1, 1, 1, 0], [5, 8, 7, 6, 9]
    short = observed_lives([0] * 5, age, failed, count=count)
    long = observed_lives([0] * 35, np.repeat(age, count), np.repeat(failed, count))
    one, two = (own_fits(x, limits="bootstrap", replicates=4000, rng=1) for x in (short, long))
    for name in ("shape_lower", "shape_upper", "scale_lower", "scale_upper"):
        np.testing.assert_allclose(getattr(one, name), getattr(two, name), rtol=0.03)


def test_large_batches_are_refitted_in_blocks() -> None:
    # Source: invariants: finite limits around the estimate for every stratum.
    fits = own_fits(lives(strata=500, per=20), limits="bootstrap", replicates=210)
    fitted = fits.status == "ok"
    assert fitted.sum() > 490
    assert (fits.scale_lower < fits.scale_upper)[fitted].all()
    assert (fits.shape_lower < fits.shape)[fitted].mean() > 0.99


def test_limits_are_missing_with_a_reason_where_refits_have_no_maximum() -> None:
    # Common practice. Lives watched over short stretches of unlike ratio of age to entry: some
    # refits run to shape 0, more than one in twenty.
    age = np.linspace(100, 1000, 12)
    ratio = np.random.default_rng(0).permutation(np.linspace(0.6, 0.9, 12))
    late = observed_lives([0] * 12, age, [1] * 12, entry=age * ratio)
    fits = own_fits(late, limits="bootstrap", replicates=200)
    assert np.isnan([fits.scale_lower[0], fits.shape_upper[0]]).all()
    assert np.isfinite(fits.shape[0])
    assert "no bootstrap limits" in fits.reason[0]
