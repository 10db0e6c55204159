"""Paths and globs of sources: which files are read, in which order, and what is missing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from relkit.errors import InputError, StudyError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
FilesWith = Callable[..., dict[str, Any]]


def test_glob_reads_files_in_the_order_of_their_names(
    log_of: Reader, files_with: FilesWith, made_log: str
) -> None:
    header, *rows = made_log.splitlines()
    files = {
        f"in/log_{name}.csv": f"{header}\n{row}\n" for name, row in zip("bca", rows, strict=True)
    }
    said: list[str] = []
    log = log_of({**files, "in/~$log_a.csv": "lock"}, {"files": files_with(path="in/*.csv")})
    assert sorted(log.jobs["source"]) == ["in/log_a.csv:2", "in/log_b.csv:2", "in/log_c.csv:2"]
    assert log.files["file"].tolist()[:3] == ["in/log_a.csv", "in/log_b.csv", "in/log_c.csv"]
    assert said == []


def test_progress_names_each_file(study_of: Callable[..., Any], made_log: str) -> None:
    from relkit.logbook.read import read_log

    study = study_of({"log.csv": made_log}, {"files": {"log": [{"path": "log.csv"}]}})
    said: list[str] = []
    read_log(study, progress=said.append)
    assert said[0] == "reading log.csv"


def test_missing_file_names_the_nearest(log_of: Reader, files_with: FilesWith) -> None:
    with pytest.raises(InputError, match=r'lgo\.csv: there is no such file.*nearest.*"log\.csv"'):
        log_of({}, {"files": files_with(path="lgo.csv")})
    with pytest.raises(InputError, match="There is no folder"):
        log_of({}, {"files": files_with(path="nowhere/log.csv")})
    with pytest.raises(InputError, match="no such file"):
        log_of({}, {"files": files_with(path="2023_*.csv")})


def test_folder_is_no_file(log_of: Reader, files_with: FilesWith) -> None:
    with pytest.raises(InputError, match="is a folder"):
        log_of({"in/log.csv": "a"}, {"files": files_with(path="in")})


def test_file_named_twice_is_refused(log_of: Reader) -> None:
    files = {"log": [{"path": "log.csv"}, {"path": "lo*.csv"}]}
    with pytest.raises(StudyError, match=r'"log.csv" is named twice among the log files'):
        log_of({}, {"files": files})


def test_delimiter_is_one_character(log_of: Reader, files_with: FilesWith, made_log: str) -> None:
    with pytest.raises(StudyError, match='delimiter ";;" is not one character'):
        log_of({}, {"files": files_with(delimiter=";;")})
    tabs = made_log.replace(",", "\t")
    log = log_of({"log.csv": tabs}, {"files": files_with(delimiter="tab")})
    assert log.files["delimiter"].iloc[0] == "tab"
    assert len(log.jobs) == 3


def test_empty_log_is_refused(log_of: Reader, made_log: str) -> None:
    with pytest.raises(InputError, match=r"log\.csv: the log has no rows"):
        log_of({"log.csv": made_log.splitlines()[0] + "\n"})
    with pytest.raises(InputError, match=r"log\.csv: the file is empty"):
        log_of({"log.csv": ""})


def test_a_glob_does_not_follow_a_link_to_another_folder(
    log_of: Reader,
    files_with: FilesWith,
    made_log: str,
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    # Source: common practice: what a study names is read, and nothing else.
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / "b.csv").write_text(made_log.replace("J", "K"))
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "b.csv").symlink_to(elsewhere / "b.csv")
    (tmp_path / "out").symlink_to(elsewhere)
    for path, link in (("in/*.csv", "in/b.csv"), ("o*/*.csv", "out/b.csv")):
        with pytest.raises(InputError, match=f"^{link}: .*leads to another folder"):
            log_of({"in/a.csv": made_log}, {"files": files_with(path=path)})
    # named by itself it is read
    assert len(log_of({}, {"files": files_with(path="in/b.csv")}).jobs) == 3


def test_keys_that_say_nothing_of_a_kind_are_refused(log_of: Reader, files_with: FilesWith) -> None:
    # Source: common practice: a setting is used or refused.
    with pytest.raises(StudyError, match=r'covariates of "log\.csv" says nothing about the log'):
        log_of({}, {"files": files_with(covariates={"depot": "note"})})
    with pytest.raises(StudyError, match=r"carries of .* says nothing about the log"):
        log_of({}, {"files": files_with(carries=[{"component": "pump"}])})
    register = [{"path": "register.csv", "counters": {"km": "depot"}}]
    with pytest.raises(StudyError, match=r"counters of .* says nothing about the register"):
        log_of({}, {"files": {**files_with(), "register": register}})
