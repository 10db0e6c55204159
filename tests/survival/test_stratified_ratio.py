"""Ratio of a group to the rest within strata: closed forms, a full fit, limits by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from relkit.survival.stratified_ratio import stratified_ratio

Floats = NDArray[np.float64]


def slow_fit(
    age: Floats, failed: Floats, group: Floats, entry: Floats, stratum: NDArray[np.int64]
) -> tuple[float, float, float]:
    """Log hazard ratio, shape and log-likelihood with every stratum's scale as a parameter."""

    def loss(theta: Floats) -> float:
        shape, effect, scale = np.exp(theta[0]), theta[1], np.exp(theta[2:])[stratum]
        rate = np.exp(effect * group)
        log_hazard = np.log(shape / scale) + (shape - 1) * np.log(age / scale) + effect * group
        hazard = rate * ((age / scale) ** shape - (entry / scale) ** shape)
        return float(-(failed * log_hazard - hazard).sum())

    start = np.concatenate([[0.0, 0.0], np.full(stratum.max() + 1, np.log(age.mean()))])
    found = minimize(loss, start, method="BFGS", options={"gtol": 1e-8})
    return float(found.x[1]), float(np.exp(found.x[0])), float(-found.fun)


def drawn(seed: int, n: int, ratio: float) -> tuple[Floats, ...]:
    rng = np.random.default_rng(seed)
    stratum, group = rng.integers(0, 3, n), rng.random(n) < 0.3
    scale = np.array([1.0, 2.0, 5.0])[stratum] * np.where(group, ratio ** (-1 / 1.6), 1.0)
    age = scale * rng.weibull(1.6, n)
    entry = np.where(rng.random(n) < 0.4, 0.3 * rng.random(n), 0.0)
    end = 0.4 + 2 * rng.random(n)
    kept = np.minimum(age, end) > entry
    return tuple(
        part[kept] for part in (np.minimum(age, end), age <= end, group, entry, stratum)
    )  # fmt: skip


def test_estimates_are_those_of_a_fit_with_all_parameters_free() -> None:
    # Source: second implementation above, all scales free, scipy's BFGS.
    for seed in range(3):
        age, failed, group, entry, stratum = drawn(seed, 300, 2.0)
        found = stratified_ratio(age, failed, group, entry=entry, stratum=stratum)
        effect, shape, _ = slow_fit(age, failed, group, entry, stratum)
        assert np.log(found.hazard_ratio) == pytest.approx(effect, abs=2e-4)
        assert found.shape == pytest.approx(shape, rel=1e-3)
        assert found.scale_ratio == pytest.approx(np.exp(-effect / shape), rel=1e-3)


def test_limits_lie_where_the_full_likelihood_has_fallen_enough() -> None:
    # Source: second implementation; half the 95 % chi-square quantile 3.8415 below the maximum.
    age, failed, group, entry, stratum = drawn(5, 200, 2.0)
    found = stratified_ratio(age, failed, group, entry=entry, stratum=stratum)
    _, _, peak = slow_fit(age, failed, group, entry, stratum)

    def held(effect: float) -> float:
        def loss(theta: Floats) -> float:
            shape, scale = np.exp(theta[0]), np.exp(theta[1:])[stratum]
            log_hazard = np.log(shape / scale) + (shape - 1) * np.log(age / scale)
            hazard = (age / scale) ** shape - (entry / scale) ** shape
            own = effect * group
            return float(-(failed * (log_hazard + own) - np.exp(own) * hazard).sum())

        return float(-minimize(loss, np.zeros(4), method="BFGS").fun)

    for limit in (found.hazard_ratio_lower, found.hazard_ratio_upper):
        assert peak - held(np.log(limit)) == pytest.approx(3.8415 / 2, abs=2e-3)


def test_exposures_decide_where_the_shape_is_one() -> None:
    # Closed form: at exponential lives the ratio tends to the ratio of failures over exposure.
    rng = np.random.default_rng(1)
    group = np.arange(20_000) % 2 == 1
    life = rng.exponential(1.0, 20_000) / np.where(group, 3.0, 1.0)
    found = stratified_ratio(np.minimum(life, 1.0), life <= 1.0, group)
    rates = np.array(found.failures) / np.array(found.exposure)
    assert found.hazard_ratio == pytest.approx(rates[1] / rates[0], rel=0.02)
    assert found.shape == pytest.approx(1.0, abs=0.03)


