"""The list of rules in the terminal: all, some, and those that one log met."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

from relkit.cli.commands import app
from relkit.demo.write import write_dirty_demo
from relkit.lives.problems import PROBLEMS


def test_all_rules_are_listed_with_their_setting() -> None:
    # Source: the project's own list.
    shown = CliRunner().invoke(app, ["rules"]).output
    assert f"{len(PROBLEMS)} of {len(PROBLEMS)} rules" in shown
    for problem in PROBLEMS:
        assert f"\n{problem.name}\n" in "\n" + shown
    assert "treatments.problems.guess_chains" in shown


def test_words_choose_among_them() -> None:
    # Source: the project's own list.
    shown = CliRunner().invoke(app, ["rules", "meter", "typing"]).output
    assert shown.startswith("meter typing error\n")
    assert f"1 of {len(PROBLEMS)} rules" in shown


def test_a_study_chooses_those_that_its_log_met(tmp_path: Path) -> None:
    # Source: what the demo plants: chains of guesses yes, no time zones.
    path = write_dirty_demo(tmp_path, seed=2, size=0.3)
    shown = CliRunner().invoke(app, ["rules", "--study", str(path)]).output
    assert "\nguess chain\n" in shown
    assert "\nspellings of vehicles\n" in shown
    assert "\ntime zones\n" not in shown
