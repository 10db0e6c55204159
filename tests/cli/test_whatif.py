"""The whatif command: questions, scenarios from files, levers, errors without a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit.cli.commands import main

STUDY = str(Path(__file__).parents[2] / "data_demo" / "clean" / "study.toml")


def run(*words: str) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["whatif", *words])
    return int(ended.value.code or 0)


def test_without_more_it_lists_the_questions(capsys: pytest.CaptureFixture[str]) -> None:
    # Source: 24 questions.
    assert run(STUDY) == 0
    out = capsys.readouterr().out
    assert " 24  Which single datum would help most?" in out
    assert "relkit whatif STUDY --question NUMBER" in out


def test_a_question_is_answered_saved_and_compared_again(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    # Source: what is saved gives the same numbers when read back.
    assert run(STUDY, "--question", "7", "--save", str(tmp_path), "--quiet") == 0
    answered = capsys.readouterr().out
    assert "7. Skip one service (strike, snow)?" in answered
    (path,) = tmp_path.glob("*.toml")
    assert f"saved: {path}" in answered
    assert run(STUDY, str(path), "--histories", "5", "--quiet") == 0
    again = capsys.readouterr().out
    rows = [line for line in again.splitlines() if "Failures" in line]
    assert rows
    assert all(row in answered for row in rows)
    assert "not simulated: extra or skipped visits" in again


def test_wrong_scenarios_end_with_their_mend(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    # Source: exit code 2 for settings that are wrong.
    path = tmp_path / "wrong.toml"
    path.write_text('name = "x"\ncomponet = "camera"\n', encoding="utf-8")
    assert run(STUDY, str(path), "--quiet") == 2
    assert 'nearest known key: "component"' in capsys.readouterr().err
    assert run(STUDY, "--save", str(tmp_path), "--quiet") == 2
    assert "name one" in capsys.readouterr().err
