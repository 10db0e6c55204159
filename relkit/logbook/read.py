"""The repair log of a study: jobs, register, readings, inspections, every row accounted for.

Layer: logbook. The door to the layer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from relkit.logbook.changes import joined_changes
from relkit.logbook.columns import COUNTER
from relkit.logbook.corrections import read_corrections, refuse_other_files
from relkit.logbook.findings import findings_frame
from relkit.logbook.jobs import JOB_COLUMNS, read_jobs
from relkit.logbook.kinds import KindRead
from relkit.logbook.missing import missing_columns, missing_tables
from relkit.logbook.positions import known_positions
from relkit.logbook.readings import (
    INSPECTION_COLUMNS,
    READING_COLUMNS,
    long_readings,
    read_inspections,
    read_readings,
    reading_counter,
)
from relkit.logbook.register import FITMENT_COLUMNS, read_register
from relkit.study.settings import Study

__all__ = ["RepairLog", "read_log"]


@dataclass(frozen=True, slots=True, eq=False)
class RepairLog:
    """What a study's files say, in the words of the study; row ids are "FILE:ROW"."""

    jobs: pd.DataFrame  #: one row per job line that can be used, in order of time
    fitments: pd.DataFrame  #: one row per fitted item: position, date fitted, covariates
    readings: pd.DataFrame  #: one row per vehicle, date and counter, readings at jobs included
    inspections: pd.DataFrame  #: one row per look at a view or item, passes included
    set_aside: pd.DataFrame  #: every row that is not used: reason, value, mend, original
    findings: pd.DataFrame  #: what was noticed, how many rows, where, what was done
    files: pd.DataFrame  #: every file: rows, encoding, delimiter, columns not read
    changes: pd.DataFrame  #: every cell that a rule changed: rule, source, column, old, new

    def __repr__(self) -> str:
        """Return one line with the counts."""
        return (
            f"RepairLog({len(self.jobs):,} jobs, {len(self.fitments):,} fitments, "
            f"{len(self.readings):,} readings, {len(self.inspections):,} inspections, "
            f"{len(self.set_aside):,} rows set aside)"
        )


def read_log(study: Study, *, progress: Callable[[str], None] | None = None) -> RepairLog:
    """Repair log that the files of a study hold.

    Each row of each file is kept in one of the tables or set aside with its reason; a row that
    cannot be read costs that row only. Nothing is guessed without a finding that says so, and
    columns that hold names of persons are not read.

    Parameters
    ----------
    study : Study
        From :func:`relkit.read_study`.
    progress : callable, optional
        Called with a short sentence before each longer step.

    Returns
    -------
    RepairLog
        ``jobs``: source, event (source of the earliest row that tells of the same work), job,
        date, date_is_day, vehicle, component, location, finding, action, reading,
        reading_counter, serial_out, serial_in, downtime_hours, labour_hours, cost, note.
        ``fitments``: source, vehicle, component, location, fitted_on, serial, type, removed_on,
        vehicle_left_on, and the covariates. ``readings``: source, vehicle, date, counter,
        reading. ``inspections``: source, vehicle, date, location, component, result.

    Raises
    ------
    InputError
        A file is missing, empty, no table or not as declared: file, row, column, value and
        mend are named.
    StudyError
        A setting about files or words is wrong.
    """
    register = read_register(study, progress)
    known = None if register is None else known_positions(register.rows)
    log = read_jobs(study, known, progress)
    readings = read_readings(study, known, progress)
    inspections = read_inspections(study, known, progress)
    kinds = [kind for kind in (log, register, readings, inspections) if kind is not None]
    files_read = pd.concat([kind.files for kind in kinds], ignore_index=True)
    refuse_other_files(read_corrections(study), files_read)
    all_readings = _all_readings(log, readings, reading_counter(study))
    findings = [one for kind in kinds for one in kind.findings]
    findings.extend(missing_columns("log", _with_reading(log.given), log.files["file"].tolist()))
    if register is not None:
        files = register.files["file"].tolist()
        findings.extend(missing_columns("register", register.given, files))
    findings.extend(missing_tables(study, has_readings=len(all_readings) > 0))
    return RepairLog(
        jobs=log.rows[list(JOB_COLUMNS)].reset_index(drop=True),
        fitments=_rows_of(register, FITMENT_COLUMNS),
        readings=all_readings,
        inspections=_rows_of(inspections, INSPECTION_COLUMNS),
        set_aside=pd.concat([kind.set_aside for kind in kinds], ignore_index=True),
        findings=findings_frame(findings),
        files=files_read,
        changes=joined_changes(kind.changes for kind in kinds),
    )


def _with_reading(given: frozenset[str]) -> frozenset[str]:
    """Columns given, a column of any counter taken as a reading."""
    return given | {"reading" for name in given if name.startswith(COUNTER)}


def _rows_of(kind: KindRead | None, columns: tuple[str, ...]) -> pd.DataFrame:
    if kind is not None:
        return kind.rows.reset_index(drop=True)
    empty = pd.DataFrame(columns=list(columns), dtype=object)
    dates = [name for name in columns if name == "date" or name.endswith("_on")]
    return empty.astype(dict.fromkeys(dates, "datetime64[ns]"))


def _all_readings(log: KindRead, readings: KindRead | None, counter: str) -> pd.DataFrame:
    """Return the readings of the readings files, then those that the jobs give."""
    jobs = log.rows
    # the column of the main counter is in "reading" already
    meters = [n for n in jobs.columns if n.startswith(COUNTER) and n != COUNTER + counter]
    own = jobs[["source", "vehicle", "date", "reading", *meters]]
    of_jobs = long_readings(own, counter)[list(READING_COLUMNS)]
    pieces = [of_jobs] if readings is None else [readings.rows[list(READING_COLUMNS)], of_jobs]
    filled = [piece for piece in pieces if len(piece)] or [of_jobs]
    return pd.concat(filled, ignore_index=True).astype({"reading": "float64"})
