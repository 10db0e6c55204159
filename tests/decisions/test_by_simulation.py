"""Predicted costs, unavailability, failures and stock-outs against event-by-event simulation.

Source of every expected number: the simulation beside this file, which shares no formula with
the package. Seeds are fixed; each comparison allows three standard errors of what was seen, and
each case simulates at least a million hours.
"""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.decisions.condition_inspection import inspection_cost_rate
from relkit.decisions.failure_finding import mean_unavailability
from relkit.decisions.failure_finding_fleet import (
    failure_finding_interval_for_ages,
    fleet_unavailability,
)
from relkit.decisions.harmful_checks import checked_function, unavailability_over_checks
from relkit.decisions.renewal import renewals
from relkit.decisions.replacement_policies import (
    block_replacement_cost_rate,
    minimal_repair_interval,
)
from relkit.decisions.spares import spares_needed, spares_needed_over_draws
from tests.decisions import simulation as seen

pytestmark = pytest.mark.slow

LEAST_HOURS = 1e6
COSTS = {"cost_planned": 355.0, "cost_failure": 1290.0}
#: Ages of a mixed fleet, in hours.
AGES = np.array([0.0, 300.0, 1200.0, 2500.0, 4000.0, 6000.0, 9000.0])


def agree(predicted: float, estimate: seen.Estimate) -> None:
    assert estimate.hours >= LEAST_HOURS
    assert estimate.error > 0
    assert abs(estimate.value - predicted) < 3 * estimate.error, (predicted, estimate)
    # a bound that says something: the error is small beside what is predicted
    assert estimate.error < 0.05 * predicted


def test_simulated_lives_are_weibull() -> None:
    # The simulation itself, against numpy's own Weibull deviates and a conditional quantile.
    rng = np.random.default_rng(1)
    own = seen.remaining_life(rng, 1000.0, 2.0, np.zeros(200_000))
    theirs = 1000.0 * rng.weibull(2.0, 200_000)
    spread = np.hypot(own.std(), theirs.std()) / np.sqrt(200_000)
    assert abs(own.mean() - theirs.mean()) < 3 * spread
    old = theirs[theirs > 800.0] - 800.0
    used = seen.remaining_life(rng, 1000.0, 2.0, np.full(len(old), 800.0))
    spread = np.hypot(old.std(), used.std()) / np.sqrt(len(old))
    assert abs(old.mean() - used.mean()) < 3 * spread


@pytest.mark.parametrize(
    ("age", "scale", "shape"),
    [(985.0, 1700.0, 3.0), (600.0, 1700.0, 3.0), (2500.0, 2100.0, 2.2), (4000.0, 9500.0, 0.7)],
)
def test_age_replacement(age: float, scale: float, shape: float) -> None:
    law = {"scale": scale, "shape": shape}
    predicted = float(cost_rate(age, **law, **COSTS))
    agree(predicted, seen.age_replacement(np.random.default_rng(11), age, **law, **COSTS))


def test_running_to_failure_and_the_saving() -> None:
    law = {"scale": 1700.0, "shape": 3.0}
    best = replacement_age(**law, **COSTS)
    rng = np.random.default_rng(12)
    endless = seen.age_replacement(rng, 1e9, **law, **COSTS)
    agree(float(best.run_to_failure_cost_rate), endless)
    kept = seen.age_replacement(rng, float(best.age), **law, **COSTS)
    saving = 1 - kept.value / endless.value
    error = (
        kept.value
        / endless.value
        * np.hypot(kept.error / kept.value, endless.error / endless.value)
    )
    assert abs(saving - float(best.saving)) < 3 * error


@pytest.mark.parametrize(
    ("interval", "scale", "shape"),
    [(900.0, 1700.0, 3.0), (3000.0, 1700.0, 3.0), (2000.0, 3000.0, 1.3)],
)
def test_block_replacement(interval: float, scale: float, shape: float) -> None:
    law = {"scale": scale, "shape": shape}
    predicted = float(block_replacement_cost_rate(interval, **law, **COSTS))
    agree(predicted, seen.block_replacement(np.random.default_rng(13), interval, **law, **COSTS))


