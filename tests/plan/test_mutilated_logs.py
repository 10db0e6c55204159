"""Damaged copies of the demo: a plan, or one sentence that a person can act on; never a traceback.

Each damage is seeded. What is checked comes from the project's own rule (rows read = rows used +
rows set aside) and from counting the rows of the damaged files in this file.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import relkit
from relkit.demo.write import write_clean_demo, write_dirty_demo
from relkit.errors import InputError, RelkitError
from relkit.plan.build import plan_of
from relkit.plan.parts import parts_of
from relkit.plan.result import Plan

pytestmark = pytest.mark.slow

Damage = Callable[[bytes, np.random.Generator], bytes]


@pytest.fixture(scope="module")
def demos(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("demo")
    return {
        "clean": write_clean_demo(folder / "clean", seed=6, size=0.15).parent,
        "dirty": write_dirty_demo(folder / "dirty", seed=6, size=0.15).parent,
    }


@pytest.fixture(scope="module")
def undamaged(demos: dict[str, Path]) -> Plan:
    return relkit.build_plan(relkit.read_study(demos["clean"] / "study.toml"))


def lines_of(data: bytes) -> list[bytes]:
    return data.splitlines(keepends=True)


def without_a_column(data: bytes, rng: np.random.Generator) -> bytes:
    mark = b";" if data.count(b";", 0, 200) > data.count(b",", 0, 200) else b","
    rows = [line.rstrip(b"\r\n").split(mark) for line in data.splitlines()]
    place = int(rng.integers(len(rows[0])))
    return b"\n".join(mark.join(r[:place] + r[place + 1 :]) for r in rows) + b"\n"


def shuffled(data: bytes, rng: np.random.Generator) -> bytes:
    head, *rows = lines_of(data)
    return head + b"".join(rows[i] for i in rng.permutation(len(rows)))


def header_shuffled_in(data: bytes, rng: np.random.Generator) -> bytes:
    rows = lines_of(data)
    return b"".join(rows[i] for i in rng.permutation(len(rows)))


def cut_short(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: int(rng.integers(1, len(data)))]


def cut_inside(data: bytes, rng: np.random.Generator) -> bytes:
    start = int(rng.integers(len(data) - 60))
    return data[:start] + data[start + int(rng.integers(1, 60)) :]


def changed_bytes(data: bytes, rng: np.random.Generator) -> bytes:
    table = bytearray(data)
    for place in rng.integers(len(table), size=40):
        table[place] = int(rng.integers(256))
    return bytes(table)


def two_byte_encoding(data: bytes, rng: np.random.Generator) -> bytes:
    del rng
    return data.decode("latin-1").encode("utf-16")


def foreign_encoding(data: bytes, rng: np.random.Generator) -> bytes:
    del rng
    return data.replace(b"camera", "kam\u00e9ra \u00df".encode("cp1252"))


def doubled(data: bytes, rng: np.random.Generator) -> bytes:
    head, *rows = lines_of(data)
    again = [rows[i] for i in sorted(rng.integers(len(rows), size=len(rows) // 5 + 1))]
    return head + b"".join(rows) + b"".join(again)


def with_blank_lines(data: bytes, rng: np.random.Generator) -> bytes:
    return b"".join(line + b"\n" * int(rng.integers(3)) for line in lines_of(data))


def with_totals(data: bytes, rng: np.random.Generator) -> bytes:
    mark = b";" if data.count(b";", 0, 200) > data.count(b",", 0, 200) else b","
    head, *rows = lines_of(data)
    total = b"Total" + mark * head.count(mark) + b"\n"
    place = int(rng.integers(len(rows) + 1))
    return head + b"".join(rows[:place]) + total + b"".join(rows[place:]) + b"Grand " + total


def without_header(data: bytes, rng: np.random.Generator) -> bytes:
    del rng
    return b"".join(lines_of(data)[1:])


def header_only(data: bytes, rng: np.random.Generator) -> bytes:
    del rng
    return lines_of(data)[0]


def empty(data: bytes, rng: np.random.Generator) -> bytes:
    del data, rng
    return b""


def garbage(data: bytes, rng: np.random.Generator) -> bytes:
    del data
    return rng.bytes(5000)


def swapped_dates(data: bytes, rng: np.random.Generator) -> bytes:
    """Half of the rows with day and month before the year, as an export elsewhere writes them."""
    rows = []
    for line in lines_of(data):
        text = line.decode("latin-1")
        place = text.find("-0") - 4
        if place >= 0 and text[place : place + 4].isdigit() and rng.random() < 0.5:
            year, month, day = text[place : place + 10].split("-")[:3]
            text = f"{text[:place]}{month}/{day}/{year}{text[place + 10 :]}"
        rows.append(text.encode("latin-1"))
    return b"".join(rows)


def quotes_left_open(data: bytes, rng: np.random.Generator) -> bytes:
    place = int(rng.integers(len(data) // 2, len(data)))
    return data[:place] + b'"' + data[place:]


DAMAGES: tuple[Damage, ...] = (
    without_a_column,
    shuffled,
    header_shuffled_in,
    cut_short,
    cut_inside,
    changed_bytes,
    two_byte_encoding,
    foreign_encoding,
    doubled,
    with_blank_lines,
    with_totals,
    without_header,
    header_only,
    empty,
    garbage,
    swapped_dates,
    quotes_left_open,
)
CASES = [
    (damage, demo, kind, seed)
    for seed, damage in enumerate(DAMAGES)
    for demo, kind in (
        ("clean", "log"),
        ("clean", "register"),
        ("dirty", "log"),
        ("dirty", ("readings", "inspections")[seed % 2]),
    )
]


def damaged_copy(source: Path, target: Path, kind: str, damage: Damage, seed: int) -> Path:
    """Copy of a demo in which one file of a kind is damaged; returns the damaged file."""
    shutil.copytree(source, target)
    rng = np.random.default_rng(seed)
    files = sorted(path for path in target.iterdir() if path.name.startswith(kind))
    victim = files[int(rng.integers(len(files)))]
    victim.write_bytes(damage(victim.read_bytes(), rng))
    return victim


def check_accounts(plan: Plan, folder: Path) -> None:
    """Each row of each file in one class, each row set aside with reason and mend."""
    classes = plan.row_classes
    assert classes["source"].is_unique
    for file, kind, rows in plan.files[["file", "kind", "rows"]].itertuples(index=False):
        of_file = classes["source"].str.rsplit(":", n=1).str[0] == file
        assert of_file.sum() == rows, (file, kind)
        if (folder / file).suffix == ".csv":
            data = (folder / file).read_bytes()
            numbers = classes.loc[of_file, "source"].str.rsplit(":", n=1).str[1].astype(int)
            most = max(data.count(b"\n"), data.count(b"\r")) + 1
            assert numbers.between(2, most).all(), file
    aside = classes.loc[classes["row_class"] == "set aside", "source"]
    assert set(aside) == set(plan.set_aside["source"])
    assert len(aside) == len(plan.set_aside)
    assert (plan.set_aside["reason"] != "").all()
    assert (plan.set_aside["mend"] != "").all()
    assert (plan.intervals["why"] != "").all()


@pytest.mark.parametrize(
    ("damage", "demo", "kind", "seed"),
    CASES,
    ids=[f"{damage.__name__}-{demo}-{kind}" for damage, demo, kind, _ in CASES],
)
def test_a_damaged_file_gives_a_plan_or_a_sentence(
    damage: Damage,
    demo: str,
    kind: str,
    seed: int,
    demos: dict[str, Path],
    tmp_path: Path,
) -> None:
    # Source: own algebra; rows are counted here, messages are the project's own rule.
    folder = tmp_path / "copy"
    victim = damaged_copy(demos[demo], folder, kind, damage, seed)
    outcome = plan_or_error(folder, full=seed % 4 == 0)
    if isinstance(outcome, Plan):
        check_accounts(outcome, folder)
        return
    message = str(outcome)
    assert victim.name in message or "register" in message, message
    assert "\n" not in message
    assert outcome.mend, message


def plan_or_error(folder: Path, *, full: bool) -> Plan | InputError:
    """Return the plan, or the error about a file; anything else ends the test.

    The further tables of each fourth only: they take most of the time.
    """
    study = relkit.read_study(folder / "study.toml")
    try:
        if full:
            return relkit.build_plan(study)
        return plan_of(parts_of(relkit.read_log(study), study))
    except InputError as error:
        return error


@pytest.mark.parametrize("name", ["log.csv", "register.csv", "readings.csv", "inspections.csv"])
def test_a_missing_file_is_named(name: str, demos: dict[str, Path], tmp_path: Path) -> None:
    # Source: own algebra.
    folder = tmp_path / "copy"
    shutil.copytree(demos["clean"], folder)
    (folder / name).unlink()
    with pytest.raises(RelkitError, match=name.replace(".", r"\.")):
        relkit.build_plan(relkit.read_study(folder / "study.toml"))


def test_a_workbook_of_garbage_is_named(demos: dict[str, Path], tmp_path: Path) -> None:
    # Source: own algebra.
    folder = tmp_path / "copy"
    shutil.copytree(demos["dirty"], folder)
    (workbook,) = folder.glob("*.xlsx")
    workbook.write_bytes(np.random.default_rng(1).bytes(4000))
    with pytest.raises(InputError, match=workbook.name.replace(".", r"\.")) as caught:
        relkit.build_plan(relkit.read_study(folder / "study.toml"))
    assert caught.value.mend


@pytest.mark.parametrize("demo", ["clean", "dirty"])
def test_the_undamaged_demo_accounts_for_every_row(demo: str, demos: dict[str, Path]) -> None:
    # Source: own algebra; the key lists every row that was written.
    folder = demos[demo]
    plan = relkit.build_plan(relkit.read_study(folder / "study.toml"))
    check_accounts(plan, folder)
    log = plan.row_classes[plan.row_classes["kind"] == "log"]
    assert len(log) == plan.files.loc[plan.files["kind"] == "log", "rows"].sum()


@pytest.mark.parametrize("seed", range(4))
def test_shuffling_the_rows_changes_no_answer(
    seed: int, demos: dict[str, Path], undamaged: Plan, tmp_path: Path
) -> None:
    # Source: invariant: the order of the rows of a file carries no meaning.
    whole = undamaged.intervals
    folder = tmp_path / "copy"
    kind = ("log", "register", "readings", "inspections")[seed]
    damaged_copy(demos["clean"], folder, kind, shuffled, seed)
    mixed = relkit.build_plan(relkit.read_study(folder / "study.toml")).intervals
    assert mixed["task"].tolist() == whole["task"].tolist()
    for name in ("lives", "failures", "exposure", "shape", "scale", "interval"):
        np.testing.assert_allclose(mixed[name], whole[name], rtol=1e-6)
