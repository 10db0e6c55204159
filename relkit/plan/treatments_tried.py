"""Does a problem in the data matter? The plan under each contested treatment, beside today's.

Layer: plan. A treatment is contested where careful people would decide differently: each is
switched alone, lives, fits and decisions are made again, and what moves is shown.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from relkit.lives.table import life_tables
from relkit.logbook.read import read_log
from relkit.plan.alternatives import Alternative, alternatives
from relkit.plan.evidence import evidence
from relkit.plan.intervals import interval_table
from relkit.plan.parts import PlanParts, decided_on
from relkit.plan.result import Plan

__all__ = ["COLUMNS", "MATTERS", "stands_under", "treatments_tried", "with_treatments_tried"]

#: Change of an interval, as a share of it, from which a treatment is said to matter (own choice:
#: about one step of a service grid of ten).
MATTERS = 0.1

#: Columns after those that make a stratum.
COLUMNS = (
    "treatment",
    "now",
    "alternative",
    "rows",
    "failures",
    "failures_then",
    "scale",
    "scale_then",
    "task",
    "task_then",
    "interval",
    "interval_then",
    "change",
    "matters",
)


def treatments_tried(
    parts: PlanParts, progress: Callable[[str], None] | None = None
) -> pd.DataFrame:
    """Return what each contested treatment would change, per stratum and alternative.

    Parameters
    ----------
    parts : PlanParts
        Steps of the plan as it stands.
    progress : callable, optional
        Called with a few words before each alternative.

    Returns
    -------
    DataFrame
        The columns that make a stratum, then ``treatment``, ``now``, ``alternative`` (plain
        words), ``rows`` (lives or log rows that the alternative treats differently),
        ``failures``, ``scale`` [study clock], ``task``, ``interval`` [study clock; NaN: none] as
        the plan has them and ``..._then`` under the alternative, ``change`` (of the interval, as
        a share; NaN where either has none), ``matters`` (another task, or an interval that
        moves by 10 % or more). An alternative that concerns no row of the log is left out; a
        stratum that an alternative leaves without lives has task "no lives left".

    Notes
    -----
    Items in service, their ages and the services are those of the plan throughout.
    """
    say = progress or (lambda _: None)
    own = _outcome(parts)
    tables = []
    for tried in alternatives(parts):
        say(f"trying another treatment: {tried.treatment}, {tried.then}")
        tables.append(_compared(own, _outcome(_under(parts, tried)), tried))
    keys = list(parts.study.by)
    if not tables:
        return pd.DataFrame(columns=[*keys, *COLUMNS])
    return pd.concat(tables, ignore_index=True)[[*keys, *COLUMNS]]


def with_treatments_tried(plan: Plan, progress: Callable[[str], None] | None = None) -> Plan:
    """Return a plan with its table of treatments tried.

    The files are read again.

    Raises
    ------
    InputError
        A file can no longer be used.
    """
    from relkit.plan.parts import parts_of

    parts = parts_of(read_log(plan.study), plan.study)
    return replace(plan, treatments_tried=treatments_tried(parts, progress=progress))


def stands_under(tried: pd.DataFrame, by: tuple[str, ...]) -> pd.DataFrame:
    """How many of the treatments tried leave each stratum's task and interval as they are.

    Parameters
    ----------
    tried : DataFrame
        From :func:`treatments_tried`.
    by : tuple of str
        Columns that make a stratum.

    Returns
    -------
    DataFrame
        The columns of ``by``, ``tried`` and ``stands`` (counts), ``leans_on`` (the alternative
        that moves the stratum most; blank where none matters), ``task_then`` and
        ``interval_then`` [study clock] under it.
    """
    weight = tried["change"].abs().fillna(0.0) + 10.0 * (tried["task"] != tried["task_then"])
    ordered = tried.assign(weight=weight.where(tried["matters"], -1.0), stands=~tried["matters"])
    groups = ordered.groupby(list(by), sort=False)
    counts = groups.agg(tried=("matters", "size"), stands=("stands", "sum")).reset_index()
    most = ordered.loc[groups["weight"].idxmax()]
    words = (most["treatment"] + ": " + most["alternative"]).where(most["matters"], "")
    worst = most[[*by, "task_then", "interval_then"]].assign(leans_on=words)
    return counts.merge(worst, on=list(by), how="left")


def _under(parts: PlanParts, tried: Alternative) -> PlanParts:
    """Return the steps under an alternative, made again from where it acts."""
    study = tried.study or parts.study
    tables = parts.tables
    if tried.from_files:
        tables = life_tables(read_log(study), study)
    elif tried.study is not None:
        tables = life_tables(parts.log, study)
    lives = tables.lives if tried.lives is None else tried.lives(tables.lives)
    return decided_on(parts, evidence(lives, study))


def _outcome(parts: PlanParts) -> pd.DataFrame:
    by = list(parts.study.by)
    table = interval_table(
        parts.found, parts.chosen, parts.items, parts.visits, parts.log.fitments, parts.study
    )
    return table[[*by, "failures", "scale", "task", "interval"]]


def _compared(own: pd.DataFrame, other: pd.DataFrame, tried: Alternative) -> pd.DataFrame:
    """Return today's outcome beside the alternative's, one row per stratum of today's plan."""
    values = ("failures", "scale", "task", "interval")
    keys = [name for name in own if name not in values]
    table = own.merge(other, on=keys, how="left", suffixes=("", "_then"))
    table["task_then"] = table["task_then"].fillna("no lives left")
    table["change"] = table["interval_then"] / table["interval"] - 1
    moved = table["change"].abs() >= MATTERS
    table["matters"] = moved | (table["task"] != table["task_then"])
    table["rows"] = np.int64(tried.rows)
    return table.assign(treatment=tried.treatment, now=tried.now, alternative=tried.then)
