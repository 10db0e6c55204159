"""Mutilated copies of a log: never a traceback, no lost row, the place is named."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from relkit.errors import RelkitError
from relkit.logbook.read import RepairLog, read_log
from relkit.study.read import study_from_mapping

Rng = np.random.Generator
Mutation = Callable[[bytes, Rng], bytes]

FINDINGS = ("failed", "view dark", "planned", "no fault found", "")
ACTIONS = ("replaced", "reseated", "tested", "cleaned", "")
PLACES = ("rear high", "front", "kerb side")


def clean_files(rng: Rng) -> dict[str, bytes]:
    """Return a log of 120 jobs on 8 vehicles with its register, meter readings and looks."""
    log, register = [LOG_HEADER], [["vehicle", "component", "location", "fitted_on", "depot"]]
    readings, looks = [["vehicle", "date", "hours"]], [["vehicle", "date", "location", "result"]]
    for number in range(1, 9):
        vehicle = f"GR-{number:02}"
        for place in PLACES:
            for component in ("camera", "cable"):
                register.append([vehicle, component, place, f"2019-0{number}-11", "North"])
        for month in range(1, 13):
            readings.append([vehicle, f"2023-{month:02}-01", str(number * 500 + month * 60)])
            looks.append([vehicle, f"2023-{month:02}-15", str(rng.choice(PLACES)), "pass"])
    for number in range(120):
        day = np.datetime64("2022-01-03") + 5 * number
        log.append(
            [
                f"J{number:03}",
                f"{str(day)[8:10]}/{str(day)[5:7]}/{str(day)[:4]}",
                f"GR-{rng.integers(1, 9):02}",
                str(rng.choice(["camera", "cable"])),
                str(rng.choice(PLACES)),
                str(rng.choice(FINDINGS)),
                str(rng.choice(ACTIONS)),
                f"{500 + 7.5 * number}",
                f"é note {number}, with a comma" if number % 3 else f'said "{number}"\ntwice',
                "Wilma Vardle",
            ]
        )
    return {
        "log.csv": as_csv(log),
        "register.csv": as_csv(register),
        "readings.csv": as_csv(readings),
        "looks.csv": as_csv(looks),
    }


LOG_HEADER = [
    *("job", "date", "vehicle", "component", "location", "finding", "action", "hours", "note"),
    "technician",
]
STUDY: Mapping[str, Any] = {
    "name": "made up",
    "clock": "engine_hours",
    "files": {
        "log": [
            {"path": "log.csv", "date_format": "day first", "counters": {"engine_hours": "hours"}}
        ],
        "register": [{"path": "register.csv", "covariates": {"depot": "depot"}}],
        "readings": [{"path": "readings.csv", "counters": {"engine_hours": "hours"}}],
        "inspections": [{"path": "looks.csv"}],
    },
    "words": {"component": {"camera": ["cam"], "cable": ["lead"]}},
}


def as_csv(rows: list[list[str]]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode()


def records(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode())))


def without_columns(data: bytes, rng: Rng) -> bytes:
    rows = records(data)
    gone = set(rng.choice(len(rows[0]), int(rng.integers(1, 4)), replace=False).tolist())
    return as_csv([[cell for n, cell in enumerate(row) if n not in gone] for row in rows])


def shuffled(data: bytes, rng: Rng) -> bytes:
    header, *rows = records(data)
    return as_csv([header, *(rows[n] for n in rng.permutation(len(rows)))])


def cut_bytes(data: bytes, rng: Rng) -> bytes:
    for _ in range(int(rng.integers(1, 12))):
        start = int(rng.integers(0, len(data)))
        data = data[:start] + data[start + int(rng.integers(1, 40)) :]
    return data


def cut_off(data: bytes, rng: Rng) -> bytes:
    return data[: int(rng.integers(0, len(data)))]


def changed_bytes(data: bytes, rng: Rng) -> bytes:
    changed = bytearray(data)
    for place in rng.integers(0, len(data), int(rng.integers(1, 30))):
        changed[place] = int(rng.integers(0, 256))
    return bytes(changed)


def wrong_encoding(data: bytes, rng: Rng) -> bytes:
    codecs = ["cp1252", "utf-16", "utf-16-le", "utf-8-sig", "latin-1", "cp850", "utf-32"]
    return data.decode().encode(str(rng.choice(codecs)))


def duplicated(data: bytes, rng: Rng) -> bytes:
    header, *rows = records(data)
    again = [rows[n] for n in rng.integers(0, len(rows), 15)]
    return as_csv([header, *rows, *again])


def blank_lines(data: bytes, rng: Rng) -> bytes:
    lines = data.split(b"\n")
    for place in rng.integers(0, len(lines), 10):
        lines.insert(int(place), b"" if rng.random() < 0.5 else b",,,")
    return b"\n".join(lines)


def totals(data: bytes, rng: Rng) -> bytes:
    header, *rows = records(data)
    width = len(header)
    for text in ("Total", "Sub-total 2023", "Page 2", "Sum:"):
        row = [""] * width
        row[int(rng.integers(0, 2))] = text
        rows.insert(int(rng.integers(0, len(rows))), row)
    return as_csv([header, *rows, header])


def other_delimiter(data: bytes, rng: Rng) -> bytes:
    out = io.StringIO()
    csv.writer(out, delimiter=str(rng.choice([";", "\t", "|", " "]))).writerows(records(data))
    return out.getvalue().encode()


def odd_cells(data: bytes, rng: Rng) -> bytes:
    odd = [
        "0/1/00",
        "31/02/2023",
        "=1+1",
        "\u00a0",
        "NULL",
        "1e99",
        "-5",
        "12:61",
        "GR 99",
        "x" * 9,
    ]
    header, *rows = records(data)
    for _ in range(25):
        row = rows[int(rng.integers(0, len(rows)))]
        row[int(rng.integers(0, len(row)))] = str(rng.choice(odd))
    return as_csv([header, *rows])


def other_date_order(data: bytes, rng: Rng) -> bytes:
    rows = records(data)
    for row in rows[1:]:
        parts = row[1].split("/")
        if len(parts) == 3 and rng.random() < 0.7:
            row[1] = "/".join([parts[1], parts[0], parts[2]])
    return as_csv(rows)


def quotes(data: bytes, rng: Rng) -> bytes:
    for _ in range(int(rng.integers(1, 6))):
        place = int(rng.integers(0, len(data)))
        data = data[:place] + b'"' + data[place:]
    return data


def moved_header(data: bytes, rng: Rng) -> bytes:
    return b"Export of the day\n\n" * int(rng.integers(1, 3)) + data


MUTATIONS: tuple[Mutation, ...] = (
    *(without_columns, shuffled, cut_bytes, cut_off, changed_bytes, wrong_encoding, duplicated),
    *(blank_lines, totals, other_delimiter, odd_cells, other_date_order, quotes, moved_header),
)


def read_mutilated(folder: Path, files: Mapping[str, bytes]) -> RepairLog:
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return read_log(study_from_mapping(STUDY, path=folder / "study.toml"))


def check_account(log: RepairLog) -> None:
    """Each row of each file is kept or set aside, once; each set aside has its reason."""
    kept = {
        "log": log.jobs["source"],
        "register": log.fitments["source"],
        "readings": log.readings["source"],
        "inspections": log.inspections["source"],
    }
    for kind, rows in log.files.groupby("kind")["rows"].sum().items():
        used = set(kept[str(kind)])
        if kind == "readings":
            used = {source for source in used if source.startswith("readings.csv")}
        aside = log.set_aside.loc[log.set_aside["kind"] == kind, "source"]
        assert not used & set(aside)
        assert aside.is_unique
        assert len(used) + len(aside) == rows
    assert (log.set_aside["reason"] != "").all()
    assert "Vardle" not in log.set_aside.to_csv() + log.jobs.to_csv() + log.findings.to_csv()


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda mutation: mutation.__name__)
@pytest.mark.parametrize("seed", range(8))
def test_mutilated_log_is_read_or_refused_in_words(
    tmp_path: Path, mutation: Mutation, seed: int
) -> None:
    rng = np.random.default_rng([seed, MUTATIONS.index(mutation)])
    files = clean_files(np.random.default_rng(1))
    name = str(rng.choice(list(files))) if seed % 2 else "log.csv"
    mutilated = mutation(files[name], rng)
    try:
        log = read_mutilated(tmp_path, {**files, name: mutilated})
    except RelkitError as error:
        message = str(error)
        assert name in message
        assert len(message) > 40
        assert "Traceback" not in message
    else:
        check_account(log)


def test_clean_log_keeps_every_row(tmp_path: Path) -> None:
    log = read_mutilated(tmp_path, clean_files(np.random.default_rng(1)))
    check_account(log)
    assert len(log.jobs) == 120
    assert log.set_aside.empty


@pytest.mark.parametrize(
    ("mutation", "aside"),
    [(shuffled, 0), (duplicated, 15), (totals, 5), (blank_lines, None), (wrong_encoding, None)],
    ids=lambda value: getattr(value, "__name__", str(value)),
)
@pytest.mark.parametrize("seed", range(3))
def test_harmless_mutations_lose_no_job(
    tmp_path: Path, mutation: Mutation, aside: int | None, seed: int
) -> None:
    files = clean_files(np.random.default_rng(1))
    mutilated = mutation(files["log.csv"], np.random.default_rng(seed))
    log = read_mutilated(tmp_path, {**files, "log.csv": mutilated})
    check_account(log)
    if mutation is blank_lines:  # a blank line within a quoted note is part of the note
        assert len(log.jobs) >= 118
    else:
        assert set(log.jobs["job"]) == {f"J{number:03}" for number in range(120)}
    if aside is not None:
        assert len(log.set_aside) == aside


def test_mutilation_of_two_files_at_once(tmp_path: Path) -> None:
    rng = np.random.default_rng(99)
    files = clean_files(np.random.default_rng(1))
    mutilated = {name: odd_cells(totals(data, rng), rng) for name, data in files.items()}
    check_account(read_mutilated(tmp_path, mutilated))
