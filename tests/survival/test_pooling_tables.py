"""Frames in and out of partial pooling."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.survival.observed import observed_lives
from relkit.survival.partial_pooling import partial_pooling
from relkit.survival.pooling_tables import partially_pooled_draws, partially_pooled_fits


def table() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    life, end = rng.weibull(1.7, 120) * 2000, rng.uniform(200, 1500, 120)
    return pd.DataFrame(
        {
            "component": np.repeat(["cable", "camera"], 60),
            "location": np.tile(np.repeat(["rear", "roof", "side"], 20), 2),
            "age": np.minimum(life, end),
            "failed": life <= end,
        }
    )


def test_rows_are_those_of_the_arrays() -> None:
    # Source: the array function, with codes set by hand (keys sort by component, location).
    lives = table()
    fits = partially_pooled_fits(lives, ["component", "location"], "component", 0.9)
    expected = partial_pooling(
        observed_lives(np.repeat(np.arange(6), 20), lives["age"], lives["failed"]),
        np.array([0, 0, 0, 1, 1, 1]),
        2,
        confidence_level=0.9,
    )
    assert fits["location"].tolist() == ["rear", "roof", "side"] * 2
    for name in ("failures", "shape", "scale_lower", "b10_upper", "pull", "own_scale"):
        np.testing.assert_array_equal(fits[name], getattr(expected, name))
    assert fits["pool_scale"].nunique() == 2
    shared = lives.assign(failure_share=0.0)
    again = partially_pooled_fits(shared, ["component", "location"], "component", 0.9)
    pd.testing.assert_frame_equal(again, fits)


def test_bad_columns_are_named() -> None:
    with pytest.raises(ValueError, match="pool names depot: must be columns named in by"):
        partially_pooled_fits(table(), "component", "depot")
    with pytest.raises(ValueError, match="lives has no column depot"):
        partially_pooled_fits(table(), "depot")


def test_draws_of_pooled_fits_are_for_decisions() -> None:
    # Source: the fits' own medians and limits: 4,000 draws; a stratum with more than 60 failures
    # keeps its own fit, one in a pool without failures is not known.
    rng = np.random.default_rng(5)
    many = pd.DataFrame(
        {
            "component": "cable",
            "location": "door",
            "age": 1500 * rng.weibull(1.7, 90),
            "failed": True,
        }
    )
    none = pd.DataFrame({"component": "lamp", "location": "roof", "age": [5.0], "failed": False})
    lives = pd.concat([table(), many, none], ignore_index=True)
    fits, shape, scale = partially_pooled_draws(
        lives, ["component", "location"], "component", draws=4000, rng=1, confidence_level=0.9
    )
    assert shape.shape == scale.shape == (len(fits), 4000)
    known = fits["borrowed"].to_numpy()
    for values, name in ((shape, "shape"), (scale, "scale")):
        middle = np.median(values[known], axis=1)
        np.testing.assert_allclose(middle, fits.loc[known, name], rtol=0.05)
        np.testing.assert_allclose(
            np.quantile(values[known], 0.95, axis=1), fits.loc[known, f"{name}_upper"], rtol=0.08
        )
    own = int(np.flatnonzero(fits["location"] == "door")[0])
    assert np.median(shape[own]) == pytest.approx(fits["own_shape"][own], rel=0.05)
    lamp = int(np.flatnonzero(fits["component"] == "lamp")[0])
    assert np.isnan(shape[lamp]).all()
    again = partially_pooled_draws(
        lives, ["component", "location"], "component", draws=4000, rng=1, confidence_level=0.9
    )
    np.testing.assert_array_equal(shape, again[1])


def test_subpools_of_one_name_in_two_pools_are_two() -> None:
    # Source: the array function, with codes set by hand.
    lives = table().assign(
        group=lambda t: np.where(t["location"] == "roof", "dry", "wet"),
    )
    by = ["component", "group", "location"]
    fits = partially_pooled_fits(lives, by, "component", 0.9, subpool="group")
    order = lives.groupby(by, sort=True).ngroup().to_numpy()
    expected = partial_pooling(
        observed_lives(order, lives["age"], lives["failed"]),
        np.array([0, 0, 0, 1, 1, 1]),
        2,
        subpool=np.array([0, 1, 1, 2, 3, 3]),
        confidence_level=0.9,
    )
    np.testing.assert_array_equal(fits["scale"], expected.scale)
    assert fits["subpool_scale"].nunique() == 4
    with pytest.raises(ValueError, match="subpool names depot: must be columns named in by"):
        partially_pooled_fits(lives, by, "component", subpool="depot")
