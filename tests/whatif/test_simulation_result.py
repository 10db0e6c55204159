"""Tables of a simulation: means, limits and differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from relkit.whatif.simulation import simulate_fleet
from relkit.whatif.simulation_result import fleet_difference, fleet_totals
from tests.whatif.simulated_fleets import plain_fleet


def test_totals_agree_with_sums_over_the_histories() -> None:
    # Source: second way: numpy on the arrays.
    run = simulate_fleet(plain_fleet(40, scale=300.0), years=2.0, histories=200, rng=1)
    each = run.failures.sum(axis=(1, 2))
    row = fleet_totals(run).set_index("measure").loc["failures"]
    assert row["mean"] == pytest.approx(each.mean())
    # 1.959964: the normal law's 97.5 % point (tables)
    assert row["upper"] - row["mean"] == pytest.approx(1.959964 * each.std(ddof=1) / 200**0.5)
    assert (row["low"], row["high"]) == pytest.approx(tuple(np.quantile(each, [0.1, 0.9])))
    by_quarter = fleet_totals(run, by="quarter")
    assert by_quarter.query("measure == 'failures'")["mean"].sum() == pytest.approx(each.mean())


def test_difference_of_a_variant_with_itself_is_nothing() -> None:
    # Source: common random numbers.
    fleet = plain_fleet(20, scale=300.0)
    run, again = (simulate_fleet(fleet, years=1.0, histories=30, rng=2) for _ in range(2))
    table = fleet_difference(run, again, by="stratum")
    assert (table[["mean", "low", "high"]] == 0).all(axis=None)


def test_variants_that_do_not_go_together_are_refused() -> None:
    # Source: the message's own promise.
    fleet = plain_fleet(5, scale=300.0)
    run = simulate_fleet(fleet, years=1.0, histories=10, rng=2)
    other = simulate_fleet(fleet, years=1.0, histories=11, rng=2)
    with pytest.raises(ValueError, match="differ in histories"):
        fleet_difference(run, other)
    with pytest.raises(ValueError, match="different strata"):
        fleet_difference(run, replace(run, strata=("other",)), by="stratum")
    with pytest.raises(ValueError, match="give one of"):
        fleet_totals(run, by="month")  # type: ignore[arg-type]
