"""Hazard and life ratios: own likelihoods, lifelines, planted effects, statuses."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter, CoxTimeVaryingFitter
from lifelines.statistics import proportional_hazard_test
from scipy.optimize import minimize
from scipy.special import log_ndtr

from relkit.survival.covariate_spans import split_at_changes
from relkit.survival.regression import hazard_ratios, life_ratios


def fleet(seed: int, n: int = 300, *, late: bool = False, effect: float = 0.7) -> pd.DataFrame:
    """Lives whose hazard is exp(effect) times as high on wet places, and grows with a load."""
    rng = np.random.default_rng(seed)
    wet, load = rng.random(n) < 0.4, rng.normal(10, 2, n)
    relative = np.exp(effect * wet + 0.1 * (load - 10))
    entry = np.where(rng.random(n) < 0.4, rng.uniform(0, 500, n), 0.0) if late else np.zeros(n)
    hazard = (entry / 1000) ** 1.5 + rng.standard_exponential(n) / relative
    life, end = 1000 * hazard ** (1 / 1.5), entry + rng.uniform(200, 1500, n)
    return pd.DataFrame(
        {
            "entry": entry,
            "age": np.minimum(life, end),
            "failed": life <= end,
            "place": np.where(wet, "wet", "dry"),
            "load": load,
            "depot": rng.choice(["north", "south"], n),
        }
    )


def test_hazard_ratios_maximise_the_partial_likelihood_with_late_entry() -> None:
    # Source: the partial likelihood written out in this file (no ties), by a general optimiser.
    lives = fleet(3, late=True)
    found = hazard_ratios(lives, ["place", "load"])
    x = np.column_stack([lives["place"] == "wet", lives["load"] - 10]).astype(float)
    age, entry = lives["age"].to_numpy(), lives["entry"].to_numpy()
    failures = np.flatnonzero(lives["failed"])

    def minus(beta: np.ndarray) -> float:
        total = 0.0
        for i in failures:
            at_risk = (entry < age[i]) & (age >= age[i])
            total += x[i] @ beta - math.log(np.exp(x[at_risk] @ beta).sum())
        return -total

    best = minimize(minus, np.zeros(2), method="BFGS", options={"gtol": 1e-6})
    assert np.log(found["ratio"]).to_numpy() == pytest.approx(best.x, abs=2e-4)
    errors = np.sqrt(np.diag(best.hess_inv))
    width = np.log(found["upper"] / found["lower"]) / (2 * 1.959964)
    assert width.to_numpy() == pytest.approx(errors, rel=0.05)
    assert found[["covariate", "level", "against"]].to_numpy().tolist() == [
        ["place", "wet", "dry"],
        ["load", "", ""],
    ]
    assert found["lower"][0] < math.exp(0.7) < found["upper"][0]
    assert found["meaning"][0].startswith(f"place wet: fails {found['ratio'][0]:.3g} times as")


def test_proportionality_agrees_with_lifelines_and_sees_a_planted_change() -> None:
    # Source: lifelines' test on the rank of the age, without late entry, which it ignores.
    lives = fleet(5)
    found = hazard_ratios(lives, ["place", "load"])
    table = lives.assign(wet=(lives["place"] == "wet") * 1.0)[["age", "failed", "wet", "load"]]
    peer = CoxPHFitter().fit(table, "age", "failed")
    theirs = proportional_hazard_test(peer, table, time_transform="rank").summary["p"]
    assert found["proportional_p_value"].to_numpy() == pytest.approx(
        theirs[["wet", "load"]].to_numpy(), abs=2e-3
    )
    # Source: own algebra: wet places fail early, dry ones late: the ratio falls through 1.
    rng = np.random.default_rng(6)
    age = np.concatenate([rng.weibull(0.7, 150) * 500, 300 + rng.weibull(3.0, 150) * 400])
    crossing = pd.DataFrame({"age": age, "failed": True, "place": np.repeat(["wet", "dry"], 150)})
    assert hazard_ratios(crossing, ["place"])["proportional_p_value"][0] < 1e-4
    assert "the ratio changes with age" in hazard_ratios(crossing, ["place"])["meaning"][0]


def test_proportionality_holds_its_level_under_late_entry() -> None:
    # Source: under proportional hazards p-values are uniform: of 40 sets 5 % are below 0.05;
    # binomial: more than 7 would occur once in 1,000 runs.
    below = [
        hazard_ratios(fleet(100 + k, 120, late=True), ["place"])["proportional_p_value"][0] < 0.05
        for k in range(40)
    ]
    assert sum(below) <= 7


def test_a_hazard_of_its_own_within_each_depot() -> None:
    # Source: lifelines with strata.
    lives = fleet(8)
    found = hazard_ratios(lives, ["load"], within="depot")
    peer = CoxPHFitter().fit(
        lives[["age", "failed", "load", "depot"]], "age", "failed", strata=["depot"]
    )
    assert math.log(found["ratio"][0]) == pytest.approx(peer.params_["load"], abs=1e-5)


def minus_log_likelihood(
    theta: np.ndarray, lives: pd.DataFrame, family: str, x: np.ndarray
) -> float:
    log_scale, log_spread = theta[0] + x @ theta[2:], theta[1]

    def log_survival(age: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore"):
            w = (np.log(age) - log_scale) / math.exp(log_spread)
        return {
            "Weibull": lambda: -np.exp(w),
            "lognormal": lambda: log_ndtr(-w),
            "loglogistic": lambda: -np.logaddexp(0, w),
        }[family]()

    def log_density(age: np.ndarray) -> np.ndarray:
        w = (np.log(age) - log_scale) / math.exp(log_spread)
        core = {
            "Weibull": lambda: w - np.exp(w),
            "lognormal": lambda: -(w**2) / 2 - math.log(2 * math.pi) / 2,
            "loglogistic": lambda: w - 2 * np.logaddexp(0, w),
        }[family]()
        return core - log_spread - np.log(age)

    age, entry, lower = (lives[c].to_numpy() for c in ("age", "entry", "age_lower"))
    failed = lives["failed"].to_numpy()
    between = failed & (lower < age)
    value = np.where(failed, log_density(age), log_survival(age))
    gap = np.exp(log_survival(lower)) - np.exp(log_survival(age))
    value = np.where(between, np.log(np.maximum(gap, 1e-300)), value)
    return -float((value - np.where(entry > 0, log_survival(entry), 0.0)).sum())


@pytest.mark.parametrize("family", ["Weibull", "lognormal", "loglogistic"])
@pytest.mark.parametrize("found_later", [False, True])
def test_life_ratios_maximise_the_likelihood(family: str, found_later: bool) -> None:
    # Source: the likelihood written out in this file, by a general optimiser: late entry, and
    # half of the failures found at a check up to 100 after they happened.
    lives = fleet(4, 200, late=True)
    back = np.where(found_later & (np.arange(200) % 2 == 0), 100.0, 0.0)
    lives["age_lower"] = np.where(
        lives["failed"], np.maximum(lives["entry"], lives["age"] - back), lives["age"]
    )
    found = life_ratios(lives, ["place", "load"], family=family)  # type: ignore[arg-type]
    x = np.column_stack([lives["place"] == "wet", lives["load"] - 10]).astype(float)
    best = minimize(
        minus_log_likelihood, [7.0, -0.3, 0.0, 0.0], args=(lives, family, x), method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000, "maxfev": 4000},
    )  # fmt: skip
    assert np.log(found["ratio"]).to_numpy() == pytest.approx(best.x[2:], abs=2e-4)
    assert found["log_likelihood"][0] == pytest.approx(-best.fun, abs=1e-3)
    assert (found["status"] == "ok").all()


def test_shares_and_counts_act_as_weights() -> None:
    # Source: invariant: a row that stands for three lives is three rows.
    lives = fleet(9, 60).assign(count=np.tile([1, 2, 3], 20))
    long = lives.loc[lives.index.repeat(lives["count"])].drop(columns="count")
    for ratios in (hazard_ratios, life_ratios):
        one, other = ratios(lives, ["load"]), ratios(long, ["load"])
        assert one["ratio"][0] == pytest.approx(other["ratio"][0], rel=0.02)
        assert one["failures"][0] == other["failures"][0]


def test_spans_of_a_life_act_as_the_whole_and_seasons_as_time_varying() -> None:
    # Source: invariant: cutting lives changes nothing as long as covariates do not; lifelines'
    # time-varying regression on the same spans.
    lives = fleet(7, 250)
    days = np.arange(250) * 3
    lives["fitted_on"] = pd.Timestamp("2023-01-01") + pd.to_timedelta(days, unit="D")
    lives["ended_on"] = lives["fitted_on"] + pd.to_timedelta(lives["age"], unit="D")
    dates = pd.date_range("2022-12-01", "2029-01-01", freq="MS")
    months = pd.DataFrame({"date": dates, "winter": dates.month.isin([11, 12, 1, 2]) * 1.0})
    spans = split_at_changes(lives, months)
    assert spans["failed"].sum() == lives["failed"].sum()
    total = (spans["age"] - spans["entry"]).sum()
    assert total == pytest.approx((lives["age"] - lives["entry"]).sum())
    whole, cut = hazard_ratios(lives, ["load"]), hazard_ratios(spans, ["load"])
    assert cut["ratio"][0] == pytest.approx(whole["ratio"][0], rel=1e-6)
    found = hazard_ratios(spans, ["load", "winter"])
    columns = ["life", "entry", "age", "failed", "load", "winter"]
    peer = CoxTimeVaryingFitter().fit(
        spans[columns], id_col="life", event_col="failed", start_col="entry", stop_col="age"
    )
    assert np.log(found["ratio"]).to_numpy() == pytest.approx(
        peer.params_[["load", "winter"]].to_numpy(), abs=1e-4
    )


def test_changes_of_a_vehicle_hold_for_its_lives_only() -> None:
    # Source: by hand.
    lives = pd.DataFrame(
        {
            "vehicle": ["A", "B", "A"],
            "age": [100.0, 100.0, 50.0],
            "entry": [0.0, 50.0, 0.0],
            "failed": [True, True, False],
            "fitted_on": ["2024-01-01", "2024-01-01", "2024-01-01"],
            "ended_on": ["2024-04-10", "2024-04-10", "2024-01-26"],
        }
    )
    washes = pd.DataFrame(
        {
            "vehicle": ["A", "B", "A"],
            "date": ["2024-01-21", "2024-03-01", "2023-06-01"],
            "washes": [2, 5, 1],
        }
    )
    spans = split_at_changes(lives, washes, "vehicle")
    assert spans["life"].tolist() == [0, 0, 1, 1, 2, 2]
    assert spans["entry"].tolist() == [0.0, 20.0, 50.0, 60.0, 0.0, 40.0]
    assert spans["age"].tolist() == [20.0, 100.0, 60.0, 100.0, 40.0, 50.0]
    assert spans["failed"].tolist() == [False, True, False, True, False, False]
    assert spans["washes"].fillna(-1).tolist() == [1, 2, -1, 5, 1, 2]
    with pytest.raises(ValueError, match="date in row 0 is blank"):
        split_at_changes(lives, washes.assign(date=None), "vehicle")
    with pytest.raises(ValueError, match=r"two changes have the date 2024-01-01"):
        split_at_changes(lives, pd.DataFrame({"date": ["2024-01-01"] * 2, "x": [1, 2]}))


def test_what_cannot_be_told_is_a_status() -> None:
    # Source: own algebra: each case has a known reason.
    lives = fleet(10, 40)
    same = hazard_ratios(lives.assign(colour="red"), ["colour"])
    assert same["status"].tolist() == ["the same for all"]
    both = hazard_ratios(lives.assign(again=lives["load"] * 2), ["load", "again"])
    assert both["status"].tolist() == ["not told apart"] * 2
    none = life_ratios(lives.assign(failed=False), ["load"])
    assert none["status"].tolist() == ["no failures"]
    assert none["meaning"][0] == "load: nothing failed: nothing can be compared"
    never = lives.assign(failed=lives["failed"] & (lives["place"] == "wet"))
    for ratios in (hazard_ratios, life_ratios):
        apart = ratios(never, ["place"])
        assert apart["status"][0] in ("no finite ratio", "not converged")
        assert np.isnan(apart["ratio"][0])
    blank = hazard_ratios(lives.assign(load=lives["load"].where(lives.index > 4)), ["load"])
    assert blank["left_out"].tolist() == [5]
    assert blank["lives"].tolist() == [35.0]


def test_few_failures_per_coefficient_are_said_and_strata_stand_apart() -> None:
    # Source: rule of thumb of ten per coefficient, from memory; invariant: a stratum alone.
    lives = fleet(11, 30)
    table = hazard_ratios(lives, ["place", "load"], "depot")
    assert table["depot"].tolist() == ["north", "north", "south", "south"]
    assert (table["failures_per_coefficient"] < 10).all()
    assert table["meaning"].str.contains("fewer than about 10 failures per coefficient").all()
    alone = hazard_ratios(lives[lives["depot"] == "south"], ["place", "load"])
    np.testing.assert_allclose(alone["ratio"], table["ratio"].tail(2), rtol=1e-6)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"covariates": []}, "covariates names no column in a list: give at least one"),
        ({"covariates": ["colour"]}, "lives has no column colour"),
        ({"family": "gamma"}, "family is 'gamma': give one of Weibull, lognormal, loglogistic"),
        ({"confidence_level": 0.0}, "confidence_level is 0: must lie strictly between 0 and 1"),
    ],
)
def test_bad_options_are_named(change: dict[str, object], message: str) -> None:
    options = {"covariates": ["load"]} | change
    with pytest.raises(ValueError, match=message):
        life_ratios(fleet(1, 10), **options)  # type: ignore[arg-type]
