"""Intervals for fleets of mixed ages against one-item answers, root finding by hand, draws."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.decisions.failure_finding import failure_finding_interval, mean_unavailability
from relkit.decisions.failure_finding_fleet import (
    failure_finding_interval_for_ages,
    failure_finding_interval_over_draws,
    fleet_unavailability,
)


def mean_share_by_hand(interval: float, ages: list[float], scale: float, shape: float) -> float:
    """Midpoint rule of 400 steps over each item's interval."""
    steps = 400
    total = 0.0
    for age in ages:
        start = (age / scale) ** shape
        times = (age + (k + 0.5) * interval / steps for k in range(steps))
        total += math.fsum(1 - math.exp(start - (t / scale) ** shape) for t in times) / steps
    return total / len(ages)


def interval_by_halving(target: float, ages: list[float], scale: float, shape: float) -> float:
    low, high = 1e-3, 1e6
    for _ in range(60):
        middle = math.sqrt(low * high)
        if mean_share_by_hand(middle, ages, scale, shape) < target:
            low = middle
        else:
            high = middle
    return low


def test_items_of_one_age_have_the_one_item_answer() -> None:
    # Invariant: a mean over equal items is that of one.
    fleet = failure_finding_interval_for_ages(
        [0.01, 0.05],
        [6000.0] * 3 + [0.0] * 2,
        [0] * 3 + [1] * 2,
        scale=[9e3, 4e3],
        shape=[1.4, 1.8],
    )
    alone = failure_finding_interval(
        [0.01, 0.05], scale=[9e3, 4e3], shape=[1.4, 1.8], age=[6000.0, 0.0]
    ).interval
    np.testing.assert_allclose(fleet.interval, alone, rtol=1e-10)
    np.testing.assert_allclose(fleet.oldest_interval, alone, rtol=1e-10)
    np.testing.assert_allclose(fleet.new_interval, [630.4, 1375.0], atol=0.05)
    assert fleet.items.tolist() == [3, 2]


def test_mixed_ages_against_halving_a_slow_mean() -> None:
    # Source: second implementation in this file.
    rng = np.random.default_rng(3)
    ages = rng.uniform(0, 8000, 25)
    stratum = rng.integers(0, 3, 25)
    scale, shape, target = [9000.0, 4000.0, 2500.0], [1.4, 1.8, 0.9], [0.01, 0.05, 0.02]
    fleet = failure_finding_interval_for_ages(target, ages, stratum, scale=scale, shape=shape)
    for k in range(3):
        mine = ages[stratum == k].tolist()
        slow = interval_by_halving(target[k], mine, scale[k], shape[k])
        assert fleet.interval[k] == pytest.approx(slow, rel=1e-4)
        oldest = failure_finding_interval(
            target[k], scale=scale[k], shape=shape[k], age=max(mine)
        ).interval
        assert fleet.oldest_interval[k] == pytest.approx(float(oldest), rel=1e-10)
        there = mean_unavailability(
            fleet.interval[k], scale=scale[k], shape=shape[k], age=max(mine)
        ).exact
        assert fleet.oldest_unavailability[k] == pytest.approx(float(there), rel=1e-10)
    back = fleet_unavailability(fleet.interval, ages, stratum, scale=scale, shape=shape)
    np.testing.assert_allclose(back, target, rtol=1e-9)


def test_order_of_items_and_other_strata_do_not_matter() -> None:
    # Common practice: invariants of any per-stratum answer.
    rng = np.random.default_rng(8)
    ages, stratum = rng.uniform(0, 8000, 40), rng.integers(0, 4, 40)
    scale, shape = rng.uniform(3000, 9000, 4), rng.uniform(0.8, 3, 4)
    whole = failure_finding_interval_for_ages(0.02, ages, stratum, scale=scale, shape=shape)
    order = rng.permutation(40)
    mixed = failure_finding_interval_for_ages(
        0.02, ages[order], stratum[order], scale=scale, shape=shape
    )
    np.testing.assert_allclose(mixed.interval, whole.interval, rtol=1e-12)
    mine = ages[stratum == 2]
    alone = failure_finding_interval_for_ages(
        0.02, mine, np.zeros(len(mine), dtype=int), scale=scale[2], shape=shape[2]
    )
    assert alone.interval[0] == pytest.approx(whole.interval[2], rel=1e-12)


