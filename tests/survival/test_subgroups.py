"""Subgroups against the rest: a published adjustment, Cox's likelihood, level and power."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy.optimize import brentq

from relkit.survival import own_law
from relkit.survival.screen_tables import batch_screen, fitted_half_year, serial_prefix
from relkit.survival.subgroups import benjamini_hochberg, subgroup_tests
from relkit.survival.tables import weibull_fits

Floats = NDArray[np.float64]


def fleet(seed: int, n: int = 300, groups: int = 10) -> pd.DataFrame:
    """Lives of three places with late entry; the groups do not differ."""
    rng = np.random.default_rng(seed)
    place, group = rng.integers(0, 3, n), rng.integers(0, groups, n)
    life = np.array([1.0, 2.0, 8.0])[place] * rng.weibull(np.array([2.5, 1.5, 1.0])[place])
    end = rng.uniform(0.3, 2.5, n)
    entry = np.where(rng.random(n) < 0.4, rng.uniform(0, 1.0, n), 0.0)
    lives = pd.DataFrame(
        {
            "component": "camera",
            "location": place.astype(str),
            "label": [f"L{code}" for code in group],
            "age": np.minimum(life, end),
            "failed": life <= end,
            "entry": entry,
        }
    )
    return lives[lives["entry"] < lives["age"]].reset_index(drop=True)


def p_values_of(lives: pd.DataFrame) -> tuple[Floats, Floats]:
    group, _ = pd.factorize(lives["label"], sort=True)
    found = subgroup_tests(
        lives["age"], lives["failed"], group, entry=lives["entry"],
        stratum=lives["location"].astype(int),
    )  # fmt: skip
    return found.p_value, found.statistic


def test_adjustment_as_published() -> None:
    # Source: Benjamini and Hochberg 1995, section 4, 15 hypotheses of a study of myocardial
    # infarction: at q = 0.05 the four smallest are rejected (Bonferroni rejects three).
    p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
        0.5719, 0.6528, 0.7590, 1.0000,
    ]  # fmt: skip
    adjusted = benjamini_hochberg(p)
    assert (adjusted <= 0.05).sum() == 4
    assert adjusted[3] == pytest.approx(0.0095 * 15 / 4)
    with_gap = benjamini_hochberg([*p[:7], np.nan, *p[7:]])
    assert np.isnan(with_gap[7])
    assert np.delete(with_gap, 7) == pytest.approx(adjusted)


def slow_failures(lives: pd.DataFrame, label: str) -> Floats:
    """Hit, log odds, log hazard and log age of each failure, risk sets counted one by one."""
    fits = weibull_fits(lives, "location").set_index("location")
    rows = []
    for _, life in lives[lives["failed"]].iterrows():
        risk = lives[
            lives["location"].eq(life["location"])
            & ((lives["entry"] < life["age"]) | lives["entry"].eq(0))
            & (lives["age"] >= life["age"])
        ]
        own = int(risk["label"].eq(label).sum())
        if 0 < own < len(risk):
            law = fits.loc[life["location"]]
            log_hazard = np.log(law["shape"] / law["scale"] ** law["shape"])
            log_hazard += (law["shape"] - 1) * np.log(life["age"])
            odds = np.log(own / (len(risk) - own))
            rows.append([life["label"] == label, odds, log_hazard, np.log(life["age"])])
    return np.array(rows, dtype=float)


def slow_statistic(lives: pd.DataFrame, label: str) -> float:
    """Mean likelihood ratio over the same laws, each level found by a root finder."""
    hit, odds, hazard, age = slow_failures(lives, label).T
    usual = (1 / (1 + np.exp(-odds))).sum()
    ratios = []
    for beside, share in ((False, 0.8), (True, 0.2)):
        for shape, more in itertools.product((0.7, 1, 1.5, 2.2, 3.2), (1.3, 1.6, 2, 2.5, 3.2, 4.5)):

            def odds_at(level: float, b: float = shape, own: bool = beside) -> Floats:
                r = np.exp(level + (b - 1) * age - hazard)
                return np.exp(odds) * (1 + r if own else r)

            goal = min(more * usual, (usual + len(hit)) / 2)
            level = brentq(lambda x: (odds_at(x) / (1 + odds_at(x))).sum() - goal, -60, 60)  # noqa: B023
            likelihood = np.where(hit == 1, odds_at(level), 1) / (1 + odds_at(level))
            null = np.where(hit == 1, np.exp(odds), 1) / (1 + np.exp(odds))
            ratios.append(share / 30 * np.prod(likelihood / null))
    return float(np.log(np.sum(ratios)))


def test_statistic_is_the_mean_likelihood_ratio_over_slowly_counted_risk_sets() -> None:
    # Source: second implementation above; the ratio by statsmodels' GLM.
    lives = fleet(1)
    group, _ = pd.factorize(lives["label"], sort=True)
    found = subgroup_tests(
        lives["age"], lives["failed"], group, entry=lives["entry"],
        stratum=lives["location"].astype(int),
    )  # fmt: skip
    for code in range(3):
        hit, odds, _, _ = slow_failures(lives, f"L{code}").T
        one = sm.GLM(hit, np.ones((len(hit), 1)), family=sm.families.Binomial(), offset=odds)
        assert np.log(found.ratio[code]) == pytest.approx(one.fit(tol=1e-12).params[0], abs=1e-6)
        assert found.statistic[code] == pytest.approx(slow_statistic(lives, f"L{code}"), abs=1e-4)


def test_one_stratum_alone_is_a_cox_regression() -> None:
    # Source: statsmodels' PHReg for the ratio.
    lives = fleet(2).assign(location="0")
    group, _ = pd.factorize(lives["label"], sort=True)
    found = subgroup_tests(lives["age"], lives["failed"], group, entry=lives["entry"])
    own = (group == 3).astype(float)[:, None]
    fit = sm.PHReg(
        lives["age"], own, status=lives["failed"].astype(int), entry=lives["entry"], ties="breslow"
    ).fit()
    assert np.log(found.ratio[3]) == pytest.approx(float(fit.params[0]), abs=1e-4)


def test_many_failures_are_drawn_from_the_normal_law_of_their_scores(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Invariant: both ways give the same p-value but for simulation, about 0.01 each.
    lives = fleet(11, 2_000)
    group, _ = pd.factorize(lives["label"], sort=True)

    def p_values() -> Floats:
        return subgroup_tests(
            lives["age"], lives["failed"], group, entry=lives["entry"],
            stratum=lives["location"].astype(int),
        ).p_value  # fmt: skip

    exact = p_values()
    monkeypatch.setattr(own_law, "_MANY", 0)
    assert p_values() == pytest.approx(exact, abs=0.05)
    assert np.ptp(exact) > 0.3


def test_strong_evidence_has_a_p_value_below_what_was_simulated() -> None:
    # Source: Markov's inequality: the mean ratio has mean 1 by chance.
    found = own_law.own_law_test([1] * 40, [0.0] * 40, [-7.0] * 40, [6.0] * 40)
    assert found.p_value == pytest.approx(np.exp(-found.statistic))
    assert found.p_value < 1 / 2_000


def test_level_holds_for_small_groups_with_late_entry() -> None:
    # Binomial: 70 fleets give about 640 tests, correlated within a fleet; a level of 5 % has a
    # standard error of about 1 %. Bounds are three of them above, and above 2 % (cautious).
    p = np.concatenate([p_values_of(fleet(seed, 220, 12))[0] for seed in range(3000, 3070)])
    p = p[~np.isnan(p)]
    assert len(p) > 500
    assert 0.02 < (p < 0.05).mean() < 0.08
    assert (p < 0.005).mean() < 0.012


def test_nothing_is_found_more_often_than_the_adjustment_allows() -> None:
    # Binomial: where nothing is planted something is found in at most 5 % of fleets; 40
    # fleets have a standard error of 3.4 %, the bound is three of them above.
    found = 0
    for seed in range(40):
        p = p_values_of(fleet(500 + seed))[0]
        found += bool((benjamini_hochberg(p) < 0.05).any())
    assert found / 40 < 0.154


def with_batch(seed: int, scale: float) -> pd.DataFrame:
    """Fleet in which 40 lives fail by a law of their own wherever they are."""
    rng = np.random.default_rng(10_000 + seed)
    lives = fleet(seed)
    batch = pd.DataFrame(
        {
            "component": "camera",
            "location": rng.integers(0, 3, 40).astype(str),
            "label": "bad",
            "age": scale * rng.weibull(1.6, 40),
            "entry": 0.0,
        }
    )
    end = rng.uniform(1.0, 2.0, 40)
    batch = batch.assign(failed=batch["age"] <= end, age=np.minimum(batch["age"], end))
    return pd.concat([lives, batch], ignore_index=True)


def test_batch_with_a_law_of_its_own_is_found() -> None:
    # Own construction: scale 0.8 against 1, 2 and 8; found first in at least 18 of 20 fleets.
    tables = [batch_screen(with_batch(seed, 0.8), "label").iloc[0] for seed in range(20)]
    first = [row for row in tables if row["label"] == "bad"]
    assert sum(row["finding"] == "fails more often" for row in first) >= 18
    assert all(row["scale_ratio"] < 1 for row in first)


def test_batch_bad_in_mild_places_only_is_seen_where_the_mean_ratio_is_not() -> None:
    # Own construction: half of 80 lives in a harsh place last longer than their like, the
    # others, in a mild one, fail four times as often: the mean ratio stays near 1.
    lives = fleet(3, 900)
    mild, harsh = lives["location"].eq("2").to_numpy(), lives["location"].eq("0").to_numpy()
    rng = np.random.default_rng(3)
    for rows, scale in ((mild, 2.0), (harsh, 1.6)):
        chosen = rng.choice(np.flatnonzero(rows), 50, replace=False)
        life = scale * rng.weibull(1.0 if scale == 2.0 else 2.5, 50)
        lives.loc[chosen, "label"] = "bad"
        lives.loc[chosen, "failed"] = life <= 2.0
        lives.loc[chosen, "age"] = np.minimum(life, 2.0)
        lives.loc[chosen, "entry"] = 0.0
    found = batch_screen(lives, "label").iloc[0]
    assert found["label"] == "bad"
    assert found["p_value_adjusted"] < 0.05
    assert found["hazard_ratio_lower"] < 1.1


def test_frame_says_what_is_still_in_service_and_where() -> None:
    # Counted by hand.
    lives = with_batch(4, 0.8)
    going = ~lives["failed"]
    lives = lives.assign(
        ended_by=np.where(going, "still in service", "failure"),
        vehicle=[f"V{i % 7}" for i in range(len(lives))],
    )
    lives.loc[lives["label"].eq("L3"), "label"] = ""  # of no label, some still in service
    row = batch_screen(lives, "label").set_index("label").loc["bad"]
    own = lives[lives["label"].eq("bad") & going]
    assert row["in_service"] == len(own)
    assert row["in_service_vehicles"] == ", ".join(sorted(own["vehicle"].unique()))
    assert row["lives"] == 40


def test_small_labels_are_listed_and_not_tested() -> None:
    lives = fleet(5)
    lives.loc[0, "label"] = "single"
    lives.loc[1, "label"] = ""
    table = batch_screen(lives, "label").set_index("label")
    assert table.loc["single", "finding"] == "not tested"
    assert np.isnan(table.loc["single", "p_value"])
    assert "" not in table.index
    nothing = batch_screen(lives.assign(label=""), "label")
    assert nothing.empty
    assert "finding" in nothing.columns


def test_a_label_is_one_thing_in_each_component() -> None:
    # Invariant: a second component with other lives does not change the first one's tests.
    one, other = with_batch(6, 0.8), fleet(7).assign(component="display")
    alone = batch_screen(one, "label").set_index("label")
    both = batch_screen(pd.concat([one, other], ignore_index=True), "label")
    own = both[both["component"].eq("camera")].set_index("label")
    assert own.loc["bad", "p_value"] == pytest.approx(alone.loc["bad", "p_value"])
    assert own.loc["bad", "hazard_ratio"] == pytest.approx(alone.loc["bad", "hazard_ratio"])


def test_labels_from_serials_and_dates() -> None:
    assert serial_prefix(pd.Series(["K7-1", "M3-22-1", "", None])).tolist() == ["K7", "M3", "", ""]
    assert serial_prefix(pd.Series([], dtype=object)).empty
    dates = pd.to_datetime(pd.Series(["2023-06-30", "2023-07-01", None]))
    assert fitted_half_year(dates).tolist() == ["2023 H1", "2023 H2", ""]


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="no column batch"):
        batch_screen(fleet(8), "batch")
    with pytest.raises(ValueError, match="group has shape"):
        subgroup_tests([1.0, 2.0], [True, True], [0])
