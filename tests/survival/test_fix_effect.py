"""Effect of a fix: split by hand, level with and without controls, return to the mean."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.survival.effect_tables import ages_on, fix_effect, treated_past
from relkit.survival.fix_effect import ratio_of_ratios, return_to_mean, split_at_ages
from relkit.survival.stratified_ratio import stratified_ratio

START = pd.Timestamp("2021-01-01")


def fleet(seed: int, *, effect: float = 1.0, season: float = 1.0, n: int = 200) -> pd.DataFrame:
    """Lives of a random process on a calendar clock, 1,000 days, the fix at day 500.

    ``effect`` multiplies the hazard of treated items after the date, ``season`` that of all.
    """
    rng = np.random.default_rng(seed)
    treated = np.arange(n) % 2 == 0
    fitted = rng.uniform(0.0, 800.0, n)
    change = np.where(treated, effect, 1.0) * season
    # cumulative hazard (t / 500)^1.5 up to the date, times the change after it: inverted
    at = np.maximum(500.0 - fitted, 0.0)
    target = rng.standard_exponential(n)
    reached = (at / 500.0) ** 1.5
    later = reached + (target - reached) / change
    life = 500.0 * np.where(target < reached, target, later) ** (1 / 1.5)
    end = 1000.0 - fitted
    age = np.minimum(life, end)
    return pd.DataFrame(
        {
            "component": "cable",
            "location": "low",
            "vehicle": [f"V{i % 40}" for i in range(n)],
            "treated": treated,
            "fitted_on": START + pd.to_timedelta(fitted, unit="D"),
            "ended_on": START + pd.to_timedelta(fitted + age, unit="D"),
            "age": age,
            "failed": life <= end,
        }
    )


DATE = START + pd.Timedelta(days=500)


def test_lives_split_at_the_date() -> None:
    # Counted by hand: before, spanning unfailed, spanning failed, after, late entry.
    split = split_at_ages(
        [0.0, 0.0, 0.0, 0.0, 50.0],
        [80.0, 100.0, 120.0, 60.0, 90.0],
        [True, False, True, True, True],
        [np.inf, 40.0, 40.0, -np.inf, 20.0],
    )
    assert split.row.tolist() == [0, 1, 2, 1, 2, 3, 4]
    assert split.entry.tolist() == [0.0, 0.0, 0.0, 40.0, 40.0, 0.0, 50.0]
    assert split.age.tolist() == [80.0, 40.0, 40.0, 100.0, 120.0, 60.0, 90.0]
    assert split.failed.tolist() == [True, False, False, False, True, True, True]
    assert split.after.tolist() == [False] * 3 + [True] * 4


def test_split_keeps_exposure_and_failures() -> None:
    # Invariant.
    rng = np.random.default_rng(1)
    entry, more = rng.uniform(0, 50, 300), rng.uniform(1, 50, 300)
    failed, at = rng.random(300) < 0.5, rng.uniform(-20, 120, 300)
    split = split_at_ages(entry, entry + more, failed, at)
    assert (split.age - split.entry).sum() == pytest.approx(more.sum())
    assert split.failed.sum() == failed.sum()
    assert (split.age > split.entry).all()


def test_age_on_a_date_is_exact_on_a_calendar_clock() -> None:
    # Closed form: days since fitted.
    lives = fleet(1)
    ages = ages_on(lives, DATE)
    days = (DATE - lives["fitted_on"]).dt.total_seconds() / 86_400
    spans = (lives["fitted_on"] < DATE) & (lives["ended_on"] > DATE)
    assert ages[spans].to_numpy() == pytest.approx(days[spans].to_numpy(), abs=1e-3)
    assert np.isneginf(ages[lives["fitted_on"] >= DATE]).all()
    assert np.isposinf(ages[lives["ended_on"] <= DATE]).all()


def test_late_entry_starts_the_line_where_observation_began() -> None:
    # Counted by hand: 400 at day 100, 1,000 at day 300; on day 200 it is 700.
    lives = pd.DataFrame(
        {
            "fitted_on": [START - pd.Timedelta(days=900)],
            "ended_on": [START + pd.Timedelta(days=300)],
            "entry": [400.0],
            "age": [1000.0],
        }
    )
    date = START + pd.Timedelta(days=200)
    ages = ages_on(lives, date, observed_from=START + pd.Timedelta(days=100))
    assert ages.tolist() == [700.0]
    assert ages_on(lives, date).tolist() == pytest.approx([1000 * 1100 / 1200])


def test_effect_is_estimated_without_bias_and_limits_hold_it() -> None:
    # Binomial: 150 fleets at 95 % have an error of 1.8 %; mean log ratio within 3 errors.
    tables = [fix_effect(fleet(seed, effect=0.5), DATE, treated="treated") for seed in range(150)]
    own = pd.concat([table.iloc[[0]] for table in tables])
    inside = (own["hazard_ratio_lower"] <= 0.5) & (own["hazard_ratio_upper"] >= 0.5)
    assert 0.896 <= inside.mean() <= 1.0
    assert np.log(own["hazard_ratio"]).mean() == pytest.approx(np.log(0.5), abs=0.08)
    assert (own["finding"] == "fewer failures").mean() > 0.5


def test_controls_take_out_what_changed_for_all() -> None:
    # Binomial: a mild season halves all rates and there is no fix: without controls it is
    # "found", with controls in about 5 % of 150 fleets (error 1.8 %).
    tables = [fix_effect(fleet(seed, season=0.5), DATE, treated="treated") for seed in range(150)]
    own = sum(table.iloc[0]["finding"] == "fewer failures" for table in tables)
    against = sum(table.iloc[2]["finding"] != "no effect shown" for table in tables)
    assert own > 75
    assert against / 150 < 0.11


def test_ratio_of_ratios_is_the_difference_of_the_logs() -> None:
    # Closed form: exp of the difference, error from both.
    lives = fleet(3, effect=0.5)
    table = fix_effect(lives, DATE, treated="treated").set_index("part")
    ratio = table["hazard_ratio"]
    both = ratio["treated over controls"]
    assert both == pytest.approx(ratio["treated"] / ratio["controls"], rel=1e-9)
    one = stratified_ratio(lives["age"], lives["failed"], lives["treated"])
    same = ratio_of_ratios(one, one)
    assert same.ratio == pytest.approx(1.0)
    reach = 1.959964 * one.log_std_error * 2**0.5
    assert np.log(same.upper) == pytest.approx(reach, rel=1e-6)
    assert same.p_value == pytest.approx(1.0)


def test_items_fitted_since_are_compared_whole() -> None:
    # Invariant: as the plain ratio of the two groups of lives.
    lives = fleet(5)
    found = fix_effect(lives, DATE, scope="items fitted since").iloc[0]
    plain = stratified_ratio(lives["age"], lives["failed"], lives["fitted_on"] >= DATE)
    assert found["hazard_ratio"] == pytest.approx(plain.hazard_ratio, rel=1e-5)
    assert found["lives_after"] == (lives["fitted_on"] >= DATE).sum()


def test_without_failures_after_the_date_there_is_an_upper_limit() -> None:
    lives = fleet(6)
    quiet = lives.assign(failed=lives["failed"] & (lives["ended_on"] < DATE))
    found = fix_effect(quiet, DATE, treated="treated")
    assert found["hazard_ratio"].iloc[0] == 0.0
    assert 0 < found["hazard_ratio_upper"].iloc[0] < 0.2
    assert found["finding"].tolist() == ["fewer failures", "fewer failures", "not known"]


def test_worst_vehicles_return_to_the_mean_as_far_as_said() -> None:
    # Closed form: gamma-Poisson, mean 1 and variance 0.5 around E = 4: of a system with N the
    # mean to come is 4 (N + 2) / (4 + 2). Simulated futures of the worst quarter are compared.
    rng = np.random.default_rng(1)
    mean = rng.gamma(2.0, 0.5, 4000)
    past, future = rng.poisson(4 * mean), rng.poisson(4 * mean)
    worst = past >= np.quantile(past, 0.75)
    found = return_to_mean(past, np.full(4000, 4.0), worst)
    assert found.chosen
    assert found.return_ratio == pytest.approx(future[worst].sum() / past[worst].sum(), abs=0.03)
    at_random = return_to_mean(past, np.full(4000, 4.0), rng.random(4000) < 0.3)
    assert at_random.return_ratio == pytest.approx(1.0, abs=0.05)


def test_alike_vehicles_return_all_the_way() -> None:
    # Closed form: with no spread beyond Poisson's, what is to come is what is expected.
    found = return_to_mean([3, 3, 1, 1], [2.0] * 4, [True, True, False, False])
    assert found.return_ratio == pytest.approx(4 / 6)


def test_choice_by_the_past_is_seen_in_the_frame() -> None:
    lives = fleet(8, n=400)
    early = lives["failed"] & (lives["ended_on"] < DATE)
    count = early.groupby(lives["vehicle"]).sum()
    worst = set(count.sort_values().index[-10:])
    chosen = treated_past(lives.assign(treated=lives["vehicle"].isin(worst)), DATE, "treated")
    assert chosen["finding"].tolist() == ["chosen by a bad past"]
    assert chosen["return_ratio"].iloc[0] < 0.9
    plain = treated_past(lives.assign(treated=lives["vehicle"].str[-1].eq("3")), DATE, "treated")
    assert plain["finding"].tolist() == ["no sign of a choice by the past"]
    total = chosen["failures_treated"] + chosen["failures_others"]
    assert total.iloc[0] == early.sum()
    assert (chosen["expected_treated"] + chosen["expected_others"]).iloc[0] == pytest.approx(
        early.sum()
    )


def test_bad_values_are_named() -> None:
    lives = fleet(9)
    with pytest.raises(ValueError, match='scope is "some"'):
        fix_effect(lives, DATE, scope="some")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="age_at at position 0 is not a number"):
        split_at_ages([0.0], [1.0], [True], [np.nan])
    with pytest.raises(ValueError, match="both True and False for V"):
        treated_past(lives.assign(treated=np.arange(200) < 100), DATE, "treated")
    with pytest.raises(ValueError, match="no column ended_on"):
        ages_on(lives.drop(columns="ended_on"), DATE)
