"""The rules command: which problems of a log are looked for, what is done, how to switch it.

Layer: cli.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["EPILOG", "rules"]

EPILOG = """Examples:

\b
  relkit rules
  relkit rules meter
  relkit rules --study study.toml
"""


def rules(
    words: Annotated[
        list[str] | None, typer.Argument(metavar="[WORD]...", help="Only rules with these words.")
    ] = None,
    study: Annotated[
        Path | None,
        typer.Option("--study", help="Only rules that found something in this study's log."),
    ] = None,
) -> None:
    """List the problems of logs that are looked for, what is done, and which setting changes it."""
    from relkit.cli.output import line_width
    from relkit.lives.problems import PROBLEMS, Problem

    def wanted(problem: Problem) -> bool:
        text = f"{problem.name} {problem.what} {problem.detected} {problem.setting}".lower()
        return all(word.lower() in text for word in words or [])

    chosen = [one for one in PROBLEMS if wanted(one)]
    if study is not None:
        met = _rules_met(study)
        chosen = [one for one in chosen if met & set(one.rules)]
    width = line_width()
    for one in chosen:
        typer.echo(one.name)
        for label, text in (
            ("what", one.what),
            ("found by", one.detected),
            ("done", one.treatment),
            ("setting", one.setting),
        ):
            lead = f"  {label:<10}"
            typer.echo(textwrap.fill(text, width, initial_indent=lead, subsequent_indent=" " * 12))
    typer.echo(f"{len(chosen)} of {len(PROBLEMS)} rules")


def _rules_met(path: Path) -> set[str]:
    """Rules under which something was found, set aside or changed in a study's log."""
    from relkit.lives.table import life_tables
    from relkit.logbook.read import read_log
    from relkit.study.read import read_study

    study = read_study(path)
    tables = life_tables(read_log(study), study)
    return {
        *tables.findings["rule"],
        *tables.set_aside["reason"],
        *tables.changes["rule"],
    }
