"""Renewal functions against printed tables, closed forms, a power series and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import gammainc

from relkit.decisions.renewal import renewal_increments, renewals


def test_printed_table_for_weibull_lives() -> None:
    # Source: H. C. Tijms, A First Course in Stochastic Models, 2003, table 8.1.1, mean 1,
    # squared coefficient of variation 0.25 (shape 2.1013); four digits.
    times = [0.1, 0.2, 0.4, 0.6, 0.8, 1, 1.2, 1.5, 2, 2.5]
    printed = [0.0061, 0.0261, 0.1087, 0.2422, 0.4141, 0.6091, 0.8143, 1.124, 1.627, 2.125]
    found = renewals(times, scale=1.1290633895396087, shape=2.101349094688426)
    np.testing.assert_allclose(found.expected, printed, atol=7e-4)
    more = [0.0061225774, 0.026087509, 0.10865527, 0.24223998, 0.41404891, 0.60909101,
            0.81433563, 1.1237391, 1.6266732, 2.1248222]  # fmt: skip
    np.testing.assert_allclose(found.expected, more, rtol=5e-6)  # reference, computed


def series(time: float, shape: float) -> float:
    """Power series of the renewal function, scale 1; loses digits beyond time 1.5."""
    # W. L. Smith and M. R. Leadbetter, Technometrics 5, 1963 (from memory).
    terms = 26
    g = [math.exp(math.lgamma(k * shape + 1) - math.lgamma(k + 1)) for k in range(terms)]
    a = [0.0] * terms
    total = 0.0
    for k in range(1, terms):
        a[k] = g[k] - sum(g[j] * a[k - j] for j in range(1, k))
        total -= (
            (-1) ** k * a[k] * math.exp(k * shape * math.log(time) - math.lgamma(k * shape + 1))
        )
    return total


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        (1.5, [0.12190150144749082, 0.3302698444724811, 0.8415781366496907, 1.3909151503393409]),
        (3.0, [0.01551572698499698, 0.11826266899118122, 0.6723291002383116, 1.2552351325349702]),
        (5.0, [0.000976089602137349, 0.03077063067135046, 0.635778446403647, 1.1326889685919397]),
    ],
)
def test_power_series(shape: float, expected: list[float]) -> None:
    # Source: reference item renewal_weibull_series_dev, computed twice (series in 80-digit
    # arithmetic; discretised renewal equation); the plain series below for the first two.
    found = renewals([0.25, 0.5, 1.0, 1.5], scale=1.0, shape=shape)
    np.testing.assert_allclose(found.expected, expected, rtol=2e-7)
    for time, value in zip([0.25, 0.5], expected, strict=False):
        assert series(time, shape) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("shape", [0.3, 0.5, 0.8, 1.2])
def test_early_failures_against_the_series(shape: float) -> None:
    # Source: the series in this file, at times where it keeps its digits.
    times = np.array([0.01, 0.1, 0.4])
    exact = [series(t, shape) for t in times]
    found = renewals(times * 3, scale=3.0, shape=shape)
    np.testing.assert_allclose(found.expected, exact, rtol=5e-6)
    assert (np.abs(found.expected - exact) <= 10 * found.error + 1e-12).all()


def test_erlang_lives_in_closed_form() -> None:
    # Source: D. R. Cox, Renewal Theory, 1962 (from memory): gamma shape 2 and rate 1,
    # M(t) = t/2 - (1 - exp(-2 t)) / 4.
    for time, expected in [(0.5, 0.09196986), (1, 0.28383382), (2, 0.75457891), (4, 1.75008387)]:
        failed = gammainc(2.0, np.linspace(0, time, 1025))[None]
        assert renewal_increments(failed).sum() == pytest.approx(expected, abs=2e-6)


def test_uniform_lives_in_closed_form() -> None:
    # Source: classical, life uniform on 0 to 1: M(t) = exp(t) - 1 for t up to 1.
    for time in (0.25, 0.5, 1.0):
        increments = renewal_increments(np.linspace(0, time, 1025)[None])
        total = np.cumsum(increments, axis=1)[0]
        assert total[-1] == pytest.approx(math.expm1(time), abs=2e-6)
        assert total[255] == pytest.approx(math.expm1(time / 2), abs=2e-6)


def test_random_failures_at_any_age() -> None:
    # Source: closed form, horizon over scale.
    found = renewals([10.0, 1e3, 5e4], scale=1000.0, shape=1.0, age=[[0.0], [300.0], [9e4]])
    np.testing.assert_allclose(found.expected, [[0.01, 1.0, 50.0]] * 3, rtol=1e-5)


def test_long_horizons_follow_the_elementary_line() -> None:
    # Source: M(t) -> t / mean + (c2 - 1) / 2 (Cox 1962, from memory); 4,096 steps do not
    # reach this far, so the function is continued.
    shape, scale = 2.5, 100.0
    mean = scale * math.gamma(1.4)
    spread = scale**2 * math.gamma(1.8) / mean**2 - 1
    found = renewals([5e3, 1e6], scale=scale, shape=shape)
    line = np.array([5e3, 1e6]) / mean + (spread - 1) / 2
    np.testing.assert_allclose(found.expected, line, atol=2e-3)
    assert (found.error < 5e-3).all()


def test_a_short_horizon_holds_the_first_failure_only() -> None:
    # Source: first terms, M_a(t) = F_a(t) + a second failure of order F F_a.
    found = renewals(10.0, scale=5000.0, shape=2.0, age=4000.0)
    first = -math.expm1((4000 / 5000) ** 2 - (4010 / 5000) ** 2)
    assert float(found.first_failure_probability) == pytest.approx(first, rel=1e-9)
    assert float(found.expected) == pytest.approx(first, rel=1e-5)
    assert found.expected >= found.first_failure_probability
    assert renewals(0.0, scale=5000.0, shape=2.0, age=4000.0).expected == 0


@settings(deadline=None, max_examples=60)
@given(st.floats(0.5, 6), st.floats(0.0, 2.0), st.floats(1e-3, 5.0))
def test_invariants(shape: float, age: float, horizon: float) -> None:
    # Common practice: grows with the horizon, no unit, at least the first failure.
    hours = renewals(np.array([1.0, 2.0]) * horizon, scale=1.0, shape=shape, age=age)
    days = renewals(np.array([1.0, 2.0]) * horizon / 24, scale=1 / 24, shape=shape, age=age / 24)
    np.testing.assert_allclose(days.expected, hours.expected, rtol=1e-9)
    assert hours.expected[0] <= hours.expected[1]
    assert (hours.expected >= hours.first_failure_probability).all()


def test_simulated_failures_of_a_used_item() -> None:
    # Independent simulation of 200,000 positions, a billion hours; bound: three standard
    # errors of the mean count.
    rng = np.random.default_rng(12)
    horizon, age, scale, shape, count = 5000.0, 1500.0, 3000.0, 2.2, 200_000
    clock = scale * ((age / scale) ** shape + rng.exponential(size=count)) ** (1 / shape) - age
    failures = np.zeros(count)
    while (clock <= horizon).any():
        failures += clock <= horizon
        clock = clock + scale * rng.weibull(shape, count)
    exact = float(renewals(horizon, scale=scale, shape=shape, age=age).expected)
    assert abs(failures.mean() - exact) < 3 * failures.std() / math.sqrt(count)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"horizon": -1.0}, r"horizon at position \(\) is -1"),
        ({"age": float("nan")}, r"age at position \(\) is nan"),
        ({"shape": 0.0}, r"shape at position \(\) is 0"),
    ],
)
def test_bad_values_are_named(change: dict[str, float], message: str) -> None:
    values = {"horizon": 10.0, "scale": 5.0, "shape": 2.0, "age": 0.0} | change
    with pytest.raises(ValueError, match=message):
        renewals(values.pop("horizon"), **values)
