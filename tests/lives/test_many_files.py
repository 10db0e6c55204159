"""One list of jobs in one file, or in overlapping exports: the same lives."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from relkit.lives.table import LifeTables, life_tables
from relkit.logbook.read import read_log
from relkit.study.read import study_from_mapping


@pytest.fixture(scope="module")
def million_rows() -> ModuleType:
    found = importlib.util.spec_from_file_location(
        "million_rows", Path(__file__).with_name("million_rows.py")
    )
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


def lives_of(million_rows: ModuleType, folder: Path, files: int) -> LifeTables:
    folder.mkdir()
    million_rows.write(folder, 6_000, np.random.default_rng(6), files)
    study = study_from_mapping(million_rows.study_of(), path=folder / "study.toml")
    return life_tables(read_log(study), study)


def test_overlapping_exports_give_the_lives_of_the_whole_list(
    million_rows: ModuleType, tmp_path: Path
) -> None:
    # Source: each of the later 11 files repeats the last 50 rows of the one before.
    one, many = (lives_of(million_rows, tmp_path / str(files), files) for files in (1, 12))
    named = ["opened_by", "closed_by", "masked_job"]
    pd.testing.assert_frame_equal(many.lives.drop(columns=named), one.lives.drop(columns=named))
    again = (
        many.set_aside["reason"].eq("duplicate").sum()
        - one.set_aside["reason"].eq("duplicate").sum()
    )
    assert again == 11 * 50
