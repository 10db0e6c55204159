"""Failures of unknown cause, also where a candidate's own life is not known."""

from __future__ import annotations

import pandas as pd
import pytest

from relkit.plan.evidence import evidence
from relkit.study.read import study_from_mapping

STUDY = study_from_mapping({"name": "Masked", "files": {"log": [{"path": "log.csv"}]}})


def lives(*rows: tuple[str, float, bool, str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["component", "age", "failed", "masked_job"])
    causes = table["masked_job"].where(table["masked_job"] == "", "cable; camera")
    return table.assign(location="rear", entry=0.0, age_lower=table["age"], causes=causes)


KNOWN = [("camera", 100.0 + 20 * i, True, "") for i in range(10)] + [
    ("cable", 4000.0 + 300 * i, i < 2, "") for i in range(10)
]


def shares(*rows: tuple[str, float, bool, str]) -> pd.DataFrame:
    return evidence(lives(*KNOWN, *rows), STUDY).lives.iloc[len(KNOWN) :]


def test_a_lone_candidate_is_not_certain_to_have_failed() -> None:
    # Source: own algebra: its share is the mean of its component in jobs with all their lives.
    found = shares(
        ("camera", 150.0, False, "j1"),
        ("cable", 150.0, False, "j1"),
        ("camera", 160.0, False, "j2"),
    )
    whole, lone = found["failure_share"].iloc[0], found["failure_share"].iloc[2]
    assert found["failure_share"].iloc[:2].sum() == pytest.approx(1.0)
    assert 0.5 < whole < 1.0  # cameras fail far sooner here
    assert lone == pytest.approx(whole)


def test_without_any_whole_job_the_parts_are_equal() -> None:
    # Source: common practice: nothing speaks for either of two candidates.
    found = shares(("camera", 150.0, False, "j1"))
    assert found["failure_share"].tolist() == [0.5]
