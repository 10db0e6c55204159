"""Truth of the scenario: best ages and savings against a slow search, counts of positions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relkit.demo.fleet import made_up_vehicles, vehicle_positions
from relkit.demo.truth import STRATUM_TRUTHS, TYPE_TRUTHS, ItemTruth, truth_frame


def best_by_search(truth: ItemTruth) -> tuple[float, float]:
    """Age and saving of planned replacement by midpoint sums on a fine grid of ages.

    Cost rate after R. Barlow and L. Hunter, Operations Research 8:90-100, 1960.
    """
    width = truth.scale / 20_000
    middles = (np.arange(60_000) + 0.5) * width
    run_time = np.cumsum(np.exp(-((middles / truth.scale) ** truth.shape))) * width
    ages = (np.arange(60_000) + 1) * width
    survival = np.exp(-((ages / truth.scale) ** truth.shape))
    rate = (truth.cost_planned * survival + truth.cost_failure * (1 - survival)) / run_time
    best = int(rate.argmin())
    mean_life = truth.scale * math.gamma(1 + 1 / truth.shape)
    return float(ages[best]), 1 - float(rate[best]) * mean_life / truth.cost_failure


@pytest.mark.parametrize("truth", STRATUM_TRUTHS, ids=lambda truth: truth.component)
def test_best_ages_and_savings_are_those_of_the_parameters(truth: ItemTruth) -> None:
    # Source: own scenario, table of costs and best answers: ages to the hour, savings to 1 %
    # (it reads 16 % for 15.5 % at the tailboard).
    age, saving = best_by_search(truth)
    if truth.task == "planned replacement":
        assert age == pytest.approx(truth.best_age, abs=0.001 * truth.best_age)
        assert saving == pytest.approx(truth.saving, abs=0.006)
        assert saving > 0.05
    else:
        assert saving < 0.05
        assert math.isnan(truth.best_age)


def test_the_search_finds_a_known_optimum() -> None:
    # Source: closed form for a constant hazard, shape 1: replacing never pays.
    item = ItemTruth("item", "place", 1.0, 1000.0, "random", "run to failure", 100, 250)
    assert best_by_search(item)[1] <= 0


def test_positions_are_counted_per_stratum() -> None:
    # Source: own scenario, table of truth, column of positions.
    vehicles = made_up_vehicles(np.random.default_rng(1), extras=True)
    table = truth_frame(vehicle_positions(vehicles)).set_index(["component", "location"])
    expected = [24, 24, 20, 20, 20, 14, 8, 58, 66, 32, 20, 108, 22, 176, 72, 72, 72, 72, 66]
    assert table["positions"].tolist()[: len(expected)] == expected
    assert table.loc[("cable, re-made joint", "any mount"), "positions"] == 306
    assert table.loc[("camera, serial prefix M3", "any mount"), "positions"] == 306
    assert len(table) == len(STRATUM_TRUTHS) + len(TYPE_TRUTHS)


def test_without_extras_only_the_strata_remain() -> None:
    # Source: definition of ``extras``.
    vehicles = made_up_vehicles(np.random.default_rng(1), extras=False)
    assert len(truth_frame(vehicle_positions(vehicles), extras=False)) == len(STRATUM_TRUTHS)
