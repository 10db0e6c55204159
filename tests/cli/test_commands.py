"""The command line: exit codes, messages without a traceback, accounts of rows, pages."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from relkit.cli.commands import main

JOBS = "date,vehicle,component,location,finding,action\n"
LIST = "vehicle,component,location,fitted_on\n"
STUDY = """name = "small"
[files]
log = [{ path = "jobs.csv" }]
register = [{ path = "items.csv" }]
[window]
start = 2020-01-01
end = 2024-12-31
"""


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command line."""
    with pytest.raises(SystemExit) as left:
        main(list(words))
    seen = capsys.readouterr()
    code = left.value.code
    return (0 if code is None else int(code)), seen.out, seen.err


@pytest.fixture
def study(tmp_path: Path) -> Path:
    jobs = [
        f"202{1 + i % 4}-{1 + i % 12:02d}-11,V{i % 9},camera,rear,failed,replaced"
        for i in range(24)
    ]
    (tmp_path / "jobs.csv").write_text(JOBS + "\n".join(jobs) + "\n")
    items = [f"V{i},camera,rear,2020-02-0{1 + i % 9}" for i in range(12)]
    (tmp_path / "items.csv").write_text(LIST + "\n".join(items) + "\n")
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path / "study.toml"


def test_help_has_examples_and_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    # Source: common practice.
    code, out, _ = run(capsys, "--help")
    assert code == 0
    assert "relkit plan study.toml --out plan_out" in out
    assert "3  a file of the study cannot be used" in out
    for command in ("demo", "check", "plan"):
        code, out, _ = run(capsys, command, "--help")
        assert (code, "Example" in out) == (0, True)


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    # Source: common practice.
    assert run(capsys, "--version")[:2] == (0, "relkit 0.1.0\n")


def test_check_accounts_for_every_row(capsys: pytest.CaptureFixture[str], study: Path) -> None:
    # Source: counted by hand: 24 jobs and 12 items were written.
    code, out, err = run(capsys, "check", str(study))
    assert (code, err) == (0, "")
    assert "log: 24 rows read = 24 used + 0 set aside" in out
    assert "register: 12 rows read = 12 used + 0 set aside" in out
    assert "What limits the analysis" in out
    assert all(len(line) <= 100 for line in out.splitlines() if str(study) not in line)


def test_strict_tells_of_rows_set_aside(capsys: pytest.CaptureFixture[str], study: Path) -> None:
    # Source: the exit codes promised by --help.
    with (study.parent / "jobs.csv").open("a") as file:
        file.write("31/31/2022,V1,camera,rear,failed,replaced\n")
    assert run(capsys, "check", str(study))[0] == 0
    code, out, _ = run(capsys, "check", str(study), "--strict")
    assert code == 1
    assert "log: 25 rows read = 24 used + 1 set aside" in out


def test_without_a_register_the_log_is_checked_and_lives_refused(
    capsys: pytest.CaptureFixture[str], study: Path
) -> None:
    # Source: without a list of what is fitted, gaps between rows are not lives.
    study.write_text(STUDY.replace('register = [{ path = "items.csv" }]\n', ""))
    code, out, _ = run(capsys, "check", str(study))
    assert code == 0
    assert "24 rows read = 24 used + 0 set aside" in out
    assert "No lives can be built: there is no register" in out
    code, _, err = run(capsys, "plan", str(study), "--out", str(study.parent / "out"))
    assert code == 3
    assert err.startswith("relkit: ")
    assert "register" in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["check", "nowhere.toml"], 2, "there is no such study file"),
        (["check"], 2, "Missing argument 'STUDY'"),
        (["chek", "study.toml"], 2, "No such command"),
        (["plan", "study.toml"], 2, "Missing option '--out'"),
    ],
)
def test_wrong_usage_ends_with_two(
    capsys: pytest.CaptureFixture[str], words: list[str], code: int, message: str
) -> None:
    # Source: the exit codes promised by --help.
    found, _, err = run(capsys, *words)
    assert found == code
    assert message in err
    assert "Traceback" not in err


def test_a_wrong_study_file_names_the_key(capsys: pytest.CaptureFixture[str], study: Path) -> None:
    # Source: unknown keys are errors that name the nearest known key.
    study.write_text(STUDY + "[decision]\nhorizont_months = 3\n")
    code, _, err = run(capsys, "check", str(study))
    assert code == 2
    assert 'unknown key "decision.horizont_months"' in err
    assert "horizon_months" in err


def test_a_missing_input_file_ends_with_three(
    capsys: pytest.CaptureFixture[str], study: Path
) -> None:
    # Source: the exit codes promised by --help.
    (study.parent / "jobs.csv").unlink()
    code, _, err = run(capsys, "check", str(study))
    assert code == 3
    assert "jobs.csv" in err


def test_a_folder_that_cannot_be_made_ends_with_two(
    capsys: pytest.CaptureFixture[str], study: Path
) -> None:
    # Source: common practice: --out lies below a file.
    code, _, err = run(capsys, "plan", str(study), "--out", str(study / "out"))
    assert code == 2
    assert "cannot make the folder" in err


def test_plan_writes_page_workbook_and_tables(
    capsys: pytest.CaptureFixture[str], study: Path
) -> None:
    # Source: the outputs promised by --help.
    folder = study.parent / "out"
    code, out, _ = run(capsys, "plan", str(study), "--out", str(folder), "--quiet")
    assert code == 0
    assert "camera, rear" in out
    assert "company checks come first" in out
    assert all(len(line) <= 100 for line in out.splitlines() if str(folder) not in line)
    written = sorted(path.name for path in folder.iterdir())
    assert written == ["job_cards.html", "plan.html", "plan.xlsx", "tables"]
    assert (folder / "tables" / "intervals.csv").exists()
    assert "<title>small: maintenance plan</title>" in (folder / "plan.html").read_text("utf-8")


def test_same_study_same_files(capsys: pytest.CaptureFixture[str], study: Path) -> None:
    # Source: every run is a function of study and files.
    for name in ("one", "two"):
        run(capsys, "plan", str(study), "--out", str(study.parent / name), "-q")
    for path in sorted((study.parent / "one").rglob("*.*")):
        other = study.parent / "two" / path.relative_to(study.parent / "one")
        assert path.read_bytes() == other.read_bytes(), path.name


def test_demo_ends_with_its_table_and_pages(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    # Source: the outputs promised by --help.
    code, out, _ = run(capsys, "demo", "--out", str(tmp_path / "demo"), "--seed", "1")
    assert code == 0
    assert "camera, spreader" in out
    assert str(tmp_path / "demo" / "plan" / "plan.html") in out
    assert (tmp_path / "demo" / "plan" / "plan.html").stat().st_size > 1e6
    assert (tmp_path / "demo" / "clean" / "study.toml").exists()
    assert (tmp_path / "demo" / "dirty" / "study.toml").exists()


def test_module_can_be_run() -> None:
    # Source: common practice.
    words = [sys.executable, "-m", "relkit", "--version"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.startswith("relkit ")
