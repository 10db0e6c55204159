"""Log-rank tests against a published value, a slow count, lifelines and statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from relkit.survival.comparison import group_comparisons, holm
from relkit.survival.curve_tables import group_comparison, pair_comparison

Floats = NDArray[np.float64]


def slow_log_rank(lives: pd.DataFrame, early: float, late: float) -> tuple[float, int]:
    """Chi-square over failure ages, groups in a Python loop: shares no code with the module."""
    names = sorted(lives["group"].unique())
    excess, spread = np.zeros(len(names)), np.zeros((len(names), len(names)))
    survival = 1.0
    for age in sorted(lives.loc[lives["failed"], "age"].unique()):
        risk = lives[(lives["entry"] < age) & (lives["age"] >= age)]
        n = np.array([risk.loc[risk["group"] == name, "count"].sum() for name in names])
        ended = risk[(risk["age"] == age) & risk["failed"]]
        d = np.array([ended.loc[ended["group"] == name, "count"].sum() for name in names])
        weight = survival**early * (1 - survival) ** late
        share = n / n.sum()
        excess += weight * (d - d.sum() * share)
        if n.sum() > 1:
            factor = weight**2 * d.sum() * (n.sum() - d.sum()) / (n.sum() - 1)
            spread += factor * (np.diag(share) - np.outer(share, share))
        survival *= 1 - d.sum() / n.sum()
    part = spread[:-1, :-1]
    return float(excess[:-1] @ np.linalg.solve(part, excess[:-1])), len(names) - 1


def random_lives(seed: int, n: int, groups: int, late_entry: bool = False) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    age = np.ceil(rng.weibull(1.5, n) * 15) + 2
    return pd.DataFrame(
        {
            "age": age,
            "failed": rng.random(n) < 0.7,
            "group": rng.integers(0, groups, n),
            # every group holds items seen from new, so that the risk set does not empty early
            "entry": np.where(rng.random(n) < 0.4 * late_entry, np.floor(age * 0.6), 0.0),
            "count": rng.integers(1, 4, n),
        }
    )


def test_aml_maintenance_as_published() -> None:
    # Source: R. G. Miller, Survival Analysis, Wiley, 1997; figures of the R package survival
    # (vignette): observed 7 and 11, expected 10.69 and 7.31, chi-square 3.4 on 1, p 0.07;
    # more digits, 3.3964 and 0.06534, computed independently.
    kept, kept_failed = (
        [9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161],
        [1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0],
    )
    lives = pd.DataFrame(
        {
            "age": [*kept, 5, 5, 8, 8, 12, 16, 23, 27, 30, 33, 43, 45],
            "failed": [*kept_failed, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1],
            "group": ["kept"] * 11 + ["not kept"] * 12,
        }
    )
    table = group_comparison(lives, "group")
    assert table["observed"].tolist() == [7, 11]
    np.testing.assert_allclose(table["expected"], [10.69, 7.31], atol=5.1e-3)
    np.testing.assert_allclose(table["statistic"], 3.3964, atol=5.1e-5)
    np.testing.assert_allclose(table["p_value"], 0.06534, atol=5.1e-6)
    assert table["degrees_of_freedom"].tolist() == [1, 1]
    assert table["status"].tolist() == ["ok", "ok"]


@pytest.mark.parametrize("powers", [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (0.5, 0.5)])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_agrees_with_a_slow_count(powers: tuple[float, float], seed: int) -> None:
    # Source: independent count in this file; it is checked on lifelines below by transitivity.
    lives = random_lives(seed, 150, 4, late_entry=True)
    table = group_comparison(lives, "group", early=powers[0], late=powers[1])
    statistic, freedom = slow_log_rank(lives, *powers)
    np.testing.assert_allclose(table["statistic"], statistic, rtol=1e-9)
    assert (table["degrees_of_freedom"] == freedom).all()


@pytest.mark.parametrize("powers", [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])
def test_agrees_with_lifelines_without_weights_and_late_entry(powers: tuple[float, float]) -> None:
    # Reference library: lifelines 0.30.3.
    from lifelines.statistics import multivariate_logrank_test

    lives = random_lives(5, 200, 3)
    options = {} if powers == (0, 0) else {"weightings": "fleming-harrington"}
    if options:
        options |= dict(zip("pq", powers, strict=True))
    theirs = multivariate_logrank_test(lives["age"], lives["group"], lives["failed"], **options)
    ours = group_comparison(lives.drop(columns="count"), "group", early=powers[0], late=powers[1])
    np.testing.assert_allclose(ours["statistic"], theirs.test_statistic, rtol=1e-8)
    np.testing.assert_allclose(ours["p_value"], theirs.p_value, rtol=1e-7)


def test_agrees_with_statsmodels_with_late_entry() -> None:
    # Reference library: statsmodels 0.14 or later, whose log-rank test honours entry.
    from statsmodels.duration.survfunc import survdiff

    lives = random_lives(6, 200, 3, late_entry=True)
    chi_square, p_value = survdiff(
        lives["age"], lives["failed"].astype(int), lives["group"], entry=lives["entry"]
    )
    ours = group_comparison(lives.drop(columns="count"), "group")
    np.testing.assert_allclose(ours["statistic"], chi_square, rtol=1e-8)
    np.testing.assert_allclose(ours["p_value"], p_value, rtol=1e-7)


@pytest.mark.parametrize("powers", [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])
def test_frequency_weights_agree_with_expanded_data(powers: tuple[float, float]) -> None:
    # Trap: a library that weights the Fleming-Harrington test wrongly gave p 4.5e-9 for 0.061.
    lives = random_lives(7, 120, 3, late_entry=True)
    long = lives.loc[lives.index.repeat(lives["count"])].drop(columns="count")
    for_weights = group_comparison(lives, "group", early=powers[0], late=powers[1])
    for_rows = group_comparison(long, "group", early=powers[0], late=powers[1])
    pd.testing.assert_frame_equal(for_weights, for_rows, rtol=1e-9)


def test_late_entry_is_honoured() -> None:
    # Closed form: at age 4 two are at risk (one of each group), not three: expected 1/2 each.
    lives = pd.DataFrame(
        {
            "age": [4.0, 6.0, 9.0],
            "entry": [0.0, 0.0, 5.0],
            "failed": [True, False, False],
            "group": ["a", "b", "b"],
        }
    )
    assert group_comparison(lives, "group")["expected"].tolist() == [0.5, 0.5]


def test_batch_equals_single_strata_and_pairs_equal_two_group_tests() -> None:
    # Invariants; Holm by the rule itself on three p-values.
    lives = random_lives(8, 300, 3, late_entry=True)
    lives["component"] = np.arange(300) % 2
    batch = group_comparison(lives, "group", by="component")
    pairs = pair_comparison(lives, "group", by="component")
    for component, own in lives.groupby("component"):
        alone = group_comparison(own, "group")
        part = batch[batch["component"] == component].drop(columns="component")
        pd.testing.assert_frame_equal(alone, part.reset_index(drop=True), rtol=1e-9)
        ours = pairs[pairs["component"] == component]
        assert list(zip(ours["group"], ours["other"], strict=True)) == [(0, 1), (0, 2), (1, 2)]
        single = [
            group_comparison(own[own["group"].isin(pair)], "group")["p_value"].iloc[0]
            for pair in [(0, 1), (0, 2), (1, 2)]
        ]
        np.testing.assert_allclose(ours["p_value"], single, rtol=1e-9)
        np.testing.assert_allclose(ours["p_value_adjusted"], holm(single), rtol=1e-9)


def test_holm_agrees_with_statsmodels() -> None:
    # Reference library: statsmodels multipletests.
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(0).random(30) ** 3
    family = np.repeat([0, 1], 15)
    expected = np.concatenate([multipletests(part, method="holm")[1] for part in (p[:15], p[15:])])
    np.testing.assert_allclose(holm(p, family), expected, rtol=1e-12)
    with_gap = holm([0.01, np.nan, 0.04])
    np.testing.assert_allclose(with_gap, [0.02, np.nan, 0.04])
    assert len(holm([])) == 0


@pytest.mark.slow
def test_level_is_kept_under_late_entry() -> None:
    # Simulation: 2,000 alike pairs of groups; 5 % nominal, binomial standard error 0.49 %.
    rng = np.random.default_rng(20)
    n, strata = 60, 2000
    age = rng.weibull(1.5, n * strata)
    entry = np.where(rng.random(n * strata) < 0.5, 0.0, age * rng.random(n * strata) * 0.8)
    test = group_comparisons(
        age,
        rng.random(n * strata) < 0.7,
        rng.integers(0, 2, n * strata),
        entry=entry,
        stratum=np.repeat(np.arange(strata), n),
    )
    assert abs((test.p_value < 0.05).mean() - 0.05) < 3 * 0.0049


@pytest.mark.parametrize(
    ("failed", "group", "status"),
    [
        ([False, False], [0, 1], "no failures"),
        ([True, True], [0, 0], "one group"),
        ([True, False], [0, 1], "ok"),
    ],
)
def test_degenerate_strata_have_a_status(failed: list[bool], group: list[int], status: str) -> None:
    result = group_comparisons([3.0, 4.0], failed, group)
    assert result.status.tolist() == [status]
    assert np.isfinite(result.p_value[0]) == (status == "ok")


def test_groups_never_at_risk_together_cannot_be_compared() -> None:
    result = group_comparisons([3.0, 9.0], [True, True], [0, 1], entry=[0.0, 5.0])
    assert result.status.tolist() == ["nothing to compare"]
    assert np.isnan(result.p_value[0])


def test_equal_ages_and_empty_frames() -> None:
    # Closed form: all fail at one age, nothing is left to chance.
    result = group_comparisons([5.0] * 4, [True] * 4, [0, 0, 1, 1])
    assert result.status.tolist() == ["nothing to compare"]
    frame = pd.DataFrame({"age": [], "failed": [], "group": []})
    assert len(group_comparison(frame, "group")) == 0
    assert len(pair_comparison(frame, "group")) == 0


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match=r"age at position \(0,\) is inf"):
        group_comparisons([np.inf], [True], [0])
    with pytest.raises(ValueError, match="early at position"):
        group_comparisons([1.0], [True], [0], early=-1.0)
    with pytest.raises(ValueError, match="entry at position 0 is 2, not below its age 1"):
        group_comparisons([1.0], [True], [0], entry=[2.0])
    with pytest.raises(ValueError, match="group holds a code below 0"):
        group_comparisons([1.0], [True], [-1])
