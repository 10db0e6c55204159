"""The written demo: same bytes for the same seed, whole files or none, committed copy current."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pandas as pd
import pytest

from relkit.demo.frames import demo_fleet
from relkit.demo.write import write_clean_demo, write_demo, write_dirty_demo
from relkit.study.read import read_study

COMMITTED = Path(__file__).parents[2] / "data_demo"


def contents(folder: Path) -> dict[str, bytes]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    # Source: invariant: every output is a function of seed and size.
    for name in ("one", "two"):
        write_demo(tmp_path / name, seed=7, size=0.3)
    write_demo(tmp_path / "other", seed=8, size=0.3)
    one, two, other = (contents(tmp_path / name) for name in ("one", "two", "other"))
    assert one == two
    assert one.keys() == other.keys()
    fixed = ("study.toml", "truth.csv")
    same = {name for name in one if one[name] == other[name]}
    assert same == {f"{log}/{name}" for log in ("clean", "dirty") for name in fixed}


def test_the_committed_demo_is_that_of_seed_one(tmp_path: Path) -> None:
    # Source: the committed copy; a workbook's bytes may differ between library versions.
    clean, dirty = write_demo(tmp_path, seed=1)
    fresh, committed = contents(tmp_path), contents(COMMITTED)
    assert fresh.keys() == {name for name in committed if "/" in name}
    changed = [name for name in fresh if fresh[name] != committed[name]]
    assert [name for name in changed if not name.endswith(".xlsx")] == []
    names = (path / "log_2021.xlsx" for path in (tmp_path / "dirty", COMMITTED / "dirty"))
    new, old = (pd.read_excel(path, header=None, engine="openpyxl") for path in names)
    pd.testing.assert_frame_equal(new, old)
    assert sum(map(len, committed.values())) < 6_000_000
    assert (clean.name, dirty.name) == ("study.toml", "study.toml")


def test_each_study_names_files_that_are_there(tmp_path: Path) -> None:
    # Source: the study file read back.
    for path in write_demo(tmp_path, seed=2, size=0.2):
        study = read_study(path)
        files = study.files
        for source in (*files.log, *files.register, *files.readings, *files.inspections):
            assert list(path.parent.glob(source.path))


@pytest.mark.parametrize("size", [0.05, 1.0])
def test_the_key_covers_every_row_of_the_log(tmp_path: Path, size: float) -> None:
    # Source: rows counted in the files.
    folder = write_clean_demo(tmp_path / "clean", seed=3, size=size).parent
    key = pd.read_csv(folder / "key.csv", keep_default_na=False)
    log = pd.read_csv(folder / "log.csv", keep_default_na=False)
    assert key["source"].tolist() == [f"log.csv:{row}" for row in range(2, len(log) + 2)]
    folder = write_dirty_demo(tmp_path / "dirty", seed=3, size=size).parent
    key = pd.read_csv(folder / "key.csv", keep_default_na=False)
    rows = key[key["kind"].eq("log")]
    files = rows["source"].str.rpartition(":")[0]
    for path in folder.glob("log_*.csv"):
        encoding = "cp1252" if "2022" in path.name else "utf-8"
        assert files.eq(path.name).sum() == path.read_text(encoding).count("\n") - 1
    assert key["source"].is_unique
    assert rows["row_class"].isin(
        ["failure", "interval", "masked", "censored", "opens life", "recurrence", "merged",
         "set aside"]
    ).all()  # fmt: skip
    assert key["kind"].isin(["log", "register", "readings", "inspections"]).all()


def test_an_item_of_unknown_start_ends_no_life(tmp_path: Path) -> None:
    # Source: the class vocabulary: its end opens the next life, at most one per position.
    folder = write_dirty_demo(tmp_path, seed=1).parent
    key = pd.read_csv(folder / "key.csv", keep_default_na=False)
    register = pd.read_csv(folder / "register.csv")
    default = ["1900-01-01", "2021-01-01"]
    unknown = register["fitted_on"].isna() | register["fitted_on"].isin(default)
    opened = key["row_class"].eq("opens life").sum()
    assert 60 < opened < unknown.sum() == 193 + 29 + 64
    planted = key.loc[key["kind"].eq("register"), "planted"]
    assert planted.str.contains("install date").sum() == unknown.sum()


def test_a_file_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Source: definition of atomic: after a failure the old files are there, no pieces.
    write_clean_demo(tmp_path, seed=1, size=0.05)
    before = contents(tmp_path)

    def fail(source: str, target: str) -> None:
        raise OSError(f"no space for {target} from {source}")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OSError, match="no space"):
        write_clean_demo(tmp_path, seed=2, size=0.05)
    assert contents(tmp_path) == before


def test_the_study_file_comes_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: a folder with a study file has all the files that it names.
    order: list[str] = []
    replace = os.replace

    def noted(source: str, target: Path) -> None:
        order.append(target.name)
        replace(source, target)

    monkeypatch.setattr(os, "replace", noted)
    write_dirty_demo(tmp_path, seed=1, size=0.05)
    assert order[-1] == "study.toml"
    assert len(order) == len(contents(tmp_path))


def test_simulations_are_fast_enough() -> None:
    # Source: the project's need of 20 to 100 seeds; a seed takes about 0.05 s, 2 s is a limit
    # that a busy machine keeps.
    demo_fleet(1)
    start = time.perf_counter()
    fleet = demo_fleet(2)
    assert time.perf_counter() - start < 2
    assert len(fleet.jobs) > 700


@pytest.mark.parametrize("size", [0.0, -1.0])
def test_a_bad_size_writes_nothing(tmp_path: Path, size: float) -> None:
    with pytest.raises(ValueError, match="size"):
        write_demo(tmp_path, size=size)
    assert contents(tmp_path) == {}
