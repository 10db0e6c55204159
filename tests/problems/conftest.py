"""Small logs with one planted problem each, read from files and made lives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from relkit.lives.table import LifeTables, life_tables
from relkit.logbook.read import RepairLog, read_log
from relkit.study.read import study_from_mapping

REGISTER = """vehicle,component,location,fitted_on,serial,depot
V1,camera,rear,2020-07-01,C1,North
V1,cable,rear,2020-07-01,,North
V1,camera,front,2020-07-01,C2,North
V2,camera,rear,2020-07-01,C3,South
V2,cable,rear,2020-07-01,,South
V2,camera,front,2020-07-01,C4,South
"""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What one small log became."""

    log: RepairLog
    tables: LifeTables

    @property
    def classes(self) -> dict[int, str]:
        """Class of each row of the log, by its row in the file."""
        rows = self.tables.row_classes
        rows = rows[rows["kind"] == "log"]
        numbers = rows["source"].str.rsplit(":", n=1).str[1].astype(int)
        return dict(sorted(zip(numbers, rows["row_class"], strict=True)))

    @property
    def rules(self) -> set[str]:
        """Rules of all findings."""
        return set(self.tables.findings["rule"])

    @property
    def reasons(self) -> dict[int, str]:
        """Why rows were set aside, by row."""
        rows = self.tables.set_aside
        numbers = rows["source"].str.rsplit(":", n=1).str[1].astype(int)
        return dict(zip(numbers, rows["reason"], strict=True))

    def lives(self, **where: str) -> pd.DataFrame:
        """Lives with the given values, in order of time."""
        lives = self.tables.lives
        for name, value in where.items():
            lives = lives[lives[name] == value]
        return lives.sort_values("fitted_on").reset_index(drop=True)

    def changed(self, rule: str) -> list[tuple[str, str, str]]:
        """Column, old and new of each change under a rule."""
        lines = self.tables.changes[self.tables.changes["rule"] == rule]
        return list(lines[["column", "old", "new"]].itertuples(index=False, name=None))


def merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Return settings with others laid over them, part by part; lists of one table likewise."""
    whole = dict(base)
    for key, value in over.items():
        if isinstance(value, Mapping) and isinstance(whole.get(key), Mapping):
            whole[key] = merged(whole[key], value)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping) and key in whole:
            whole[key] = [merged(whole[key][0], value[0]), *whole[key][1:]]
        else:
            whole[key] = value
    return whole


@pytest.fixture
def case(tmp_path: Path) -> Callable[..., Case]:
    """Write a log beside a register and return what it became."""

    def build(
        log: str | bytes,
        *settings: Mapping[str, Any],
        register: str = REGISTER,
        readings: str = "",
        inspections: str = "",
    ) -> Case:
        texts = {"register": register, "readings": readings, "inspections": inspections}
        given: dict[str, Any] = {
            "name": "planted",
            "window": {"start": "2021-01-01", "end": "2022-12-31"},
            "files": {"log": [{"path": "log.csv"}]},
        }
        for kind, text in texts.items():
            if text:
                (tmp_path / f"{kind}.csv").write_text(text)
                given["files"][kind] = [{"path": f"{kind}.csv"}]
        given["files"]["register"][0]["covariates"] = {"depot": "depot"}
        if "depot" not in register:
            given["files"]["register"][0]["covariates"] = {}
        data = log.encode() if isinstance(log, str) else log
        (tmp_path / "log.csv").write_bytes(data)
        for part in settings:
            given = merged(given, part)
        start = given["window"]
        given["window"] = {name: pd.Timestamp(day).date() if isinstance(day, str) else day
                           for name, day in start.items()}  # fmt: skip
        study = study_from_mapping(given, path=tmp_path / "study.toml")
        read = read_log(study)
        return Case(read, life_tables(read, study))

    return build
