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

from relkit.lives.accounts import Stages, set_aside_findings, stage_findings
from relkit.lives.censoring import departures, observation
from relkit.lives.events import position_events, row_reasons
from relkit.lives.histories import position_histories
from relkit.lives.instants import NOT_KNOWN, instants
from relkit.lives.life_rows import known_good, life_clock, life_rows
from relkit.lives.meters import Meters, cleaned_meters
from relkit.lives.observed import observed_lives
from relkit.lives.register import (
    Register,
    checked_register,
    job_places,
    refuse_without_register,
)
from relkit.lives.row_classes import job_classes, job_rows_set_aside, row_classes
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
    clock = life_clock(
        stages.register, stages.meters, clock=study.clock, origin=stages.window.start
    )
    lives = life_rows(stages.observed, stages.history, stages.register, stages.gone, good, clock)
    jobs = job_classes(log.jobs, stages.events, stages.reasons, stages.history, stages.observed)
    corrections = stages.meters.corrections
    corrected = corrections.groupby("source")["rule"].first()
    aside = [stages.register.set_aside, job_rows_set_aside(log.jobs, jobs)]
    found = stage_findings(log, study.clock, stages, lives, good)
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
    )


def _stages(log: RepairLog, study: Study, say: Callable[[str], None]) -> Stages:
    """Return what each stage makes of the log, from the window to the observed lives."""
    treatments = study.treatments
    say("reading the register")
    window = observation(instants(log.jobs["date"]), study.window)
    register = checked_register(log.fitments, log.jobs, treatments, first_day=window.start)
    gone = departures(register.vehicles, log.jobs, log.readings, log.inspections, window)
    say("building histories of positions")
    places = job_places(register, log.jobs)
    reasons = row_reasons(log.jobs, places, treatments)
    position = np.where(reasons == "", places.position, -1)
    events = position_events(log.jobs, position, treatments)
    history = position_histories(events.table, register, gone.left_at, window, treatments)
    say("cleaning meter readings")
    meters = cleaned_meters(log.readings, study, in_service=_in_service(register))
    say("building lives")
    clock = life_clock(register, meters, clock=study.clock, origin=window.start)
    observed = observed_lives(history, window, clock, zero_life_days=treatments.zero_life_days)
    return Stages(register, window, gone, places, reasons, events, history, meters, observed)


def _in_service(register: Register) -> pd.Series:
    """Earliest known fitting on each vehicle: it was in service by then."""
    known = register.positions[register.positions["fitted_at"] != NOT_KNOWN]
    earliest: pd.Series = known.groupby("vehicle")["fitted_at"].min()
    return earliest


def _say_nothing(stage: str) -> None:
    """No one wants to hear of progress."""
    del stage
