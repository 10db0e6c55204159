"""The demo's log from a real PostgreSQL server gives the lives that its CSV files give."""

from __future__ import annotations

import csv
import os
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from relkit.errors import InputError
from relkit.lives.table import life_tables
from relkit.logbook.databases import read_database
from relkit.logbook.read import read_log
from relkit.study.read import study_from_mapping
from relkit.study.settings import Source, Study

pytestmark = pytest.mark.postgres

DEMO = Path(__file__).parents[2] / "data_demo"
URL = os.environ.get("RELKIT_TEST_POSTGRES_URL", "")

#: Types under which a repair system may keep the clean demo's columns.
TYPES = {
    **dict.fromkeys(("date",), "timestamp"),
    **dict.fromkeys(("fitted_on", "in_service_on", "vehicle_left_on"), "date"),
    **dict.fromkeys(("engine_hours", "downtime_hours", "labour_hours"), "double precision"),
    **dict.fromkeys(("cost", "km"), "numeric(12, 2)"),
}


@pytest.fixture(scope="module")
def server() -> Iterator[sa.Engine]:
    engine = sa.create_engine(URL.replace("postgresql:", "postgresql+psycopg:"))
    yield engine
    engine.dispose()


def quote(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def fill(server: sa.Engine, schema: str, file: Path, encoding: str, types: dict[str, str]) -> None:
    """Copy a CSV file into a table of its name, with the row number of each row as ``id``."""
    text = file.read_text(encoding=encoding)
    delimiter = ";" if text.splitlines()[0].count(";") else ","
    names, *rows = csv.reader(text.splitlines(keepends=True), delimiter=delimiter)
    columns = [f"{quote(name)} {types.get(name, 'text')}" for name in names]
    table = f"{quote(schema)}.{quote(file.name)}"
    with server.begin() as connection:
        connection.exec_driver_sql(f"CREATE SCHEMA IF NOT EXISTS {quote(schema)}")
        connection.exec_driver_sql(f"DROP TABLE IF EXISTS {table}")
        connection.exec_driver_sql(f"CREATE TABLE {table} (id integer, {', '.join(columns)})")
        cursor = connection.connection.cursor()
        # backwards, so that only ORDER BY can put the rows in order
        with cursor.copy(f"COPY {table} FROM STDIN") as copy:
            for number, row in reversed(list(enumerate(rows, start=2))):
                cells = [cell if cell else None for cell in row]
                copy.write_row([number, *cells, *[None] * (len(names) - len(cells))])


def studies(server: sa.Engine, demo: str, types: dict[str, str]) -> tuple[Study, Study]:
    """Study of the demo's files, and the same with each CSV file as a table of the server."""
    path = DEMO / demo / "study.toml"
    given = tomllib.loads(path.read_text(encoding="utf-8"))
    of_files = study_from_mapping(given, path=path)
    for kind, sources in given["files"].items():
        given["files"][kind] = [
            one for source in sources for one in as_tables(server, demo, source, types)
        ]
    return of_files, study_from_mapping(given, path=path)


def as_tables(
    server: sa.Engine, demo: str, source: dict[str, Any], types: dict[str, str]
) -> list[dict[str, Any]]:
    if source["path"].endswith(".xlsx"):
        return [source]
    rest = {n: v for n, v in source.items() if n not in ("path", "delimiter", "encoding")}
    tables = []
    for file in sorted((DEMO / demo).glob(source["path"])):
        fill(server, demo, file, source.get("encoding", "utf-8-sig"), types)
        query = f'SELECT * FROM {demo}."{file.name}" ORDER BY id'
        tables.append({"url": URL, "query": query, "name": file.name, **rest})
    return tables


@pytest.mark.parametrize(("demo", "types"), [("clean", TYPES), ("dirty", {})])
def test_postgresql_and_csv_give_the_same_lives_byte_for_byte(
    server: sa.Engine, demo: str, types: dict[str, str]
) -> None:
    # Source: the same demo by two ways; once in a repair system's own types, once all as text.
    of_files, of_tables = studies(server, demo, types)
    from_files, from_tables = (
        life_tables(read_log(study), study) for study in (of_files, of_tables)
    )
    assert len(from_files.lives) > 1_000
    for name in ("lives", "row_classes"):
        texts = [getattr(tables, name).to_csv() for tables in (from_files, from_tables)]
        assert texts[0].encode() == texts[1].encode()


def test_a_table_is_read_by_its_key_whatever_its_column_is_called(server: sa.Engine) -> None:
    # Source: common practice; the table is whole afterwards.
    name = 'part"; DROP TABLE hostile; --%s'
    with server.begin() as connection:
        run = connection.execution_options(no_parameters=True).exec_driver_sql
        run("DROP TABLE IF EXISTS hostile")
        run(f"CREATE TABLE hostile (id int, {quote(name)} text, PRIMARY KEY ({quote(name)}))")
        run("INSERT INTO hostile VALUES (1, 'b'), (2, 'a')")
    study = study_from_mapping({"name": "x", "files": {"log": [{"path": "x"}]}})
    source = Source(url=URL, table="hostile")
    for table in ("hostile", "public.hostile"):
        read = read_database(replace(source, table=table), study)
        assert read.names == ("id", name)
        assert read.cells.column(0).to_pylist() == ["2", "1"]


@pytest.mark.parametrize(
    "query",
    [
        "SELECT nextval('counted')",
        "SELECT set_config('transaction_read_only', 'off', true)",
        "WITH gone AS (DELETE FROM kept RETURNING *) SELECT * FROM gone",
        "DROP TABLE kept",
        "COPY kept TO PROGRAM 'true'",
    ],
)
def test_the_transaction_only_reads_even_past_the_check_of_the_query(
    server: sa.Engine, query: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Source: PostgreSQL's documentation of SET TRANSACTION READ ONLY.
    with server.begin() as connection:
        connection.exec_driver_sql("CREATE SEQUENCE IF NOT EXISTS counted")
        connection.exec_driver_sql("CREATE TABLE IF NOT EXISTS kept (a int)")
        connection.exec_driver_sql("DELETE FROM kept")
        connection.exec_driver_sql("INSERT INTO kept VALUES (1)")
    monkeypatch.setattr("relkit.logbook.databases.checked_select", lambda query, **_: query)
    study = study_from_mapping({"name": "x", "files": {"log": [{"path": "x"}]}})
    with pytest.raises(InputError, match="the database says"):
        read_database(Source(url=URL, query=query), study)
    with server.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM kept").scalar_one() == 1


def test_times_with_a_zone_are_pointed_out() -> None:
    # Source: 23:30 UTC is 01:30 the next day in the zone of the session.
    study = study_from_mapping({"name": "x", "files": {"log": [{"path": "x"}]}})
    query = "SELECT timestamptz '2023-06-30 23:30+00' AS date ORDER BY 1"
    read = read_database(Source(url=URL, query=query), study)
    assert [one.rule for one in read.findings] == ["dates: time zone"]
    assert read.cells.column(0).to_pylist()[0].startswith("2023-06-30 23:30:00")
