"""What cannot be answered because a column or a table is not there, in plain words.

Layer: logbook. One finding for each missing thing.
"""

from __future__ import annotations

from relkit.logbook.findings import Finding, Severity, finding
from relkit.study.settings import Study

__all__ = ["missing_columns", "missing_tables"]

#: Column of the log -> what is lost without it, and how much that limits.
_LOG: dict[str, tuple[str, Severity]] = {
    "component": ("no life can be built: it is not said what was replaced", "limits"),
    "location": ("places on the vehicle cannot be told apart", "look"),
    "finding": ("failures cannot be told from planned replacements and false alarms", "limits"),
    "action": ("replacements cannot be told from repairs, tests and cleaning", "limits"),
    "job": ("rows of one job are joined only if they are of the same position and instant", "look"),
    "reading": ("the meter at the job is taken from the readings, or not known", "information"),
    "serial_out": ("an item moved between vehicles cannot be followed", "information"),
    "serial_in": ("an item moved between vehicles and batches cannot be followed", "information"),
    "downtime_hours": ("downtime cannot be counted", "information"),
    "labour_hours": ("labour cannot be counted", "information"),
    "cost": ("costs are taken from the study only", "information"),
    "note": ("duplicates are known only by their other columns", "information"),
}
_REGISTER: dict[str, tuple[str, Severity]] = {
    "location": ("places on the vehicle cannot be told apart", "look"),
    "fitted_on": ("the first item at each position is of unknown age and not counted", "look"),
    "serial": ("an item moved between vehicles cannot be followed", "information"),
    "vehicle_left_on": ("vehicles that were sold count as in service to the end", "look"),
}
_RULE = "missing column"
_TABLE = "missing table"


def missing_columns(kind: str, given: frozenset[str], files: list[str]) -> tuple[Finding, ...]:
    """Return findings about the columns that no file of a kind gives.

    Parameters
    ----------
    kind : {"log", "register"}
        The kind of table.
    given : frozenset of str
        Our columns that at least one file gives.
    files : list of str
        The files of the kind.
    """
    lost = _LOG if kind == "log" else _REGISTER
    return tuple(
        finding(
            _RULE,
            f'No column "{name}" in the {kind}: {what}',
            sources=files,
            done="Read without it",
            severity=severity,
        )
        for name, (what, severity) in lost.items()
        if name not in given
    )


def missing_tables(study: Study, *, has_readings: bool) -> tuple[Finding, ...]:
    """Return findings about the tables that the study does not have.

    Parameters
    ----------
    study : Study
        Names the files.
    has_readings : bool
        Whether meter readings were found in any file.
    """
    where = [study.path.name]
    findings = []
    if not study.files.register:
        what = (
            "There is no register of fitted items: it is not known what is fitted where since "
            "when, so no life can be built; gaps between rows are not lives"
        )
        done = "The rows are read and accounted for, no more"
        findings.append(finding(_TABLE, what, sources=where, done=done, severity="limits"))
    if not study.files.inspections:
        what = (
            "There are no inspections with their passes: a hidden failure has no last date at "
            "which the item was known to be good"
        )
        findings.append(finding(_TABLE, what, sources=where, done="Read without", severity="look"))
    if not has_readings:
        severity: Severity = "information" if study.clock == "days" else "limits"
        what = f"There are no meter readings: only calendar time can be used, not {study.clock}"
        if study.clock == "days":
            what = "There are no meter readings: only calendar time can be used"
        findings.append(
            finding(_TABLE, what, sources=where, done="Read without", severity=severity)
        )
    return tuple(findings)
