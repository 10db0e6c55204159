"""The trail command: from an interval to the rows behind it, and from a row to what it moved.

Layer: cli.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from relkit.cli.progress import stages

if TYPE_CHECKING:
    from relkit.plan.trail import IntervalTrail, RowTrail

__all__ = ["trail"]


def trail(
    study: Annotated[
        Path, typer.Argument(metavar="STUDY", help="The study file (TOML).", show_default=False)
    ],
    component: Annotated[str, typer.Option(help="Component type of the interval.")] = "",
    location: Annotated[str, typer.Option(help="Mounting location of the interval.")] = "",
    where: Annotated[
        list[str] | None,
        typer.Option(help="Another column that makes a group, as NAME=VALUE; may be repeated."),
    ] = None,
    row: Annotated[
        str, typer.Option(help="A row instead, as FILE:ROW: what it became and what rests on it.")
    ] = "",
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the whole trail as CSV files.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Show no progress.")] = False,
) -> None:
    """Show which rows an interval rests on, or what one row influenced.

    From an interval: its parameters, its lives, what each failure weighs (how far the B10 life
    would move had it not been a failure), every row behind them and how each was treated.
    From a row: the class it ended in, the lives it opened or ended and the intervals that rest
    on those. Files of the study are only read.
    """
    from relkit.cli.output import line_width
    from relkit.cli.trail_text import interval_trail_text, row_trail_text
    from relkit.logbook.read import read_log
    from relkit.plan.build import plan_of
    from relkit.plan.parts import parts_of
    from relkit.plan.trail import interval_trail, row_trail
    from relkit.study.read import read_study

    wanted = _wanted(component, location, where or [])
    if bool(row) == bool(wanted):
        raise typer.BadParameter("give --component and --location, or --row FILE:ROW")
    folder = None if out is None else _folder(out)
    with stages(quiet=quiet) as tell:
        settings = read_study(study)
        log = read_log(settings, progress=tell)
        plan = plan_of(parts_of(log, settings, progress=tell))
        tell("following the trail")
        found: RowTrail | IntervalTrail
        if row:
            found = one = row_trail(plan, log, row)
            text = row_trail_text(one, settings.clock, width=line_width())
        else:
            found = whole = interval_trail(plan, log, wanted)
            text = interval_trail_text(whole, settings.clock, width=line_width())
    typer.echo(text)
    if folder is not None:
        typer.echo("\n" + "\n".join(f"{name}  {path}" for name, path in _written(found, folder)))


def _wanted(component: str, location: str, others: Sequence[str]) -> dict[str, str]:
    wanted = {"component": component, "location": location}
    for other in others:
        name, equals, value = other.partition("=")
        if not equals or not name.strip():
            raise typer.BadParameter(f'--where takes NAME=VALUE, not "{other}"')
        wanted[name.strip()] = value
    return {name: value for name, value in wanted.items() if value}


def _folder(out: Path) -> Path:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise typer.BadParameter(f"cannot make the folder {out}: {error.strerror}") from None
    if not os.access(out, os.W_OK):
        raise typer.BadParameter(f"cannot write to the folder {out}")
    return out


def _written(found: IntervalTrail | RowTrail, folder: Path) -> list[tuple[str, Path]]:
    import pandas as pd

    from relkit.present.csv_files import write_table

    names = [n for n in found.__slots__ if isinstance(getattr(found, n), pd.DataFrame)]
    return [(n, write_table(getattr(found, n), folder / f"{n}.csv")) for n in names]
