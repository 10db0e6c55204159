"""Mean unavailability against a standard's table, closed forms, a slow integral, simulation."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.decisions.failure_finding import failure_finding_interval, mean_unavailability


def failed_share_by_hand(
    interval: float, scale: float, shape: float, age: float, steps: int
) -> float:
    """Midpoint rule on 1 - R(a + t) / R(a): shares no code with the module."""
    width = interval / steps
    start = (age / scale) ** shape
    ages = (age + (k + 0.5) * width for k in range(steps))
    return math.fsum(1 - math.exp(start - (t / scale) ** shape) for t in ages) / steps


@pytest.mark.parametrize(
    ("rate_per_h", "published"),
    [(0.5e-7, 1.1e-4), (2.5e-7, 5.5e-4), (0.5e-6, 1.1e-3), (2.5e-6, 5.5e-3), (0.5e-5, 1.1e-2)],
)
def test_single_channel_checked_every_six_months(rate_per_h: float, published: float) -> None:
    # Source: IEC 61508-6:2000, table B.2, architecture 1oo1, no diagnostics; six months
    # (4380 h), values to two digits from memory. The table adds 8 h of repair (0.4 %).
    result = mean_unavailability(4380.0, scale=1 / rate_per_h, shape=1.0)
    assert float(f"{result.exact:.1e}") == published


def test_constant_rate_has_a_closed_form_at_any_age() -> None:
    # Source: own algebra, 1 - (1 - exp(-x)) / x with x = interval / scale; random failures
    # do not know their age.
    x = np.array([0.01, 0.1, 1.0, 10.0])
    for age in (0.0, 1.0, 3000.0, 1e6):
        result = mean_unavailability(x * 2000.0, scale=2000.0, shape=1.0, age=age)
        np.testing.assert_allclose(result.exact, 1 + np.expm1(-x) / x, rtol=1e-11)
        np.testing.assert_allclose(result.constant_rate, x / 2, rtol=1e-12)


def test_delay_time_share_is_the_same_function() -> None:
    # Source: reference item delay_time_exponential, T - 1 + exp(-T) over T (from memory).
    shares = mean_unavailability([0.5, 1.0, 2.0, 4.0], scale=1.0, shape=1.0).exact
    published = [0.21306131942526685, 0.36787944117144233, 0.5676676416183064, 0.7545789097221836]
    np.testing.assert_allclose(shares, published, rtol=1e-12)


def test_shape_two_of_a_used_item_in_closed_form() -> None:
    # Source: own algebra. Integral of exp(-(a + t)^2) is half the root of pi times a
    # difference of error functions.
    age, interval = 0.6, 0.9
    mean = math.sqrt(math.pi) / 2 * (math.erf(age + interval) - math.erf(age)) * math.exp(age**2)
    share = mean_unavailability(interval, scale=1.0, shape=2.0, age=age).exact
    assert share == pytest.approx(1 - mean / interval, rel=1e-12)


def test_agrees_with_a_slow_integral_on_random_strata() -> None:
    # Source: independent reference in this file; it is checked first on a known mean,
    # that of 1 - exp(-t) over (0, 1), which is 1/e.
    assert failed_share_by_hand(1.0, 1.0, 1.0, 0.0, 4000) == pytest.approx(1 / math.e, rel=1e-7)
    rng = np.random.default_rng(20240607)
    tau, eta = rng.uniform(50, 5000, (2, 60))
    beta = rng.uniform(0.8, 4, 60)
    age = np.where(np.arange(60) < 20, 0.0, rng.uniform(0, 2, 60) * eta)
    slow = [failed_share_by_hand(*row, 4000) for row in zip(tau, eta, beta, age, strict=True)]
    share = mean_unavailability(tau, scale=eta, shape=beta, age=age).exact
    np.testing.assert_allclose(share, slow, rtol=1e-4)


def test_certain_failure_gives_the_limit_without_a_warning() -> None:
    # Source: own algebra, 1 - mean life / interval once failure is certain; an item far
    # beyond any life fails at once.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = mean_unavailability(1e5, scale=1.0, shape=200.0)
        ancient = mean_unavailability(10.0, scale=1.0, shape=200.0, age=[50.0, 1e4])
    assert result.exact == pytest.approx(1 - math.gamma(1 + 1 / 200) / 1e5, rel=1e-12)
    np.testing.assert_allclose(ancient.exact, 1.0)


def test_rare_faults_keep_their_digits() -> None:
    # Source: first term of the power series, x ** shape / (shape + 1); for used items
    # shape * age ** (shape - 1) * interval / 2.
    result = mean_unavailability(1e-6, scale=1.0, shape=[1.0, 1.5, 2.0])
    np.testing.assert_allclose(result.exact, [1e-6 / 2, 1e-9 / 2.5, 1e-12 / 3], rtol=1e-5)
    used = mean_unavailability(1e-9, scale=1.0, shape=[0.7, 1.5, 4.0], age=0.01)
    first = np.array([0.7 * 0.01**-0.3, 1.5 * 0.01**0.5, 4 * 0.01**3]) * 1e-9 / 2
    np.testing.assert_allclose(used.exact, first, rtol=1e-6)


def test_two_forms_meet_where_one_takes_over_from_the_other() -> None:
    # Common practice: no step where the hazard gained just doubles (age 1, shape 2: 2^0.5 - 1).
    edge = math.sqrt(2) - 1
    shares = mean_unavailability(edge * np.array([1 - 1e-9, 1 + 1e-9]), scale=3.0, shape=2.0, age=1)
    assert shares.exact[1] == pytest.approx(shares.exact[0], rel=1e-8)


def test_invariants() -> None:
    # Common practice: the share lies in (0, 1), grows with the interval, has no unit.
    hours = np.linspace(10, 50_000, 200)[:, None]
    scale, shape = np.array([500.0, 9000.0]), np.array([0.7, 3.0])
    share = mean_unavailability(hours, scale=scale, shape=shape, age=400.0).exact
    days = mean_unavailability(hours / 24, scale=scale / 24, shape=shape, age=400 / 24).exact
    assert share.shape == (200, 2)
    assert ((share > 0) & (share < 1)).all()
    assert (np.diff(share, axis=0) > 0).all()
    np.testing.assert_allclose(days, share, rtol=1e-11)


def test_intervals_of_the_trigger_wire_and_the_boom_arm() -> None:
    # Source: the project's scenario (trigger wire 1.4 / 9000 h, boom arm 1.8 / 4000 h): own
    # computation, two ways (the slow integral above and the module), to the digits given.
    trigger = failure_finding_interval(
        [[0.01], [0.02]], scale=9000.0, shape=1.4, age=[0.0, 6000.0]
    ).interval
    np.testing.assert_allclose(trigger, [[630, 152], [1040, 304]], atol=0.6)
    boom = failure_finding_interval(0.05, scale=4000.0, shape=1.8, age=[0.0, 6000.0]).interval
    np.testing.assert_allclose(boom, [1375, 165], atol=0.6)
    back = failed_share_by_hand(float(trigger[0, 1]), 9000.0, 1.4, 6000.0, 4000)
    assert back == pytest.approx(0.01, rel=1e-6)


def test_short_form_of_the_interval() -> None:
    # Source: 2 U MTTF, reliability-centred maintenance (from memory); 164 h as the project's
    # scenario gives for shape 1.4 and scale 9000 h at 1 %.
    result = failure_finding_interval(0.01, scale=9000.0, shape=1.4)
    assert round(float(result.constant_rate)) == 164


def test_new_items_and_small_targets_in_closed_form() -> None:
    # Source: first term of the power series, scale * ((shape + 1) U) ** (1 / shape).
    shape = np.array([0.8, 1.0, 1.5, 3.0])
    interval = failure_finding_interval(1e-9, scale=100.0, shape=shape).interval
    np.testing.assert_allclose(interval, 100 * ((shape + 1) * 1e-9) ** (1 / shape), rtol=1e-6)


@settings(deadline=None, max_examples=200)
@given(
    st.floats(1e-9, 0.999),
    st.floats(0.1, 50),
    st.floats(1e-3, 1e7),
    st.one_of(st.just(0.0), st.floats(1e-6, 3.0)),
)
def test_interval_meets_its_target(share: float, shape: float, scale: float, age: float) -> None:
    # Invariant: the interval put back gives the target.
    interval = failure_finding_interval(share, scale=scale, shape=shape, age=age * scale).interval
    back = mean_unavailability(interval, scale=scale, shape=shape, age=age * scale).exact
    assert back == pytest.approx(share, rel=1e-9)


def test_one_stratum_alone_equals_the_same_in_a_batch() -> None:
    # Common practice: strata do not touch each other.
    rng = np.random.default_rng(5)
    scale, shape, age = rng.uniform(500, 9000, 30), rng.uniform(0.7, 4, 30), rng.uniform(0, 9e3, 30)
    batch = failure_finding_interval(0.02, scale=scale, shape=shape, age=age).interval
    alone = [
        float(failure_finding_interval(0.02, scale=s, shape=b, age=a).interval)
        for s, b, a in zip(scale, shape, age, strict=True)
    ]
    np.testing.assert_allclose(batch, alone, rtol=1e-12)


def test_an_interval_too_short_to_work_says_so_and_is_not_clamped() -> None:
    result = failure_finding_interval(
        0.01, scale=9000.0, shape=1.4, age=[0.0, 6000.0], shortest_interval=250.0
    )
    assert result.status.tolist() == ["ok", "no practicable interval satisfies the target"]
    assert result.interval[1] == pytest.approx(151.7, abs=0.1)


def test_simulated_share_of_time_failed() -> None:
    # Independent simulation: 200,000 lives of an item 2000 h old, checked after 900 h; bound:
    # three standard errors of the mean.
    rng = np.random.default_rng(11)
    scale, shape, age, interval = 3000.0, 2.2, 2000.0, 900.0
    lives = scale * ((age / scale) ** shape + rng.exponential(size=200_000)) ** (1 / shape) - age
    shares = np.maximum(interval - lives, 0) / interval
    exact = mean_unavailability(interval, scale=scale, shape=shape, age=age).exact
    assert abs(shares.mean() - exact) < 3 * shares.std() / math.sqrt(len(shares))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"interval": [500.0, -1.0]}, r"interval at position \(1,\) is -1.*1 of 2 values"),
        ({"scale": float("nan")}, r"scale at position \(\) is nan"),
        ({"scale": float("inf")}, r"scale at position \(\) is inf"),
        ({"shape": 0.0}, r"shape at position \(\) is 0: must be finite and at least 0\.01"),
        ({"age": -5.0}, r"age at position \(\) is -5"),
        ({"interval": []}, "interval is empty"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    values: dict[str, object] = {"interval": 500.0, "scale": 4000.0, "shape": 1.4} | change
    with pytest.raises(ValueError, match=message):
        mean_unavailability(values.pop("interval"), **values)  # type: ignore[arg-type]


@pytest.mark.parametrize("target", [0.0, 1.0, -0.1, float("nan")])
def test_impossible_targets_are_named(target: float) -> None:
    with pytest.raises(ValueError, match="unavailability at position"):
        failure_finding_interval(target, scale=9000.0, shape=1.4)
