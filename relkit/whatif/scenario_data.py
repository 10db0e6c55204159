"""What if the data were other than they are: causes, install dates, serials, pass results.

Layer: whatif. The log is changed, lives are built and fitted again, the plan is made afresh.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.lives.table import LifeTables, life_tables
from relkit.logbook.read import RepairLog
from relkit.plan.evidence import Evidence, evidence
from relkit.plan.parts import PlanParts, decided
from relkit.plan.stratum_settings import base_component
from relkit.study.settings import Study
from relkit.whatif.scenario import DataChange

__all__ = ["changed_data"]

Floats = NDArray[np.float64]

_DAYS_A_MONTH = 365.25 / 12


def changed_data(
    parts: PlanParts, change: DataChange, rng: np.random.Generator
) -> Iterator[PlanParts]:
    """Yield the steps of the plan on changed data, once per repeat where it is random.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    change : DataChange
        What is other than in the log.
    rng : numpy.random.Generator
        Source of what is drawn at random.
    """
    random = change.no_fault_found_real > 0 or change.fitted_date_error_months > 0
    random |= "causes" in change.perfect
    for _ in range(change.repeats if random else 1):
        log = _changed_log(parts.log, parts.study, change, rng)
        tables = parts.tables if log is parts.log else life_tables(log, parts.study)
        lives = _changed_lives(tables.lives, parts, change, rng)
        if lives is not tables.lives:
            tables = replace(tables, lives=lives)
        yield _again(log, parts, tables)


def _again(log: RepairLog, parts: PlanParts, tables: LifeTables) -> PlanParts:
    found = _paired(evidence(tables.lives, parts.study), parts)
    return decided(log, parts.study, tables, found)


def _paired(found: Evidence, parts: PlanParts) -> Evidence:
    """Draws of each stratum in an order that goes with today's, by their median lives.

    The draws themselves stay; a difference then shows what the data change, not chance.
    """
    keys = list(parts.study.by)
    old = pd.MultiIndex.from_frame(parts.found.fits[keys].astype(str))
    place = old.get_indexer(pd.MultiIndex.from_frame(found.fits[keys].astype(str)))
    rows = np.flatnonzero(place >= 0)
    now = _median_lives(parts.found.shape, parts.found.scale)[place[rows]]
    then = _median_lives(found.shape, found.scale)[rows]
    rank = now.argsort(axis=1).argsort(axis=1)
    order = np.take_along_axis(then.argsort(axis=1), rank, axis=1)
    shape, scale = found.shape.copy(), found.scale.copy()
    shape[rows] = np.take_along_axis(found.shape[rows], order, axis=1)
    scale[rows] = np.take_along_axis(found.scale[rows], order, axis=1)
    return replace(found, shape=shape, scale=scale)


def _median_lives(shape: Floats, scale: Floats) -> Floats:
    return np.asarray(scale * np.log(2) ** (1 / shape))


def _changed_log(
    log: RepairLog, study: Study, change: DataChange, rng: np.random.Generator
) -> RepairLog:
    if change.no_fault_found_real > 0:
        log = replace(log, jobs=_real_failures(log.jobs, study, change.no_fault_found_real, rng))
    if change.fitted_date_error_months > 0:
        log = replace(log, fitments=_moved_dates(log.fitments, change, rng))
    if "fitted dates" in change.without:
        log = replace(log, fitments=_undated(log.fitments))
    if "serials" in change.without:
        jobs = log.jobs.assign(serial_out="", serial_in="")
        log = replace(log, jobs=jobs, fitments=log.fitments.assign(serial=""))
    if "causes" in change.without:
        log = replace(log, jobs=log.jobs.assign(finding=""))
    if "pass results" in change.without:
        log = replace(log, inspections=log.inspections.iloc[:0])
    if "meter readings" in change.without:
        log = replace(log, readings=_first_and_last(log.readings))
    return log


def _real_failures(
    jobs: pd.DataFrame, study: Study, share: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Jobs at which no fault was found, a random share of them as failures with a new item."""
    outcomes = study.treatments.findings
    clean = {"dirty", "loose connection"}
    words = [f for f, outcome in outcomes.items() if outcome == "no failure" and f not in clean]
    failed = next((f for f, outcome in outcomes.items() if outcome == "failure"), "")
    replaced = next(
        (a for a, x in study.treatments.actions.items() if x.effect == "new item" and not x.type),
        "",
    )
    if not failed or not replaced:
        raise StudyError("the study has no word for a failure and a replacement", path="scenario")
    chosen = jobs["finding"].isin(words) & (rng.random(len(jobs)) < share)
    return jobs.assign(
        finding=jobs["finding"].where(~chosen, failed),
        action=jobs["action"].where(~chosen, replaced),
    )


