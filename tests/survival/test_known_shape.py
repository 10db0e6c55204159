"""Known shape: chi-square limits against the handbook's factors and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.survival.known_shape import known_shape_scales, scale_lower_bounds
from relkit.survival.observed import observed_lives
from relkit.survival.weibull import given_shape_fits
from relkit.survival.weibull_likelihood import weibull_likelihood


def test_zero_failure_divisors() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.4.5.1: lower bound T / divisor without a failure.
    likelihood = weibull_likelihood(observed_lives([0] * 5, [200.0] * 5, [0] * 5))
    levels = [0.6, 0.8, 0.9, 0.95]
    lower = [known_shape_scales(likelihood, np.ones(1), level).lower[0] for level in levels]
    divisors = [0.916290731874155, 1.6094379124341005, 2.302585092994046, 2.99573227355399]
    np.testing.assert_allclose(1000.0 / np.array(lower), divisors, atol=1e-9)


def test_factors_at_90_percent() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.4.5.1, two-sided factors for 1 to 5 failures.
    lower = [0.2108, 0.3177, 0.3869, 0.437, 0.4756]
    upper = [19.4957, 5.6281, 3.6689, 2.9276, 2.5379]
    for r in range(1, 6):
        lives = observed_lives([0] * 8, [100.0] * 8, [1] * r + [0] * (8 - r))
        fits = given_shape_fits(lives, 1.0, confidence_level=0.9)
        mean_life = 800.0 / r
        assert fits.scale[0] == pytest.approx(mean_life, rel=1e-12)
        assert fits.scale_lower[0] / mean_life == pytest.approx(lower[r - 1], abs=2e-4)
        assert fits.scale_upper[0] / mean_life == pytest.approx(upper[r - 1], abs=2e-4)


def test_zero_failures_with_a_known_shape() -> None:
    # Source: Nelson (1985), formula; figures by the closed form (2 sum t^b / chi2(C; 2))^(1/b).
    lives = observed_lives([0] * 14, [30.0] * 10 + [55.0] * 4, [0] * 14)
    for level, expected in ((0.95, 83.92468667575068), (1 - math.exp(-1), 145.2583904633395)):
        fits = given_shape_fits(lives, 2.0, confidence_level=level)
        assert fits.scale_lower[0] == pytest.approx(expected, rel=1e-8)
        assert fits.scale_upper[0] == np.inf
        assert np.isnan(fits.scale[0])
        assert fits.status[0] == "no failures"
        assert "lower bound" in fits.reason[0]


def test_success_run() -> None:
    # Source: success-run theorem (MIL-HDBK-338 quotes the table): n = ln(1 - C) / ln R lives
    # without a failure show R(L) >= R. B10 life is the age at R = 0.9.
    for n, shown in ((21, False), (22, True)):
        fits = given_shape_fits(
            observed_lives([0] * n, [400.0] * n, [0] * n), 1.7, confidence_level=0.9
        )
        assert bool(fits.b10_lower[0] >= 400.0) is shown
    for n, survival, level in ((45, 0.95, 0.9), (299, 0.99, 0.95)):
        for fewer in (0, 1):
            lives = observed_lives([0] * (n - fewer), [400.0] * (n - fewer), [0] * (n - fewer))
            fits = given_shape_fits(lives, 1.7, confidence_level=level)
            age = fits.scale_lower[0] * (-math.log(survival)) ** (1 / 1.7)
            assert bool(age >= 400.0) is (fewer == 0)


def test_late_entry_counts_the_difference_of_powers() -> None:
    # Source: own algebra: sum of age^b - entry^b per failure.
    fits = given_shape_fits(
        observed_lives([0, 0, 0], [900.0, 700.0, 800.0], [1, 1, 0], entry=[300.0, 0.0, 500.0]), 2.5
    )
    power = 900**2.5 - 300**2.5 + 700**2.5 + 800**2.5 - 500**2.5
    assert fits.scale[0] == pytest.approx((power / 2) ** (1 / 2.5), rel=1e-12)
    assert fits.log_scale_std_error[0] == pytest.approx(1 / (2.5 * math.sqrt(2)), rel=1e-12)
    assert fits.shape_source[0] == "given"
    assert (fits.shape_lower[0], fits.shape_upper[0]) == (2.5, 2.5)


def test_one_sided_bounds_for_stated_shapes() -> None:
    # Source: 2 T / chi2(C; 2 r + 2); chi2(0.95; 4) = 9.48773 and chi2(0.95; 2) = 5.99146 from
    # any table.
    likelihood = weibull_likelihood(observed_lives([0, 0, 1], [600.0, 400.0, 1000.0], [1, 0, 0]))
    bound = scale_lower_bounds(likelihood, np.ones(2), 0.95)
    np.testing.assert_allclose(bound, [2000 / 9.48773, 2000 / 5.99146], rtol=1e-5)


def test_a_failure_found_later_tells_less_than_one_at_a_known_age() -> None:
    # Source: own algebra: shape 1, one of two lives fails in (0, 10], the other survives 10:
    # the rate q maximises log(1 - exp(-10 q)) - 10 q, so exp(-10 q) = 1 / 2.
    lives = observed_lives([0, 0], [10.0, 10.0], [1, 0], age_lower=[0.0, 0.0])
    fits = given_shape_fits(lives, 1.0)
    assert fits.scale[0] == pytest.approx(10 / math.log(2), rel=1e-9)
    assert fits.log_scale_std_error[0] > 1.0  # 1 / sqrt(1 failure) at a known age


@pytest.mark.parametrize("shape", [0.0, -1.0, float("nan")])
def test_bad_shapes_are_named(shape: float) -> None:
    with pytest.raises(ValueError, match="shape at position"):
        given_shape_fits(observed_lives([0], [1.0], [1]), shape)
