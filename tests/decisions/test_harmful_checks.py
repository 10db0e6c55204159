"""Checks that miss and spoil, against sums check by check, closed forms and limits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.decisions.failure_finding import mean_unavailability
from relkit.decisions.harmful_checks import checked_function, unavailability_over_checks


def slow_unavailability(
    tau: float, eta: float, beta: float, found: float, spoilt: float
) -> tuple[float, float]:
    """Second implementation: every interval of a life in turn, downtime by a fine sum."""
    good, up, length, k = 1.0, 0.0, 0.0, 0
    grid = (np.arange(400) + 0.5) * tau / 400
    while good > 1e-15:
        start = math.exp(-((k * tau / eta) ** beta))
        alive = np.exp(-(((k * tau + grid) / eta) ** beta)) / start
        last = math.exp(-(((k + 1) * tau / eta) ** beta)) / start
        up += good * tau * float(alive.mean())
        natural, caused = good * (1 - last), good * last * spoilt
        length += good * tau + natural * tau * (1 - found) / found + caused * tau / found
        good *= last * (1 - spoilt)
        k += 1
    return 1 - up / length, 1 / length


def test_perfect_checks_and_random_failures() -> None:
    # Closed form at shape 1 (Rausand and Hoyland, from memory): every interval is like the
    # first. The rest by the memoryless chain: own algebra.
    tau = np.array([1.0, 100.0, 2000.0, 20_000.0])
    plain = checked_function(tau, scale=9000.0, shape=1.0)
    exact = mean_unavailability(tau, scale=9000.0, shape=1.0).exact
    np.testing.assert_allclose(plain.unavailability, exact, rtol=1e-8)
    d, q = 0.6, 0.02
    last = np.exp(-tau / 9000.0)
    ends = 1 - last * (1 - q)  # chance that an interval or its check ends the good time
    down = exact + (1 - last) * (1 - d) / d + last * q / d
    whole = 1 + (1 - last) * (1 - d) / d + last * q / d
    harmed = checked_function(tau, scale=9000.0, shape=1.0, detection=d, harm=q)
    np.testing.assert_allclose(harmed.unavailability, down / whole, rtol=1e-8)
    np.testing.assert_allclose(harmed.faults_found, ends / whole / tau, rtol=1e-8)
    np.testing.assert_allclose(harmed.share_from_checks, last * q / ends, rtol=1e-7)


@pytest.mark.parametrize(
    ("tau", "beta", "found", "spoilt"),
    [
        (500.0, 1.4, 0.7, 0.0),
        (500.0, 1.4, 0.7, 0.01),
        (40.0, 2.5, 0.3, 0.0),  # 600 checks in a life: the integral does most of it
        (40.0, 2.5, 0.3, 1e-4),
        (5000.0, 3.0, 0.9, 0.1),
        (300.0, 0.7, 1.0, 0.005),
        (66.0, 8.0, 0.8, 0.0),  # wear sets in just as the integral begins
    ],
)
def test_sums_agree_with_every_check_in_turn(
    tau: float, beta: float, found: float, spoilt: float
) -> None:
    share, rate = slow_unavailability(tau, 9000.0, beta, found, spoilt)
    quick = checked_function(tau, scale=9000.0, shape=beta, detection=found, harm=spoilt)
    assert float(quick.unavailability) == pytest.approx(share, rel=3e-5)  # the fine sum's error
    assert float(quick.faults_found) == pytest.approx(rate, rel=2e-6)


def test_a_missed_fault_waits_for_whole_intervals() -> None:
    # First order in a short interval: half of it, and one more per miss; own algebra.
    tau, d = 1e-3, np.array([1.0, 0.5, 0.1])
    share = checked_function(tau, scale=1.0, shape=1.0, detection=d).unavailability
    np.testing.assert_allclose(share, tau * (1 / d - 0.5), rtol=1e-2)


def test_rare_faults_keep_their_digits() -> None:
    # The closed form at shape 1, at shares down to 1e-9.
    share = checked_function([1e-6, 1e-3], scale=1e3, shape=1.0).unavailability
    np.testing.assert_allclose(share, [5e-10, 5e-7], rtol=1e-5)


def test_harm_sets_a_floor_that_no_interval_beats() -> None:
    # Own algebra: one fault in 1/q checks, each for 1/d intervals.
    tau = np.geomspace(1e-3, 1e5, 60)[:, None]
    shape = np.array([0.6, 1.0, 1.5, 3.0])
    seen = checked_function(tau, scale=9000.0, shape=shape, detection=0.7, harm=0.01)
    assert (seen.unavailability > seen.least_unavailability).all()
    np.testing.assert_allclose(seen.least_unavailability, 0.01 / 0.71)
    np.testing.assert_allclose(seen.unavailability[0, 1:], 0.01 / 0.71, rtol=1e-3)
    assert (np.diff(seen.unavailability, axis=0) > 0).all()


def test_over_many_checks_the_long_run_is_reached() -> None:
    how = {"scale": 3000.0, "shape": 1.7, "detection": 0.6, "harm": 0.01}
    each = unavailability_over_checks(400.0, **how, age=[0.0, 5000.0], checks=300)
    limit = float(checked_function(400.0, **how).unavailability)
    np.testing.assert_allclose(each[:, -1], limit, rtol=1e-6)


def test_first_interval_is_the_plain_formula() -> None:
    # Source: mean_unavailability, tested against published values.
    ages = np.array([0.0, 2000.0, 9000.0])
    law = {"scale": 9000.0, "shape": 1.4}
    each = unavailability_over_checks(600.0, **law, age=ages, detection=0.5, harm=0.1, checks=3)
    np.testing.assert_allclose(each[:, 0], mean_unavailability(600.0, **law, age=ages).exact)
    perfect = unavailability_over_checks(600.0, scale=9000.0, shape=1.0, checks=5)
    np.testing.assert_allclose(perfect, mean_unavailability(600.0, scale=9000.0, shape=1.0).exact)


def test_unit_of_time_does_not_matter() -> None:
    hours = checked_function(500.0, scale=9000.0, shape=1.4, detection=0.7, harm=0.01)
    days = checked_function(500.0 / 24, scale=9000.0 / 24, shape=1.4, detection=0.7, harm=0.01)
    assert float(days.unavailability) == pytest.approx(float(hours.unavailability), rel=1e-12)
    assert float(days.faults_found) == pytest.approx(24 * float(hours.faults_found), rel=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"detection": 0.0}, "detection at position"),
        ({"detection": 1.2}, "detection at position"),
        ({"harm": 1.0}, "harm at position"),
        ({"harm": -0.1}, "harm at position"),
        ({"scale": 0.0}, "scale at position"),
    ],
)
def test_bad_values_are_named(change: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        checked_function(100.0, **({"scale": 1000.0, "shape": 1.0} | change))


def test_no_checks_ahead_is_refused() -> None:
    with pytest.raises(ValueError, match="checks is 0"):
        unavailability_over_checks(100.0, scale=1000.0, shape=1.0, checks=0)
