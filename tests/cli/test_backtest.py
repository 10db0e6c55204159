"""The backtest command: what it prints, what it writes, how it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit.cli.commands import main

LOG = "date,vehicle,component,location,finding,action\n"
REGISTER = "vehicle,component,location,fitted_on\n"
STUDY = """name = "small"
[files]
log = [{{ path = "jobs.csv" }}]
register = [{{ path = "items.csv" }}]
[window]
start = 2020-01-01
end = {end}
"""


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command line."""
    with pytest.raises(SystemExit) as left:
        main(list(words))
    seen = capsys.readouterr()
    code = left.value.code
    return (0 if code is None else int(code)), seen.out, seen.err


def write_study(folder: Path, end: str) -> Path:
    jobs = [
        f"202{i % 4}-{1 + i % 12:02d}-{1 + i % 28:02d},V{i % 16},camera,rear,failed,replaced"
        for i in range(60)
    ]
    (folder / "jobs.csv").write_text(LOG + "\n".join(jobs) + "\n")
    items = [f"V{i},camera,rear,2019-0{1 + i % 9}-01" for i in range(16)]
    (folder / "items.csv").write_text(REGISTER + "\n".join(items) + "\n")
    (folder / "study.toml").write_text(STUDY.format(end=end))
    return folder / "study.toml"


def test_it_prints_and_writes_what_came(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    # Source: the files that --help promises.
    study, out = write_study(tmp_path, "2023-12-31"), tmp_path / "out"
    words = ("--months", "6", "--every-months", "12", "--out", str(out), "--quiet")
    code, printed, errors = run(capsys, "backtest", str(study), *words)
    assert (code, errors) == (0, "")
    assert "Standing at 1 Jul 2023 with only what the log then held" in printed
    assert "all together" in printed
    assert "point estimates alone" in printed
    assert (out / "backtest.html").exists()
    assert len(list((out / "tables").glob("backtest_*.csv"))) == 4


def test_a_short_log_is_no_error(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    # Source: a year before and a quarter after the first date.
    study = write_study(tmp_path, "2020-10-31")
    code, printed, _ = run(capsys, "backtest", str(study), "--quiet")
    assert code == 0
    assert "The log is too short for this test: it covers 10 months" in printed


def test_a_horizon_that_is_no_whole_quarter_is_a_usage_error(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    # Source: exit code 2, as --help promises.
    study = write_study(tmp_path, "2023-12-31")
    code, _, errors = run(capsys, "backtest", str(study), "--months", "5")
    assert code == 2
    assert "give whole quarters such as 3, 6 or 12" in " ".join(errors.replace("│", " ").split())
