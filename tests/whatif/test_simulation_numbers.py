"""Random numbers that hang on who asks: evenly spread, unrelated, the same for the same asker."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.simulation import simulate_fleet
from relkit.whatif.simulation_jobs import poisson_quantile
from relkit.whatif.simulation_numbers import bases, history_keys, mixed, uniforms
from relkit.whatif.simulation_result import MEASURES, FleetHistories
from tests.whatif.simulated_fleets import plain_fleet


def numbers(purpose: int = 0, renewal: int = 0) -> np.ndarray:
    keys = history_keys(7, 0, 300)
    who = mixed(np.arange(200, dtype=np.uint64))
    base = bases(keys[:, None], who[None, :]).ravel()
    return uniforms(base, np.full(len(base), renewal), purpose)


def test_first_outputs_are_those_of_splitmix64() -> None:
    # Source: from memory, as published with many implementations: with the state 0 the first
    # outputs of SplitMix64 are e220a8397b1dcdaf and 6e789e6aa1b965f4.
    step = np.uint64(0x9E3779B97F4A7C15)
    with np.errstate(over="ignore"):
        states = np.array([1, 2], dtype=np.uint64) * step
    assert [f"{value:016x}" for value in mixed(states)] == ["e220a8397b1dcdaf", "6e789e6aa1b965f4"]


def test_numbers_are_evenly_spread_and_unrelated() -> None:
    # Source: chi-square of 100 equal cells, its 99.99 % point 168.0 (scipy.stats.chi2.ppf);
    # correlations of 60,000 pairs have a standard error of 0.0041.
    first, second, later = numbers(), numbers(purpose=1), numbers(renewal=1)
    cells = np.bincount((first * 100).astype(int), minlength=100)
    assert ((cells - 600) ** 2 / 600).sum() < 168.0
    assert first.min() > 0
    assert first.max() < 1
    by_history = first.reshape(300, 200)
    for other in (
        second,
        later,
        np.roll(by_history, 1, axis=0).ravel(),
        np.roll(by_history, 1, axis=1).ravel(),
    ):
        assert abs(np.corrcoef(first, other)[0, 1]) < 4 * 0.0041


def test_the_same_seed_gives_the_same_histories_whatever_the_threads() -> None:
    # Source: the promise of simulate_fleet.
    fleet = plain_fleet(30, shape=2.0, scale=300.0)
    one = simulate_fleet(fleet, years=1.0, histories=50, rng=3, workers=1)
    two = simulate_fleet(fleet, years=1.0, histories=50, rng=3, workers=2)
    other = simulate_fleet(fleet, years=1.0, histories=50, rng=4)
    assert (one.failures == two.failures).all()
    assert (one.failures != other.failures).any()


def test_further_positions_leave_the_luck_of_the_others_as_it_was() -> None:
    # Source: the promise of FleetModel.key.
    small, large = plain_fleet(10, scale=200.0), plain_fleet(14, scale=200.0)
    strata = np.repeat([0, 1], [10, 4])
    split = replace(
        large,
        stratum=strata,
        renewal_stratum=strata,
        shape=np.ones((2, 1)),
        scale=np.full((2, 1), 200.0),
        strata=("a", "b"),
    )
    few = simulate_fleet(small, years=2.0, histories=40, rng=5)
    many = simulate_fleet(split, years=2.0, histories=40, rng=5)
    assert (few.failures[:, 0] == many.failures[:, 0]).all()


def test_common_luck_makes_differences_small() -> None:
    # Source: own algebra: alike variants differ by a part of their failures only, so that their
    # difference varies less than that of variants with luck of their own (by 3 and more here).
    fleet = plain_fleet(100, shape=2.0, scale=400.0)
    better = replace(fleet, scale=fleet.scale * 1.1)

    def total(model: FleetModel, seed: int) -> np.ndarray:
        run = simulate_fleet(model, years=2.0, histories=300, rng=seed)
        return run.failures.sum(axis=(1, 2))

    common = total(better, 6) - total(fleet, 6)
    apart = total(better, 7) - total(fleet, 6)
    assert common.mean() < 0
    assert common.var() < apart.var() / 3


def test_poisson_quantiles_are_the_least_counts_that_reach_the_probability() -> None:
    # Source: distribution function of the Poisson law by scipy.special.pdtr.
    from scipy.special import pdtr

    luck = np.random.default_rng(8).uniform(size=2000)
    mean = np.random.default_rng(9).choice([0.0, 0.01, 0.6, 3.0, 80.0], 2000)
    count = poisson_quantile(luck, mean)
    law = pdtr(count, np.maximum(mean, 1e-300))
    before = np.where(count > 0, pdtr(np.maximum(count - 1, 0), np.maximum(mean, 1e-300)), 0.0)
    assert (law >= luck - 1e-9).all()
    assert (before < luck + 1e-9).all()


@pytest.mark.parametrize("years", [0.0, np.nan, 61.0])
def test_lengths_out_of_bounds_are_refused(years: float) -> None:
    # Source: the bounds that the docstring states.
    with pytest.raises(ValueError, match="years"):
        simulate_fleet(plain_fleet(2), years=years)


def test_every_measure_is_a_field_of_the_result() -> None:
    # Source: one list for both.
    names = [field.name for field in fields(FleetHistories)]
    assert tuple(names[: len(MEASURES)]) == MEASURES
