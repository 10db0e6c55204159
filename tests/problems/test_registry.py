"""The list of problems: each can be switched, and each has a planted case named after it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from relkit.lives.problems import PROBLEMS, Problem, problems_frame
from relkit.study.problems import ProblemSettings
from relkit.study.read import study_from_mapping

BASE: dict[str, Any] = {"name": "x", "files": {"log": [{"path": "log.csv"}]}}
TESTS = "\n".join(
    path.read_text()
    for path in sorted(Path(__file__).parent.glob("test_*.py"))
    if path.name != "test_registry.py"
)


def slug(name: str) -> str:
    """Name of a problem as it stands in the name of its test."""
    return "_".join(re.findall("[a-z]+", name.lower().replace("'", "")))


@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda problem: problem.name)
def test_a_problem_is_switched_by_the_study(problem: Problem) -> None:
    usual = study_from_mapping(BASE)
    assert study_from_mapping({**BASE, **problem.other}) != usual
    assert problem.setting.split(".")[0] in ("treatments", "words", "files", "window", "time_zone")


@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda problem: problem.name)
def test_a_problem_has_a_planted_case_and_is_tried_under_its_switch(problem: Problem) -> None:
    own = [
        part for part in TESTS.split("\n\n\n")
        if f"def test_{slug(problem.name)}(" in part or f'"{problem.name}"' in part
    ]  # fmt: skip
    assert own, f"no test is named after {problem.name!r}"
    assert any("assert" in part for part in own)


def test_every_setting_of_the_problems_is_used_by_one_of_them_or_is_a_threshold() -> None:
    named = " ".join(problem.setting for problem in PROBLEMS)
    thresholds = " ".join(problem.detected + problem.treatment for problem in PROBLEMS)
    for name in ProblemSettings.__dataclass_fields__:
        used = name in named or name in thresholds
        assert used or name in ("gap_jobs", "coverage_by", "migration_share", "event_date"), name


def test_the_table_has_a_line_for_each() -> None:
    table = problems_frame()
    assert len(table) == len(PROBLEMS) >= 55
    assert table["name"].is_unique
    assert (table != "").all(axis=None)
