"""Targets from harm, undetected time in use, and chains, against closed forms and draws."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.decisions.failure_finding import mean_unavailability
from relkit.decisions.hidden_function import (
    chain_unavailability,
    mean_undetected_time,
    tolerable_unavailability,
    unavailability_in_use,
)


def test_target_from_harm_is_the_product_turned_round() -> None:
    # Source: events = demands x unavailability x probability of harm (from memory).
    target = tolerable_unavailability(
        tolerable_events=2e-4, demands=4000.0, harm_probability=[1e-5, 1e-6, 1e-8]
    )
    np.testing.assert_allclose(4000 * target * np.array([1e-5, 1e-6, 1e-8]), 2e-4)
    assert target[2] > 1


def test_without_reports_faults_wait_half_an_interval() -> None:
    # Source: limit of the formula, and its continuity where the series takes over.
    assert float(mean_undetected_time(500.0)) == 250.0
    edge = mean_undetected_time(1.0, report_rate=[1e-3 * (1 - 1e-9), 1e-3 * (1 + 1e-9)])
    assert edge[0] == pytest.approx(edge[1], rel=1e-8)


def test_undetected_time_keeps_its_digits() -> None:
    # Source: the power series of (x - 1 + exp(-x)) / x^2 to x^8 at rates times interval x.
    for x in (1e-6, 9e-4, 2e-3, 0.05):
        terms = [(-x) ** k / math.factorial(k + 2) for k in range(9)]
        found = float(mean_undetected_time(1.0, report_rate=x))
        assert found == pytest.approx(math.fsum(terms), rel=3e-10)


def test_undetected_time_by_simulation() -> None:
    # Independent simulation: faults evenly over the interval, the first of report and check;
    # bound: three standard errors.
    rng = np.random.default_rng(9)
    tau, rate, count = 500.0, 0.01, 400_000
    left = rng.uniform(0, tau, count)
    waited = np.minimum(left, rng.exponential(1 / rate, count))
    exact = float(mean_undetected_time(tau, report_rate=rate))
    assert abs(waited.mean() - exact) < 3 * waited.std() / math.sqrt(count)


def test_in_use_without_reports_is_the_short_form() -> None:
    # Source: half the interval over the mean life, as mean_unavailability gives it.
    short = mean_unavailability(700.0, scale=9000.0, shape=1.0).constant_rate
    assert float(unavailability_in_use(700.0, mean_life=9000.0)) == pytest.approx(float(short))


def test_chain_of_one_and_of_many() -> None:
    # Source: product of the availabilities.
    rng = np.random.default_rng(1)
    shares = rng.uniform(0, 0.2, (5, 4))
    np.testing.assert_allclose(chain_unavailability(shares), 1 - np.prod(1 - shares, axis=1))
    assert float(chain_unavailability([0.3])) == pytest.approx(0.3)
    assert float(chain_unavailability([0.3, 1.0])) == 1.0
    assert float(chain_unavailability([1e-12, 1e-12])) == pytest.approx(2e-12, rel=1e-9)


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="harm_probability at position"):
        tolerable_unavailability(tolerable_events=1.0, demands=1.0, harm_probability=1.5)
    with pytest.raises(ValueError, match="report_rate at position"):
        mean_undetected_time(1.0, report_rate=-1.0)
    with pytest.raises(ValueError, match="unavailability at position"):
        chain_unavailability([1.2])
