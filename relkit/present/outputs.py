"""All outputs of a plan: page, workbook and tables of one run, put in place together.

Layer: present. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from relkit.plan.result import Plan
from relkit.present.backtest_page import BACKTEST_TABLES, write_backtest_tables
from relkit.present.csv_files import TABLES, write_tables
from relkit.present.job_card_page import write_job_cards
from relkit.present.page import write_page
from relkit.present.together import taking_their_places
from relkit.present.workbook import write_workbook
from relkit.whatif.backtest import Backtest

__all__ = ["write_outputs"]


def write_outputs(
    plan: Plan,
    folder: str | Path,
    *,
    backtest: Backtest | None = None,
    progress: Callable[[str], None] | None = None,
) -> tuple[tuple[str, Path], ...]:
    """Write page, workbook and tables of a plan, and return what each is and where.

    They take their places together once all are written; tables of an earlier run that this one
    does not make are removed, other files in the folder are left alone.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    folder : str or Path
        Made where it is missing.
    backtest : Backtest, optional
        Past forecasts of the same study; they have a section of the page and tables.
    progress : callable, optional
        Called with a sentence before each step.

    Raises
    ------
    OSError
        A file cannot be written: then all of them are as they were.
    """
    folder = Path(folder)
    tell = progress or (lambda _: None)
    tables = [f"tables/{name}.csv" for name in TABLES]
    tables += [f"tables/backtest_{name}.csv" for name in BACKTEST_TABLES]
    with taking_their_places(folder, may_go=tables) as stage:
        tell("writing the page")
        write_page(plan, stage / "plan.html", backtest=backtest)
        write_job_cards(plan, stage / "job_cards.html")
        tell("writing the workbook")
        write_workbook(plan, stage / "plan.xlsx")
        tell("writing the tables")
        write_tables(plan, stage / "tables")
        if backtest is not None:
            write_backtest_tables(backtest, stage / "tables")
    return (
        ("page", folder / "plan.html"),
        ("job cards", folder / "job_cards.html"),
        ("workbook", folder / "plan.xlsx"),
        ("tables", folder / "tables"),
    )
