"""Curves, fits and draws of every stratum of a study."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from relkit.errors import StudyError
from relkit.plan.evidence import DRAWS, evidence, with_places
from relkit.study.settings import Study

MadeStudy = Callable[..., Study]

GROUPS = """
[[location_groups]]
name = "both ends"
component = "camera"
locations = ["front", "rear"]
"""


def lives(count: int = 40, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    age = 1000 * rng.weibull(2.0, count)
    table = pd.DataFrame(
        {
            "vehicle": [f"V{n}" for n in range(count)],
            "component": "camera",
            "location": np.where(np.arange(count) % 2, "front", "rear"),
            "entry": 0.0,
            "age": np.minimum(age, 900.0),
            "age_lower": np.nan,
            "failed": age <= 900.0,
            "ended_by": "failure",
            "causes": "",
            "masked_job": "",
        }
    )
    leads = table.iloc[:8].assign(component="lead", location="rear", failed=False)
    return pd.concat([table, leads], ignore_index=True)


def test_locations_of_a_group_are_one_stratum(made_study: MadeStudy) -> None:
    # Source: own algebra; the lead is not in the group, which is of cameras only.
    placed = with_places(lives(), made_study(GROUPS))
    places = placed.groupby("component")["stratum_location"].unique().map(sorted)
    assert places.to_dict() == {"camera": ["both ends"], "lead": ["rear"]}
    found = evidence(lives(), made_study(GROUPS))
    assert found.fits[["component", "location"]].to_numpy().tolist() == [
        ["camera", "both ends"],
        ["lead", "rear"],
    ]
    assert found.fits["lives"].tolist() == [40, 8]


def test_failures_add_up_over_any_grouping(made_study: MadeStudy) -> None:
    # Source: invariant: however strata are cut, lives, failures and exposure are the same.
    table = lives()
    for by in (["component"], ["location"], ["component", "location"]):
        fits = evidence(table, made_study(by=by)).fits
        assert fits["lives"].sum() == len(table)
        assert fits["failures"].sum() == table["failed"].sum()
        assert fits["exposure"].sum() == pytest.approx(table["age"].sum())


def test_draws_go_with_the_fits_and_the_seed(made_study: MadeStudy) -> None:
    # Source: own algebra: the median of the draws is within one standard error of the estimate;
    # one seed, one answer.
    study = made_study(by=["component"])
    found, again = evidence(lives(), study), evidence(lives(), study)
    assert found.shape.shape == found.scale.shape == (2, DRAWS)
    np.testing.assert_array_equal(found.shape, again.shape)
    fit = found.fits.iloc[0]
    moved = np.log(np.median(found.scale[0]) / fit["scale"])
    assert abs(moved) < fit["log_scale_std_error"]
    other = evidence(lives(), made_study("[decision]\nseed = 2\n", by=["component"]))
    assert (found.shape != other.shape).any()


def test_a_masked_job_is_one_failure_in_all(made_study: MadeStudy) -> None:
    # Source: own algebra: two candidates of one job share one failure; or each, or none.
    table = lives()
    table.loc[[42, 43, 44], "failed"] = True  # leads fail of themselves too
    table.loc[[0, 40], "failed"] = False
    table.loc[[0, 40], "masked_job"] = "log.csv:9"
    table.loc[[0, 40], "ended_by"] = "cause unknown"
    table.loc[[0, 40], "causes"] = "camera; lead"
    certain = table["failed"].sum()
    shared = evidence(table, made_study(by=["component"]))
    assert shared.fits["failures"].sum() == pytest.approx(certain + 1)
    assert shared.lives.loc[[0, 40], "failure_share"].sum() == pytest.approx(1.0)
    none = evidence(table, made_study('[treatments]\nmasked = "none failed"\n', by=["component"]))
    assert none.fits["failures"].sum() == certain


def test_a_stratum_by_what_is_not_there_is_refused(made_study: MadeStudy) -> None:
    # Source: own algebra.
    with pytest.raises(StudyError, match=r'"by" names "depot".*covariates of the register'):
        evidence(lives(), made_study(by=["component", "depot"]))