def test_a_stratum_without_items_says_so() -> None:
    fleet = failure_finding_interval_for_ages(
        0.01, [100.0], [1], scale=[9000.0] * 3, shape=[1.4] * 3, shortest_interval=1000.0
    )
    assert fleet.status.tolist() == [
        "no items",
        "no practicable interval satisfies the target",
        "no items",
    ]
    assert np.isnan(fleet.interval[[0, 2]]).all()
    assert np.isnan(fleet_unavailability(500.0, [100.0], [1], scale=[1, 9e3], shape=[1, 1])[0])


def test_draws_all_alike_give_the_known_answer() -> None:
    # Invariant: nothing uncertain, nothing changed.
    ages, stratum = [0.0, 3000.0, 6000.0, 200.0], [0, 0, 0, 1]
    known = failure_finding_interval_for_ages(
        0.01, ages, stratum, scale=[9000.0, 5000.0], shape=[1.4, 2.0]
    )
    drawn = failure_finding_interval_over_draws(
        0.01, ages, stratum, scale=[[9e3] * 5, [5e3] * 5], shape=[[1.4] * 5, [2.0] * 5]
    )
    np.testing.assert_allclose(drawn.interval, known.interval, rtol=1e-9)
    np.testing.assert_allclose(drawn.lower, known.interval, rtol=1e-5)
    np.testing.assert_allclose(drawn.upper, known.interval, rtol=1e-5)


def test_draws_meet_the_target_on_average_and_their_limits_are_quantiles() -> None:
    # Source: second way, one draw at a time through the answer for known parameters.
    rng = np.random.default_rng(4)
    ages, stratum = rng.uniform(0, 9000, 14), np.repeat([0, 1], 7)
    scale = 6000 * np.exp(0.2 * rng.standard_normal((2, 60)))
    shape = 1.6 * np.exp(0.2 * rng.standard_normal((2, 60)))
    drawn = failure_finding_interval_over_draws(
        0.03, ages, stratum, scale=scale, shape=shape, confidence_level=0.8
    )
    for k in range(2):
        mine = ages[stratum == k]
        share = mean_unavailability(
            drawn.interval[k], scale=scale[k], shape=shape[k], age=mine[:, None]
        ).exact
        assert share.mean() == pytest.approx(0.03, rel=1e-9)
        own = [
            failure_finding_interval_for_ages(
                0.03, mine, np.zeros(7, dtype=int), scale=scale[k, j], shape=shape[k, j]
            ).interval[0]
            for j in range(60)
        ]
        limits = np.quantile(own, [0.1, 0.9])
        np.testing.assert_allclose([drawn.lower[k], drawn.upper[k]], limits, rtol=1e-4)


def test_groups_of_like_age_cost_little() -> None:
    # The docstring's figure: 300 ages in 12 groups, 0.2 % off.
    ages = np.linspace(0, 9000, 300)
    code = np.zeros(300, dtype=int)
    known = failure_finding_interval_for_ages(0.01, ages, code, scale=9000.0, shape=1.4)
    grouped = failure_finding_interval_over_draws(0.01, ages, code, scale=[9000.0], shape=[1.4])
    assert grouped.interval[0] == pytest.approx(known.interval[0], rel=2.5e-3)


@pytest.mark.parametrize(
    ("ages", "stratum", "message"),
    [
        ([-1.0], [0], "ages at position"),
        ([1.0], [2], "stratum at position"),
        ([1.0, 2.0], [0], "stratum must hold one whole number per age"),
        ([1.0], [0.5], "stratum must hold one whole number per age"),
    ],
)
def test_bad_items_are_named(ages: list[float], stratum: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        failure_finding_interval_for_ages(0.01, ages, stratum, scale=[9e3, 9e3], shape=[1.4, 1.4])


def test_draws_belong_to_the_other_function() -> None:
    with pytest.raises(ValueError, match="more than one value per stratum"):
        failure_finding_interval_for_ages(0.01, [1.0], [0], scale=[[9e3, 8e3]], shape=[[1.4, 1.4]])
