"""Stock and prediction limits against published spares figures and slow sums."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.decisions.spares import demand_limits, spares_needed, spares_needed_over_draws


def covered_by_hand(stock: int, mean: float) -> float:
    """P(D <= stock) as a sum of Poisson terms, from the largest exponent down."""
    if mean == 0:
        return 1.0
    return math.fsum(
        math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(stock + 1)
    )


def test_twenty_parts_for_three_months() -> None:
    # Source: B. S. Blanchard, Logistics Engineering and Management, spares nomograph example
    # (from memory): 20 parts, 0.1 failures per 1000 h, 2160 h, 0.95 -> 8 spares.
    needed = spares_needed(20 * 1e-4 * 2160, service_level=0.95)
    assert float(needed.expected) == pytest.approx(4.32)
    assert int(needed.stock) == 8
    assert float(needed.stock_out_probability) == pytest.approx(1 - 0.9675, abs=5e-5)


def test_cumulative_poisson_table() -> None:
    # Source: any textbook's table (from memory), four digits: P(D <= 2 | 1), (4 | 2), (9 | 5).
    needed = spares_needed([1.0, 2.0, 5.0], service_level=[0.9197, 0.9473, 0.9681])
    assert needed.stock.tolist() == [3, 4, 9]
    at_table = spares_needed([1.0, 2.0, 5.0], service_level=[0.91969, 0.94734, 0.96817])
    assert at_table.stock.tolist() == [2, 4, 9]
    shares = 1 - at_table.stock_out_probability
    np.testing.assert_allclose(shares, [0.9197, 0.9473, 0.9682], atol=6e-5)


@settings(deadline=None, max_examples=150)
@given(st.floats(0, 200), st.floats(0.001, 0.9999))
def test_smallest_stock_by_slow_sums(mean: float, level: float) -> None:
    # Source: second implementation in this file.
    needed = spares_needed(mean, service_level=level)
    stock = int(needed.stock)
    missed = 1 - covered_by_hand(stock, mean)
    assert float(needed.stock_out_probability) == pytest.approx(missed, abs=1e-12)
    assert covered_by_hand(stock, mean) >= level - 1e-12
    if stock:
        assert covered_by_hand(stock - 1, mean) < level + 1e-12


def test_no_demand_needs_no_stock() -> None:
    needed = spares_needed(0.0, service_level=0.999)
    assert (int(needed.stock), float(needed.stock_out_probability)) == (0, 0.0)


def test_rare_stock_outs_keep_their_digits() -> None:
    # Source: first term of the Poisson tail, m ** (s + 1) / (s + 1)!.
    needed = spares_needed(1e-6, service_level=0.9)
    assert float(needed.stock_out_probability) == pytest.approx(1e-6, rel=1e-6)


def test_doubt_about_the_mean_raises_the_stock() -> None:
    # Source: mixture of two Poisson demands summed by hand.
    means = [0.5, 3.5]
    needed = spares_needed_over_draws([means, [2.0, 2.0]], service_level=0.95)
    mixed = [np.mean([covered_by_hand(s, m) for m in means]) for s in range(12)]
    assert needed.stock.tolist() == [int(np.argmax(np.array(mixed) >= 0.95)), 5]
    assert needed.expected.tolist() == [2.0, 2.0]
    plain = spares_needed(2.0, service_level=0.95)
    assert needed.stock[0] > needed.stock[1] == plain.stock


def test_gamma_mixture_is_negative_binomial() -> None:
    # Source: closed form, Poisson mean gamma-distributed (shape 3, mean 6): P(D = 0) = (1/3)^3,
    # and P(D <= s) by the negative binomial sum; draws are the gamma's mid quantiles.
    from scipy.special import gammaincinv

    means = gammaincinv(3.0, (np.arange(4000) + 0.5) / 4000) * 2
    terms = [math.comb(k + 2, 2) * (1 / 3) ** 3 * (2 / 3) ** k for k in range(60)]
    stock = int(np.argmax(np.cumsum(terms) >= 0.95))
    needed = spares_needed_over_draws(means, service_level=0.95)
    assert int(needed.stock[0]) == stock
    out = 1 - sum(terms[: stock + 1])
    assert float(needed.stock_out_probability[0]) == pytest.approx(out, rel=2e-3)


def test_limits_enclose_at_least_the_level() -> None:
    # Source: slow sums in this file.
    limits = demand_limits(np.array([[0.3], [4.0], [40.0]]), confidence_level=0.8)
    for k, mean in enumerate((0.3, 4.0, 40.0)):
        low, high = int(limits.lower[k]), int(limits.upper[k])
        below = covered_by_hand(low - 1, mean) if low else 0.0
        assert below < 0.1 + 1e-12
        assert 1 - covered_by_hand(high, mean) <= 0.1 + 1e-12
    assert limits.confidence_level == 0.8


def test_simulated_demand_of_a_fleet_is_covered() -> None:
    # Independent simulation: 60 positions with shape 2.4 over a lead time, 20,000 fleets. The
    # Poisson stock covers at least the level (three binomial standard errors allowed).
    rng = np.random.default_rng(6)
    lives = 1900 * rng.weibull(2.4, (20_000, 60)) / 1
    age = rng.uniform(0, 1500, 60)
    ahead = 1900 * ((age / 1900) ** 2.4 - np.log(rng.random((20_000, 60)))) ** (1 / 2.4) - age
    demand = (ahead <= 80).sum(axis=1) + (ahead + lives <= 80).sum(axis=1)
    from relkit.decisions.renewal import renewals

    mean = renewals(80.0, scale=1900.0, shape=2.4, age=age).expected.sum()
    assert abs(demand.mean() - mean) < 3 * demand.std() / math.sqrt(20_000)
    stock = int(spares_needed(mean, service_level=0.95).stock)
    assert (demand <= stock).mean() > 0.95 - 3 * math.sqrt(0.95 * 0.05 / 20_000)


@pytest.mark.parametrize(
    ("expected", "level", "message"),
    [
        (-1.0, 0.95, r"expected at position \(\) is -1"),
        (float("nan"), 0.95, "expected at position"),
        (1.0, 0.0, "service_level at position"),
        (1.0, 1.0, "service_level at position"),
    ],
)
def test_bad_values_are_named(expected: float, level: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        spares_needed(expected, service_level=level)
