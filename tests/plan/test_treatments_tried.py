"""Other treatments of the data: each agrees with a plan made under it from the start."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.plan.alternatives import alternatives
from relkit.plan.parts import PlanParts, parts_of
from relkit.plan.treatments_tried import COLUMNS, MATTERS, stands_under, treatments_tried

STUDY = Path(__file__).parents[2] / "data_demo" / "dirty" / "study.toml"


@pytest.fixture(scope="module")
def parts() -> PlanParts:
    study = relkit.read_study(STUDY)
    return parts_of(relkit.read_log(study), study)


@pytest.fixture(scope="module")
def tried(parts: PlanParts) -> pd.DataFrame:
    said: list[str] = []
    table = treatments_tried(parts, progress=said.append)
    assert len(said) == len(alternatives(parts))
    return table


def test_each_alternative_has_a_row_for_every_stratum(
    parts: PlanParts, tried: pd.DataFrame
) -> None:
    assert list(tried.columns) == [*parts.study.by, *COLUMNS]
    sizes = tried.groupby(["treatment", "alternative"]).size()
    assert (sizes == len(parts.found.fits)).all()
    assert (tried["rows"] > 0).all()


def test_failures_under_a_treatment_are_those_of_a_study_with_it(
    parts: PlanParts, tried: pd.DataFrame
) -> None:
    # A second way: the study itself is given the treatment, and everything is made afresh.
    treatments = replace(parts.study.treatments, masked="all failed")
    study = replace(parts.study, treatments=treatments)
    afresh = parts_of(relkit.read_log(study), study).found.fits
    mine = tried[tried["alternative"] == "each of them failed"]
    both = mine.merge(afresh, on=list(parts.study.by), suffixes=("", "_afresh"))
    assert len(both) == len(afresh)
    np.testing.assert_allclose(both["failures_then"], both["failures_afresh"])
    np.testing.assert_allclose(both["scale_then"], both["scale_afresh"])


def test_what_matters_is_a_task_or_a_tenth_of_the_interval(tried: pd.DataFrame) -> None:
    moved = (tried["interval_then"] / tried["interval"] - 1).abs() >= MATTERS
    other = tried["task"] != tried["task_then"]
    assert (tried["matters"] == (moved | other)).all()
    assert tried["matters"].any()
    assert not tried["matters"].all()


def test_treatments_that_add_or_take_failures_do(tried: pd.DataFrame) -> None:
    # own algebra: shares of masked failures move between strata, their sum does not
    total = tried.groupby("alternative")[["failures", "failures_then"]].sum()
    more, fewer = total.loc["counted as failures of the item"], total.loc["none of them failed"]
    assert more["failures_then"] > more["failures"] + 1
    assert fewer["failures_then"] < fewer["failures"] - 1


def test_counts_of_what_stands(tried: pd.DataFrame) -> None:
    table = stands_under(tried, ("component", "location"))
    assert (table["stands"] <= table["tried"]).all()
    firm = table["stands"] == table["tried"]
    assert (table.loc[firm, "leans_on"] == "").all()
    assert (table.loc[~firm, "leans_on"] != "").all()
