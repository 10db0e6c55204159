"""Lives, survival and mean lives of families: published values, brute force, closed forms."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import gammaincinv

from relkit.survival.families import FAMILIES, FamilyName
from relkit.survival.family_fits import family_fit
from relkit.survival.family_likelihood import family_data, log_likelihoods
from relkit.survival.life_quantities import quantities_of
from relkit.survival.life_quantity_tables import life_quantities
from relkit.survival.observed import observed_lives
from relkit.survival.quantity_limits import life_quantity_limits
from relkit.survival.tables import weibull_fits
from relkit.survival.weibull import own_fits
from tests.survival.coverage import Cell, mean_window, simulated_lives

REFERENCES = Path(__file__).parents[1] / "references"


def shock_absorbers() -> pd.DataFrame:
    table = pd.read_csv(REFERENCES / "shock_absorber_modes.csv")
    return pd.DataFrame({"age": table["km"].astype(float), "failed": table["event"] == "Failure"})


def at(table: pd.DataFrame, quantity: str, reached: float = 0.0) -> pd.Series[float]:
    rows = table[(table["quantity"] == quantity) & (table["reached"] == reached)]
    return rows.iloc[0]


def test_conditional_survival_of_a_published_example() -> None:
    # Source: C. E. Ebeling, An Introduction to Reliability and Maintainability Engineering, 1997,
    # from memory: shape 1/3, scale 16,000 h: 90 % survive 18.71 h, and 101.24 h more once 10 h
    # are behind them; median 5,328 h; mean 96,000 h.
    theta, off = np.array([[math.log(16000), math.log(3)]]), np.zeros(1)
    wanted = quantities_of("Weibull", shares=[0.1, 0.5], ages=[101.24], reached=[0.0, 10.0])
    values = {(q.name, q.reached, q.at): float(q.back(q.free(theta, off))[0]) for q in wanted}
    assert values["life", 0.0, 0.1] == pytest.approx(18.71, abs=0.02)
    assert values["life", 10.0, 0.1] == pytest.approx(101.24, abs=0.02)
    assert values["life", 0.0, 0.5] == pytest.approx(5328, abs=1)
    assert values["survival", 10.0, 101.24] == pytest.approx(0.9, abs=1e-4)


def test_wald_limits_of_the_shock_absorbers() -> None:
    lives = shock_absorbers()
    table = life_quantities(lives, limits="fisher", shares=[0.1])
    # Source: Meeker and Escobar (1998), ch. 8: Wald limits of the shock absorbers.
    assert at(table, "scale")["lower"] == pytest.approx(22347.77, rel=2e-4)
    assert at(table, "scale")["upper"] == pytest.approx(34380.49, rel=2e-4)
    assert at(table, "shape")["lower"] == pytest.approx(2.01, abs=6e-3)
    assert at(table, "shape")["upper"] == pytest.approx(4.97, abs=6e-3)
    assert at(table, "life")["lower"] == pytest.approx(10221.84, rel=1e-4)
    assert at(table, "life")["upper"] == pytest.approx(18094.68, rel=1e-4)


@pytest.mark.parametrize("limits", ["profile", "likelihood ratio"])
def test_limits_of_the_weibull_are_those_of_its_own_search(limits: str) -> None:
    # Source: limits.py finds the same limits by another search, itself held against brute force.
    lives = shock_absorbers()
    table = life_quantities(lives, limits=limits)  # type: ignore[arg-type]
    fits = weibull_fits(lives, limits=limits).iloc[0]  # type: ignore[arg-type]
    for name, quantity in (("shape", "shape"), ("scale", "scale"), ("b10", "life")):
        row = at(table, quantity)
        for end in ("lower", "upper"):
            assert row[end] == pytest.approx(fits[f"{name}_{end}"], rel=3e-5)


def brute_force(family: FamilyName, lives: pd.DataFrame, name: str, reached: float) -> list[float]:
    """Extremes of a quantity under the likelihood, by a general constrained optimiser."""
    observed = observed_lives(np.zeros(len(lives), int), lives["age"], lives["failed"])
    data, kind = family_data(observed), FAMILIES[family]
    peak = family_fit(observed, family).theta[0]
    wanted = quantities_of(family, shares=[0.1], ages=[5000.0], reached=[reached])
    quantity = next(q for q in wanted if q.name == name)
    top = log_likelihoods(kind, data, peak[None])[0]

    errors = family_fit(observed, family).std_errors[0]

    def fall(step: np.ndarray) -> float:
        theta = peak + step * errors
        return float(1.920729 - top + log_likelihoods(kind, data, theta[None])[0])

    def free(step: np.ndarray) -> float:
        return float(quantity.free((peak + step * errors)[None], np.zeros(1))[0])

    ends = []
    for side in (1, -1):
        # a short run towards the side, then the answer polished from a feasible point
        start = np.zeros(len(peak))
        for _ in range(6):
            found = minimize(
                lambda step, side=side: side * free(step),
                start,
                bounds=[(-8, 8)] * len(peak),
                constraints=[{"type": "ineq", "fun": fall}],
                options={"ftol": 1e-10, "maxiter": 200},
            )
            start = found.x if fall(found.x) > -1e-6 else 0.7 * found.x
        assert abs(fall(found.x)) < 1e-5
        ends.append(float(quantity.back(np.array([free(found.x)]))[0]))
    return sorted(ends)


@pytest.mark.parametrize("family", ["exponential", "Weibull", "lognormal", "loglogistic", "gamma"])
@pytest.mark.parametrize(
    ("name", "reached"), [("life", 9000.0), ("survival", 9000.0), ("mean life", 0.0)]
)
def test_profile_limits_agree_with_a_general_optimiser(
    family: FamilyName, name: str, reached: float
) -> None:
    # Source: scipy's SLSQP on the same likelihood in this file.
    lives = shock_absorbers()
    table = life_quantities(
        lives,
        families=[family],
        ages=[5000.0],
        reached=[reached],
        limits="likelihood ratio",
    )
    row = at(table, name, reached)
    expected = brute_force(family, lives, name, reached)
    assert [row["lower"], row["upper"]] == pytest.approx(expected, rel=2e-4)


def test_three_parameters_agree_with_a_general_optimiser() -> None:
    # Source: as above, on 150 lives drawn from a generalised gamma law; and the normal limits of
    # so many lives are near.
    rng = np.random.default_rng(8)
    age = 1000 * np.exp(0.5 * np.log(rng.gamma(4.0, 0.25, 150)) / 0.5 * 0.8)
    lives = pd.DataFrame({"age": age, "failed": rng.random(150) < 0.9})
    kwargs = {"families": ["generalised gamma"], "reached": [0.0]}
    table = life_quantities(lives, limits="likelihood ratio", **kwargs)  # type: ignore[arg-type]
    normal = life_quantities(lives, limits="fisher", **kwargs)  # type: ignore[arg-type]
    for name in ("life", "mean life"):
        row = at(table, name)
        expected = brute_force("generalised gamma", lives, name, 0.0)
        assert [row["lower"], row["upper"]] == pytest.approx(expected, rel=3e-3)
        assert row["lower"] == pytest.approx(at(normal, name)["lower"], rel=0.05)


def test_exponential_limits_have_a_closed_form() -> None:
    # Source: chi-square theory: likelihood-ratio limits q of the rate over its estimate solve
    # r (q - 1 - log q) = 1.9207; by hand for r = 4: q = 0.3145 and 2.2941 (own algebra).
    lives = pd.DataFrame({"age": [100.0, 200, 300, 400], "failed": True})
    row = at(life_quantities(lives, families=["exponential"]), "mean life")
    for end in ("lower", "upper"):
        q = 250.0 / row[end]
        assert 4 * (q - 1 - math.log(q)) == pytest.approx(1.920729, abs=1e-5)
    assert row["estimate"] == pytest.approx(250)


def test_bootstrap_limits_are_near_the_others_in_large_samples() -> None:
    # Source: asymptotic theory: 400 lives. The bootstrap's own error with 400 refits is 3 % of
    # the width; that of the variance which it estimates from the lives is a few times larger.
    rng = np.random.default_rng(5)
    drawn = {"Weibull": rng.weibull(1.5, 400), "gamma": rng.gamma(2.0, 0.5, 400)}
    for family, age in drawn.items():
        lives = pd.DataFrame({"age": 100 * age, "failed": True})
        boot = life_quantities(
            lives, families=[family], limits="bootstrap", replicates=400, reached=[0.0, 50.0]
        )
        fisher = life_quantities(lives, families=[family], limits="fisher", reached=[0.0, 50.0])
        wide = (fisher["upper"] - fisher["lower"]).to_numpy()
        assert (abs(boot["lower"] - fisher["lower"]) < 0.2 * wide).all()
        assert (abs(boot["upper"] - fisher["upper"]) < 0.2 * wide).all()


def test_a_threshold_has_bootstrap_limits_only() -> None:
    # Source: own algebra: lives start at 60; refits must put the threshold near.
    rng = np.random.default_rng(9)
    lives = pd.DataFrame({"age": 60 + 100 * rng.weibull(2.0, 60), "failed": True})
    kwargs = {"families": ["Weibull with threshold"], "reached": [0.0, 20.0]}
    plain = life_quantities(lives, **kwargs)  # type: ignore[arg-type]
    assert plain["lower"].isna().all()
    assert "bootstrap" in plain["reason"].iloc[0]
    start = at(plain, "threshold")["estimate"]
    assert 40 < start < 70
    mean = at(plain, "mean life")["estimate"]
    assert mean == pytest.approx(lives["age"].mean(), rel=0.02)
    assert at(plain, "mean life", 20.0)["estimate"] == pytest.approx(mean - 20)
    boot = life_quantities(lives, limits="bootstrap", replicates=20, **kwargs)  # type: ignore[arg-type]
    row = at(boot, "life")
    assert row["lower"] < row["estimate"] < row["upper"]


def test_strata_in_a_batch_and_those_without_a_fit() -> None:
    # Source: invariant: a stratum in a batch is the stratum alone.
    rng = np.random.default_rng(2)
    lives = pd.DataFrame(
        {
            "place": np.repeat(["a", "b", "c", "d"], [12, 8, 1, 20]),
            "age": 100 * rng.weibull(2.0, 41),
            "failed": np.repeat([True, False, True, True], [12, 8, 1, 20]),
        }
    )
    table = life_quantities(lives, "place")
    assert table["status"].tolist() == [
        *["ok"] * 4, *["no failures"] * 4, *["one failure"] * 4, *["ok"] * 4,
    ]  # fmt: skip
    for place in ("a", "d"):
        alone = life_quantities(lives[lives["place"] == place].reset_index(drop=True))
        both = table[table["place"] == place].drop(columns="place").reset_index(drop=True)
        for name in ("estimate", "lower", "upper"):
            np.testing.assert_allclose(alone[name], both[name], rtol=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("family", ["Weibull", "lognormal", "loglogistic", "gamma"])
def test_profile_limits_of_ten_complete_lives_cover(family: FamilyName) -> None:
    # 600 samples of 10: the standard deviation of a share of 95 % is 0.9 %; bounds 93 to 97 %
    # less and more 1.5 of them.
    rng = np.random.default_rng(11)
    size = (600, 10)
    drawn, b10, mean = {
        "Weibull": (rng.weibull(2.0, size), (-math.log(0.9)) ** 0.5, math.gamma(1.5)),
        "lognormal": (
            np.exp(0.5 * rng.standard_normal(size)), math.exp(-0.5 * 1.2815516), math.exp(0.125),
        ),
        "loglogistic": (
            (1 / rng.random(size) - 1) ** (1 / 3), 9 ** (-1 / 3),
            math.pi / 3 / math.sin(math.pi / 3),
        ),
        "gamma": (rng.gamma(3.0, 1.0, size), float(gammaincinv(3.0, 0.1)), 3.0),
    }[family]  # fmt: skip
    lives = observed_lives(np.repeat(np.arange(600), 10), drawn.ravel(), np.ones(6000))
    found = life_quantity_limits(lives, family)
    names = [q.name for q in found.quantities]
    for name, truth in (("life", b10), ("mean life", mean)):
        i = names.index(name)
        covered = (found.lower[i] <= truth) & (truth <= found.upper[i])
        assert 0.915 < covered.mean() < 0.985, name


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"families": ["normal"]}, "family is 'normal': give one of exponential, Weibull"),
        ({"limits": "wald"}, 'limits is "wald": must be one of fisher, profile'),
        ({"ages": [0.0]}, "ages holds 0: must be finite and above 0"),
        ({"reached": [-1.0]}, "reached holds -1: must be finite and at least 0"),
        ({"shares": [1.0]}, "shares is 1: must lie strictly between 0 and 1"),
    ],
)
def test_bad_options_are_named(change: dict[str, object], message: str) -> None:
    lives = pd.DataFrame({"age": [1.0, 2.0], "failed": True})
    with pytest.raises(ValueError, match=message):
        life_quantities(lives, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize("failures", [5, 20])
def test_limits_of_many_small_late_samples_are_those_of_the_own_search(failures: int) -> None:
    # Source: limits.py, as above: 60 samples of which nine in ten lives are censored and half
    # enter late, where the likelihood has a long bent ridge.
    cell = Cell(failures, 0.9, True)
    rng = np.random.default_rng(failures)
    lives = simulated_lives(cell, mean_window(cell, rng), 60, rng)
    found = life_quantity_limits(lives, "Weibull")
    fits = own_fits(lives, limits="profile")
    ok = (fits.status == "ok") & (found.fits.status == "ok")
    assert ok.sum() >= 58
    names = [q.name for q in found.quantities]
    for name, quantity in (("shape", "shape"), ("scale", "scale"), ("b10", "life")):
        i = names.index(quantity)
        for end in ("lower", "upper"):
            np.testing.assert_allclose(
                getattr(found, end)[i][ok], getattr(fits, f"{name}_{end}")[ok], rtol=5e-4
            )


def test_what_has_no_limits_says_so() -> None:
    # Source: the likelihood that never falls towards a shape of 0, of test_limits.py; an age that
    # nothing reaches.
    age = np.linspace(100, 1000, 12)
    entry = age * np.linspace(0.8, 0.9, 12)
    table = life_quantities(pd.DataFrame({"age": age, "failed": True, "entry": entry}))
    shape = at(table, "shape")
    assert shape["lower"] == 0.0 or np.isnan(shape["lower"])
    assert np.isfinite(shape["lower"]) or "no limits" in shape["reason"]
    lives = pd.DataFrame({"age": [5.0, 9.0, 12.0], "failed": True})
    for limits in ("fisher", "profile", "bootstrap"):
        far = life_quantities(lives, reached=[1e6], limits=limits, replicates=50)  # type: ignore[arg-type]
        row = at(far, "mean life", 1e6)
        assert np.isnan(row["estimate"])
        assert row["reason"] == "hardly any item reaches this age"
