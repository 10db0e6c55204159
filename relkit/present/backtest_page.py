"""A backtest as a page of its own and as CSV files.

Layer: present. The same section as on the page of the plan, with every date instead of one.
"""

from __future__ import annotations

from pathlib import Path

from relkit.present.atomic import write_bytes
from relkit.present.backtest_parts import backtest_context, backtest_figures
from relkit.present.csv_files import write_table
from relkit.present.html_parts import (
    asset,
    environment,
    figures_as_data,
    json_in_script,
    plotly_script,
    policy,
)
from relkit.present.wording import day
from relkit.whatif.backtest import Backtest

__all__ = ["BACKTEST_TABLES", "write_backtest_page", "write_backtest_tables"]

#: Tables of a backtest; each is written under its own name.
BACKTEST_TABLES = ("forecasts", "coverage", "scores", "drift")


def write_backtest_page(backtest: Backtest, path: str | Path) -> Path:
    """Write a backtest as one HTML file that works offline, and return its path.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    figures = backtest_figures(backtest)
    scripts = {"plotly": plotly_script(), "own": asset("page.js")}
    text = (
        environment()
        .get_template("backtest_page.html.j2")
        .render(
            name=backtest.study.name,
            dates=[day(date) for date in backtest.dates],
            csp=policy(scripts.values()),
            css=asset("page.css"),
            scripts=scripts,
            figures_json=json_in_script(figures_as_data(figures)),
            texts={name: figure.layout.meta["alternative"] for name, figure in figures.items()},
            **backtest_context(backtest),
        )
    )
    return write_bytes(path, str(text).encode("utf-8"))


def write_backtest_tables(backtest: Backtest, folder: str | Path) -> tuple[Path, ...]:
    """Write the tables of a backtest to ``backtest_NAME.csv``; an empty one has no file.

    Raises
    ------
    OSError
        A file cannot be written; each one appears whole or not at all.
    """
    tables = {name: getattr(backtest, name) for name in BACKTEST_TABLES}
    return tuple(
        write_table(table, Path(folder) / f"backtest_{name}.csv")
        for name, table in tables.items()
        if len(table.columns)
    )
