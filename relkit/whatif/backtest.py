"""Would past forecasts have been right? Stand at past dates, forecast, compare with what came.

Layer: whatif. The log is cut before lives are built and fitted, so that no forecast knows more
than it could have known.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from relkit.errors import InputError
from relkit.lives.table import life_tables
from relkit.logbook.read import RepairLog, read_log
from relkit.plan.evidence import Evidence, evidence
from relkit.plan.parts import parts_of
from relkit.study.settings import Study
from relkit.whatif.backtest_cuts import forecast_rows
from relkit.whatif.backtest_drift import drift_table
from relkit.whatif.backtest_log import log_as_of, study_as_of
from relkit.whatif.backtest_outcomes import failures_on_record
from relkit.whatif.backtest_tables import coverage_table, score_table
from relkit.whatif.fleet_from_plan import items_with_laws
from relkit.whatif.forecast import HISTORIES, checked_months, failure_forecast

__all__ = ["Backtest", "backtest", "backtest_of_log", "last_backtest", "past_dates"]

#: Months of log before the first forecast.
FIRST_MONTHS = 12
#: Failures before a forecast is worth making.
LEAST_FAILURES = 10

#: Horizons, and the dates to stand at.
Chosen = tuple[tuple[int, ...], tuple[pd.Timestamp, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Backtest:
    """Past forecasts and what came of them."""

    dates: tuple[pd.Timestamp, ...]  #: on which a forecast was made
    months: tuple[int, ...]  #: how far ahead
    #: one row per date, horizon, stratum (and all together) and method: expected count, intervals,
    #: what came, its place in the forecast, the score
    forecasts: pd.DataFrame
    coverage: pd.DataFrame  #: per method, horizon and level: share of outcomes inside
    scores: pd.DataFrame  #: per method and horizon: mean score, bias, gain over the naive ones
    drift: pd.DataFrame  #: per stratum: did outcomes leave the forecasts for good
    notes: tuple[str, ...]  #: plain sentences: what was left out, why nothing could be made
    study: Study  #: the study

    def __repr__(self) -> str:
        """Return one line: a notebook shows the tables one by one."""
        return (
            f"Backtest({self.study.name!r}: {len(self.dates)} dates, "
            f"{len(self.forecasts)} forecasts)"
        )


def backtest(
    study: Study,
    months: Sequence[int] = (3, 6, 12),
    *,
    every_months: int = 3,
    histories: int = HISTORIES,
    progress: Callable[[str], None] | None = None,
) -> Backtest:
    """Past forecasts of a study, against what came.

    At each past date the log is cut to what it knew then, lives are built and fitted, and the
    failures of the next months are forecast for the items of known age that were in service.

    Parameters
    ----------
    study : Study
        As read by :func:`relkit.read_study`.
    months : sequence of int
        How far ahead, in whole quarters.
    every_months : int
        Months between the dates, 3 or more.
    histories : int
        Simulated histories behind each forecast.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    Backtest
        Without forecasts, and with the reason in ``notes``, where the log is too short: it must
        cover a year before the first date, the shortest horizon after it, and 10 failures.

    Raises
    ------
    InputError
        A file cannot be used, or there is no register: file, row, column, value and the mend.
    ValueError
        A horizon is not a whole quarter, or the dates lie closer than one.
    """
    log = read_log(study, progress=progress)
    return backtest_of_log(
        log,
        study,
        months,
        every_months=every_months,
        histories=histories,
        progress=progress,
    )


def past_dates(
    begin: pd.Timestamp, end: pd.Timestamp, *, shortest: int, every_months: int
) -> tuple[pd.Timestamp, ...]:
    """Dates to stand at, counted back from the end of the log, the earliest first."""
    dates = []
    date = end - pd.DateOffset(months=shortest)
    while date >= begin + pd.DateOffset(months=FIRST_MONTHS):
        dates.append(pd.Timestamp(date).normalize())
        date = end - pd.DateOffset(months=shortest + every_months * len(dates))
    return tuple(reversed(dates))


def backtest_of_log(
    log: RepairLog,
    study: Study,
    months: Sequence[int] = (3, 6, 12),
    *,
    every_months: int = 3,
    dates: Sequence[pd.Timestamp] | None = None,
    histories: int = HISTORIES,
    progress: Callable[[str], None] | None = None,
) -> Backtest:
    """Past forecasts of a log that was read; see :func:`backtest`.

    Parameters
    ----------
    log : RepairLog
        The whole log.
    study, months, every_months, histories, progress
        As in :func:`backtest`.
    dates : sequence of Timestamp, optional
        Dates to stand at; default: every so many months from a year after the log's start.
    """
    horizons = checked_months(tuple(months))
    if every_months < 3:
        raise ValueError(f"every_months is {every_months}: give 3 or more")

    def chosen(begin: pd.Timestamp, end: pd.Timestamp) -> Chosen:
        found = past_dates(begin, end, shortest=horizons[0], every_months=every_months)
        return horizons, tuple(found if dates is None else dates)

    return _tested(log, study, chosen, histories, progress)


def last_backtest(study: Study, progress: Callable[[str], None] | None = None) -> Backtest:
    """One past forecast: a year before the log's end, or less where the log is short.

    Parameters
    ----------
    study : Study
        As read by :func:`relkit.read_study`.
    progress : callable, optional
        Called with a few words before each step.
    """

    def chosen(begin: pd.Timestamp, end: pd.Timestamp) -> Chosen:
        first = begin + pd.DateOffset(months=FIRST_MONTHS)
        fitting = [m for m in _LAST_MONTHS if end - pd.DateOffset(months=m) >= first]
        dates = [(end - pd.DateOffset(months=m)).normalize() for m in fitting]
        return tuple(fitting[:1]) or _LAST_MONTHS[-1:], tuple(dates[:1])

    return _tested(read_log(study), study, chosen, HISTORIES, progress)


#: Horizons of the one forecast that every plan is tested by, the longest that fits.
_LAST_MONTHS = (12, 6, 3)


def _tested(
    log: RepairLog,
    study: Study,
    choose: Callable[[pd.Timestamp, pd.Timestamp], Chosen],
    histories: int,
    progress: Callable[[str], None] | None,
) -> Backtest:
    """Stand at the dates that are chosen once the log's period is known."""
    say = progress or (lambda _: None)
    say("counting what came")
    tables = life_tables(log, study)
    now = evidence(tables.lives, study)
    begin, end = pd.Timestamp(tables.observed_from), pd.Timestamp(tables.observed_until)
    horizons, dates = choose(begin, end)
    record = failures_on_record(
        now.lives, now.fits, study.by, np.random.default_rng([study.decision.seed, 17])
    )
    parts, notes = [], []
    for date in dates:
        say(f"forecasting from {date:%Y-%m-%d}")
        rows = _at(log, study, date, horizons, end, now, record, histories)
        if isinstance(rows, str):
            notes.append(rows)
        else:
            parts.append(rows)
    return _collected(parts, notes, horizons, study, begin, end)


