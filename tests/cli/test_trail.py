"""The trail command on the demo: what it prints and writes, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from relkit.cli.commands import main

STUDY = str(Path(__file__).parents[2] / "data_demo" / "clean" / "study.toml")


def _run(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = 0
    try:
        main(words)
    except SystemExit as end:
        code = int(end.code or 0)
    out = capsys.readouterr()
    return code, out.out, out.err


def test_trail_of_an_interval(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["trail", STUDY, "--component", "camera", "--location", "boom arm", "-q"]
    code, out, _ = _run([*words, "--out", str(tmp_path / "trail")], capsys)
    assert code == 0
    assert out.startswith("camera, boom arm\n")
    assert "Weibull shape" in out
    assert "log.csv:" in out
    lives = pd.read_csv(tmp_path / "trail" / "lives.csv")
    rows = pd.read_csv(tmp_path / "trail" / "rows.csv")
    assert f"Lives: {len(lives)} lives" in out
    assert f"Rows: {len(rows)} rows" in out
    assert {path.stem for path in (tmp_path / "trail").iterdir()} == {
        "interval",
        "fit",
        "lives",
        "rows",
        "treatments",
    }


def test_no_row_id_is_broken_over_lines(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["trail", STUDY, "--component", "camera", "--location", "rear high", "-q"]
    _, out, _ = _run(words, capsys)
    lives = pd.Series(out.split("Rows: ")[0].splitlines())
    ids = lives[lives.str.contains("log.csv")].str.extract(r"(log\.csv:\d+)")[0]
    assert ids.notna().all()


def test_trail_of_a_row(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = _run(["trail", STUDY, "--row", "log.csv:40", "-q"], capsys)
    assert code == 0
    assert out.startswith("log.csv:40\nRead as: log. Became: ")
    code, _, err = _run(["trail", STUDY, "--row", "log.csv:99999", "-q"], capsys)
    assert code == 2
    assert "FILE:ROW" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "--component and --location, or --row"),
        (["--row", "log.csv:4", "--component", "camera"], "--component and --location, or --row"),
        (["--where", "camera"], "NAME=VALUE"),
        (["--component", "camera"], "several groups"),
    ],
)
def test_what_the_trail_refuses(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = _run(["trail", STUDY, "-q", *words], capsys)
    assert code == 2
    assert said in err.replace("\n", " ")
