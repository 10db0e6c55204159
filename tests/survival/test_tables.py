"""The doors between frames and arrays: keys, columns, blanks, and messages that name rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.survival.tables import (
    cumulative_hazards,
    parameter_draws,
    pooled_weibull_fits,
    scale_bounds,
    shared_causes,
    survival_curves,
    weibull_fits,
)


def fleet(seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    n = 240
    life = rng.weibull(1.8, n) * 1000
    end = rng.uniform(100, 1200, n)
    return pd.DataFrame(
        {
            "component": rng.choice(["camera", "cable"], n),
            "location": rng.choice(["front", "rear", "side"], n),
            "entry": np.where(rng.random(n) < 0.3, np.minimum(life, end) * 0.3, 0.0),
            "age": np.minimum(life, end),
            "failed": life <= end,
        }
    )


BY = ["component", "location"]


def test_one_row_per_stratum_in_order_of_its_keys() -> None:
    lives = fleet()
    fits = weibull_fits(lives, BY)
    assert fits[BY].to_numpy().tolist() == sorted(lives[BY].drop_duplicates().to_numpy().tolist())
    for row in fits.itertuples():
        mine = lives[(lives["component"] == row.component) & (lives["location"] == row.location)]
        alone = weibull_fits(mine)
        assert (row.lives, row.failures) == (len(mine), mine["failed"].sum())
        np.testing.assert_allclose(row.shape_upper, alone["shape_upper"].iloc[0], rtol=1e-9)
        np.testing.assert_allclose(row.exposure, (mine["age"] - mine["entry"]).sum())


def test_columns_of_the_contract_are_there() -> None:
    # Source: the public contract of these functions.
    lives = fleet()
    assert list(survival_curves(lives, "component")) == [
        "component",
        "age",
        "at_risk",
        "failures",
        "survival",
        "std_error",
        "lower",
        "upper",
        "starts_at",
        "left_out",
        "stops_at",
    ]
    assert list(cumulative_hazards(lives)) == [
        "age",
        "at_risk",
        "failures",
        "cumulative_hazard",
        "std_error",
        "lower",
        "upper",
    ]
    fits = weibull_fits(lives, "component")
    for name in (
        "lives",
        "failures",
        "exposure",
        "shape",
        "shape_lower",
        "shape_upper",
        "scale",
        "scale_lower",
        "scale_upper",
        "b10",
        "b10_lower",
        "b10_upper",
        "log_likelihood",
        "log_shape_std_error",
        "log_scale_std_error",
        "log_correlation",
        "probability_of_wear",
        "shape_source",
        "status",
        "reason",
    ):
        assert name in fits
    assert fits["status"].tolist() == ["ok", "ok"]


def test_without_by_all_lives_are_one_stratum_without_key_columns() -> None:
    fits = weibull_fits(fleet()[["age", "failed"]])
    assert len(fits) == 1
    assert fits.columns[0] == "lives"


def test_index_order_and_types_of_the_frame_do_not_matter() -> None:
    # Source: invariants.
    lives = fleet()
    mixed = lives.sample(frac=1, random_state=3)
    mixed["component"] = mixed["component"].astype("category")
    mixed["failed"] = mixed["failed"].astype(object)
    first, second = weibull_fits(lives, BY), weibull_fits(mixed, BY)
    np.testing.assert_allclose(first["scale_lower"], second["scale_lower"], rtol=1e-9)
    curves, other = survival_curves(lives, BY), survival_curves(mixed, BY)
    np.testing.assert_allclose(curves["survival"], other["survival"], atol=1e-12)


def test_a_blank_key_is_a_stratum_and_a_blank_lower_age_is_the_age() -> None:
    lives = fleet().assign(age_lower=np.nan)
    lives.loc[:20, "location"] = None
    fits = weibull_fits(lives, "location")
    assert fits["lives"].sum() == 240
    assert fits["location"].isna().sum() == 1
    exact = weibull_fits(lives.drop(columns="age_lower"), "location")
    np.testing.assert_array_equal(fits["shape"], exact["shape"])


def test_failure_share_counts_where_failed_is_false() -> None:
    lives = fleet()
    lives["failure_share"] = np.where(lives["failed"], 1.0, np.where(lives.index % 5 == 0, 0.5, 0))
    fits = weibull_fits(lives)
    halves = 0.5 * (~lives["failed"] & (lives.index % 5 == 0)).sum()
    assert fits["failures"].iloc[0] == pytest.approx(lives["failed"].sum() + halves)
    assert survival_curves(lives)["failures"].sum() == pytest.approx(fits["failures"].iloc[0])


def test_given_shape_for_all_or_for_each() -> None:
    lives = fleet()
    one, each = weibull_fits(lives, "component", 2.0), weibull_fits(lives, "component", [2.0, 2.0])
    pd.testing.assert_frame_equal(one, each)
    assert one["shape_source"].tolist() == ["given", "given"]


def test_pools_are_named_by_their_keys() -> None:
    lives = fleet()
    few = lives["failed"] & (lives["location"] == "side")
    lives.loc[few, "failed"] = np.arange(few.sum()) % 9 == 0
    fits = pooled_weibull_fits(lives, BY, "component")
    side = fits[fits["location"] == "side"]
    assert side["shape_source"].tolist() == ["shared over cable", "shared over camera"]
    assert set(fits.loc[fits["location"] != "side", "shape_source"]) == {"own data"}
    whole = pooled_weibull_fits(lives, BY)
    assert "shared over all strata" in set(whole["shape_source"])
    with pytest.raises(ValueError, match="pool names vehicle: must be columns named in by"):
        pooled_weibull_fits(lives, BY, "vehicle")


def test_draws_come_from_both_kinds_of_fits() -> None:
    lives = fleet()
    lives.loc[lives["location"] == "side", "failed"] = False
    pooled = pooled_weibull_fits(lives, BY, "component")
    shape, scale = parameter_draws(pooled, 50, rng=3)
    assert shape.shape == scale.shape == (6, 50)
    assert np.isfinite(shape).all()
    assert (scale > 0).all()
    again = parameter_draws(pooled, 50, rng=3)
    np.testing.assert_array_equal(shape, again[0])
    own = weibull_fits(lives, "component")
    assert parameter_draws(own, 20, rng=1)[0].shape == (2, 20)
    with pytest.raises(ValueError, match=r"no estimate in row 2 .* use pooled_weibull_fits"):
        parameter_draws(weibull_fits(lives, BY), 20, rng=1)


def test_bounds_for_stated_shapes() -> None:
    # Source: T / -log(0.05) for no failures and shape 1.
    lives = pd.DataFrame({"age": [100.0, 200.0, 50.0], "failed": False, "item": ["a", "a", "b"]})
    bounds = scale_bounds(lives, "item", (1.0, 2.0))
    assert bounds["item"].tolist() == ["a", "a", "b", "b"]
    assert bounds["shape"].tolist() == [1.0, 2.0, 1.0, 2.0]
    divisor = -np.log(0.05)
    expected = [300 / divisor, (50_000 / divisor) ** 0.5, 50 / divisor, (2500 / divisor) ** 0.5]
    np.testing.assert_allclose(bounds["scale_lower"], expected, rtol=1e-12)
    np.testing.assert_allclose(
        bounds["b10_lower"], bounds["scale_lower"] * (-np.log(0.9)) ** (1 / bounds["shape"])
    )


def test_shared_causes_keep_the_index_and_add_up_in_each_job() -> None:
    lives = fleet().drop(columns="entry").sample(frac=1, random_state=2)
    lives["masked_job"] = ""
    unfailed = lives.index[~lives["failed"]][:40]
    lives.loc[unfailed, "masked_job"] = [f"log.csv:{k // 2}" for k in range(40)]
    share = shared_causes(lives, "component")
    assert share.name == "failure_share"
    assert share.index.equals(lives.index)
    assert (share[lives["failed"]] == 1).all()
    masked = lives["masked_job"] != ""
    assert (share[~lives["failed"] & ~masked] == 0).all()
    np.testing.assert_allclose(share[masked].groupby(lives["masked_job"][masked]).sum(), 1.0)
    again = shared_causes(lives.assign(failure_share=share), "component")
    np.testing.assert_allclose(share, again, atol=1e-9)


def test_no_lives_and_no_failures_give_empty_frames() -> None:
    nothing = pd.DataFrame({"item": [], "age": [], "failed": []}).astype(
        {"item": str, "age": float, "failed": bool}
    )
    assert len(weibull_fits(nothing, "item")) == 0
    assert len(survival_curves(nothing, "item")) == 0
    assert len(pooled_weibull_fits(nothing, "item")) == 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"age": [1.0, -2.0]}, r"age at row 1 is -2: must be finite and at least 0 \(1 of 2"),
        ({"age": [1.0, np.nan]}, "age at row 1 is nan"),
        ({"age": [1.0, np.inf]}, "age at row 1 is inf"),
        ({"entry": [0.0, 2.0]}, "entry at row 1 is 2: must be below the age"),
        ({"failed": ["yes", True]}, "failed in row 0 is 'yes'"),
        ({"count": [-1, 1]}, "count at row 0 is -1"),
    ],
)
def test_rows_at_fault_are_named(change: dict[str, list[object]], message: str) -> None:
    lives = pd.DataFrame({"age": [1.0, 2.0], "failed": [True, False]}).assign(**change)
    for door in (weibull_fits, survival_curves, cumulative_hazards):
        with pytest.raises(ValueError, match=message):
            door(lives)


def test_rows_are_called_by_the_index_of_the_frame() -> None:
    lives = pd.DataFrame({"age": [1.0, -2.0], "failed": True}, index=["log.csv:2", "log.csv:7"])
    with pytest.raises(ValueError, match=r"age at row log\.csv:7 is -2"):
        weibull_fits(lives)


def test_missing_columns_are_named() -> None:
    with pytest.raises(ValueError, match="lives has no column failed"):
        weibull_fits(pd.DataFrame({"age": [1.0]}))
    with pytest.raises(ValueError, match="lives has no column place"):
        weibull_fits(fleet(), "place")
    with pytest.raises(ValueError, match="lives has no column masked_job"):
        shared_causes(fleet(), "component")


def test_a_tiny_share_of_a_failure_gives_limits_without_a_warning() -> None:
    # Source: own algebra: after a share of 1e-7 the log-log lower limit has no bound above 0.
    table = pd.DataFrame({"age": [1.0, 2.0], "failed": False, "failure_share": [1e-7, 0.0]})
    curve = survival_curves(table)
    assert curve["lower"].tolist() == [0.0]
    assert curve["upper"].tolist() == [1.0]