def _at(
    log: RepairLog,
    study: Study,
    date: pd.Timestamp,
    horizons: tuple[int, ...],
    end: pd.Timestamp,
    now: Evidence,
    record: pd.DataFrame,
    histories: int,
) -> pd.DataFrame | str:
    """Forecasts made at one date with their outcomes, or the reason why there are none."""
    past_log, past_study = log_as_of(log, date), study_as_of(study, date)
    try:
        parts = parts_of(past_log, past_study)
    except InputError as error:
        return f"No forecast could be made on {date:%Y-%m-%d}: {error}"
    failures = float(parts.found.fits["failures"].sum())
    if failures < LEAST_FAILURES:
        return (
            f"No forecast was made on {date:%Y-%m-%d}: the log held {failures:.0f} failures by "
            f"then, fewer than {LEAST_FAILURES}"
        )
    seen = tuple(m for m in horizons if date + pd.DateOffset(months=m) <= end)
    if not seen:
        return f"No outcome is known of a forecast made on {date:%Y-%m-%d}"
    if items_with_laws(parts, known_ages_only=True).empty:
        return f"No forecast was made on {date:%Y-%m-%d}: no item's age was known then"
    # a seed of its own for each date, which does not hang on the other dates
    seed = study.decision.seed * 1_000_003 + date.toordinal()
    forecast = failure_forecast(parts, seen, histories=histories, rng=seed)
    return forecast_rows(forecast, parts, now.fits, record)


def _collected(
    parts: list[pd.DataFrame],
    notes: list[str],
    horizons: tuple[int, ...],
    study: Study,
    begin: pd.Timestamp,
    end: pd.Timestamp,
) -> Backtest:
    whole = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    if not parts:
        notes = [_too_short(begin, end, horizons), *notes]
        empty = pd.DataFrame()
        return Backtest((), horizons, whole, empty, empty, empty, tuple(notes), study)
    by = list(study.by)
    masked = whole[(whole["level"] == "stratum") & (whole["method"] == METHOD)]
    masked = masked[masked["months"] == masked["months"].min()]
    drawn, seen = int(masked["masked_seen"].sum()), int(masked["seen"].sum())
    if drawn:
        notes.append(
            f"{drawn:,} of {seen:,} failures counted as outcomes have no known cause: each was "
            "given to one of its candidates, drawn by their shares"
        )
    return Backtest(
        dates=tuple(sorted(set(whole["made_on"]))),
        months=horizons,
        forecasts=whole,
        coverage=coverage_table(whole),
        scores=score_table(whole),
        drift=drift_table(whole, by),
        notes=tuple(notes),
        study=study,
    )


#: Name of this package's own forecasts among the methods.
METHOD = "relkit"


def _too_short(begin: pd.Timestamp, end: pd.Timestamp, horizons: tuple[int, ...]) -> str:
    needed = FIRST_MONTHS + horizons[0]
    have = (end - begin).days / (365.25 / 12)
    if have >= needed:
        return (
            f"The log is long enough ({have:.0f} months), but at no past date did it know enough "
            "to make a forecast"
        )
    return (
        f"The log is too short for this test: it covers {have:.0f} months, and needs "
        f"{FIRST_MONTHS} before the first forecast and {horizons[0]} after it, {needed} in all. "
        "Come back when it is longer"
    )
