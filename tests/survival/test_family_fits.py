"""Family fits against published values, closed forms, lifelines, and each other."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.integrate import quad

from relkit.survival.curve_tables import cause_specific_lives
from relkit.survival.families import FAMILIES
from relkit.survival.family_tables import family_fits

REFERENCES = Path(__file__).parents[1] / "references"
SMOOTH = [name for name in FAMILIES if name != "Weibull with threshold"]

# Source: NIST/SEMATECH e-Handbook 8.4.1.3: 20 units, stopped at 500 h.
NIST = pd.DataFrame(
    {
        "age": [54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386, 500],
        "failed": [True] * 10 + [False],
        "count": [1] * 10 + [10],
    }
)


def late_lives(seed: int, n: int = 300) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    age, end = rng.weibull(1.7, n) * 100, rng.uniform(20, 200, n)
    entry = np.where(rng.random(n) < 0.5, 0.0, rng.uniform(0, 60, n))
    lives = pd.DataFrame({"age": np.minimum(age, end), "failed": age <= end, "entry": entry})
    return lives[lives["age"] > lives["entry"]].reset_index(drop=True)


def test_criteria_of_the_handbook() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.4.1.3: AIC 154.27 (Weibull) and 154.39 (lognormal),
    # Weibull scale 606.53, shape 1.7208, log-likelihood -75.135.
    fits = family_fits(NIST, families=["Weibull", "lognormal"]).set_index("family")
    assert fits.loc["Weibull", "aic"] == pytest.approx(154.27, abs=6e-3)
    assert fits.loc["lognormal", "aic"] == pytest.approx(154.39, abs=6e-3)
    assert fits.loc["Weibull", "scale"] == pytest.approx(606.53, abs=6e-3)
    assert fits.loc["Weibull", "shape"] == pytest.approx(1.7208, abs=6e-5)
    assert fits.loc["Weibull", "log_likelihood"] == pytest.approx(-75.135, abs=6e-4)
    # Closed form: AICc and BIC with 20 lives and 2 parameters.
    assert fits.loc["Weibull", "aicc"] == pytest.approx(fits.loc["Weibull", "aic"] + 12 / 17)
    assert fits.loc["Weibull", "bic"] == pytest.approx(2 * np.log(20) + 2 * 75.13462, abs=1e-4)
    assert (fits["aicc_difference"] < 2).all()


def test_turbine_cracks_found_at_inspections() -> None:
    # Source: W. Nelson, Applied Life Data Analysis, 1982; fit stored in the tests of the R
    # package survival: log scale 7.688, log sigma -0.3953, B10 479.31737.
    day = [186.0, 606, 902, 1077, 1209, 1377, 1592, 1932]
    lives = pd.DataFrame(
        {
            "age_lower": [0.0, *day],
            "age": [*day, 1932.0],
            "failed": [True] * 8 + [False],
            "count": [5, 16, 12, 18, 18, 2, 6, 17, 73],
        }
    )
    fit = family_fits(lives, families=["Weibull"]).iloc[0]
    assert np.log(fit["scale"]) == pytest.approx(7.688, abs=2e-4)
    assert -np.log(fit["shape"]) == pytest.approx(-0.3953, abs=2e-4)
    assert fit["b10"] == pytest.approx(479.31737, rel=1e-4)
    assert fit["log_likelihood"] == pytest.approx(-309.6, abs=0.1)


def test_shock_absorber_modes() -> None:
    # Source: data O'Connor (1985) in Meeker and Escobar (1998); values from an independent
    # likelihood and from lifelines (not published).
    lives = pd.read_csv(REFERENCES / "shock_absorber_modes.csv").rename(columns={"km": "age"})
    lives["failed"] = lives["event"] == "Failure"
    split = cause_specific_lives(lives, "mode")
    fits = family_fits(split, by="mode", families=["Weibull"]).set_index("mode")
    np.testing.assert_allclose(
        fits.loc[["Mode1", "Mode2"], "scale"], [31205.7987, 40865.8615], rtol=1e-5
    )
    np.testing.assert_allclose(
        fits.loc[["Mode1", "Mode2"], "shape"], [3.383946, 2.822211], rtol=1e-5
    )


@pytest.mark.parametrize("name", ["Weibull", "lognormal", "loglogistic", "generalised gamma"])
def test_agrees_with_lifelines_with_late_entry(name: str) -> None:
    # Reference library: lifelines 0.30.3 (maximised log-likelihood, which has one definition).
    import lifelines

    fitter = {
        "Weibull": lifelines.WeibullFitter,
        "lognormal": lifelines.LogNormalFitter,
        "loglogistic": lifelines.LogLogisticFitter,
        "generalised gamma": lifelines.GeneralizedGammaFitter,
    }[name]()
    lives = late_lives(0)
    fitter.fit(lives["age"], lives["failed"], entry=lives["entry"])
    ours = family_fits(lives, families=[name])  # type: ignore[list-item]
    assert ours["log_likelihood"].iloc[0] == pytest.approx(fitter.log_likelihood_, abs=2e-5)


def test_gamma_of_a_complete_sample_agrees_with_scipy() -> None:
    # Reference library: scipy.stats.gamma.fit with the location held at 0.
    age = np.random.default_rng(3).gamma(2.5, 40, 80)
    shape, _, scale = stats.gamma.fit(age, floc=0)
    fit = family_fits(pd.DataFrame({"age": age, "failed": True}), families=["gamma"]).iloc[0]
    np.testing.assert_allclose([fit["shape"], fit["scale"]], [shape, scale], rtol=1e-4)


def test_exponential_has_a_closed_form() -> None:
    # Closed form: exposure over failures; B10 limits exp(-+ z / sqrt(failures)).
    lives = late_lives(5)
    fit = family_fits(lives, families=["exponential"]).iloc[0]
    scale = (lives["age"] - lives["entry"]).sum() / lives["failed"].sum()
    assert fit["scale"] == pytest.approx(scale, rel=1e-8)
    stretch = np.exp(1.959964 / lives["failed"].sum() ** 0.5)
    assert fit["b10_upper"] / fit["b10"] == pytest.approx(stretch, rel=1e-5)


@pytest.mark.parametrize(
    ("name", "skew"), [*((n, 0.7) for n in SMOOTH), ("generalised gamma", -0.6)]
)
def test_density_and_quantile_belong_to_the_survival(name: str, skew: float) -> None:
    # Second way: the density integrates to the survival, the quantile inverts it.
    family = FAMILIES[name]
    theta = np.array([[4.0, -0.4, skew]])[:, : len(family.start[0])]
    for at in (2.5, 4.0, 4.8):
        log_survival = family.log_survival(theta, np.array([at]))
        area, _ = quad(
            lambda x: float(np.exp(family.log_density(theta, np.array([x])))[0]), at, at + 25
        )
        assert area == pytest.approx(float(np.exp(log_survival[0])), rel=1e-6)
        assert family.log_age(theta, log_survival)[0] == pytest.approx(at, rel=1e-8)


def test_generalised_gamma_holds_the_others() -> None:
    # Source: Prentice (1974): skew 1 Weibull, 0 lognormal, skew = spread gamma.
    general = FAMILIES["generalised gamma"]
    log_age = np.linspace(-2, 2, 9)

    def at(*theta: float) -> NDArray[np.float64]:
        return np.tile(np.array(theta), (9, 1))

    for inner, own, wide in [
        ("Weibull", at(0.2, -0.5), at(0.2, -0.5, 1.0)),
        ("lognormal", at(0.2, -0.5), at(0.2, -0.5, 0.0)),
        # gamma of shape 4, scale e^0.3: location log(4) + 0.3, spread and skew 1/2
        ("gamma", at(0.3, np.log(4)), at(0.3 + np.log(4), np.log(0.5), 0.5)),
    ]:
        for part in ("log_survival", "log_density"):
            np.testing.assert_allclose(
                getattr(general, part)(wide, log_age),
                getattr(FAMILIES[inner], part)(own, log_age),
                rtol=1e-9,
            )


def test_wider_families_fit_no_worse() -> None:
    # Invariant: the maximum over a wider family is at least as high.
    for seed in range(6):
        fits = family_fits(late_lives(seed, 80)).set_index("family")["log_likelihood"]
        slack = 1e-6
        if np.isfinite(fits["generalised gamma"]):
            assert (
                fits["generalised gamma"] >= fits[["Weibull", "lognormal", "gamma"]].max() - slack
            )
        assert fits["Weibull"] >= fits["exponential"] - slack
        if np.isfinite(fits["Weibull with threshold"]):
            assert fits["Weibull with threshold"] >= fits["Weibull"] - slack


def test_a_planted_threshold_is_found() -> None:
    # Simulation: 400 lives from 50 on, shape 2, scale 40; shares of a grid search by scipy's
    # likelihood stand beside it.
    age = 50 + np.random.default_rng(9).weibull(2.0, 400) * 40
    fit = family_fits(
        pd.DataFrame({"age": age, "failed": True}), families=["Weibull with threshold"]
    ).iloc[0]
    assert fit["threshold"] == pytest.approx(50, abs=3)
    grid = [
        stats.weibull_min.logpdf(age, *stats.weibull_min.fit(age, floc=at)).sum()
        for at in np.linspace(44, age.min() - 0.01, 40)
    ]
    assert fit["log_likelihood"] >= max(grid) - 1e-4
    assert fit["log_likelihood"] == pytest.approx(max(grid), abs=0.1)
    assert np.isnan(fit["b10_lower"])


@pytest.mark.parametrize("name", SMOOTH)
def test_batch_weights_and_unit_do_not_matter(name: str) -> None:
    # Invariants.
    lives = late_lives(2, 160).assign(count=lambda f: 1 + np.arange(len(f)) % 2)
    lives["place"] = np.arange(len(lives)) % 2
    options = {"families": [name]}
    batch = family_fits(lives, by="place", **options)  # type: ignore[arg-type]
    days = lives.assign(age=lives["age"] / 24, entry=lives["entry"] / 24)
    in_days = family_fits(days, by="place", **options)  # type: ignore[arg-type]
    np.testing.assert_allclose(in_days["b10"] * 24, batch["b10"], rtol=1e-4)
    for place, own in lives.groupby("place"):
        long = own.loc[own.index.repeat(own["count"])].drop(columns="count")
        alone = family_fits(long, **options).iloc[0]  # type: ignore[arg-type]
        row = batch[batch["place"] == place].iloc[0]
        assert alone["log_likelihood"] == pytest.approx(row["log_likelihood"], abs=1e-6)
        assert alone["b10_upper"] == pytest.approx(row["b10_upper"], rel=1e-3)


def test_degenerate_strata_have_a_status() -> None:
    lives = pd.DataFrame(
        {
            "place": ["a"] * 2 + ["b"] * 2 + ["c"] * 3 + ["d"] + ["e"] * 3,
            "age": [5.0, 6, 5, 6, 4, 4, 4, 0, 1e9, 2e9, 3e9],
            "failed": [False, False, True, False, True, True, True, True, True, True, True],
        }
    )
    fits = family_fits(lives, by="place", families=["Weibull", "lognormal", "gamma"])
    status = fits.pivot_table(index="place", columns="family", values="status", aggfunc="first")
    assert (status.loc["a"] == "no failures").all()
    assert (status.loc["b"] == "one failure").all()
    assert (status.loc["c"] == "equal ages").all()
    assert (status.loc["d"] == "no exposure").all()
    assert (status.loc["e"] == "ok").all()
    assert fits.loc[fits["status"] != "ok", "b10"].isna().all()
    assert fits.loc[fits["status"] != "ok", "reason"].ne("").all()


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="family is 'normal': give one of exponential"):
        family_fits(NIST, families=["normal"])  # type: ignore[list-item]
    with pytest.raises(ValueError, match=r"age.*is -54"):
        family_fits(NIST.assign(age=-NIST["age"]))
