"""A log as it was at a past date: nothing that was written later, nothing that was known later.

Layer: whatif. Rows dated at or after the cut are gone before anything is made of the log.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pandas as pd

from relkit.logbook.read import RepairLog
from relkit.plan.stratum_settings import base_component
from relkit.study.settings import Study

__all__ = ["log_as_of", "study_as_of"]


def log_as_of(log: RepairLog, cut: pd.Timestamp) -> RepairLog:
    """Log as it was at the first instant of a day.

    Jobs, readings and inspections of the cut or later are left out. In the register, removals and
    departures of the cut or later have not happened. A row fitted at the cut or later is left
    out where the position has an earlier row, or the vehicle was not there yet; else the
    position stays with an item of unknown date, type and number: a register that lists what is
    fitted today had another entry then.
    """
    before = {
        name: _earlier(getattr(log, name), cut) for name in ("jobs", "readings", "inspections")
    }
    jobs = before["jobs"]
    if "closed" in jobs:  # a job that was still open then
        before["jobs"] = jobs.assign(closed=jobs["closed"].where(jobs["closed"] < cut))
    known = {*before["jobs"]["vehicle"], *before["readings"]["vehicle"]}
    return replace(log, **before, fitments=_fitments_as_of(log.fitments, cut, known))


def _earlier(rows: pd.DataFrame, cut: pd.Timestamp) -> pd.DataFrame:
    kept = rows[rows["date"] < cut]
    return kept.reset_index(drop=True)


def _fitments_as_of(fitments: pd.DataFrame, cut: pd.Timestamp, known: set[str]) -> pd.DataFrame:
    later = (fitments["fitted_on"] >= cut).to_numpy()
    base = fitments["component"].map(base_component)
    place = fitments["vehicle"] + "|" + base + "|" + fitments["location"]
    there = known | set(fitments.loc[~later, "vehicle"])
    earlier = place.isin(place[~later]).to_numpy()
    kept = ~later | (~earlier & fitments["vehicle"].isin(there).to_numpy())
    rows = fitments.assign(later=later, place=place)[kept]
    rows = rows[~(rows["later"] & rows["place"].duplicated())]
    was_later = rows["later"].to_numpy(dtype=bool)
    ends = {name: rows[name].where(rows[name] < cut) for name in ("removed_on", "vehicle_left_on")}
    rows = rows.assign(
        **ends,
        fitted_on=rows["fitted_on"].where(~was_later),
        serial=rows["serial"].where(~was_later, ""),
        type=rows["type"].where(~was_later, ""),
    )
    return rows.drop(columns=["later", "place"]).reset_index(drop=True)


def study_as_of(study: Study, cut: pd.Timestamp) -> Study:
    """Study whose window ends at the first instant of a day, and whose later gaps are unknown."""
    last = (cut - timedelta(days=1)).date()
    window = study.window
    parts = tuple(
        replace(
            part,
            start=None if part.start is None else min(part.start, last),
            end=None if part.end is None else min(part.end, last),
            gaps=_earlier_gaps(part.gaps, last),
        )
        for part in window.parts
    )
    past = replace(window, end=last, gaps=_earlier_gaps(window.gaps, last), parts=parts)
    return replace(study, window=past)


def _earlier_gaps(gaps: tuple[tuple[date, date], ...], last: date) -> tuple[tuple[date, date], ...]:
    return tuple((begin, min(end, last)) for begin, end in gaps if begin <= last)
