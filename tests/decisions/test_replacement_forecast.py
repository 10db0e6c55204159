"""Failures and planned replacements ahead: against renewals, closed forms and a simulation."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.renewal import renewals
from relkit.decisions.replacement_forecast import replacement_forecast
from tests.decisions.simulation import remaining_life


@pytest.mark.parametrize("shape", [0.7, 1.0, 1.6, 3.0])
def test_without_planned_replacement_it_is_the_renewal_function(shape: float) -> None:
    # Source: the package's renewal function, itself checked on published tables.
    ages = np.array([0.0, 400.0, 2000.0, 5000.0])
    found = replacement_forecast(400.0, periods=8, age=ages, scale=1700.0, shape=shape)
    exact = renewals(3200.0, scale=1700.0, shape=shape, age=ages).expected
    assert found.failures.sum(axis=1) == pytest.approx(exact, rel=1e-3)
    assert (found.planned == 0).all()


def test_items_that_never_fail_are_replaced_like_clockwork() -> None:
    # Source: by hand: 980 h of use, every 250 h: from age 0 at 250, 500 and 750 h, and so on.
    found = replacement_forecast(
        98.0, periods=10, age=[0.0, 200.0, 300.0], scale=1e9, shape=1.0, replacement_age=250.0
    )
    assert found.planned.sum(axis=1) == pytest.approx([3, 4, 4], abs=1e-4)
    assert found.planned[2, 0] == pytest.approx(1.0, abs=1e-6)  # overdue: at once


def simulated(
    rng: np.random.Generator, ages: np.ndarray, cut: float, periods: int, period: float
) -> tuple[np.ndarray, np.ndarray]:
    """Failures and planned replacements of each position in each period, event by event."""
    counts = np.zeros((2, len(ages), periods))
    clock, age = np.zeros(len(ages)), ages.copy()
    active = np.arange(len(ages))
    while len(active):
        life = remaining_life(rng, 1700.0, 3.0, age[active])
        left = np.maximum(cut - age[active], 0.0)
        clock[active] += np.minimum(life, left)
        age[active] = 0.0
        inside = clock[active] < periods * period
        place = np.minimum((clock[active] / period).astype(int), periods - 1)
        kind = (life >= left).astype(int)
        np.add.at(counts, (kind[inside], active[inside], place[inside]), 1)
        active = active[inside]
    return counts[0], counts[1]


@pytest.mark.slow
@pytest.mark.parametrize("age", [0.0, 700.0, 1500.0])
def test_a_policy_of_replacement_agrees_with_a_simulation(age: float) -> None:
    # Source: event-by-event simulation above, 20,000 positions of 1,600 h (32 million hours),
    # three standard errors by quarter; what falls near a quarter's end may fall into the next by
    # the grid's half step of 13 h.
    rng = np.random.default_rng(int(age))
    failures, planned = simulated(rng, np.full(20_000, age), 985.0, 4, 400.0)
    found = replacement_forecast(
        400.0, periods=4, age=age, scale=1700.0, shape=3.0, replacement_age=985.0
    )
    for seen, predicted in ((failures, found.failures[0]), (planned, found.planned[0])):
        error = seen.std(axis=0, ddof=1) / np.sqrt(len(seen))
        assert (np.abs(seen.mean(axis=0) - predicted) < 3 * error + 0.002).all()


@pytest.mark.slow
def test_prediction_intervals_hold_what_a_fleet_will_need() -> None:
    # Source: 400 simulated fleets of 30 positions over 1,600 h, known parameters: a 90 % interval
    # of a Poisson law holds at least 90 % of counts that vary less than Poisson.
    from relkit.decisions.spares import demand_limits

    rng = np.random.default_rng(8)
    ages = np.linspace(0.0, 900.0, 30)
    found = replacement_forecast(
        400.0, periods=4, age=ages, scale=1700.0, shape=3.0, replacement_age=985.0
    )
    limits = demand_limits([found.failures.sum()], confidence_level=0.9)
    seen = np.array([simulated(rng, ages, 985.0, 4, 400.0)[0].sum() for _ in range(400)])
    inside = ((seen >= limits.lower[0]) & (seen <= limits.upper[0])).mean()
    assert inside >= 0.90
    assert abs(seen.mean() - found.failures.sum()) < 3 * seen.std() / np.sqrt(400)


def test_a_position_that_comes_later_needs_nothing_before() -> None:
    # Source: closed form, shape 1: half the time, half the failures.
    found = replacement_forecast(
        500.0, periods=4, age=0.0, scale=4000.0, shape=1.0, begins=[0.0, 0.5]
    )
    assert found.failures[1, :2] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert found.failures[1].sum() == pytest.approx(found.failures[0].sum() / 2, rel=0.05)


def test_bad_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="periods is 0"):
        replacement_forecast(1.0, periods=0, age=0.0, scale=1.0, shape=1.0)
    with pytest.raises(ValueError, match="replacement_age"):
        replacement_forecast(1.0, periods=1, age=0.0, scale=1.0, shape=1.0, replacement_age=0.0)
    with pytest.raises(ValueError, match="age at position"):
        replacement_forecast(1.0, periods=1, age=[-1.0], scale=1.0, shape=1.0)
