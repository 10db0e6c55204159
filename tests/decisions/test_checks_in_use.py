"""Checks that miss faults, cause them or are helped by reports: against other ways to them."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.checks_in_use import (
    check_interval_for_ages,
    settling_checks,
    unavailability_in_use_over_checks,
)
from relkit.decisions.failure_finding_fleet import failure_finding_interval_over_draws
from relkit.decisions.harmful_checks import unavailability_over_checks
from relkit.decisions.hidden_function import mean_undetected_time
from tests.decisions.simulation import remaining_life


@pytest.mark.parametrize("age", [0.0, 2500.0, 9000.0])
@pytest.mark.parametrize(("detection", "harm"), [(1.0, 0.0), (0.7, 0.0), (0.5, 0.02)])
def test_without_reports_it_is_the_function_without_reports(
    age: float, detection: float, harm: float
) -> None:
    # Source: the package's other implementation, checked by simulation in its own test.
    given = {"scale": 9000.0, "shape": 1.4, "age": age, "detection": detection, "harm": harm}
    both = [
        function([300.0, 900.0], **given, checks=6)
        for function in (unavailability_in_use_over_checks, unavailability_over_checks)
    ]
    assert both[0] == pytest.approx(both[1], rel=1e-6)


def test_reports_of_random_faults_shorten_them_as_the_closed_form_says() -> None:
    # Source: mean undetected time (closed form) over the mean life, for rare random faults.
    rate = np.array([0.0, 0.001, 0.01, 0.1])
    share = unavailability_in_use_over_checks(
        500.0, scale=1e7, shape=1.0, report_rate=rate, checks=1
    )[:, 0]
    assert share == pytest.approx(mean_undetected_time(500.0, report_rate=rate) / 1e7, rel=1e-4)


def simulated(
    rng: np.random.Generator, interval: float, ages: np.ndarray, rate: float, detection: float
) -> tuple[np.ndarray, np.ndarray]:
    """Share of four intervals dark and unreported, event by event, and its standard error."""
    count = len(ages)
    fails = remaining_life(rng, 9000.0, 1.4, ages)  # from now on
    known = fails + rng.exponential(1 / rate, count)  # when a report comes
    mean, error = np.empty(4), np.empty(4)
    for k in range(4):
        begin, end = k * interval, (k + 1) * interval
        dark = np.zeros(count)
        active = np.ones(count, dtype=bool)
        while active.any():  # a reported item is replaced at once and may fail again
            first, last = np.maximum(fails, begin), np.minimum(known, end)
            dark += np.where(active, np.maximum(last - first, 0.0), 0.0)
            active = active & (known < end)
            who = np.flatnonzero(active)
            fails[who] = known[who] + 9000.0 * rng.weibull(1.4, len(who))
            known[who] = fails[who] + rng.exponential(1 / rate, len(who))
        mean[k] = dark.mean() / interval
        error[k] = dark.std(ddof=1) / interval / np.sqrt(count)
        found = (fails <= end) & (rng.random(count) < detection)
        fails[found] = end + 9000.0 * rng.weibull(1.4, int(found.sum()))
        known[found] = fails[found] + rng.exponential(1 / rate, int(found.sum()))
    return mean, error


@pytest.mark.slow
@pytest.mark.parametrize(("rate", "detection"), [(0.002, 1.0), (0.005, 0.6)])
def test_reports_and_missed_faults_agree_with_a_simulation(rate: float, detection: float) -> None:
    # Source: event-by-event simulation above, 4 x 400 h x 40,000 items; three standard errors,
    # and the neglected second fault of one interval (under 3 % of the share at these rates).
    rng = np.random.default_rng(5)
    ages = rng.uniform(0.0, 6000.0, 40_000)
    seen, error = simulated(rng, 400.0, ages, rate, detection)
    predicted = unavailability_in_use_over_checks(
        400.0, scale=9000.0, shape=1.4, age=ages[:4000], detection=detection, report_rate=rate,
        checks=4,
    ).mean(axis=0)  # fmt: skip
    assert (np.abs(predicted - seen) < 3 * error + 0.03 * seen).all()
    assert (error < 0.05 * seen).all()


def test_perfect_checks_get_the_interval_of_the_exact_method() -> None:
    # Source: the package's exact method for perfect checks; eight age groups against twelve.
    rng = np.random.default_rng(2)
    law = {"scale": rng.normal(9000, 400, (2, 48)), "shape": rng.normal(1.4, 0.1, (2, 48))}
    ages, code = rng.uniform(0, 7000, 16), np.repeat([0, 1], 8)
    found = check_interval_for_ages([0.01, 0.03], ages, code, **law)
    exact = failure_finding_interval_over_draws([0.01, 0.03], ages, code, **law)
    assert found.interval == pytest.approx(exact.interval, rel=1e-5)
    assert found.lower == pytest.approx(exact.lower, rel=0.05)
    assert found.upper == pytest.approx(exact.upper, rel=0.05)


def test_the_interval_found_meets_its_target_in_the_worst_of_the_next_checks() -> None:
    # Source: the definition, by the function that the interval is sought with.
    law = {"scale": [[9000.0]], "shape": [[1.4]]}
    extra = {"detection": 0.7, "harm": 0.002, "report_rate": 0.0005}
    found = check_interval_for_ages(0.02, [1000.0, 4000.0], [0, 0], **law, **extra)
    shares = unavailability_in_use_over_checks(
        float(found.interval[0]), scale=9000.0, shape=1.4, age=[1000.0, 4000.0], checks=3, **extra
    )
    assert shares.mean(axis=0).max() == pytest.approx(0.02, rel=1e-5)


def test_misses_and_harm_shorten_the_interval_and_reports_lengthen_it() -> None:
    # Source: monotonicity.
    given = {"scale": [[9000.0]] * 4, "shape": [[1.4]] * 4}
    found = check_interval_for_ages(
        0.02, [2000.0] * 4, [0, 1, 2, 3], **given, detection=[1.0, 0.6, 0.6, 0.6],
        harm=[0.0, 0.0, 0.005, 0.0], report_rate=[0.0, 0.0, 0.0, 0.01],
    ).interval  # fmt: skip
    assert found[2] < found[1] < found[0] < found[3]


def test_no_interval_satisfies_a_target_below_the_harm_of_the_checks() -> None:
    # Source: closed form: harm / (harm + detection) is the least (checked_function).
    found = check_interval_for_ages(
        0.02, [1000.0], [0], scale=[[9000.0]], shape=[[1.4]], detection=0.7, harm=0.03
    )
    assert np.isnan(found.interval[0])
    assert found.status[0].startswith("no interval satisfies the target")


def test_checks_settle_when_few_old_faults_are_left() -> None:
    # Source: by hand: (1 - 0.7)^n <= 0.05 from n = 3; 0.5: n = 5.
    assert settling_checks([1.0, 0.95, 0.7, 0.5]).tolist() == [1, 1, 3, 5]


def test_bad_arguments_are_named() -> None:
    law = {"scale": [[9000.0]], "shape": [[1.4]]}
    with pytest.raises(ValueError, match="report_rate"):
        unavailability_in_use_over_checks(
            500.0, scale=9000.0, shape=1.4, report_rate=-1.0, checks=1
        )
    with pytest.raises(ValueError, match="checks is 0"):
        unavailability_in_use_over_checks(500.0, scale=9000.0, shape=1.4, checks=0)
    with pytest.raises(ValueError, match="unavailability"):
        check_interval_for_ages(1.0, [0.0], [0], **law)
    with pytest.raises(ValueError, match="stratum must hold"):
        check_interval_for_ages(0.1, [0.0], [0.5], **law)