def _moved_dates(
    fitments: pd.DataFrame, change: DataChange, rng: np.random.Generator
) -> pd.DataFrame:
    """Dates of fitting moved by up to so many months either way, whole days."""
    most = change.fitted_date_error_months * _DAYS_A_MONTH
    days = np.round(rng.uniform(-most, most, len(fitments)))
    moved = fitments["fitted_on"] + pd.to_timedelta(days, unit="D")
    return fitments.assign(fitted_on=moved)


def _undated(fitments: pd.DataFrame) -> pd.DataFrame:
    none = pd.Series(pd.NaT, index=fitments.index, dtype="datetime64[ns]")
    return fitments.assign(fitted_on=none)


def _first_and_last(readings: pd.DataFrame) -> pd.DataFrame:
    keys = ["vehicle", "counter"]
    ordered = readings.sort_values([*keys, "date"], kind="stable")
    ends = pd.concat([ordered.drop_duplicates(keys), ordered.drop_duplicates(keys, keep="last")])
    return readings.loc[readings.index.isin(ends.index)]


def _changed_lives(
    lives: pd.DataFrame, parts: PlanParts, change: DataChange, rng: np.random.Generator
) -> pd.DataFrame:
    if change.masked is not None:
        lives = _blamed(lives, change.masked)
    if "causes" in change.perfect:
        lives = _causes_drawn(lives, parts.found.lives, rng)
    if "pass results" in change.perfect:
        lives = lives.assign(age_lower=lives["age"])
    if "fitted dates" in change.perfect:
        lives = _starts_known(lives, parts)
    return lives


def _blamed(lives: pd.DataFrame, component: str) -> pd.DataFrame:
    """Every job of unknown cause put down to one component, where it is a candidate."""
    base = lives["component"].map(base_component)
    masked = lives["masked_job"] != ""
    candidate = masked & lives["causes"].str.split("; ").map(lambda names: component in names)
    if not candidate.any():
        raise StudyError(
            f'no job of unknown cause has "{component}" among its candidates', path="scenario"
        )
    return lives.assign(
        failed=lives["failed"].astype(bool) | (candidate & (base == component)),
        masked_job=lives["masked_job"].where(~candidate, ""),
        causes=lives["causes"].where(~candidate, ""),
    )


def _causes_drawn(
    lives: pd.DataFrame, shared: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Each job of unknown cause gets one cause, drawn by the candidates' shares."""
    masked = (lives["masked_job"] != "").to_numpy()
    if not masked.any() or "failure_share" not in shared:
        return lives
    jobs, number = np.unique(lives["masked_job"].to_numpy(dtype=str)[masked], return_inverse=True)
    share = pd.Series(shared["failure_share"].to_numpy(dtype=float)[masked])
    upper = share.groupby(number).cumsum().to_numpy()
    drawn = rng.random(len(jobs))[number]
    failed = lives["failed"].to_numpy(dtype=bool).copy()
    failed[masked] |= (drawn <= upper) & (drawn > upper - share.to_numpy())
    return lives.assign(failed=failed, masked_job="", causes="")


def _starts_known(lives: pd.DataFrame, parts: PlanParts) -> pd.DataFrame:
    """First lives weighted as if those dropped for an unknown start were like the others."""
    fitments = parts.log.fitments
    base = fitments["component"].map(base_component)
    known = fitments["fitted_on"].notna().groupby(base).mean()
    first = lives["opened_by"].isin(set(fitments["source"]))
    weight = 1 / lives["component"].map(base_component).map(known).where(lambda s: s > 0)
    return lives.assign(count=weight.where(first, 1.0).fillna(1.0))
