"""Times of several zones brought to the one that the study declares.

Layer: logbook. Without a declared zone times stay as written; days without a time never move.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.logbook.changes import change_lines
from relkit.logbook.findings import Finding, finding
from relkit.study.settings import Source, Study

__all__ = ["in_study_zone"]

_OFFSET = r"([Zz]|[+-]\d{2}:?\d{2})\s*$"


def in_study_zone(
    rows: pd.DataFrame,
    dates: NDArray[np.datetime64],
    is_day: NDArray[np.bool_],
    source: Source,
    study: Study,
) -> tuple[NDArray[np.datetime64], tuple[Finding, ...], tuple[pd.DataFrame, ...]]:
    """Dates in the zone of the study, what was noticed, and the lines of what moved.

    A time that names its offset is moved by that; others by the zone of their source, where it
    declares one. Of a time that the clocks show twice the standard one is taken, and one that they
    skip counts from the end of the gap.

    Raises
    ------
    StudyError
        A zone is not known by that name.
    """
    if not study.time_zone:
        return dates, (), ()
    ours = _zone(study.time_zone, study)
    moved = dates.copy()
    timed = ~np.isnat(dates) & ~is_day
    offset = _offsets(rows["date"])
    stated = timed & np.isfinite(offset)
    minutes = np.where(stated, offset, 0.0).astype("timedelta64[m]")
    utc = pd.Series((dates - minutes)[stated]).dt.tz_localize("UTC")
    moved[stated] = utc.dt.tz_convert(ours).dt.tz_localize(None).to_numpy(dtype="datetime64[ns]")
    if source.time_zone:
        theirs = _zone(source.time_zone, study)
        rest = timed & ~stated
        standard = np.zeros(int(rest.sum()), dtype=bool)
        local = pd.Series(dates[rest]).dt.tz_localize(
            theirs, ambiguous=standard, nonexistent="shift_forward"
        )
        shifted = local.dt.tz_convert(ours).dt.tz_localize(None)
        moved[rest] = shifted.to_numpy(dtype="datetime64[ns]")
    changed = timed & (moved != dates)
    if not changed.any():
        return moved, (), ()
    where = rows["source"][changed]
    new = pd.Series(moved[changed]).dt.strftime("%Y-%m-%d %H:%M")
    lines = change_lines("time zone", where, "date", rows["date"][changed], new)
    one = finding(
        "time zone",
        "Times are of another zone than the study's",
        sources=where,
        done=f"Brought to {study.time_zone} (time_zone)",
    )
    return moved, (one,), (lines,)


def _zone(name: str, study: Study) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        mend = 'Write a name of the time-zone database, such as "Europe/Dublin" or "UTC"'
        problem = f'time_zone "{name}" is not known'
        raise StudyError(problem, path=str(study.path), mend=mend) from None


def _offsets(texts: pd.Series) -> NDArray[np.float64]:
    """Minutes by which each text says that it is ahead of UTC; NaN where it does not say."""
    codes, unique = pd.factorize(texts.to_numpy(dtype=object))
    zone = pd.Series(unique, dtype=object).str.extract(_OFFSET, expand=False)
    has_clock = pd.Series(unique, dtype=object).str.contains(":", regex=False)
    zone = zone.where(has_clock.to_numpy(dtype=bool))
    digits = zone.str.replace(":", "", regex=False)
    sign = np.where(digits.str.startswith("-").eq(True), -1.0, 1.0)
    hours = pd.to_numeric(digits.str.slice(1, 3), errors="coerce").fillna(0.0)
    minutes = pd.to_numeric(digits.str.slice(3, 5), errors="coerce").fillna(0.0)
    total = sign * (60 * hours + minutes).to_numpy(dtype=np.float64)
    return np.append(np.where(zone.isna(), np.nan, total), np.nan)[codes]
