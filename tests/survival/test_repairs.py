"""Whether repairs hold: published exact limits, closed forms, level and power by simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest, poisson

from relkit.survival.repairs import early_exposure, rate_ratios, repeat_failures
from relkit.survival.screen_tables import repair_screen, repeat_failure_screen


def test_ratio_of_rates_as_in_a_statistics_package() -> None:
    # Source: R, stats::poisson.test, second example of its help page (Campbell and Machin):
    # 11 in 800 against 21 in 3,011: ratio 1.971488, 95 % limits 0.8584264 and 4.2772659
    # (from memory; the limits also follow from binomtest below).
    found = rate_ratios(11, 800, 21, 3011)
    assert float(found.ratio) == pytest.approx(1.971488, abs=1e-6)
    assert float(found.lower) == pytest.approx(0.8584264, abs=1e-6)
    assert float(found.upper) == pytest.approx(4.2772659, abs=1e-6)


def test_limits_are_those_of_the_binomial() -> None:
    # Source: scipy's binomtest, exact (Clopper-Pearson) limits and one-sided p-values.
    rng = np.random.default_rng(1)
    for x, y in rng.integers(0, 15, (40, 2)):
        if x + y == 0:
            continue
        time, other = rng.uniform(10, 500, 2)
        found = rate_ratios(x, time, y, other, confidence_level=0.9)
        test = [
            binomtest(int(x), int(x + y), time / (time + other), alternative=way)
            for way in ("two-sided", "less", "greater")
        ]
        limits = test[0].proportion_ci(0.9, "exact")
        with np.errstate(divide="ignore"):
            wanted = np.array([limits.low, limits.high]) / (1 - np.array([*limits]))
        assert [found.lower, found.upper] == pytest.approx(wanted * other / time, rel=1e-9)
        smaller = min(test[1].pvalue, test[2].pvalue)
        assert float(found.p_value) == pytest.approx(min(2 * smaller, 1.0), rel=1e-9)


def test_exposure_splits_at_the_age_and_respects_late_entry() -> None:
    # Counted by hand.
    found = early_exposure(
        [50.0, 300.0, 400.0, 0.0],
        [True, True, False, True],
        [0, 0, 1, 1],
        early=100.0,
        entry=[20.0, 150.0, 30.0, 0.0],
        count=[1.0, 2.0, 1.0, 1.0],
    )
    assert found.early_failures.tolist() == [1.0, 1.0]
    assert found.early_exposure.tolist() == [30.0, 70.0]
    assert found.later_failures.tolist() == [2.0, 0.0]
    assert found.later_exposure.tolist() == [300.0, 300.0]


def test_level_of_the_ratio_is_kept() -> None:
    # Closed form: exact tests never exceed their level; 4,000 draws have an error of 0.35 %.
    rng = np.random.default_rng(2)
    first, second = rng.poisson(4.0, 4000), rng.poisson(12.0, 4000)
    some = first + second > 0
    found = rate_ratios(first[some], 1.0, second[some], 3.0)
    assert (found.p_value < 0.05).mean() < 0.05 + 0.0105
    held = (found.lower <= 1.0) & (found.upper >= 1.0)
    assert held.mean() > 0.95 - 0.0105


def joints(seed: int, shape: float = 0.55, scale: float = 2500.0) -> pd.DataFrame:
    """Plain cables that wear, and 40 joints."""
    rng = np.random.default_rng(seed)
    end = rng.uniform(500.0, 3000.0, 240)
    life = 5500.0 * rng.weibull(2.2, 240)
    life[200:] = scale * rng.weibull(shape, 40)
    return pd.DataFrame(
        {
            "component": np.where(np.arange(240) < 200, "cable", "cable, re-made joint"),
            "age": np.minimum(life, end),
            "failed": life <= end,
        }
    )


def test_poor_joints_are_found_against_plain_cables() -> None:
    # Binomial: of 40 joints a quarter fail within 250 h, of 200 cables 0.2: power near 1.
    tables = [repair_screen(joints(seed), 250.0).set_index("component") for seed in range(50)]
    found = [table.loc["cable, re-made joint"] for table in tables]
    assert sum(row["finding"] == "fails early" for row in found) >= 48
    assert sum(table.loc["cable", "finding"] == "fails early" for table in tables) == 0
    assert np.mean([row["early_failures"] for row in found]) == pytest.approx(40 * 0.246, rel=0.1)


def test_good_joints_are_left_alone() -> None:
    # Binomial: the exact test at 5 %, both ways over few failures: at most 3 of 100 by far.
    found = [repair_screen(joints(seed, 2.2, 5500.0), 250.0)["finding"] for seed in range(100)]
    assert sum(words.eq("fails early").any() for words in found) <= 5


def test_kinds_of_other_components_are_not_compared() -> None:
    lives = joints(1)
    other = lives.assign(component="display")
    alone = repair_screen(lives, 250.0)
    both = repair_screen(pd.concat([lives, other]), 250.0).set_index("component")
    assert (
        both.loc["cable", "others_ratio"]
        == alone.set_index("component").loc["cable", "others_ratio"]
    )
    assert np.isnan(both.loc["display", "others_ratio"])


def test_expected_failures_add_up_to_those_seen() -> None:
    # Closed form: Nelson-Aalen hazards over all lives of a stratum sum to its failures.
    rng = np.random.default_rng(3)
    age = np.round(rng.weibull(1.5, 400), 1) + 0.1
    entry = np.where(rng.random(400) < 0.4, 0.5 * age, 0.0)
    failed, stratum = rng.random(400) < 0.6, rng.integers(0, 5, 400)
    count = rng.integers(1, 4, 400)
    system = rng.integers(0, 30, 400)
    found = repeat_failures(age, failed, system, entry=entry, stratum=stratum, count=count)
    assert found.expected.sum() == pytest.approx(count[failed].sum(), rel=1e-12)
    per_stratum = repeat_failures(age, failed, stratum, entry=entry, stratum=stratum, count=count)
    assert per_stratum.expected == pytest.approx(per_stratum.failures, rel=1e-12)


def test_expected_failures_are_those_of_a_slow_count() -> None:
    # Source: second implementation, one loop over failure ages for each life.
    rng = np.random.default_rng(4)
    age, failed = np.round(rng.weibull(1.5, 60), 1) + 0.1, rng.random(60) < 0.6
    entry, stratum = np.where(rng.random(60) < 0.4, 0.5 * age, 0.0), rng.integers(0, 2, 60)
    system = np.arange(60)
    found = repeat_failures(age, failed, system, entry=entry, stratum=stratum)
    for i in range(60):
        own = stratum == stratum[i]
        hazard = 0.0
        for at in np.unique(age[own & failed]):
            if (entry[i] < at) and (at <= age[i]):
                risk = own & ((entry < at) | (entry == 0)) & (age >= at)
                hazard += (own & failed & (age == at)).sum() / risk.sum()
        assert found.expected[i] == pytest.approx(hazard, abs=1e-12)
        assert found.p_value[i] == pytest.approx(
            poisson.sf(failed[i] - 1, hazard) if hazard > 0 else np.nan, nan_ok=True
        )


def test_a_vehicle_that_keeps_failing_is_found_and_others_are_not() -> None:
    # Binomial: where vehicles are alike, something is found in at most 5 % of 100 fleets
    # (error 2.2 %); a vehicle with five times the rate is found in nearly all.
    rng = np.random.default_rng(5)
    wrong = right = 0
    for _ in range(100):
        vehicle = np.repeat(np.arange(60), 12)
        life = rng.weibull(1.3, 720)
        lives = pd.DataFrame(
            {"vehicle": vehicle, "age": np.minimum(life, 0.6), "failed": life <= 0.6}
        )
        wrong += repeat_failure_screen(lives, "vehicle", None)["finding"].ne("nothing found").any()
        worse = np.where(vehicle == 7, life * 0.15, life)
        lives = lives.assign(age=np.minimum(worse, 0.6), failed=worse <= 0.6)
        first = repeat_failure_screen(lives, "vehicle", None).iloc[0]
        right += first["vehicle"] == 7 and first["finding"] == "keeps failing"
    assert wrong <= 11
    assert right >= 60


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match=r"failures at position 0 is 1\.5: must be a whole"):
        rate_ratios(1.5, 1.0, 1.0, 1.0)
    with pytest.raises(ValueError, match="early at position"):
        early_exposure([1.0], [True], [0], early=0.0)
    with pytest.raises(ValueError, match="group holds a code below 0"):
        early_exposure([1.0], [True], [-1], early=1.0)
    with pytest.raises(ValueError, match="no column kind"):
        repair_screen(joints(1), 250.0, "kind")
    nothing = rate_ratios([0.0, 1.0], [1.0, 0.0], 0.0, 1.0)
    assert np.isnan(nothing.ratio).all()
