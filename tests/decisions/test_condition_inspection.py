"""Delay-time model against closed forms, event-by-event simulation and brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.decisions.condition_inspection import (
    best_inspection_interval,
    inspection_cost_rate,
    missed_share,
)

CABLE = {
    "defect_rate": 1 / 4870,
    "mean_delay": 400.0,
    "cost_inspection": 6.0,
    "cost_mend": 180.0,
    "cost_failure": 700.0,
}


def simulated_missed(
    interval: float, mean_delay: float, detection: float, shape: float, count: int
) -> float:
    """Defects one by one: born within an interval, looked at until found or failed."""
    rng = np.random.default_rng(31)
    born = rng.uniform(0, interval, count)
    ends = born + mean_delay / math.gamma(1 + 1 / shape) * rng.weibull(shape, count)
    failed = np.zeros(count, dtype=bool)
    found = np.zeros(count, dtype=bool)
    look = interval
    while not (failed | found).all():
        failed |= ~found & (ends <= look)
        found |= ~failed & (rng.random(count) < detection)
        look += interval
    return float(failed.mean())


def test_perfect_looks_and_exponential_delay() -> None:
    # Source: A. H. Christer and W. M. Waller, J. Opl Res. Soc. 35, 1984 (from memory),
    # reference item delay_time_exponential: T - 1 + exp(-T) over T.
    shares = missed_share([0.5, 1.0, 2.0, 4.0], mean_delay=1.0)
    published = [0.21306131942526685, 0.36787944117144233, 0.5676676416183064, 0.7545789097221836]
    np.testing.assert_allclose(shares, published, rtol=1e-9)


def test_imperfect_looks_of_the_scenario() -> None:
    # Source: the project's scenario, mean delay 400 h, every 250 h: 0.256, and 0.380 at a
    # detection of 0.7; own computation, two ways (the module; the simulation below).
    shares = missed_share(250.0, mean_delay=400.0, detection=[1.0, 0.7])
    np.testing.assert_allclose(shares, [0.256, 0.380], atol=5e-4)


@pytest.mark.parametrize(
    ("interval", "detection", "shape"),
    [(250.0, 0.7, 1.0), (250.0, 0.7, 2.5), (900.0, 0.3, 0.6), (100.0, 0.2, 3.0)],
)
def test_simulated_share_missed(interval: float, detection: float, shape: float) -> None:
    # Independent simulation of 200,000 defects; bound: three binomial standard errors.
    share = float(missed_share(interval, mean_delay=400.0, detection=detection, delay_shape=shape))
    seen = simulated_missed(interval, 400.0, detection, shape, 200_000)
    assert abs(seen - share) < 3 * math.sqrt(share * (1 - share) / 200_000)


def test_series_of_looks_agrees_with_the_closed_form() -> None:
    # Source: closed form at shape 1; the series of looks serves every other shape.
    plain = missed_share([10.0, 300.0, 5e3], mean_delay=400.0, detection=[0.05, 0.5, 0.9])
    series = missed_share(
        [10.0, 300.0, 5e3], mean_delay=400.0, detection=[0.05, 0.5, 0.9], delay_shape=1 + 1e-9
    )
    np.testing.assert_allclose(series, plain, rtol=1e-6)


def test_rare_misses_keep_their_digits() -> None:
    # Source: first term, half the interval over the mean delay; each miss adds a whole one.
    tau = 1e-9
    np.testing.assert_allclose(missed_share(tau, mean_delay=1.0), tau / 2, rtol=1e-8)
    partly = missed_share(tau, mean_delay=1.0, detection=0.5)
    np.testing.assert_allclose(partly, tau / 2 + tau, rtol=1e-7)


def test_invariants() -> None:
    # Common practice: rises with the interval, falls with detection, no unit, within 0 and 1.
    tau = np.geomspace(1, 1e5, 40)[:, None]
    found = np.array([0.1, 0.5, 1.0])
    share = missed_share(tau, mean_delay=300.0, detection=found, delay_shape=2.0)
    assert ((share > 0) & (share <= 1)).all()
    assert (np.diff(share, axis=0) >= -1e-12).all()
    assert (np.diff(share, axis=1) < 0).all()
    days = missed_share(tau / 24, mean_delay=300 / 24, detection=found, delay_shape=2.0)
    np.testing.assert_allclose(days, share, rtol=1e-9)


def test_cost_rate_is_the_sum_of_its_parts() -> None:
    # Source: [c_i + k tau (b c_f + (1 - b) c_r)] / tau, Christer and Waller 1984 (from memory).
    tau = 250.0
    b = float(missed_share(tau, mean_delay=400.0, detection=0.7))
    expected = (6 + tau / 4870 * (b * 700 + (1 - b) * 180)) / tau
    assert float(inspection_cost_rate(tau, **CABLE, detection=0.7)) == pytest.approx(expected)
    assert float(inspection_cost_rate(np.inf, **CABLE)) == pytest.approx(700 / 4870)


def test_best_interval_by_brute_force() -> None:
    # Source: the cost curve itself at 3,000 intervals.
    ages = np.geomspace(5, 20_000, 3_000)
    for detection, shape in ((1.0, 1.0), (0.7, 1.0), (0.5, 2.0)):
        best = best_inspection_interval(**CABLE, detection=detection, delay_shape=shape)
        curve = inspection_cost_rate(ages, **CABLE, detection=detection, delay_shape=shape)
        assert float(best.interval) == pytest.approx(ages[np.argmin(curve)], rel=5e-3)
        assert float(best.cost_rate) == pytest.approx(curve.min(), rel=1e-5)
        assert best.status == "ok"


def test_looking_that_does_not_pay_says_so() -> None:
    best = best_inspection_interval(
        defect_rate=1e-3,
        mean_delay=1.0,
        cost_inspection=[100.0, 0.5],  # far too dear, and just too dear
        cost_mend=[180.0, 699.0],
        cost_failure=700.0,
    )
    assert np.isinf(best.interval).all()
    assert best.status.tolist() == ["looking costs more than it saves"] * 2
    assert best.saving.tolist() == [0.0, 0.0]
    np.testing.assert_allclose(best.cost_rate, 0.7)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mean_delay": 0.0}, "mean_delay at position"),
        ({"detection": 0.0}, "detection at position"),
        ({"detection": 1.1}, "detection at position"),
        ({"cost_inspection": -1.0}, "cost_inspection at position"),
    ],
)
def test_bad_values_are_named(change: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        best_inspection_interval(**(CABLE | change))
