"""The command line: demo, check and plan; exit codes; errors as one message without a traceback.

Layer: cli. Thin: each command calls the public functions and prints what they give.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import relkit
from relkit.cli.backtest import backtest
from relkit.cli.new import new, notes
from relkit.cli.progress import stages
from relkit.cli.rules import EPILOG as RULES_EXAMPLES
from relkit.cli.rules import rules
from relkit.cli.serving import notebooks, serve
from relkit.cli.trail import trail
from relkit.cli.whatif import EPILOG as WHATIF_EXAMPLES
from relkit.cli.whatif import whatif
from relkit.errors import InputError, RelkitError, StudyError

if TYPE_CHECKING:
    import pandas as pd

    from relkit.logbook.read import RepairLog
    from relkit.plan.result import Plan

__all__ = ["app", "main"]

DONE, ROWS_SET_ASIDE, WRONG_STUDY, WRONG_INPUT = 0, 1, 2, 3

app = typer.Typer(
    name="relkit",
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Show no progress.")]
Strict = Annotated[
    bool, typer.Option("--strict", help="End with exit code 1 where rows were set aside.")
]
StudyFile = Annotated[
    Path, typer.Argument(metavar="STUDY", help="The study file (TOML).", show_default=False)
]


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words of the command line; default: those that the process was started with.
    """
    words = None if arguments is None else list(arguments)
    try:
        app(args=words, prog_name="relkit")
    except RelkitError as error:
        sys.stderr.write(f"relkit: {error}\n")
        raise SystemExit(WRONG_STUDY if isinstance(error, StudyError) else WRONG_INPUT) from None


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"relkit {relkit.__version__}")
        raise typer.Exit


@app.callback(
    epilog="""Examples:

\b
  relkit demo --out demo_out             a made-up fleet, planned: see what comes out
  relkit new jobs.csv fitted.xlsx        a study file for your own log, to be confirmed
  relkit check study.toml                can this log carry the question?
  relkit plan study.toml --out plan_out  intervals, due list, page, workbook, CSV files

\b
Exit codes:
  0  done
  1  done, but rows were set aside (only with --strict)
  2  the command or the study file is wrong
  3  a file of the study cannot be used
"""
)
def _relkit(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """From a fleet's repair log to failure curves and inspection intervals.

    relkit reads a repair log and a register of what is fitted, both described by a study file,
    and says how long each kind of item lasts at each mounting location, what to test or replace
    at which service, and what the log cannot tell. Input files are never changed.
    """


@app.command(
    epilog="""Example:

\b
  relkit demo --out demo_out
  then open demo_out/plan/plan.html in a browser
"""
)
def demo(
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the demo; made where it is missing.")
    ],
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the made-up fleet.")] = 1,
    quiet: Quiet = False,
) -> None:
    """Write a made-up fleet with its repair log, and plan it.

    The fleet is invented and its truth is known: OUT/clean has the log without and OUT/dirty
    with the usual dirt, both with their study files; OUT/plan has the plan of the dirty log.
    """
    from relkit.demo.write import write_demo

    folder = _writable(out)
    with stages(quiet=quiet) as tell:
        tell("making the fleet and its log")
        _, study = write_demo(folder, seed=seed)
        plan, written = _plan_and_write(study, folder / "plan", tell)
    _print_plan(plan, [("study", study), *written])


@app.command(
    epilog="""Examples:

\b
  relkit check study.toml
  relkit check study.toml --strict   for scripts: exit code 1 where rows were set aside
"""
)
def check(study: StudyFile, strict: Strict = False, quiet: Quiet = False) -> None:
    """Read the log and say what is in it, what was set aside and what limits the analysis.

    Nothing is written. Each row that was read is accounted for: used + set aside.
    """
    from relkit.cli.output import lives_text
    from relkit.lives.table import life_tables
    from relkit.logbook.read import read_log
    from relkit.study.read import read_study

    settings = read_study(study)
    lives, refusal = "", ""
    with stages(quiet=quiet) as tell:
        tell("reading the files")
        log = read_log(settings, progress=tell)
        set_aside, findings = log.set_aside, log.findings
        accounts = _log_accounts(log)
        try:
            tables = life_tables(log, settings, progress=tell)
        except InputError as error:
            refusal = str(error)
        else:
            set_aside, findings = tables.set_aside, tables.findings
            accounts, lives = tables.row_classes, lives_text(tables.lives)
    _print_check(log.files, accounts, set_aside, findings, lives, refusal)
    if not refusal:
        typer.echo(f"\nNext: relkit plan {study} --out plan_out")
    if strict and len(set_aside):
        raise typer.Exit(ROWS_SET_ASIDE)


