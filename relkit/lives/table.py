"""The lives of a repair log, one row each, with every row of the log accounted for.

Layer: lives. From jobs, register, readings and inspections to the table that curves are fitted to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.accounts import Stages, set_aside_findings, stage_findings
from relkit.lives.censoring import departures, observation
from relkit.lives.changes import change_lines, joined_changes, meter_changes
from relkit.lives.coverage import covered
from relkit.lives.events import PositionEvents, joined_texts, position_events, row_reasons
from relkit.lives.histories import position_histories
from relkit.lives.instants import NOT_KNOWN, instants
from relkit.lives.life_rows import known_good, life_clock, life_rows
from relkit.lives.meters import Meters, cleaned_meters
from relkit.lives.observed import observed_lives
from relkit.lives.off_road import off_road_findings, off_road_spells
from relkit.lives.register import (
    Register,
    checked_register,
    job_places,
    refuse_without_register,
)
from relkit.lives.rewrites import rewritten_events
from relkit.lives.row_classes import job_classes, job_rows_set_aside, row_classes
from relkit.lives.symptoms import pointed_events, with_candidates
from relkit.logbook.findings import findings_frame
from relkit.study.settings import Study

if TYPE_CHECKING:
    from relkit.logbook.read import RepairLog

__all__ = ["LifeTables", "build_lives", "life_tables"]

_SEVERITIES = ["limits", "look", "information"]


@dataclass(frozen=True, slots=True, eq=False)
class LifeTables:
    """Lives and the account of every row behind them."""

    lives: pd.DataFrame  #: one row per life, see :func:`build_lives`
    row_classes: pd.DataFrame  #: source, kind, row_class, detail: one row per row that was read
    set_aside: pd.DataFrame  #: rows set aside by the log, then those set aside here
    findings: pd.DataFrame  #: the log's and those made here, what limits the answers first
    observed_from: datetime  #: start of the observation window
    observed_until: datetime  #: its end
    meters: Meters  #: cleaned counters of all vehicles
    changes: pd.DataFrame  #: every value that a rule changed: rule, source, column, old, new


def build_lives(log: RepairLog, study: Study) -> pd.DataFrame:
    """One row per life, from a repair log.

    Parameters
    ----------
    log : RepairLog
        From :func:`relkit.read_log`.
    study : Study
        Clock, window and treatments.

    Returns
    -------
    DataFrame
        vehicle, component (with the type of the item after a comma, where it has one), location,
        item, serial, fitted_on, ended_on, entry, age, age_lower [study clock], failed, ended_by,
        causes, masked_job, opened_by, closed_by, age_estimated, covariates of the register (one
        with the name of another column is called ``register_NAME``); sorted by component,
        location, vehicle, fitted_on. ``age > entry >= 0``.

    Raises
    ------
    InputError
        There is no register of fitted items, or the period that the log covers is not known.

    Notes
    -----
    A date without time counts from its day's start; so do the dates of the register.
    """
    return life_tables(log, study).lives


def life_tables(
    log: RepairLog, study: Study, *, progress: Callable[[str], None] | None = None
) -> LifeTables:
    """Lives with the class of every row that was read; see :func:`build_lives`.

    Parameters
    ----------
    log : RepairLog
        From :func:`relkit.read_log`.
    study : Study
        Clock, window and treatments.
    progress : callable, optional
        Called with a few words before each stage.

    Raises
    ------
    InputError
        As :func:`build_lives`.
    """
    refuse_without_register(log.fitments)
    stages = _stages(log, study, progress or _say_nothing)
    good = known_good(stages.observed, stages.history, stages.register, log.inspections)
    clock = stages.clock
    lives = life_rows(stages.observed, stages.history, stages.register, stages.gone, good, clock)
    if study.treatments.problems.late_entry == "ignore":
        lives = lives.assign(entry=0.0)
    jobs = job_classes(log.jobs, stages.events, stages.reasons, stages.history, stages.observed)
    jobs = with_candidates(jobs, log.jobs, stages.register, study)
    corrections = stages.meters.corrections
    corrected = corrections.groupby("source")["rule"].first()
    aside = [stages.register.set_aside, job_rows_set_aside(log.jobs, jobs)]
    found = stage_findings(
        log,
        study.clock,
        stages,
        lives,
        good,
        only_failed=study.treatments.problems.only_failed,
        study_findings=study.treatments.findings,
    )
    own = findings_frame([*found, *set_aside_findings(aside[1])])
    findings = pd.concat([log.findings, own], ignore_index=True)
    rank = findings["severity"].map(_SEVERITIES.index)
    return LifeTables(
        lives=lives,
        row_classes=row_classes(log, jobs, corrected, stages.register.set_aside),
        set_aside=pd.concat([log.set_aside, *aside], ignore_index=True),
        findings=findings.iloc[np.argsort(rank.to_numpy(), kind="stable")].reset_index(drop=True),
        observed_from=pd.Timestamp(stages.window.start).to_pydatetime(),
        observed_until=pd.Timestamp(stages.window.end).to_pydatetime(),
        meters=stages.meters,
        changes=_changes(log, stages),
    )


def _changes(log: RepairLog, stages: Stages) -> pd.DataFrame:
    """Return what the log noted as changed, and what was changed while lives were built."""
    filled = stages.places.filled
    rows = log.jobs.loc[filled, ["source", "location"]]
    positions = stages.register.positions["location"].to_numpy(dtype=object)
    place = positions[stages.places.position[filled]]
    own = [
        *stages.register.changes_noted,
        change_lines("location filled", rows["source"], "location", rows["location"], place),
        stages.rewritten.changes,
        meter_changes(stages.meters.corrections),
    ]
    return joined_changes([log.changes, *own])


def _stages(log: RepairLog, study: Study, say: Callable[[str], None]) -> Stages:
    """Return what each stage makes of the log, from the window to the observed lives."""
    treatments = study.treatments
    say("reading the register")
    problems = treatments.problems
    times = instants(log.jobs["date"])
    window = observation(times, study.window, last_month=problems.last_month)
    register = checked_register(log.fitments, log.jobs, treatments, first_day=window.start)
    window, silences = covered(window, register, log.jobs, study)
    gone = departures(
        register.vehicles,
        log.jobs,
        log.readings,
        log.inspections,
        window,
        silent_days=np.inf if problems.silent_vehicles == "ignore" else problems.silent_days,
    )
    say("building histories of positions")
    places = job_places(register, log.jobs)
    reasons = row_reasons(log.jobs, places, treatments)
    position = np.where(reasons == "", places.position, -1)
    events = position_events(log.jobs, position, treatments)
    notes = _event_notes(log.jobs, events)
    rewritten = rewritten_events(events.table, notes, register, gone.left_at, study)
    rewritten = pointed_events(rewritten, log.jobs, register, study)
    history = position_histories(rewritten.table, register, gone.left_at, window, treatments)
    say("cleaning meter readings")
    meters = cleaned_meters(log.readings, study, in_service=_in_service(register))
    say("building lives")
    # hours and kilometres do not run while a vehicle is off the road; only calendar ages do
    least = problems.off_road_days if study.clock == "days" else np.inf
    spells = off_road_spells(meters, least)
    subtracted = problems.off_road == "subtract"
    clock = life_clock(
        register,
        meters,
        clock=study.clock,
        origin=window.start,
        off_road=spells if subtracted else spells.iloc[:0],
    )
    observed = observed_lives(history, window, clock, zero_life_days=treatments.zero_life_days)
    return Stages(
        register=register,
        window=window,
        noticed=(
            *silences,
            *(off_road_findings(spells, subtracted=subtracted) if study.clock == "days" else ()),
        ),
        clock=clock,
        gone=gone,
        places=places,
        reasons=reasons,
        events=events,
        rewritten=rewritten,
        history=history,
        meters=meters,
        observed=observed,
    )


def _event_notes(jobs: pd.DataFrame, events: PositionEvents) -> NDArray[np.object_]:
    """Return the notes of the rows of each event, joined."""
    used = np.flatnonzero((events.row_event >= 0) & (jobs["note"] != "").to_numpy())
    note = jobs["note"].to_numpy(dtype=object)[used]
    return joined_texts(events.row_event[used], note, len(events.table))


def _in_service(register: Register) -> pd.Series:
    """Earliest known fitting on each vehicle: it was in service by then."""
    known = register.positions[register.positions["fitted_at"] != NOT_KNOWN]
    earliest: pd.Series = known.groupby("vehicle")["fitted_at"].min()
    return earliest


def _say_nothing(stage: str) -> None:
    """No one wants to hear of progress."""
    del stage
