"""Frames in and out of partial pooling."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.survival.observed import observed_lives
from relkit.survival.partial_pooling import partial_pooling
from relkit.survival.pooling_tables import partially_pooled_fits


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
