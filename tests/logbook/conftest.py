"""Small made-up logs for the tests of the logbook layer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from relkit.logbook.read import RepairLog, read_log
from relkit.study.read import study_from_mapping
from relkit.study.settings import Study

LOG = """job,date,vehicle,component,location,finding,action,hours,cost,note
J1,2023-01-05 08:30,GR-01,camera,rear high,failed,replaced,1000,300,dead
J2,2023-02-07,GR-02,cable,rear high,failed,replaced,1500,120,worn
J3,2023-03-09,GR-01,camera,front,no fault found,tested,1100,30,ok on test
"""
REGISTER = """vehicle,component,location,fitted_on,depot
GR-01,camera,rear high,2020-05-01,North
GR-01,camera,front,2020-05-01,North
GR-02,cable,rear high,2021-06-01,South
GR-02,camera,rear high,2021-06-01,South
"""

Files = Mapping[str, str | bytes]


@pytest.fixture
def study_of(tmp_path: Path) -> Callable[..., Study]:
    """Write files beside a study and return the study; by default log.csv and register.csv."""

    def build(files: Files | None = None, settings: Mapping[str, Any] | None = None) -> Study:
        for name, content in (files or {}).items():
            data = content.encode() if isinstance(content, str) else content
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / name).write_bytes(data)
        given = {"name": "made up", "files": default_files(), **(settings or {})}
        return study_from_mapping(given, path=tmp_path / "study.toml")

    return build


@pytest.fixture
def log_of(study_of: Callable[..., Study]) -> Callable[..., RepairLog]:
    """Write files beside a study and read its log; LOG and REGISTER where not given."""

    def read(files: Files | None = None, settings: Mapping[str, Any] | None = None) -> RepairLog:
        return read_log(
            study_of({"log.csv": LOG, "register.csv": REGISTER, **(files or {})}, settings)
        )

    return read


def default_files(**of_log: Any) -> dict[str, Any]:
    """Files part of a study, with settings of the log's source."""
    source = {"path": "log.csv", "counters": {"engine_hours": "hours"}, **of_log}
    return {
        "log": [source],
        "register": [{"path": "register.csv", "covariates": {"depot": "depot"}}],
    }


@pytest.fixture
def files_with() -> Callable[..., dict[str, Any]]:
    """Return the files part of a study with settings of the log's source."""
    return default_files


@pytest.fixture
def made_log() -> str:
    return LOG


@pytest.fixture
def made_register() -> str:
    return REGISTER
