"""Every table of a plan as a CSV file, for other programs, and one that says what they are.

Layer: present. UTF-8 with a byte-order mark, so that spreadsheets read accents; full precision.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.atomic import replacing
from relkit.present.cautions import CAUTIONS
from relkit.present.page_parts import facts

__all__ = ["TABLES", "about", "safe_text", "write_table", "write_tables"]

#: Tables of a plan that are written, each under its own name.
TABLES = (
    "intervals",
    "visits",
    "due",
    "spares",
    "fits",
    "curves",
    "cost_curves",
    "unavailability_curves",
    "lives",
    "findings",
    "set_aside",
    "row_classes",
    "files",
    "noticed",
    "visit_groups",
    "budget",
    "warranty",
    "daily_checks",
    "job_cards",
    "views",
    "treatments_tried",
    "changes",
    "batch_items",
    "trends",
    "recurrence",
    "incidence",
    "clock_tests",
    "family_tests",
    "place_tests",
    "candidates",
    "finding_curves",
)

#: Signs with which a spreadsheet starts a formula, wide forms included.
_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def safe_text(text: str) -> str:
    """Return text that no spreadsheet takes for a formula: an apostrophe stands before it.

    A lone dash stays as it is.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("rear high"), safe_text("-")
    ("'=1+1", 'rear high', '-')
    """
    start = text.lstrip(" ")
    return f"'{text}" if start.startswith(_FORMULA_SIGNS) and len(start) > 1 else text


def about(plan: Plan) -> tuple[tuple[str, str], ...]:
    """Return what a reader of any output has to know: of the plan, its units and its cautions."""
    return (
        ("Study", plan.study.name),
        *facts(plan),
        ("Clock", f"ages, intervals and scales without another unit are in {plan.study.clock}"),
        ("Money", plan.study.costs.currency),
        ("Confidence level", f"{plan.study.decision.confidence_level:g}, two-sided"),
        ("Row ids", "FILE:ROW, as a person counts rows in the file"),
        *((f"Caution: {caution.heading}", caution.text) for caution in CAUTIONS),
    )


def write_tables(plan: Plan, folder: str | Path) -> tuple[Path, ...]:
    """Write each table of the plan to ``NAME.csv`` and what they are to ``about.csv``.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    folder : str or Path
        Made where it is missing. Text that could start a formula gets an apostrophe before it.

    Returns
    -------
    tuple of Path
        The files, ``about.csv`` first. A table that was not made (no columns) has no file.

    Raises
    ------
    OSError
        A file cannot be written; each one appears whole or not at all.
    """
    folder = Path(folder)
    described = pd.DataFrame(about(plan), columns=["what", "text"])
    paths = [write_table(described, folder / "about.csv")]
    made = {name: table for name in TABLES if len((table := getattr(plan, name)).columns)}
    if "set_aside" in made:
        made["set_aside"] = made["set_aside"].assign(corrected="")  # to be filled in and fed back
    paths += [write_table(table, folder / f"{name}.csv") for name, table in made.items()]
    return tuple(paths)


def write_table(table: pd.DataFrame, path: Path) -> Path:
    """Write one table as a CSV file, whole or not at all, and return its path."""
    with replacing(path) as temporary:
        _safe(table).to_csv(
            temporary,
            index=False,
            encoding="utf-8-sig",
            lineterminator="\n",
            quoting=csv.QUOTE_MINIMAL,
        )
    return path


def _safe(table: pd.DataFrame) -> pd.DataFrame:
    """Guard text columns only: each distinct text is looked at once."""
    changed = {}
    for name in table.columns:
        column = table[name]
        if column.dtype == object or isinstance(column.dtype, pd.CategoricalDtype | pd.StringDtype):
            texts = [text for text in column.unique() if isinstance(text, str)]
            guarded = {text: safe for text in texts if (safe := safe_text(text)) != text}
            if guarded:
                safe_column = column.astype(object).map(guarded)
                changed[name] = safe_column.where(safe_column.notna(), column)
    return table.assign(**changed)
