"""Frames of any lives: the doors agree with lifelines, and odd lives end in a status."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter, NelsonAalenFitter, WeibullFitter
from lifelines.exceptions import ConvergenceError, StatError
from lifelines.statistics import multivariate_logrank_test, pairwise_logrank_test

import relkit

LIFE = st.tuples(
    st.integers(1, 400),
    st.booleans(),
    st.floats(0, 0.8),
    st.booleans(),
    st.sampled_from(["cab", "roof", "rear"]),
)
#: Without shrinking, which takes minutes where each example fits a dozen models.
QUICK = (Phase.explicit, Phase.generate)
LIVES = st.lists(LIFE, min_size=4, max_size=40)
Row = tuple[int, bool, float, bool, str]


def frame(rows: list[Row]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["age", "failed", "share", "late", "location"])
    table["age"] = table["age"].astype(float)
    table["entry"] = np.floor(table["age"] * table["share"]) * table["late"]
    return table.drop(columns=["share", "late"])


@settings(deadline=None, max_examples=20, phases=QUICK)
@given(LIVES)
def test_curves_agree_with_lifelines(rows: list[Row]) -> None:
    # Source: lifelines, with late entry, where its risk set does not run empty before the end.
    lives = frame(rows)
    if not lives["failed"].any():
        return
    curve = relkit.survival_curves(lives)
    hazard = relkit.cumulative_hazards(lives)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # lifelines warns of small risk sets
        try:
            km = KaplanMeierFitter().fit(lives["age"], lives["failed"], entry=lives["entry"])
        except StatError:
            return  # its risk set runs empty, which it refuses
        na = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(
            lives["age"], lives["failed"], entry=lives["entry"]
        )
    ours = na.cumulative_hazard_.iloc[:, 0].loc[hazard["age"]].to_numpy()
    assert hazard["cumulative_hazard"].to_numpy() == pytest.approx(ours, rel=1e-9)
    if (curve["starts_at"] == 0).all() and len(curve) == len(hazard):
        theirs = km.survival_function_.iloc[:, 0].loc[curve["age"]].to_numpy()
        assert curve["survival"].to_numpy() == pytest.approx(theirs, abs=1e-9)


@settings(deadline=None, max_examples=12, phases=QUICK)
@given(LIVES)
def test_weibull_fits_are_no_worse_than_those_of_lifelines(rows: list[Row]) -> None:
    # Source: lifelines' maximum with late entry; where it does not converge there is nothing to
    # compare, and where there is no maximum a status says so.
    lives = frame(rows)
    fits = relkit.weibull_fits(lives, limits="profile").iloc[0]
    if fits["status"] != "ok":
        assert fits["reason"]
        return
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            peer = WeibullFitter().fit(lives["age"], lives["failed"], entry=lives["entry"])
    except (ConvergenceError, ValueError):
        return
    assert fits["log_likelihood"] >= peer.log_likelihood_ - 1e-4
    for name in ("shape", "scale", "b10"):
        assert fits[f"{name}_lower"] <= fits[name] <= fits[f"{name}_upper"]


@settings(deadline=None, max_examples=15, phases=QUICK)
@given(LIVES)
def test_comparisons_agree_with_lifelines(rows: list[Row]) -> None:
    # Source: lifelines' log-rank tests, which know no late entry; p-values of pairs unadjusted.
    lives = frame(rows).assign(entry=0.0)
    if lives["location"].nunique() < 2 or not lives["failed"].any():
        return
    test = relkit.group_comparison(lives, "location").iloc[0]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = multivariate_logrank_test(lives["age"], lives["location"], lives["failed"])
        pairs = pairwise_logrank_test(lives["age"], lives["location"], lives["failed"]).summary
    told = test["status"] == "ok" and np.isfinite(theirs.test_statistic)
    if told and test["degrees_of_freedom"] == lives["location"].nunique() - 1:
        assert test["statistic"] == pytest.approx(theirs.test_statistic, abs=1e-6)
    ours = relkit.pair_comparison(lives, "location").set_index(["location", "other"])
    for key, row in pairs.iterrows():
        mine = ours["p_value"].get(key, np.nan)
        if np.isfinite(mine) and np.isfinite(row["p"]):
            assert mine == pytest.approx(row["p"], abs=1e-6)
    assert (ours["p_value_adjusted"].dropna() >= ours["p_value"].dropna() - 1e-12).all()


DOORS = [
    lambda lives: relkit.weibull_fits(lives, "location", limits="profile"),
    lambda lives: relkit.life_quantities(lives, "location", ages=[50.0], reached=[0.0, 100.0]),
    lambda lives: relkit.curve_quantities(lives, "location"),
    lambda lives: relkit.partially_pooled_fits(lives, "location"),
    lambda lives: relkit.mixture_fits(lives, "location"),
    lambda lives: relkit.adjusted_shapes(lives, "location", samples=50),
    lambda lives: relkit.hazard_ratios(lives.assign(load=lives["age"] % 7), ["load"], "location"),
]


@settings(deadline=None, max_examples=4, phases=QUICK)
@given(LIVES)
@pytest.mark.parametrize("door", range(len(DOORS)))
def test_no_lives_break_a_batch(door: int, rows: list[Row]) -> None:
    # Source: the project's own rule: a stratum that cannot be fitted is a row with a reason.
    # One stratum is all equal, one has a single life, one no failure, one huge ages.
    odd = pd.DataFrame(
        {
            "age": [7.0, 7.0, 7.0, 5.0, 9.0, 8.0, 1e9, 2e9, 3e9],
            "failed": [True, True, True, True, False, False, True, True, False],
            "location": ["equal"] * 3 + ["single"] + ["none"] * 2 + ["huge"] * 3,
            "entry": 0.0,
        }
    )
    table = DOORS[door](pd.concat([frame(rows), odd], ignore_index=True))
    assert set(odd["location"]) <= set(table["location"])
