"""What the log covers of which vehicles: parts of the window, and times in which it is silent.

Layer: lives. A depot that kept no log for months is not a depot without failures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.lives.censoring import Observation, merged_periods
from relkit.lives.instants import DAY, NOT_KNOWN, Instants, as_dates, as_instant, instants
from relkit.lives.register import Register
from relkit.lives.set_aside import with_noun
from relkit.logbook.findings import Finding, finding
from relkit.study.settings import Coverage, Study

__all__ = ["SILENT", "covered", "silent_months"]

Flags = NDArray[np.bool_]

#: So many months before and after a month are near it.
_NEAR_MONTHS = 6
#: Rule under which silent times are told.
SILENT = "silent time of the log"

#: First and end instant of a time without observation.
Gap = tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Times in which the log tells nothing of some positions."""

    positions: Flags
    gaps: tuple[Gap, ...]


def covered(
    window: Observation, register: Register, jobs: pd.DataFrame, study: Study
) -> tuple[Observation, tuple[Finding, ...]]:
    """Observation with the periods of each position, and what was noticed about them.

    Parameters
    ----------
    window : Observation
        The window of the whole log.
    register : Register
        Positions with covariates.
    jobs : DataFrame
        The repair log's ``jobs``.
    study : Study
        ``window.parts`` and ``treatments.problems`` are used.

    Raises
    ------
    StudyError
        A part of the window names a covariate that the register does not have.
    """
    parts = [_stated(part, window, register, study) for part in study.window.parts]
    found: list[Finding] = []
    if study.treatments.problems.silent_gaps != "ignore":
        silent, found = _silent_parts(window, register, jobs, study)
        parts.extend(silent)
    parts = [part for part in parts if part.gaps and part.positions.any()]
    if not parts:
        return window, tuple(found)
    member = np.column_stack([part.positions for part in parts])
    kinds, group = np.unique(member, axis=0, return_inverse=True)
    periods, owner = [], []
    for number, kind in enumerate(kinds):
        gaps = [gap for part, own in zip(parts, kind, strict=True) if own for gap in part.gaps]
        own_periods = merged_periods(window.start, window.end, [*window.blanks, *gaps])
        periods.append(own_periods)
        owner.append(np.full(len(own_periods), number, dtype=np.int64))
    whole = replace(
        window,
        periods=np.concatenate(periods),
        period_group=np.concatenate(owner),
        group_of=group.reshape(-1).astype(np.int64),
    )
    return whole, tuple(found)


def _stated(part: Coverage, window: Observation, register: Register, study: Study) -> _Part:
    """Return what the study says of some vehicles."""
    gaps = [(as_instant(first), as_instant(last) + DAY) for first, last in part.gaps]
    if part.start is not None:
        gaps.append((window.start, as_instant(part.start)))
    if part.end is not None:
        gaps.append((as_instant(part.end) + DAY, window.end))
    return _Part(_positions_where(part.where, register, study), tuple(gaps))


def _positions_where(
    where: Mapping[str, tuple[str, ...]], register: Register, study: Study
) -> Flags:
    chosen = np.ones(len(register.positions), dtype=bool)
    for name, values in where.items():
        if name not in register.covariates:
            raise StudyError(
                f'window.parts names "{name}", which is no covariate of the register',
                path=str(study.path),
                mend=f"Known are: {', '.join(register.covariates) or 'none'}",
            )
        chosen &= register.positions[name].astype(str).isin(values).to_numpy()
    return chosen


def _silent_parts(
    window: Observation, register: Register, jobs: pd.DataFrame, study: Study
) -> tuple[list[_Part], list[Finding]]:
    """Months without any row, of the whole log or of the vehicles of one depot."""
    least = study.treatments.problems.gap_jobs
    times = instants(jobs["date"])
    everywhere = np.ones(len(register.positions), dtype=bool)
    fleet = _without(silent_months(times, window, least=least), window.blanks)
    parts = [_Part(everywhere, tuple(fleet))] if fleet else []
    found = [_silence("the whole fleet", gap) for gap in fleet]
    owner = jobs["vehicle"].to_numpy(dtype=object)
    for name in study.treatments.problems.coverage_by:
        if name not in register.covariates:
            continue
        of_vehicle = register.positions.drop_duplicates("vehicle").set_index("vehicle")[name]
        value = of_vehicle.astype(str).reindex(owner).to_numpy(dtype=object)
        known = [one for one in of_vehicle.astype(str).unique() if one]
        for one in known if len(known) > 1 else []:
            gaps = silent_months(times[value == one], window, least=least)
            gaps = _without(gaps, [*window.blanks, *fleet])
            here = register.positions[name].astype(str).eq(one).to_numpy()
            stated = [_stated(p, window, register, study) for p in study.window.parts]
            own = [gap for p in stated if (p.positions & here).any() for gap in p.gaps]
            gaps = _without(gaps, own)
            if gaps:
                parts.append(_Part(here, tuple(gaps)))
                found.extend(_silence(f"{name} {one}", gap) for gap in gaps)
    return parts, found