@pytest.mark.parametrize(("scale", "shape"), [(1000.0, 2.0), (1900.0, 2.4), (3000.0, 1.4)])
def test_minimal_repair(scale: float, shape: float) -> None:
    law, costs = {"scale": scale, "shape": shape}, {"cost_planned": 400.0, "cost_repair": 150.0}
    best = minimal_repair_interval(**law, **costs)
    estimate = seen.minimal_repair(np.random.default_rng(14), float(best.interval), **law, **costs)
    agree(float(best.cost_rate), estimate)


@pytest.mark.parametrize(
    ("interval", "shape"), [(152.0, 1.4), (630.0, 1.4), (2000.0, 2.5), (500.0, 0.8)]
)
def test_unavailability_over_an_age_mix(interval: float, shape: float) -> None:
    ages = np.repeat(AGES, 500)
    law = {"scale": 9000.0, "shape": shape}
    predicted = fleet_unavailability(
        interval, ages, np.zeros(len(ages), dtype=int), scale=[9000.0], shape=[shape]
    )
    rounds = 100 if interval < 200 else 40
    estimate = seen.first_interval(np.random.default_rng(15), interval, ages, **law, rounds=rounds)
    agree(float(predicted[0]), estimate)


def test_the_interval_for_a_mixed_fleet_meets_its_target() -> None:
    ages = np.repeat(AGES, 500)
    fleet = failure_finding_interval_for_ages(
        0.02, ages, np.zeros(len(ages), dtype=int), scale=[9000.0], shape=[1.4]
    )
    estimate = seen.first_interval(
        np.random.default_rng(16),
        float(fleet.interval[0]),
        ages,
        scale=9000.0,
        shape=1.4,
        rounds=60,
    )
    agree(0.02, estimate)


@pytest.mark.parametrize(("interval", "shape"), [(630.0, 1.4), (2000.0, 2.5), (800.0, 0.7)])
def test_unavailability_of_items_renewed_at_each_check(interval: float, shape: float) -> None:
    law = {"scale": 9000.0, "shape": shape}
    share, _ = seen.checked_function(
        np.random.default_rng(17), interval, **law, renewed=True, positions=2000
    )
    agree(float(mean_unavailability(interval, **law).exact), share)


@pytest.mark.parametrize(
    ("interval", "shape", "detection", "harm"),
    [
        (500.0, 1.4, 1.0, 0.0),
        (500.0, 1.4, 0.7, 0.0),
        (900.0, 2.5, 0.3, 0.0),
        (500.0, 0.8, 0.7, 0.01),
        (250.0, 2.0, 0.9, 0.02),
        (60.0, 1.4, 0.6, 0.002),
    ],
)
def test_unavailability_when_checks_miss_and_spoil(
    interval: float, shape: float, detection: float, harm: float
) -> None:
    how = {"scale": 5000.0, "shape": shape, "detection": detection, "harm": harm}
    predicted = checked_function(interval, **how)
    share, finds = seen.checked_function(np.random.default_rng(18), interval, **how, positions=1500)
    agree(float(predicted.unavailability), share)
    agree(float(predicted.faults_found), finds)


@pytest.mark.parametrize(("detection", "harm"), [(1.0, 0.0), (0.6, 0.0), (0.7, 0.03)])
def test_unavailability_from_check_to_check(detection: float, harm: float) -> None:
    ages = np.repeat(AGES, 3000)
    how = {"scale": 4000.0, "shape": 1.8, "detection": detection, "harm": harm, "checks": 10}
    each = unavailability_over_checks(400.0, age=AGES, **how).mean(axis=0)
    mean, error = seen.unavailability_by_check(np.random.default_rng(19), 400.0, ages, **how)
    assert len(ages) * 400.0 * 10 > LEAST_HOURS
    # ten comparisons: 3.5 standard errors leave the same chance as three do for two
    assert (np.abs(mean - each) < 3.5 * error).all(), (mean - each) / error
    assert np.all(error < 0.05 * each)


