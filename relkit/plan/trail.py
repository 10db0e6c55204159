"""The trail: from an interval to its parameters, lives and log rows, and from a row back.

Layer: plan. Nothing is estimated anew but the weight of single failures (see influence.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from relkit.errors import StudyError
from relkit.logbook.read import RepairLog
from relkit.plan.influence import influence_of_failures
from relkit.plan.result import Plan

__all__ = ["IntervalTrail", "RowTrail", "interval_trail", "row_trail", "stratum_key"]


@dataclass(frozen=True, slots=True, eq=False)
class IntervalTrail:
    """Everything that one interval rests on."""

    key: Mapping[str, str]  #: what makes the stratum: component, location, ...
    interval: pd.DataFrame  #: its row of the plan's intervals
    fit: pd.DataFrame  #: its row of the fits
    lives: pd.DataFrame  #: its lives, with what each failure weighs (``b10_change``)
    rows: pd.DataFrame  #: source, kind, row_class, detail, role, vehicle, text
    treatments: pd.DataFrame  #: rule, what, done: what was noticed on these rows


@dataclass(frozen=True, slots=True, eq=False)
class RowTrail:
    """What one row of a file became, and what it influenced."""

    source: str
    row: pd.DataFrame  #: source, kind, row_class, detail, text
    lives: pd.DataFrame  #: lives that it opened, closed or gives the age of, and how
    intervals: pd.DataFrame  #: rows of the plan's intervals that rest on those lives
    due: pd.DataFrame  #: entries of the due list whose item it opened


def stratum_key(plan: Plan, wanted: Mapping[str, str]) -> dict[str, str]:
    """Return the one stratum that has the wanted component, location and so on.

    Raises
    ------
    StudyError
        No stratum has them, or several do; the message lists those there are.
    """
    by = [name for name in plan.study.by if name in plan.intervals]
    keys = plan.intervals[by].astype(str)
    fits = pd.Series(True, index=keys.index)
    for name, value in wanted.items():
        fits &= keys[name].str.casefold() == value.strip().casefold() if name in keys else False
    found = keys[fits]
    if len(found) == 1:
        return {name: str(found.iloc[0][name]) for name in by}
    there = found if len(found) else keys
    listed = "; ".join(", ".join(row) for row in there.itertuples(index=False))
    asked = ", ".join(f'{name} "{value}"' for name, value in wanted.items()) or "nothing"
    raise StudyError(
        f"{'several groups have' if len(found) else 'no group has'} {asked}",
        path=str(plan.study.path),
        mend=f"Name one of: {listed}",
    )


def interval_trail(plan: Plan, log: RepairLog, wanted: Mapping[str, str]) -> IntervalTrail:
    """Trail of one interval down to the rows of the files.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    log : RepairLog
        The log behind it.
    wanted : mapping of str to str
        Component, location or whatever else makes a stratum; enough to tell one.

    Raises
    ------
    StudyError
        No stratum or several fit.
    """
    key = stratum_key(plan, wanted)
    own = {"location": "stratum_location"}
    lives = _having(plan.lives, {own.get(name, name): value for name, value in key.items()})
    lives = lives.join(influence_of_failures(lives))
    rows = _rows_behind(lives, plan, log)
    return IntervalTrail(
        key=key,
        interval=_having(plan.intervals, key),
        fit=_having(plan.fits, key),
        lives=lives,
        rows=rows,
        treatments=_noticed_on(plan.findings, set(rows["source"])),
    )


def row_trail(plan: Plan, log: RepairLog, source: str) -> RowTrail:
    """Return what a row became and which lives, intervals and due entries rest on it.

    Parameters
    ----------
    plan : Plan
        From :func:`relkit.build_plan`.
    log : RepairLog
        The log behind it.
    source : str
        FILE:ROW, as a person counts rows in the file.

    Raises
    ------
    StudyError
        No file of the study has such a row.
    """
    row = plan.row_classes[plan.row_classes["source"] == source]
    if row.empty:
        files = ", ".join(plan.files["file"].astype(str).unique())
        raise StudyError(
            f'no row is called "{source}"',
            path=str(plan.study.path),
            mend=f"Write FILE:ROW, row 1 being the header; files of this study: {files}",
        )
    lives = _lives_of(source, row, plan, log)
    keys = list(plan.study.by)
    own = lives.rename(columns={"location": "mounted", "stratum_location": "location"})
    strata = own[[k for k in keys if k in own]].drop_duplicates()
    return RowTrail(
        source=source,
        row=row.assign(text=row["source"].map(_texts(plan, log)).fillna("")),
        lives=lives,
        intervals=plan.intervals.merge(strata, on=list(strata.columns), how="inner"),
        due=plan.due[
            plan.due["opened_by"]
            .astype(str)
            .str.split("; ")
            .map(set)
            .map(lambda sources: source in sources)
        ],
    )


def _having(table: pd.DataFrame, key: Mapping[str, str]) -> pd.DataFrame:
    chosen = np.ones(len(table), dtype=bool)
    for name, value in key.items():
        chosen &= (table[name].astype(str) == value).to_numpy()
    return table[chosen]


def _rows_behind(lives: pd.DataFrame, plan: Plan, log: RepairLog) -> pd.DataFrame:
    """Rows that opened or closed the lives, and those merged into them, with their role."""
    parts = []
    for column, role in (("closed_by", "ended a life"), ("opened_by", "opened a life")):
        part = lives[["vehicle", column]].assign(
            source=lives[column].astype(str).str.split("; "),
            role=np.where(lives["failed"] & (column == "closed_by"), "failure: " + role, role),
        )
        parts.append(part.explode("source")[["source", "role", "vehicle"]])
    named = pd.concat(parts, ignore_index=True)
    named = named[named["source"] != ""]
    roles = named.groupby("source", sort=False).agg(
        role=("role", lambda roles: "; ".join(dict.fromkeys(roles))), vehicle=("vehicle", "first")
    )
    classes = plan.row_classes
    into = classes["detail"].where(classes["row_class"] == "merged", "").str.removeprefix("into ")
    parts_of_jobs = classes[into.isin(roles.index)].assign(into=into).drop_duplicates("source")
    merged = parts_of_jobs.set_index("source")["into"]
    extra = roles.reindex(merged.to_numpy()).set_axis(merged.index).assign(role="same job")
    roles = pd.concat([roles, extra[~extra.index.isin(roles.index)]])
    rows = classes[classes["source"].isin(roles.index)].drop_duplicates("source")
    rows = rows.join(roles, on="source")
    return rows.assign(text=rows["source"].map(_texts(plan, log)).fillna("")).reset_index(drop=True)


def _noticed_on(findings: pd.DataFrame, sources: set[str]) -> pd.DataFrame:
    """Return the findings that name one of the rows."""
    named = findings["where"].astype(str).str.replace(r" and [\d,]+ (others|more)$", "", regex=True)
    touches = named.str.split(", ").map(lambda where: not sources.isdisjoint(where))
    return findings.loc[touches, ["rule", "what", "rows", "done", "where"]].reset_index(drop=True)


def _lives_of(source: str, row: pd.DataFrame, plan: Plan, log: RepairLog) -> pd.DataFrame:
    """Lives that the row opened, closed, dates or was merged into, with the way in ``role``."""
    lives = plan.lives
    merged = row.loc[row["row_class"] == "merged", "detail"].str.removeprefix("into ").tolist()
    role = pd.Series("", index=lives.index, dtype=object)
    for name in (source, *merged):
        for column, words in (("opened_by", "opened it"), ("closed_by", "ended it")):
            texts = "; " + lives[column].astype(str) + "; "
            hit = texts.str.contains(f"; {name}; ", regex=False)
            role = role.mask(hit & (role == ""), words)
    for kind, words in (("readings", "gives its age"), ("inspections", "looked at it")):
        if (row["kind"] == kind).any():
            role = role.mask((role == "") & _touched(getattr(log, kind), source, lives), words)
    return lives[role != ""].assign(role=role[role != ""])


def _touched(table: pd.DataFrame, source: str, lives: pd.DataFrame) -> pd.Series:
    """Lives of the row's vehicle (and position, where named) that ran at its date."""
    rows = table[table["source"] == source]
    hit = pd.Series(False, index=lives.index)
    for row in rows.to_dict("records"):
        here = lives["vehicle"] == row["vehicle"]
        for name in ("component", "location"):
            if row.get(name, "") != "":
                here &= lives[name] == row[name]
        since, until = lives["fitted_on"], lives["ended_on"]
        here &= ~(since > row["date"]) & ~(until < row["date"])
        hit |= here
    return hit


def _texts(plan: Plan, log: RepairLog) -> pd.Series:
    """Text of every job, register row and row set aside, by its source."""
    named = ("date", "job", "vehicle", "component", "location", "finding", "action", "note")
    parts = [
        _joined(log.jobs, named),
        _joined(log.fitments, ("vehicle", "component", "location", "fitted_on", "serial")),
        plan.set_aside.set_index("source")["original"].astype(str),
    ]
    whole: pd.Series[str] = pd.concat(parts)
    return whole[~whole.index.duplicated()]


def _joined(table: pd.DataFrame, names: tuple[str, ...]) -> pd.Series:
    text = pd.Series("", index=table["source"].to_numpy(), dtype=object)
    for name in names:
        if name not in table:
            continue
        column = table[name]
        words = (
            column.dt.strftime("%Y-%m-%d").fillna("")
            if pd.api.types.is_datetime64_any_dtype(column)
            else column.astype(str)
        ).to_numpy(dtype=object)
        given = words != ""
        text[given] += np.where(text[given] == "", "", " | ") + f"{name}=" + words[given]
    return text