def _without(gaps: list[Gap], known: list[Gap] | tuple[Gap, ...]) -> list[Gap]:
    """Gaps of which at least half a month lies in none of the known ones."""
    new = []
    for first, end in gaps:
        inside = sum(max(0, min(end, b) - max(first, a)) for a, b in known)
        if end - first - inside > 15 * DAY:
            new.append((first, end))
    return new


def _silence(whom: str, gap: Gap) -> Finding:
    first, last = as_dates(np.array([gap[0], gap[1] - DAY]))
    days = (gap[1] - gap[0]) // DAY
    shown = f"{first:.10} to {last:.10}"
    return finding(
        SILENT,
        f"No row of {whom} from {shown} ({with_noun(int(days), 'day')}), where other years have "
        "many",
        sources=[f"{whom}, {shown}"],
        done="Taken as a gap: items leave observation and come back later. Changes in it that "
        "nobody wrote down would make the ages after it too high. "
        "treatments.problems.silent_gaps = 'ignore' counts it as time without failures",
        severity="look",
    )


def silent_months(times: Instants, window: Observation, *, least: float) -> list[Gap]:
    """Return runs of whole months without a row in which many would be expected.

    Expected are the rows of the same calendar months in other years of the log, but no more than
    the mean of all months and than that of the year around: a fleet may grow. (own algebra; a run
    with ``least`` expected rows of purely random ones is empty with probability exp(-least),
    0.0003 for 8)

    Parameters
    ----------
    times : array of int
        Instants of the rows.
    window : Observation
        Its first and last months count only where they lie in it as a whole.
    least : float
        Expected number of rows from which on an empty run is a gap.
    """
    edges = _month_edges(window)
    if len(edges) < 3 or len(times) == 0:
        return []
    count = np.histogram(times[times != NOT_KNOWN], bins=edges)[0]
    empty = count == 0
    expected = _expected(count, edges)
    start = np.flatnonzero(empty & ~np.roll(empty, 1) | (empty & (np.arange(len(empty)) == 0)))
    gaps = []
    for first in start:
        last = first
        while last + 1 < len(empty) and empty[last + 1]:
            last += 1
        if expected[first : last + 1].sum() >= least:
            gaps.append((int(edges[first]), int(edges[last + 1])))
    return gaps


def _month_edges(window: Observation) -> Instants:
    """First instants of the whole months in the window, and the end of the last."""
    ends = np.array([window.start, window.end]).astype("datetime64[ns]").astype("datetime64[M]")
    months = np.arange(ends[0], ends[1] + 2)
    edges = months.astype("datetime64[ns]").astype(np.int64)
    inside: Instants = edges[(edges >= window.start) & (edges <= window.end)]
    return inside


def _expected(count: NDArray[np.int64], edges: Instants) -> NDArray[np.float64]:
    """Rows that an empty month would have: by that month of other years, by all, by those near."""
    month = edges[:-1].astype("datetime64[ns]").astype("datetime64[M]").astype(np.int64) % 12
    rows = np.bincount(month, weights=count, minlength=12)
    years = np.bincount(month, minlength=12)
    others = rows / np.maximum(years - 1, 1)  # of the month itself there are none
    rolling = pd.Series(count).rolling(2 * _NEAR_MONTHS + 1, center=True, min_periods=1)
    mean = np.minimum(float(count.mean()), rolling.mean().to_numpy())
    usual: NDArray[np.float64] = np.where(years[month] > 1, np.minimum(others[month], mean), mean)
    return usual
