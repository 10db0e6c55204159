"""Best replacement ages against published figures, numerical integration and simulation."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from relkit.decisions.age_replacement import cost_rate, replacement_age


def cost_rate_by_hand(
    age: float, scale: float, shape: float, cost_planned: float, cost_failure: float
) -> float:
    """Cost rate with the integral of R by adaptive quadrature: shares no code."""

    def survival(t: float) -> float:
        return math.exp(-((t / scale) ** shape))

    in_use, _ = quad(survival, 0, age, epsabs=0, epsrel=1e-12, limit=200)
    alive = survival(age)
    return (cost_planned * alive + cost_failure * (1 - alive)) / in_use


# Source: own computation, two ways (the module; quadrature and direct minimisation in this
# file), for the items, costs and lives of the project's scenario. Columns: shape, scale h,
# planned cost, failure cost, best age h, cost and run-to-failure cost per 1000 h, saving %.
SCENARIO = {
    "camera spreader chute": (3.0, 1700, 355, 1290, 985, 554, 850, 35),
    "camera plough blade": (2.4, 1900, 355, 1290, 1122, 565, 766, 26),
    "camera suction mouth": (2.2, 2100, 355, 915, 1632, 434, 492, 12),
    "camera kerb-side brush": (2.6, 3000, 355, 915, 2146, 284, 343, 17),
    "camera road-side brush": (2.6, 3800, 355, 915, 2719, 224, 271, 17),
    "cable flexing runs": (3.4, 3200, 190, 720, 1838, 149, 250, 41),
    "cable low mounts": (2.2, 5500, 180, 700, 3191, 108, 144, 25),
    "main video lead": (2.0, 15000, 290, 1150, 8963, 69, 87, 21),
    "camera boom arm": (1.8, 4000, 355, 800, 4435, 218, 225, 3),
}


@pytest.mark.parametrize("item", SCENARIO)
def test_best_ages_of_the_scenario(item: str) -> None:
    shape, scale, planned, failure, age, rate, endless, saving = SCENARIO[item]
    best = replacement_age(scale=scale, shape=shape, cost_planned=planned, cost_failure=failure)
    assert round(float(best.age)) == age
    assert round(1000 * float(best.cost_rate)) == rate
    assert round(1000 * float(best.run_to_failure_cost_rate)) == endless
    assert round(100 * float(best.saving)) == saving
    by_hand = minimize_scalar(
        cost_rate_by_hand,
        bounds=(0.05 * scale, 3 * scale),
        args=(scale, shape, planned, failure),
        method="bounded",
        options={"xatol": 1e-5 * scale},
    )
    assert float(best.age) == pytest.approx(by_hand.x, rel=1e-3)
    assert float(best.cost_rate) == pytest.approx(by_hand.fun, rel=1e-9)
    assert best.span_lower < best.age < best.span_upper
    for end in (best.span_lower, best.span_upper):
        there = cost_rate_by_hand(float(end), scale, shape, planned, failure)
        assert there == pytest.approx(1.02 * by_hand.fun, rel=1e-8)


def test_spans_of_the_scenario() -> None:
    # Source: own computation, two ways (the module; the test above), to the nearest 10 h.
    chute = replacement_age(scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0)
    lead = replacement_age(scale=15000.0, shape=2.0, cost_planned=290.0, cost_failure=1150.0)
    ends = [float(x.round(-1)) for b in (chute, lead) for x in (b.span_lower, b.span_upper)]
    assert ends == [840.0, 1150.0, 7190.0, 11320.0]


def test_table_of_optima() -> None:
    # Source: reference item age_replacement_weibull_table_dev, optimality condition of Barlow
    # and Hunter 1960, computed twice, not published.
    best = replacement_age(
        scale=1.0, shape=[[1.5], [2.5], [4.0]], cost_planned=1.0, cost_failure=[3.0, 10.0]
    )
    expected = [
        [1.1570767968708646, 0.3781444915699997],
        [0.6568557987982113, 0.35457440963002723],
        [0.6415946077498551, 0.4390971867872814],
    ]
    np.testing.assert_allclose(best.age, expected, rtol=1e-9)
    rates = [[3.227, 8.3016], [2.6618, 4.7505], [2.1129, 3.0478]]
    np.testing.assert_allclose(best.cost_rate, rates, rtol=2e-5)


def test_formula_on_the_uniform_life_of_a_textbook() -> None:
    # Source: A. K. S. Jardine and A. H. C. Tsang, Maintenance, Replacement and Reliability,
    # ch. 2, problem 2: uniform life on 0 to 40,000 km, planned 100, failure 200. The module
    # knows Weibull lives only, so this checks the second implementation's formula.
    rates = []
    for age in (10_000, 20_000, 30_000, 40_000):
        alive = 1 - age / 40_000
        rates.append((100 * alive + 200 * (1 - alive)) / (age - age**2 / 80_000))
    np.testing.assert_allclose(rates, [0.0143, 0.01, 0.0093, 0.01], atol=6e-5)


def test_random_and_early_failures_are_never_replaced_by_age() -> None:
    # Source: R. E. Barlow and F. Proschan, Mathematical Theory of Reliability, 1965 (from
    # memory): a constant or falling hazard has no planned age.
    best = replacement_age(scale=100.0, shape=[0.8, 1.0], cost_planned=1.0, cost_failure=5.0)
    assert np.isinf(best.age).all()
    assert best.saving.tolist() == [0.0, 0.0]
    assert np.isinf(best.span_upper).all()
    assert best.status.tolist() == ["no wear: shape at most 1"] * 2
    np.testing.assert_array_equal(best.cost_rate, best.run_to_failure_cost_rate)


def test_a_cheap_failure_is_a_stated_result_and_not_an_age() -> None:
    best = replacement_age(scale=100.0, shape=3.0, cost_planned=5.0, cost_failure=[5.0, 4.0, 6.0])
    assert np.isinf(best.age).tolist() == [True, True, False]
    assert best.status[0] == "a failure costs no more than a planned replacement"


def test_an_age_that_nobody_reaches_is_no_age() -> None:
    # At shape 1.1 and these costs the root lies at 71 scales, where nothing survives.
    best = replacement_age(scale=9500.0, shape=1.1, cost_planned=300.0, cost_failure=760.0)
    assert np.isinf(best.age)
    assert best.status == "no saving that can be told from nothing"


def test_slight_wear_and_dear_failures_have_an_age() -> None:
    # Source: second implementation in this file, minimised directly.
    best = replacement_age(scale=1000.0, shape=1.1, cost_planned=1.0, cost_failure=80.0)
    by_hand = minimize_scalar(
        cost_rate_by_hand, bounds=(1, 3000), args=(1000.0, 1.1, 1.0, 80.0), method="bounded"
    )
    assert float(best.age) == pytest.approx(by_hand.x, rel=1e-3)
    assert float(best.cost_rate) == pytest.approx(by_hand.fun, rel=1e-9)


def test_rayleigh_lives_meet_the_condition() -> None:
    # Source: closed form of Barlow and Hunter's condition for shape 2,
    # 2 u (root of pi / 2) erf(u) - 1 + exp(-u^2) = c_p / (c_f - c_p).
    for ratio in (1.5, 3.0, 50.0):
        best = replacement_age(scale=1.0, shape=2.0, cost_planned=1.0, cost_failure=ratio)
        u = float(best.age)
        left = u * math.sqrt(math.pi) * math.erf(u) - 1 + math.exp(-(u**2))
        assert left == pytest.approx(1 / (ratio - 1), rel=1e-12)


@settings(deadline=None, max_examples=200)
@given(
    st.floats(1.05, 40),
    st.floats(1e-3, 1e6),
    st.floats(0.01, 1e4),
    st.floats(1.01, 1e4),
)
def test_no_age_nearby_costs_less(shape: float, scale: float, planned: float, ratio: float) -> None:
    # Invariants: a local optimum, never dearer than running to failure, its span around it.
    life = {"scale": scale, "shape": shape}
    costs = {"cost_planned": planned, "cost_failure": planned * ratio}
    best = replacement_age(**life, **costs)
    assert best.cost_rate <= best.run_to_failure_cost_rate
    assert best.span_lower <= best.age <= best.span_upper
    if np.isfinite(best.age):
        near = cost_rate(float(best.age) * np.array([0.99, 1.01]), **life, **costs)
        assert (near >= best.cost_rate * (1 - 1e-12)).all()
        at = cost_rate(best.age, **life, **costs)
        assert float(at) == pytest.approx(float(best.cost_rate), rel=1e-12)


def test_units_of_time_and_money_do_not_matter() -> None:
    # Invariant: hours for days, and pence for pounds.
    rng = np.random.default_rng(2)
    scale, shape = rng.uniform(500, 9000, 50), rng.uniform(1.2, 5, 50)
    hours = replacement_age(scale=scale, shape=shape, cost_planned=300.0, cost_failure=900.0)
    days = replacement_age(scale=scale / 24, shape=shape, cost_planned=3.0, cost_failure=9.0)
    np.testing.assert_allclose(days.age * 24, hours.age, rtol=1e-12)
    np.testing.assert_allclose(days.cost_rate / 24 * 100, hours.cost_rate, rtol=1e-12)
    np.testing.assert_allclose(days.saving, hours.saving, rtol=1e-9, atol=1e-14)


def test_extreme_lives_raise_no_warning() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        best = replacement_age(
            scale=[1e-9, 1e9, 1.0, 1.0],
            shape=[1.0001, 0.01, 500.0, 2.0],
            cost_planned=[1.0, 1.0, 1.0, 1e-9],
            cost_failure=[1.0001, 1e9, 2.0, 1e9],
        )
    assert np.isinf(best.age).tolist() == [True, True, False, False]


def test_running_to_failure_is_cost_over_mean_life() -> None:
    # Source: definition.
    rate = cost_rate([np.inf], scale=100.0, shape=2.5, cost_planned=1.0, cost_failure=7.0)
    assert rate[0] == pytest.approx(7 / (100 * math.gamma(1.4)), rel=1e-12)


def simulated_cycles(
    age: float, scale: float, shape: float, costs: tuple[float, float], count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rng = np.random.default_rng(77)
    lives = scale * rng.weibull(shape, count)
    return np.where(lives < age, costs[1], costs[0]), np.minimum(lives, age)


def test_simulated_cost_rate() -> None:
    # Independent simulation, 40 million hours; bound: three standard errors of a ratio.
    for age in (500.0, 985.0, 2000.0):
        cost, length = simulated_cycles(age, 1700.0, 3.0, (355.0, 1290.0), 40_000)
        rate = cost.mean() / length.mean()
        spread = (cost - rate * length).std() / math.sqrt(len(cost)) / length.mean()
        exact = cost_rate(age, scale=1700.0, shape=3.0, cost_planned=355.0, cost_failure=1290.0)
        assert abs(rate - float(exact)) < 3 * spread


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"cost_planned": -1.0}, r"cost_planned at position \(\) is -1"),
        ({"cost_planned": 0.0}, r"cost_planned at position \(\) is 0"),
        ({"cost_failure": [5.0, float("nan")]}, r"cost_failure at position \(1,\) is nan"),
        ({"scale": 0.0}, r"scale at position \(\) is 0"),
        ({"shape": -2.0}, r"shape at position \(\) is -2"),
        ({"scale": []}, "scale is empty"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    values: dict[str, object] = {
        "scale": 100.0, "shape": 2.0, "cost_planned": 1.0, "cost_failure": 5.0
    } | change  # fmt: skip
    with pytest.raises(ValueError, match=message):
        replacement_age(**values)  # type: ignore[arg-type]


def test_bad_ages_are_named() -> None:
    with pytest.raises(ValueError, match=r"age at position \(1,\) is 0"):
        cost_rate([5.0, 0.0], scale=1.0, shape=1.0, cost_planned=1.0, cost_failure=1.0)
