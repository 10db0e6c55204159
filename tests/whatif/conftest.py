"""Plans of the demo's logs, from which the what-ifs start; made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit.logbook.read import read_log
from relkit.plan.parts import PlanParts, parts_of
from relkit.study.read import read_study

DEMO = Path(__file__).parents[2] / "data_demo"


def plan_parts(name: str) -> PlanParts:
    study = read_study(DEMO / name / "study.toml")
    return parts_of(read_log(study), study)


@pytest.fixture(scope="session")
def clean() -> PlanParts:
    return plan_parts("clean")


@pytest.fixture(scope="session")
def dirty() -> PlanParts:
    return plan_parts("dirty")