@app.command(
    epilog="""Example:

\b
  relkit plan study.toml --out plan_out
  then open plan_out/plan.html in a browser
"""
)
def plan(
    study: StudyFile,
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the plan; made where it is missing.")
    ],
    quick: Annotated[
        bool,
        typer.Option(
            "--quick",
            help="Leave out how the plan changes under other treatments, and last year's forecast.",
        ),
    ] = False,
    strict: Strict = False,
    quiet: Quiet = False,
) -> None:
    """Plan: intervals with their reasons, due list, spares; as a page, a workbook and CSV files.

    Prints the interval table. Writes OUT/plan.html (one file, works offline), OUT/plan.xlsx and
    OUT/tables/*.csv; they take their places together, once all of them are written.
    """
    folder = _writable(out)
    with stages(quiet=quiet) as tell:
        made, written = _plan_and_write(study, folder, tell, quick=quick)
    _print_plan(made, written)
    if strict and len(made.set_aside):
        raise typer.Exit(ROWS_SET_ASIDE)


app.command(
    epilog="""Examples:

\b
  relkit trail study.toml --component camera --location "rear high"
  relkit trail study.toml --row log_2022.csv:15
"""
)(trail)


app.command(
    epilog="""Examples:

\b
  relkit backtest study.toml
  relkit backtest study.toml --months 6 --months 12 --out backtest_out
"""
)(backtest)
app.command(epilog=WHATIF_EXAMPLES)(whatif)
app.command(epilog=RULES_EXAMPLES)(rules)


app.command(
    epilog="""Example:

\b
  relkit notebooks study.toml --out my_notebooks
"""
)(notebooks)
app.command(
    epilog="""Example:

\b
  relkit serve study.toml
  then open one of the printed addresses in a browser
"""
)(serve)


app.command(
    epilog="""Examples:

\b
  relkit new jobs.csv fitted.xlsx meters.csv   writes study.toml
  relkit new jobs_2024.csv jobs_2025.csv --out fleet/study.toml
"""
)(new)
app.command(
    epilog="""Examples:

\b
  relkit notes study.toml
  relkit notes study.toml --out notes.csv
"""
)(notes)


def _plan_and_write(
    study: Path, folder: Path, tell: Callable[[str], None], *, quick: bool = False
) -> tuple[Plan, list[tuple[str, Path]]]:
    from relkit.plan.build import build_plan
    from relkit.plan.treatments_tried import with_treatments_tried
    from relkit.present.outputs import write_outputs
    from relkit.study.read import read_study
    from relkit.whatif.backtest import last_backtest

    made = build_plan(read_study(study), progress=tell)
    tested = None
    if not quick:
        made = with_treatments_tried(made, progress=tell)
        tested = last_backtest(made.study, progress=tell)
    return made, list(write_outputs(made, folder, backtest=tested, progress=tell))


def _print_plan(made: Plan, written: list[tuple[str, Path]]) -> None:
    from relkit.cli.output import line_width, plan_text, written_text

    typer.echo(plan_text(made, width=line_width()))
    typer.echo()
    typer.echo(written_text(written))


def _print_check(
    files: pd.DataFrame,
    accounts: pd.DataFrame,
    set_aside: pd.DataFrame,
    findings: pd.DataFrame,
    lives: str,
    refusal: str,
) -> None:
    from relkit.cli.output import (
        accounts_text,
        files_text,
        findings_text,
        limits_text,
        line_width,
        set_aside_text,
    )

    width = line_width()
    parts = [("Files", files_text(files, width=width)), ("Rows", accounts_text(accounts))]
    if lives:
        parts.append(("Lives", lives))
    if len(set_aside):
        parts.append(("Set aside", set_aside_text(set_aside, width=width)))
    if len(findings):
        parts.append(("Findings", findings_text(findings, width=width)))
    parts.append(("What limits the analysis", limits_text(findings, refusal, width=width)))
    typer.echo("\n\n".join(f"{title}\n{text}" for title, text in parts))


def _log_accounts(log: RepairLog) -> pd.DataFrame:
    """Rows by table where no lives could be built: used, or set aside."""
    import pandas as pd

    aside = log.set_aside["kind"].value_counts()
    rows = []
    for kind, read in log.files.groupby("kind", sort=False)["rows"].sum().items():
        rows += [(kind, "set aside")] * int(aside.get(kind, 0))
        rows += [(kind, "used")] * (int(read) - int(aside.get(kind, 0)))
    return pd.DataFrame(rows, columns=["kind", "row_class"])


def _writable(folder: Path) -> Path:
    """Return the output folder, made where it is missing; a wrong one is a usage error."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise typer.BadParameter(f"cannot make the folder {folder}: {error.strerror}") from None
    if not os.access(folder, os.W_OK):
        raise typer.BadParameter(f"cannot write to the folder {folder}")
    return folder
