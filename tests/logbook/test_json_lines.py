"""JSON lines: values as written, a bad line costs itself only, nested values are named."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from relkit.errors import InputError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]


def as_lines(text: str) -> str:
    """Return a CSV text as JSON lines: whole numbers as numbers, blanks left out or null."""
    names, *rows = (line.split(",") for line in text.splitlines())
    lines = []
    for number, row in enumerate(rows):
        pairs: dict[str, Any] = {
            name: float(cell) if cell.isdigit() else cell or None
            for name, cell in zip(names, row, strict=True)
        }
        if number % 2:
            pairs = {name: value for name, value in pairs.items() if value is not None}
        lines.append(json.dumps(pairs))
    return "\n".join(lines) + "\n"


@pytest.fixture
def read(log_of: Reader, files_with: Callable[..., dict[str, Any]]) -> Callable[..., RepairLog]:
    def lines(text: str | bytes, path: str = "log.jsonl", **settings: Any) -> RepairLog:
        return log_of({path: text}, {"files": files_with(path=path, **settings)})

    return lines


def test_the_same_log_as_from_csv(read: Any, log_of: Reader, made_log: str) -> None:
    # Source: the same rows by the reader of CSV; rows are lines, so numbers are one less.
    log, same = read(as_lines(made_log)), log_of()
    for frame in (log.jobs, same.jobs):
        frame["event"] = frame["source"] = frame["source"].str.rsplit(":", n=1).str[1].astype(int)
    log.jobs[["source", "event"]] += 1
    pd.testing.assert_frame_equal(log.jobs, same.jobs)
    assert log.files["encoding"].iloc[0] == "utf-8 (JSON lines)"


@pytest.mark.parametrize("path", ["log.jsonl.gz", "log.ndjson.gz", "log.csv.gz"])
def test_packed_files_are_unpacked(read: Any, made_log: str, path: str) -> None:
    # Source: common practice.
    text = made_log if ".csv" in path else as_lines(made_log)
    log = read(gzip.compress(text.encode()), path)
    assert len(log.jobs) == 3
    assert log.jobs["source"].str.startswith(f"{path}:").all()
    with pytest.raises(InputError, match="cannot be unpacked"):
        read(gzip.compress(text.encode())[:-9], path)


ROW = '"date": "2023-01-05", "vehicle": "GR-01", "component": "camera", "location": "front"'


@pytest.mark.parametrize(
    ("line", "reason", "value"),
    [
        (f'{{{ROW}, "note": ["a", "b"]}}', "nested value", "note"),
        (f'{{{ROW}, "Hours": {{"engine": 5}}}}', "nested value", "Hours"),
        (f"{{{ROW}", "no JSON", "Expecting ',' delimiter: line 1 column 91 (char 90)"),
        ("[1, 2]", "no JSON object", "a list"),
        ('"text"', "no JSON object", "a list"),
        (f'{{{ROW}, "date": "2023-01-06"}}', "a name twice", "date"),
        ("[" * 100_000, "no JSON", "too deep"),
    ],
)
def test_a_bad_line_costs_itself_only(read: Any, line: str, reason: str, value: str) -> None:
    # Source: counted by hand: three lines, the second is bad.
    good = f'{{{ROW}, "hours": 7}}'
    log = read(f"{good}\n{line}\n\n{good.replace('-05', '-15')}\n", counters={"km": "hours"})
    assert log.set_aside[["source", "reason"]].to_numpy().tolist() == [["log.jsonl:2", reason]]
    assert log.set_aside["value"].iloc[0].startswith(value[:30])
    assert log.jobs["source"].tolist() == ["log.jsonl:1", "log.jsonl:4"]


def test_nested_values_that_nobody_asks_for_are_not_read(read: Any) -> None:
    # Source: common practice.
    log = read(f'{{{ROW}, "hours": 7, "tags": ["a"], "cost": NaN}}\n')
    assert len(log.jobs) == 1
    told = log.findings.set_index("rule").loc["nested values"]
    assert (told["what"], told["rows"]) == ("Values are lists or objects: tags", 1)


def test_numbers_stay_as_written_under_a_decimal_comma(read: Any) -> None:
    # Source: 1.5e2 is 150.
    text = f'{{{ROW}, "hours": 1000.25, "cost": 1.5e2, "job": 7}}\n'
    jobs = read(text, decimal=",").jobs
    assert jobs[["reading", "cost", "job"]].iloc[0].tolist() == [1000.25, 150, "7"]


def test_what_is_no_text_is_refused(read: Any) -> None:
    # Source: common practice.
    with pytest.raises(InputError, match="the file is empty"):
        read(b"")
    with pytest.raises(InputError, match="not text"):
        read(bytes(range(32)) * 40)