@pytest.mark.parametrize(
    ("horizon", "age", "scale", "shape"),
    [
        (3000.0, 0.0, 1700.0, 3.0),
        (1500.0, 1400.0, 1700.0, 3.0),
        (8000.0, 5000.0, 4000.0, 1.5),
        (5000.0, 2000.0, 3000.0, 0.7),
    ],
)
def test_failures_over_a_horizon(horizon: float, age: float, scale: float, shape: float) -> None:
    law = {"scale": scale, "shape": shape}
    predicted = renewals(horizon, **law, age=age)
    count = seen.failures_over_horizon(
        np.random.default_rng(20), horizon, np.full(20_000, age), **law
    )
    agree(float(predicted.expected), seen.mean_of(count, 20_000 * horizon))
    first = seen.mean_of((count > 0).astype(np.float64), 20_000 * horizon)
    agree(float(predicted.first_failure_probability), first)


def test_failures_of_a_mixed_fleet() -> None:
    ages, law = np.repeat(AGES, 3000), {"scale": 5000.0, "shape": 2.2}
    expected = renewals(4000.0, **law, age=AGES).expected.mean()
    count = seen.failures_over_horizon(np.random.default_rng(21), 4000.0, ages, **law)
    agree(float(expected), seen.mean_of(count, len(ages) * 4000.0))


@pytest.mark.parametrize("service_level", [0.8, 0.95])
def test_stock_out_with_random_failures(service_level: float) -> None:
    # Palm: the items on order are Poisson with the demand of a lead time as mean.
    positions, scale, lead = 30, 5000.0, 400.0
    needed = spares_needed(positions * lead / scale, service_level=service_level)
    estimate = seen.stock_out_share(
        np.random.default_rng(22),
        int(needed.stock),
        lead,
        positions=positions,
        scale=scale,
        shape=1.0,
        horizon=20_000.0,
        runs=300,
    )
    agree(float(needed.stock_out_probability), estimate)


def test_stock_out_where_the_scale_is_not_known() -> None:
    rng = np.random.default_rng(23)
    positions, lead = 30, 400.0
    scale = 5000.0 * np.exp(0.5 * rng.standard_normal(4000))
    needed = spares_needed_over_draws(positions * lead / scale, service_level=0.9)
    estimate = seen.stock_out_share(
        rng,
        int(needed.stock[0]),
        lead,
        positions=positions,
        scale=scale,
        shape=1.0,
        horizon=5000.0,
        runs=4000,
    )
    agree(float(needed.stock_out_probability[0]), estimate)


def test_stock_of_wearing_items_errs_to_the_safe_side() -> None:
    # Demand of items that wear varies less than Poisson: fewer stock-outs than stated.
    positions, lead, shape = 20, 1000.0, 3.0
    law = {"scale": 2000.0, "shape": shape}
    mean = float(renewals(1e6, **law).expected) / 1e6 * lead * positions
    needed = spares_needed(mean, service_level=0.9)
    estimate = seen.stock_out_share(
        np.random.default_rng(24),
        int(needed.stock),
        lead,
        positions=positions,
        **law,
        horizon=10_000.0,
        runs=100,
    )
    assert estimate.hours >= LEAST_HOURS
    assert estimate.value < float(needed.stock_out_probability) - 3 * estimate.error


@pytest.mark.parametrize(
    ("interval", "detection", "delay_shape"),
    [(250.0, 1.0, 1.0), (250.0, 0.7, 1.0), (500.0, 0.4, 2.5), (120.0, 0.9, 0.7)],
)
def test_condition_inspection(interval: float, detection: float, delay_shape: float) -> None:
    case = {
        "defect_rate": 1 / 1500,
        "mean_delay": 400.0,
        "detection": detection,
        "delay_shape": delay_shape,
        "cost_inspection": 6.0,
        "cost_mend": 180.0,
        "cost_failure": 700.0,
    }
    estimate = seen.condition_inspection(np.random.default_rng(25), interval, **case)
    agree(float(inspection_cost_rate(interval, **case)), estimate)
