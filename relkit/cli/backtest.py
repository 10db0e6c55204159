"""The backtest command: whether past forecasts would have been right.

Layer: cli.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.progress import stages

if TYPE_CHECKING:
    from relkit.whatif.backtest import Backtest

__all__ = ["backtest"]


def backtest(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY", help="The study file (TOML).", show_default=False)
    ],
    months: Annotated[
        list[int] | None,
        typer.Option(
            help="How far ahead, in whole quarters; may be repeated. Default: 3, 6 and 12.",
            show_default=False,
        ),
    ] = None,
    every_months: Annotated[
        int, typer.Option(min=3, help="Months between the dates on which a forecast is made.")
    ] = 3,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder for the page and tables; made where it is missing."),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Show no progress.")] = False,
) -> None:
    """Stand at past dates with what the log then knew, forecast, and compare with what came.

    Prints the latest whole forecast against what came, which share of outcomes the ranges kept,
    how that compares with naive forecasts, and whether the truth seems to have changed. With
    --out it writes OUT/backtest.html (one file, works offline) and OUT/tables/backtest_*.csv.
    """
    from relkit.study.read import read_study
    from relkit.whatif.backtest import backtest as past_forecasts
    from relkit.whatif.forecast import checked_months

    try:
        horizons = checked_months(tuple(months or (3, 6, 12)))
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
    folder = None if out is None else _folder(out)
    with stages(quiet=quiet) as tell:
        made = past_forecasts(read_study(study), horizons, every_months=every_months, progress=tell)
        written = [] if folder is None else _written(made, folder)
    _print(made, written)


def _written(made: Backtest, folder: Path) -> list[tuple[str, Path]]:
    from relkit.present.backtest_page import write_backtest_page, write_backtest_tables

    page = write_backtest_page(made, folder / "backtest.html")
    tables = write_backtest_tables(made, folder / "tables")
    return [("page", page), *[("tables", path.parent) for path in tables[:1]]]


def _print(made: Backtest, written: list[tuple[str, Path]]) -> None:
    import textwrap

    from relkit.cli.output import line_width, written_text
    from relkit.present.backtest_parts import (
        backtest_sentences,
        coverage_shown,
        forecast_shown,
        scores_shown,
    )
    from relkit.present.text_table import text_table

    width = line_width()
    typer.echo(made.study.name)
    for line in backtest_sentences(made):
        typer.echo(textwrap.fill(line, width, initial_indent="- ", subsequent_indent="  "))
    shown = []
    if not made.forecasts.empty:
        shown = [forecast_shown(made), coverage_shown(made), scores_shown(made)]
    for table in shown:
        rows = [[f"{c.text} ({c.range})" if c.range else c.text for c in row] for row in table.rows]
        typer.echo()
        typer.echo(text_table(table.titles, rows, numeric=table.numeric, width=width))
    if written:
        typer.echo()
        typer.echo(written_text(written))


def _folder(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise typer.BadParameter(f"cannot make the folder {folder}: {error.strerror}") from None
    if not os.access(folder, os.W_OK):
        raise typer.BadParameter(f"cannot write to the folder {folder}")
    return folder
