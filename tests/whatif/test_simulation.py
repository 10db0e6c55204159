"""Simulated fleets against closed forms: renewals, checks, reports, looks, spares, bays."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import pdtrc

from relkit.decisions.age_replacement import cost_rate
from relkit.decisions.condition_inspection import missed_share
from relkit.decisions.failure_finding import mean_unavailability
from relkit.decisions.hidden_function import mean_undetected_time
from relkit.decisions.renewal import renewals
from relkit.whatif.simulation import simulate_fleet
from relkit.whatif.simulation_calendar import DAYS_A_QUARTER, DAYS_A_YEAR
from tests.whatif.simulated_fleets import plain_fleet

Floats = NDArray[np.float64]

#: Standard errors that a mean may be off: 1 in 370 by chance, and the seeds are fixed.
ERRORS = 3.0


def within_errors(each: Floats, truth: float) -> bool:
    """Tell whether the mean over histories agrees with the truth."""
    error = each.std(ddof=1) / np.sqrt(len(each))
    return bool(abs(each.mean() - truth) < ERRORS * error)


def ratio_within_errors(amount: Floats, base: Floats, truth: float) -> bool:
    """Tell whether a ratio of sums over histories agrees with the truth."""
    left = amount - truth * base
    return bool(abs(left.mean()) < ERRORS * left.std(ddof=1) / np.sqrt(len(left)))


@pytest.mark.parametrize(("shape", "age"), [(2.4, 0.0), (2.4, 700.0), (0.7, 0.0), (1.0, 400.0)])
def test_failures_agree_with_the_renewal_function(shape: float, age: float) -> None:
    fleet = plain_fleet(20, shape=shape, scale=600.0, age=age)
    run = simulate_fleet(fleet, years=3.0, histories=1500, rng=1)
    expected = renewals(3 * DAYS_A_YEAR, scale=600.0, shape=shape, age=age).expected
    assert within_errors(run.failures.sum(axis=(1, 2)), 20 * float(expected))


def test_failures_of_a_quarter_agree_with_the_renewal_function() -> None:
    fleet = plain_fleet(20, shape=3.0, scale=200.0)
    run = simulate_fleet(fleet, years=1.0, histories=1500, rng=2)
    reached = renewals(DAYS_A_QUARTER * np.arange(1, 5), scale=200.0, shape=3.0).expected
    for quarter, truth in enumerate(np.diff(reached, prepend=0.0)):
        assert within_errors(run.failures[:, 0, quarter], 20 * float(truth))


@pytest.mark.parametrize("age", [0.0, 900.0])
def test_unavailability_until_the_first_check_agrees_with_the_formula(age: float) -> None:
    fleet = plain_fleet(
        50,
        shape=1.4,
        scale=900.0,
        age=age,
        hidden=True,
        check_interval=DAYS_A_QUARTER,
        first_check=DAYS_A_QUARTER,
    )
    run = simulate_fleet(fleet, years=0.25, histories=2000, rng=3)
    truth = mean_unavailability(DAYS_A_QUARTER, scale=900.0, shape=1.4, age=age)
    share = run.hidden.sum(axis=(1, 2)) / run.use.sum(axis=(1, 2))
    assert within_errors(share, float(truth.exact))
    assert run.found.sum() == 0  # the check falls on the horizon
    assert run.checks.sum(axis=(1, 2)).tolist() == [50.0] * 2000


def test_unavailability_of_items_renewed_at_checks_agrees_with_the_formula() -> None:
    # exponential lives: after each check the item is as new, so every interval is alike
    fleet = plain_fleet(40, scale=500.0, hidden=True, check_interval=100.0, first_check=100.0)
    whole = simulate_fleet(fleet, years=60.0, histories=40, rng=4)
    truth = float(mean_unavailability(100.0, scale=500.0, shape=1.0).exact)
    share = whole.hidden.sum(axis=(1, 2)) / whole.use.sum(axis=(1, 2))
    assert within_errors(share, truth)
    found, failed = whole.found.sum(axis=(1, 2)), whole.failures.sum(axis=(1, 2))
    assert ((found <= failed) & (failed <= found + 40)).all()


def test_time_undetected_agrees_with_the_formula_for_reports() -> None:
    # rare failures, at most one per interval: own algebra of mean_undetected_time
    fleet = plain_fleet(
        100,
        scale=200_000.0,
        hidden=True,
        check_interval=200.0,
        demand_rate=0.05,
        report_share=0.3,
    )
    run = simulate_fleet(fleet, years=50.0, histories=200, rng=6)
    hidden, failed = run.hidden.sum(axis=(1, 2)), run.failures.sum(axis=(1, 2))
    truth = float(mean_undetected_time(200.0, report_rate=0.015))
    assert ratio_within_errors(hidden, failed, truth)
    # every demand on a hidden failure is dark, the one that was reported too
    assert ratio_within_errors(run.dark_demands.sum(axis=(1, 2)), hidden, 0.05)


def test_missed_defects_agree_with_the_formula() -> None:
    # lives long beside the warning, as the formula assumes
    fleet = plain_fleet(
        100, scale=50_000.0, warning_time=400.0, detection=0.7, check_interval=250.0
    )
    run = simulate_fleet(fleet, years=50.0, histories=100, rng=7)
    failed, seen = run.failures.sum(axis=(1, 2)), run.prevented.sum(axis=(1, 2))
    truth = float(missed_share(250.0, mean_delay=400.0, detection=0.7))
    assert ratio_within_errors(failed, failed + seen, truth)


def test_cost_of_age_replacement_agrees_with_the_formula() -> None:
    fleet = plain_fleet(
        40, shape=3.0, scale=100.0, replacement_age=60.0, cost_planned=1.0, cost_failure=5.0
    )
    run = simulate_fleet(fleet, years=60.0, histories=30, rng=8)
    each = run.cost.sum(axis=(1, 2)) / run.use.sum(axis=(1, 2))
    truth = float(cost_rate(60.0, scale=100.0, shape=3.0, cost_planned=1.0, cost_failure=5.0))
    # the last stay is cut off: at most one of about 400 at each position
    assert each.mean() == pytest.approx(truth, rel=3 * each.std() / each.mean() / 30**0.5 + 1 / 400)


@pytest.mark.parametrize("stock", [0, 1, 2, 4])
def test_stock_outs_agree_with_poisson_demand(stock: int) -> None:
    # 200 items of mean life 10,000 d, lead time 50 d: one request per lead time on average
    fleet = plain_fleet(
        200,
        scale=10_000.0,
        pool=0,
        stock=np.array([stock]),
        lead_time_days=np.array([50.0]),
        pools=("spares",),
    )
    run = simulate_fleet(fleet, years=10.0, histories=60, rng=9)
    # the shelf is full at the start: a quarter is longer than the lead time
    out, asked = (x[:, 0, 1:].sum(axis=1) for x in (run.stock_outs, run.requests))
    # a request finds the shelf empty if at least ``stock`` came within the lead time before it
    truth = float(pdtrc(stock - 1, 1.0)) if stock else 1.0
    if stock == 0:
        assert (out == asked).all()
    else:
        assert ratio_within_errors(out, asked, truth)


def test_waits_for_the_bay_agree_with_one_server_and_equal_jobs() -> None:
    # 200 items of mean life 2,000 d: 0.1 jobs a day, each 4.8 h of 0.8 h a day, so 6 d of work
    fleet = plain_fleet(200, scale=2000.0, repair_hours=4.8, bay_hours_per_day=np.array([0.8]))
    run = simulate_fleet(fleet, years=20.0, histories=40, rng=10)
    downtime, failed = (x[:, 0, 8:].sum(axis=1) for x in (run.downtime, run.failures))
    # Pollaczek-Khinchine for a constant service time (textbook, from memory):
    # wait = load * service / (2 (1 - load)); items under repair do not fail, which lowers the load
    days = downtime / failed / 24
    rate = failed / (18 * DAYS_A_YEAR)
    load = 6.0 * rate.mean()
    truth = 6.0 + load * 6.0 / (2 * (1 - load))
    assert days.mean() == pytest.approx(
        truth, abs=3 * days.std(ddof=1) / np.sqrt(40) + 0.02 * truth
    )


def test_planned_work_that_waits_for_a_spare_may_become_a_failure() -> None:
    fleet = plain_fleet(
        50,
        shape=3.0,
        scale=100.0,
        replacement_age=50.0,
        pool=0,
        stock=np.array([0]),
        lead_time_days=np.array([80.0]),
        pools=("spares",),
    )
    late = simulate_fleet(fleet, years=1.0, histories=200, rng=11)
    # an item comes 80 d after it was asked for, at age 130 at the latest: 1 stay, then the next
    # P(fails before 130) = 0.889 by its Weibull law
    first_quarter = late.failures[:, 0, 0].sum()  # ages up to 91: P(fail by 91.3)
    truth = 50 * float(-np.expm1(-((DAYS_A_QUARTER / 100) ** 3)))
    assert first_quarter / 200 == pytest.approx(truth, abs=3 * np.sqrt(truth / 200))


def test_hours_of_a_season_bring_its_failures() -> None:
    months = np.array([[4.0, 4, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0]])
    fleet = plain_fleet(50, scale=1000.0, use_by_month=months, start_month=9.0)
    run = simulate_fleet(fleet, years=2.0, histories=400, rng=12)
    by_quarter = run.failures[:, 0, :].mean(axis=0)
    assert by_quarter[[0, 2, 3, 4, 6, 7]].tolist() == [0.0] * 6  # October to December stand still
    assert within_errors(run.failures[:, 0, 1], 50 * DAYS_A_YEAR / 1000.0)
    assert run.use[0, 0, 1] == pytest.approx(50 * DAYS_A_YEAR)


def test_winter_failures_may_cost_more() -> None:
    factor = np.ones(12)
    factor[:3] = 3.0
    fleet = plain_fleet(
        50, scale=500.0, cost_failure=10.0, failure_cost_by_month=factor, start_month=0.0
    )
    run = simulate_fleet(fleet, years=1.0, histories=50, rng=13)
    each = run.cost[:, 0, :].sum(axis=0) / run.failures[:, 0, :].sum(axis=0)
    assert each.tolist() == pytest.approx([30.0, 10.0, 10.0, 10.0])


def test_extra_checks_find_hidden_failures_on_their_days() -> None:
    days = np.full((200, 1), DAYS_A_QUARTER * 1.5)
    fleet = plain_fleet(200, scale=300.0, hidden=True, extra_checks=days, cost_check=2.0)
    run = simulate_fleet(fleet, years=1.0, histories=50, rng=14)
    found = run.found[:, 0, :].sum(axis=0)
    assert found[[0, 2, 3]].tolist() == [0.0] * 3
    assert within_errors(run.found[:, 0, 1], 200 * -np.expm1(-DAYS_A_QUARTER * 1.5 / 300))
    assert run.cost.sum(axis=(1, 2)).tolist() == [400.0] * 50


def test_repaired_items_follow_their_own_law() -> None:
    # half of the failures are repaired; a repaired item never fails again here
    fleet = plain_fleet(
        100,
        shape=[[1.0], [1.0]],
        scale=[[1000.0], [1e12]],
        repair_stratum=1,
        repair_share=0.5,
        strata=("new", "repaired"),
    )
    run = simulate_fleet(fleet, years=10.0, histories=200, rng=15)
    # failures follow a Poisson process stopped with probability 1/2 at each: own algebra,
    # mean number by t is 2 (1 - exp(-t / 2 / 1000))
    truth = 100 * 2 * -np.expm1(-10 * DAYS_A_YEAR / 2000)
    assert within_errors(run.failures.sum(axis=(1, 2)), truth)


def test_events_count_under_the_own_item_where_asked() -> None:
    fleet = plain_fleet(
        100, shape=[[5.0], [1.0]], scale=[[10.0], [1000.0]], renewal_stratum=1, strata=("a", "b")
    )
    first = simulate_fleet(fleet, years=1.0, histories=20, rng=16)
    own = simulate_fleet(fleet, years=1.0, histories=20, rng=16, counted_under="own item")
    assert first.failures[:, 1].sum() == 0
    assert own.failures[:, 0].sum(axis=1).tolist() == [100.0] * 20
    assert own.failures.sum() == first.failures.sum()
