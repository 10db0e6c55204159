"""Quantiles and restricted means of Kaplan-Meier curves: published, by hand, by lifelines."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.utils import median_survival_times

from relkit.survival.life_quantity_tables import curve_quantities

REFERENCES = Path(__file__).parents[1] / "references"


def test_published_medians() -> None:
    # Source: Miller (1997), maintained group, median 31 weeks, as stored in the test suite of the
    # R survival package; Freireich et al. (1963), median 23 weeks.
    for name, median in (("leukaemia_maintained", 31), ("leukaemia_6mp", 23)):
        table = pd.read_csv(REFERENCES / f"{name}.csv")
        lives = table.set_axis(["age", "failed"], axis=1)
        found = curve_quantities(lives, shares=[0.5], fewest_at_risk=0)
        assert found["estimate"].iloc[0] == median


def test_restricted_mean_by_hand() -> None:
    # Source: by hand: survival 1 to 2, 3/4 to 5, 3/8 to 8. Area 2 + 2.25 + 1.125 = 5.375;
    # variance (3.375)^2 / 12 + (1.125)^2 / 2 = 1.582 (Klein and Moeschberger, eq. 4.5.2).
    lives = pd.DataFrame({"age": [2.0, 4, 5, 8], "failed": [True, False, True, False]})
    row = curve_quantities(lives, shares=[], up_to=8.0, fewest_at_risk=0).iloc[0]
    assert row["estimate"] == pytest.approx(5.375)
    assert row["std_error"] == pytest.approx((3.375**2 / 12 + 1.125**2 / 2) ** 0.5)
    assert 0 < row["lower"] < 5.375 < row["upper"] < 8


LIVES = st.lists(st.tuples(st.integers(1, 30), st.booleans()), min_size=3, max_size=40)


@settings(deadline=None, max_examples=30)
@given(LIVES)
def test_agrees_with_lifelines(rows: list[tuple[int, bool]]) -> None:
    # Source: lifelines: median with log-log limits, and the area under its curve.
    age, failed = np.array([r[0] for r in rows], float), np.array([r[1] for r in rows])
    if not failed.any():
        return
    peer = KaplanMeierFitter().fit(age, failed)
    found = curve_quantities(
        pd.DataFrame({"age": age, "failed": failed}), up_to=float(age.max()), fewest_at_risk=0
    ).set_index(["quantity", "at"])
    median = found.loc[("life", 0.5)]
    theirs = peer.median_survival_time_
    curve = peer.survival_function_.iloc[:, 0]
    if (abs(curve - 0.5) < 1e-9).any():
        return  # survival of a half but for rounding, on which lifelines stumbles
    assert median["estimate"] == theirs or (np.isnan(median["estimate"]) and theirs == np.inf)
    lower, upper = median_survival_times(peer.confidence_interval_).iloc[0]
    if np.isfinite(lower) and (peer.survival_function_.iloc[-1, 0] > 0):
        assert median["lower"] == lower
        assert median["upper"] == upper
    mean = found.loc[("restricted mean", age.max())]
    area = float((curve.to_numpy()[:-1] * np.diff(curve.index)).sum())
    assert mean["estimate"] == pytest.approx(area, rel=1e-9)


def test_late_entry_counts_from_where_enough_are_at_risk() -> None:
    # Source: own algebra: six lives enter at 20; of those five fail at 30, 40, 50, 60 and 70.
    lives = pd.DataFrame(
        {
            "entry": [0.0, 0, 20, 20, 20, 20, 20, 20],
            "age": [5.0, 8, 30, 40, 50, 60, 70, 80],
            "failed": [True, False, True, True, True, True, True, False],
        }
    )
    table = curve_quantities(lives, shares=[0.5], up_to=40.0, fewest_at_risk=5)
    assert table["starts_at"].tolist() == [5.0, 5.0]
    assert np.isnan(table["estimate"][0])  # the curve ends at 40, with two thirds left
    assert "does not fall so far" in table["reason"][0]
    # from 5 to 30 nothing fails, then 5/6 survive to 40
    assert table["estimate"][1] == pytest.approx(25 + 10 * 5 / 6)
    far = curve_quantities(lives, shares=[0.5], up_to=60.0, fewest_at_risk=5)
    assert np.isnan(far["estimate"][1])
    assert far["reason"][1] == "too few lives are at risk at this age"
    usual = curve_quantities(lives, shares=[0.5], fewest_at_risk=5)
    assert usual["at"][1] == 40.0


def test_strata_without_failures_and_strata_apart() -> None:
    # Source: invariant: a stratum in a batch is the stratum alone.
    rng = np.random.default_rng(4)
    lives = pd.DataFrame(
        {
            "place": np.repeat(["a", "b", "c"], 20),
            "age": rng.integers(1, 50, 60).astype(float),
            "failed": np.repeat([True, False, True], 20) & (rng.random(60) < 0.7),
        }
    )
    table = curve_quantities(lives, "place")
    assert len(table) == 9
    none = table[table["place"] == "b"]
    assert none["estimate"].isna().tolist() == [True, True, False]
    assert none["reason"].iloc[2] == "nothing failed: there are no limits"
    for place in ("a", "c"):
        alone = curve_quantities(lives[lives["place"] == place].reset_index(drop=True))
        both = table[table["place"] == place].drop(columns="place").reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, both)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"shares": [0.0]}, "shares is 0: must lie strictly between 0 and 1"),
        ({"up_to": -1.0}, "up_to is -1: must be finite and above 0"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    lives = pd.DataFrame({"age": [1.0], "failed": [True]})
    with pytest.raises(ValueError, match=message):
        curve_quantities(lives, **change)  # type: ignore[arg-type]