def test_ratio_turns_over_with_the_groups() -> None:
    # Invariant.
    age, failed, group, entry, stratum = drawn(7, 150, 3.0)
    one = stratified_ratio(age, failed, group, entry=entry, stratum=stratum)
    other = stratified_ratio(age, failed, ~group.astype(bool), entry=entry, stratum=stratum)
    assert one.hazard_ratio * other.hazard_ratio == pytest.approx(1.0, rel=1e-4)
    assert one.hazard_ratio_lower * other.hazard_ratio_upper == pytest.approx(1.0, rel=1e-4)
    assert one.scale_ratio_lower * other.scale_ratio_upper == pytest.approx(1.0, rel=1e-4)
    assert one.p_value == pytest.approx(other.p_value, rel=1e-3)


def test_split_lives_say_what_whole_lives_say() -> None:
    # Invariant: a life as an unfailed first part and a late second one.
    age, failed, group, entry, stratum = drawn(9, 100, 2.0)
    middle = (age + entry) / 2
    whole = stratified_ratio(age, failed, group, entry=entry, stratum=stratum)
    split = stratified_ratio(
        np.concatenate([middle, age]),
        np.concatenate([np.zeros(len(age)), failed]),
        np.tile(group, 2),
        entry=np.concatenate([entry, middle]),
        stratum=np.tile(stratum, 2),
    )
    assert split.hazard_ratio == pytest.approx(whole.hazard_ratio, rel=1e-4)
    assert split.hazard_ratio_upper == pytest.approx(whole.hazard_ratio_upper, rel=1e-4)


def test_unit_of_time_does_not_matter() -> None:
    # Invariant.
    age, failed, group, entry, stratum = drawn(11, 100, 2.0)
    hours = stratified_ratio(age, failed, group, entry=entry, stratum=stratum)
    seconds = stratified_ratio(3600 * age, failed, group, entry=3600 * entry, stratum=stratum)
    assert seconds.hazard_ratio == pytest.approx(hours.hazard_ratio, rel=1e-6)


def test_group_without_failures_has_an_upper_limit_only() -> None:
    rng = np.random.default_rng(3)
    age, group = rng.weibull(1.5, 60), np.arange(60) >= 30
    none = stratified_ratio(age, ~group, group)
    assert (none.hazard_ratio, none.hazard_ratio_lower) == (0.0, 0.0)
    assert 0 < none.hazard_ratio_upper < 0.5
    assert none.scale_ratio_lower > 1
    assert np.isinf(none.scale_ratio_upper)
    all_of_them = stratified_ratio(age, group, group)
    assert np.isinf(all_of_them.hazard_ratio)
    assert 2 < all_of_them.hazard_ratio_lower < 1e6
    assert np.isinf(all_of_them.hazard_ratio_upper)
    assert (all_of_them.scale_ratio, all_of_them.scale_ratio_lower) == (0.0, 0.0)
    assert 0 < all_of_them.scale_ratio_upper < 1


def test_strata_without_both_groups_say_nothing() -> None:
    age, failed = [1.0, 2.0, 3.0, 4.0], [True, True, True, False]
    apart = stratified_ratio(age, failed, [1, 1, 0, 0], stratum=[0, 0, 1, 1])
    assert apart.status == "nothing to compare"
    assert np.isnan(apart.hazard_ratio)
    assert stratified_ratio(age, [False] * 4, [1, 1, 0, 0]).status == "no failures"


def test_limits_hold_the_truth_as_often_as_they_say() -> None:
    # Binomial: 300 repetitions at 95 % have a standard error of 1.26 %; bounds are 3 of them.
    inside = 0
    for seed in range(300):
        age, failed, group, entry, stratum = drawn(1000 + seed, 80, 2.0)
        found = stratified_ratio(age, failed, group, entry=entry, stratum=stratum)
        inside += found.hazard_ratio_lower <= 2.0 <= found.hazard_ratio_upper
    assert 0.912 < inside / 300 < 0.988


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="group has shape"):
        stratified_ratio([1.0, 2.0], [True, True], [True])
    with pytest.raises(ValueError, match="age at position"):
        stratified_ratio([np.nan], [True], [True])
