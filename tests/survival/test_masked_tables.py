"""Frames in and out of masked fits: columns, candidates, errors."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.survival.masked_tables import candidate_probabilities, masked_weibull_fits
from relkit.survival.tables import weibull_fits


def table(**changed: object) -> pd.DataFrame:
    rng = np.random.default_rng(4)
    age = np.r_[rng.weibull(2.5, 30) * 3000, rng.weibull(2.0, 30) * 5000].round(1) + 1
    job = np.tile(np.where(np.arange(30) % 3 == 0, [f"J{i}" for i in range(30)], ""), 2)
    frame = pd.DataFrame(
        {
            "component": np.repeat(["camera", "cable"], 30),
            "location": "roof",
            "age": age,
            "failed": job == "",
            "masked_job": job,
        }
    )
    return frame.assign(**changed)


def test_fits_of_the_frame_with_the_extremes_beside() -> None:
    # Source: weibull_fits with the causes set by hand gives the extremes.
    lives = table()
    fits = masked_weibull_fits(lives, ["component", "location"])
    assert fits["component"].tolist() == ["cable", "camera"]
    assert fits["known_failures"].tolist() == [20.0, 20.0]
    assert fits["masked_lives"].tolist() == [10.0, 10.0]
    assert fits["failures"].sum() == pytest.approx(50.0)
    assert fits["linked"].tolist() == [0, 0]
    none, both = weibull_fits(lives, "component"), weibull_fits(lives.assign(failed=1), "component")
    for name in ("shape", "scale", "b10"):
        np.testing.assert_allclose(fits[f"{name}_if_none"], none[name], rtol=1e-9)
        np.testing.assert_allclose(fits[f"{name}_if_all"], both[name], rtol=1e-9)
    assert ((fits["scale"] > fits["scale_if_all"]) & (fits["scale"] < fits["scale_if_none"])).all()


def test_candidates_of_each_job_add_up_to_one() -> None:
    # Source: the definition.
    lives = table().set_index(np.arange(60) + 100)
    found = candidate_probabilities(lives, "component")
    assert len(found) == 20
    assert list(found.columns) == ["masked_job", "component", "age", "probability"]
    np.testing.assert_allclose(found.groupby("masked_job")["probability"].sum(), 1.0)
    assert (lives.loc[found.index, "age"] == found["age"]).all()


def test_confidence_level_widens_the_limits() -> None:
    narrow, wide = (masked_weibull_fits(table(), "component", level) for level in (0.5, 0.99))
    assert (wide["shape_upper"] > narrow["shape_upper"]).all()
    with pytest.raises(ValueError, match="confidence_level"):
        masked_weibull_fits(table(), "component", 1.0)


def test_missing_columns_and_failed_candidates_are_named() -> None:
    with pytest.raises(ValueError, match="lives has no column masked_job"):
        masked_weibull_fits(table().drop(columns="masked_job"), "component")
    with pytest.raises(ValueError, match="lives has no column depot"):
        masked_weibull_fits(table(), "depot")
    with pytest.raises(ValueError, match="masked life at row 0"):
        masked_weibull_fits(table(failed=True), "component")
