"""Choice of family, disagreement, likelihood ratios, and the bias of small samples' shapes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from relkit.survival.choice_tables import adjusted_shapes, family_choice, family_ratio_tests
from relkit.survival.family_tables import family_fits
from relkit.survival.shape_bias import complete_sample_bias
from relkit.survival.tables import weibull_fits

REFERENCES = Path(__file__).parents[1] / "references"


def test_ten_failures_do_not_tell_families_apart_and_their_lives_differ() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.4.1.3: AIC 154.27 for the Weibull and 154.39 for the
    # lognormal law: as good as one another. Their lives by 1 % are from their own fits.
    ages = [54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500.0] * 10]
    lives = pd.DataFrame({"age": ages, "failed": [True] * 10 + [False] * 10})
    families = ["Weibull", "lognormal"]
    near = family_choice(lives, families=families, samples=99).iloc[0]  # type: ignore[arg-type]
    assert near["fitting"] == "Weibull; lognormal"
    b10 = family_fits(lives, families=families)["b10"]  # type: ignore[arg-type]
    assert near["life"] == pytest.approx(b10[0])
    assert near["life_greatest"] / near["life_least"] - 1 == pytest.approx(near["disagreement"])
    assert [near["life_least"], near["life_greatest"]] == pytest.approx(sorted(b10))
    assert near["warning"] == ""
    far = family_choice(lives, families=families, samples=99, share_failed=0.01).iloc[0]  # type: ignore[arg-type]
    assert far["disagreement"] > 0.2
    assert far["warning"].startswith(
        "Weibull, lognormal fit alike but put the age by which 1% fail"
    )


def test_a_poor_fit_is_rejected() -> None:
    # Source: Aarset (1987), 50 devices with a bathtub hazard: the Weibull law is a known poor fit.
    table = pd.read_csv(REFERENCES / "fifty_devices.csv")
    lives = pd.DataFrame({"age": table.iloc[:, 0].astype(float), "failed": True})
    row = family_choice(lives, families=["Weibull"], samples=99).iloc[0]
    assert (row["best"], row["rejected"], row["warning"]) == ("", "Weibull", "no family fits")
    assert np.isnan(row["life"])


def test_a_threshold_comes_with_its_warning_and_strata_without_fit_are_blank() -> None:
    # Source: own algebra: nothing fails before 500.
    rng = np.random.default_rng(3)
    lives = pd.DataFrame(
        {
            "k": np.repeat(["late", "none"], [40, 5]),
            "age": np.concatenate([500 + 100 * rng.weibull(2.0, 40), np.full(5, 9.0)]),
            "failed": np.repeat([True, False], [40, 5]),
        }
    )
    table = family_choice(
        lives, "k", families=["Weibull", "Weibull with threshold"], samples=49
    ).set_index("k")
    assert table["best"].to_dict() == {"late": "Weibull with threshold", "none": ""}
    assert "look for another reason for a late start" in table["warning"]["late"]
    assert table["warning"]["none"] == ""


def test_likelihood_ratios_of_nested_families() -> None:
    # Source: twice the differences of the fits' own log-likelihoods; for the exponential in the
    # Weibull law those of the shock absorbers (values of the families' tests).
    table = pd.read_csv(REFERENCES / "shock_absorber_modes.csv")
    lives = pd.DataFrame({"age": table["km"].astype(float), "failed": table["event"] == "Failure"})
    tests = family_ratio_tests(lives).set_index(["narrow", "wide"])
    fits = family_fits(lives).set_index("family")["log_likelihood"]
    expected = 2 * (fits["Weibull"] - fits["exponential"])
    row = tests.loc[("exponential", "Weibull")]
    assert row["statistic"] == pytest.approx(expected)
    assert row["p_value"] < 0.001
    assert tests.loc[("lognormal", "generalised gamma"), "p_value"] > 0.05
    assert (tests["statistic"] >= 0).all()


def test_complete_samples_are_adjusted_by_the_formula() -> None:
    # Source: R. Ross (1994), from memory: (n - 2) / (n - 0.68).
    lives = pd.DataFrame({"age": [10.0, 20, 30, 40, 60, 65, 70, 90, 91, 99], "failed": True})
    row = adjusted_shapes(lives).iloc[0]
    assert row["shape_adjusted"] == pytest.approx(row["shape"] * 8 / 9.32)
    assert row["shape"] == weibull_fits(lives)["shape"][0]
    assert np.isnan(complete_sample_bias(2))


@pytest.mark.slow
def test_adjusted_shapes_have_the_right_mean() -> None:
    # Source: simulation with true shape 2. 10 complete lives, 400 samples: the mean of a ratio
    # with standard deviation 0.28 is known to 0.014; 20 lives cut off at one age with about 10
    # failures, 60 samples, each adjusted by 100 of its own: to 0.035. Bounds: three of these.
    rng = np.random.default_rng(1)
    complete = pd.DataFrame(
        {"k": np.repeat(np.arange(400), 10), "age": rng.weibull(2.0, 4000), "failed": True}
    )
    table = adjusted_shapes(complete, "k")
    assert table["shape"].mean() / 2 > 1.1
    assert table["shape_adjusted"].mean() / 2 == pytest.approx(1.0, abs=0.045)
    life = rng.weibull(2.0, 1200)
    cut = pd.DataFrame(
        {"k": np.repeat(np.arange(60), 20), "age": np.minimum(life, 0.83), "failed": life < 0.83}
    )
    table = adjusted_shapes(cut, "k", samples=100)
    assert table["shape_adjusted"].mean() / 2 == pytest.approx(1.0, abs=0.105)
    assert (table["method"] == "simulated like the data").all()


def test_what_cannot_be_adjusted_says_why() -> None:
    lives = pd.DataFrame(
        {
            "k": ["few"] * 3 + ["between"] * 5,
            "age": [1.0, 2, 3, 10, 20, 30, 40, 50],
            "age_lower": [1.0, 2, 3, 5, 15, 25, 35, 45],
            "failed": True,
        }
    )
    table = adjusted_shapes(lives, "k").set_index("k")
    assert table["reason"]["between"] == "failures lie between two ages"
    assert table["reason"]["few"].startswith("fewer than 4 failures")
    assert table["shape_adjusted"].isna().all()
    with pytest.raises(ValueError, match="samples is 10: give at least 50"):
        adjusted_shapes(lives, samples=10)
    with pytest.raises(ValueError, match="tolerance is 0: must be finite and above 0"):
        family_choice(lives, tolerance=0.0)
    with pytest.raises(ValueError, match="family is 'normal'"):
        family_choice(lives, families=["normal"])  # type: ignore[list-item]
