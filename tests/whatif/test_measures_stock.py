"""Spares on the shelf against a plain sum over the Poisson law."""

from __future__ import annotations

from math import exp, factorial

import numpy as np
import pytest

from relkit.plan.parts import PlanParts
from relkit.whatif.comparison import compare, compared
from relkit.whatif.measures_stock import Stock, expected_shortage
from relkit.whatif.questions_fleet import longer_lead_time, spares_by_store


@pytest.mark.parametrize("stock", [0, 1, 3, 7])
@pytest.mark.parametrize("demand", [0.2, 2.5, 6.0])
def test_the_shortage_is_the_mean_of_what_exceeds_the_shelf(stock: int, demand: float) -> None:
    # Source: definition, summed term by term.
    terms = [exp(-demand) * demand**k / factorial(k) * max(k - stock, 0) for k in range(80)]
    assert expected_shortage(stock, np.array([demand]))[0] == pytest.approx(sum(terms), rel=1e-9)


def test_stores_together_hold_what_they_hold_alone() -> None:
    # Source: invariant.
    stock = Stock({("camera", "north"): 2, ("camera", "south"): 3, ("cable", "north"): 1})
    assert stock.of("camera", "north") == 2
    assert stock.of("camera", "") == 5
    assert stock.of("display", "north") is None


def test_pooling_and_one_more_spare_help_and_one_fewer_hurts(clean: PlanParts) -> None:
    # Source: pooled stock never waits longer than the same stock parted (known result).
    found = compare(clean, spares_by_store(clean), draws=40)
    days = found.measures[found.measures["measure"] == "waiting_days"].set_index("scenario")
    more, fewer, pooled = (days["upper"].iloc[0], days["lower"].iloc[1], days["upper"].iloc[2])
    assert more < 0 < fewer
    assert pooled < 0


def test_waiting_is_the_shortage_at_the_demand_of_the_lead_time(clean: PlanParts) -> None:
    # Source: own sum over components with the demand that the same side expects.
    cell = compared(clean, longer_lead_time(clean, days=30.0, instead_of=14.0)[0], draws=10)
    days = cell.draws_then["waiting_days"]
    assert (days > cell.draws_today["waiting_days"]).all()
    used = cell.then.totals["failures"] + cell.then.totals["planned"]
    late = cell.draws_then["late_spares"]
    assert (late < used).all()
