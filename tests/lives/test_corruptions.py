"""Two hundred and more seeded corruptions of the demo: no traceback, no lost row, the place named.

Each copy of the demo bears one corruption of every kind at rows drawn by its seed. Rows are counted
here; that each corruption is named is the project's own rule. Damaged files, headers and encodings
as a whole are tried in tests/logbook/test_mutations.py and tests/plan/test_mutilated_logs.py.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

import relkit
from relkit.demo.write import write_clean_demo
from relkit.lives.table import LifeTables, life_tables
from relkit.logbook.read import RepairLog

Rng = np.random.Generator
COPIES = 16
TABLES = ("log", "register", "readings", "inspections")


@dataclass(slots=True)
class Row:
    """One row of a file, and the corruption that it bears."""

    cells: list[str]
    kind: str = ""


@dataclass(slots=True)
class Table:
    """One file of the demo."""

    name: str
    header: list[str]
    rows: list[Row] = field(default_factory=list)

    def free(self, rng: Rng) -> int:
        """Return the place of a row that bears no corruption yet, nor do its neighbours."""
        while True:
            at = int(rng.integers(1, len(self.rows) - 1))
            if not any(row.kind for row in self.rows[at - 1 : at + 2]):
                return at

    def put(self, kind: str, rng: Rng, column: str, value: str) -> None:
        """Write a value into a row that is free."""
        row = self.rows[self.free(rng)]
        row.cells[self.header.index(column)] = value
        row.kind = kind

    def insert(self, kind: str, rng: Rng, cells: Callable[[Row], list[str]]) -> None:
        """Insert a row made from the one before it."""
        at = self.free(rng)
        self.rows.insert(at + 1, Row(cells(self.rows[at]), kind))

    def data(self) -> bytes:
        """Return the file."""
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows([self.header, *(r.cells for r in self.rows)])
        return out.getvalue().encode()

    def places(self) -> dict[str, str]:
        """Row id of each corruption."""
        return {
            f"{self.name}:{number}": row.kind
            for number, row in enumerate(self.rows, start=2)
            if row.kind
        }


def read_table(folder: Path, name: str) -> Table:
    header, *rows = csv.reader(io.StringIO((folder / f"{name}.csv").read_text()))
    return Table(f"{name}.csv", header, [Row(row) for row in rows])


def corrupted_log(table: Table, rng: Rng) -> None:
    width = len(table.header)
    for column, value in (
        ("date", "99/99/9999"), ("date", "2097-05-01"), ("date", "1899-01-01"), ("date", ""),
        ("date", "sometime"), ("vehicle", "ZZ-99"), ("vehicle", ""), ("component", "flux box"),
        ("location", "on the roof"), ("finding", "blorped"), ("action", "zapped"),
        ("engine_hours", "lots"), ("engine_hours", "-5"), ("cost", "about 300"),
        ("labour_hours", "-2"),
    ):  # fmt: skip
        table.put(f"{column}={value}", rng, column, value)
    table.insert("row twice", rng, lambda row: list(row.cells))
    table.insert("total", rng, lambda _: ["Total May", *[""] * (width - 1)])
    table.insert("footer", rng, lambda _: ["Page 3", *[""] * (width - 1)])
    table.insert("header again", rng, lambda _: list(table.header))
    table.insert("too many cells", rng, lambda row: [*row.cells, "one", "two"])
    table.insert("too few cells", rng, lambda row: row.cells[:3])


def corrupted_register(table: Table, rng: Rng) -> None:
    for column, value in (
        ("vehicle", ""), ("component", ""), ("fitted_on", "31/02/2020"),
        ("fitted_on", "1900-01-01"), ("fitted_on", "never"), ("vehicle_left_on", "soon"),
    ):  # fmt: skip
        table.put(f"{column}={value}", rng, column, value)
    table.insert("row twice", rng, lambda row: list(row.cells))


def corrupted_readings(table: Table, rng: Rng) -> None:
    for column, value in (
        ("date", "2021-13-45"), ("vehicle", "ZZ-99"), ("vehicle", ""), ("engine_hours", "many"),
        ("engine_hours", "-100"), ("engine_hours", "99999999"),
    ):  # fmt: skip
        table.put(f"{column}={value}", rng, column, value)
    table.insert("row twice", rng, lambda row: list(row.cells))


def corrupted_inspections(table: Table, rng: Rng) -> None:
    for column, value in (("date", "now"), ("vehicle", "ZZ-99"), ("location", "on the roof")):
        table.put(f"{column}={value}", rng, column, value)
    table.insert("row twice", rng, lambda row: list(row.cells))


CORRUPT: dict[str, Callable[[Table, Rng], None]] = {
    "log": corrupted_log,
    "register": corrupted_register,
    "readings": corrupted_readings,
    "inspections": corrupted_inspections,
}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_clean_demo(tmp_path_factory.mktemp("demo"), seed=8, size=0.2).parent


@dataclass(slots=True)
class Outcome:
    """What a corrupted copy of the demo became."""

    planted: dict[str, str]  #: row id -> corruption
    tables: dict[str, Table]
    log: RepairLog
    lives: LifeTables


def outcome_of(seed: int, demo: Path, folder: Path) -> Outcome:
    shutil.copytree(demo, folder)
    rng = np.random.default_rng(seed)
    tables = {name: read_table(folder, name) for name in TABLES}
    for name, table in tables.items():
        CORRUPT[name](table, rng)
        (folder / f"{name}.csv").write_bytes(table.data())
    study = relkit.read_study(folder / "study.toml")
    log = relkit.read_log(study)
    planted = {place: kind for table in tables.values() for place, kind in table.places().items()}
    return Outcome(planted, tables, log, life_tables(log, study))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(COPIES))
def test_each_corruption_is_named_and_no_row_is_lost(seed: int, demo: Path, tmp_path: Path) -> None:
    found = outcome_of(seed, demo, tmp_path / "copy")
    classes, aside = found.lives.row_classes, found.lives.set_aside
    for name, table in found.tables.items():
        own = classes.loc[classes["source"].str.startswith(f"{name}.csv:"), "source"]
        assert len(own) == len(table.rows), name
        assert own.is_unique
    assert set(aside["source"]) == set(classes.loc[classes["row_class"] == "set aside", "source"])
    assert (aside[["reason", "mend"]] != "").all(axis=None)
    said = set(aside["source"]) | set(found.lives.changes["source"])
    where = " ".join(found.lives.findings["where"])
    silent = {
        place: kind
        for place, kind in found.planted.items()
        if place not in said and f"{place}," not in f"{where}," and f"{place}:" not in where
    }
    # the copy of a row is set aside, or the row that it repeats
    twice = {place for place, kind in silent.items() if kind == "row twice"}
    doubles = set(aside.loc[aside["reason"] == "duplicate", "source"])
    for place in twice:
        file, number = place.rsplit(":", 1)
        assert f"{file}:{int(number) - 1}" in doubles, place
    assert {kind for place, kind in silent.items() if place not in twice} == set()


def test_there_are_two_hundred_corruptions_and_more(demo: Path) -> None:
    planted = set()
    for seed in range(COPIES):
        rng = np.random.default_rng(seed)
        for name in TABLES:
            table = read_table(demo, name)
            CORRUPT[name](table, rng)
            planted |= set(table.places().items())
    assert len(planted) >= 500
    assert len({kind for _, kind in planted}) >= 30
