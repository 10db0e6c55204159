"""Treatments on which careful people differ, and what each would be instead.

Layer: plan. Each line of job data that is treated one way could have been treated another way;
only alternatives that concern at least one row are given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

from relkit.plan.parts import PlanParts
from relkit.study.settings import Study, Treatments

__all__ = ["Alternative", "alternatives"]


@dataclass(frozen=True, slots=True)
class Alternative:
    """One treatment switched to another."""

    treatment: str  #: what is treated, in plain words
    now: str  #: how the plan treats it
    then: str  #: how it is treated instead
    rows: int  #: log rows or lives that the alternative concerns
    study: Study | None = None  #: study with the other treatment; None: today's
    from_files: bool = False  #: the files have to be read again under that study
    lives: Callable[[pd.DataFrame], pd.DataFrame] | None = None  #: change of the lives


def alternatives(parts: PlanParts) -> tuple[Alternative, ...]:
    """Return the alternatives that concern at least one row of the log, most rows first."""
    found = [*_of_lives(parts), *_of_jobs(parts), *_of_files(parts)]
    return tuple(sorted((a for a in found if a.rows), key=lambda a: -a.rows))


def _of_lives(parts: PlanParts) -> Iterator[Alternative]:
    """Alternatives that change lives that are already built."""
    lives = parts.tables.lives
    failed = lives["failed"].astype(bool)
    yield Alternative(
        treatment="failures found at a check",
        now="failed at an unknown age since the last good check",
        then="failed at the check",
        rows=int((failed & (lives["age_lower"] < lives["age"])).sum()),
        lives=lambda lives: lives.assign(age_lower=lives["age"]),
    )
    yield Alternative(
        treatment="items fitted before the log began",
        now="used from the age at which the log began",
        then="left out",
        rows=int((lives["entry"] > 0).sum()),
        lives=lambda lives: lives[lives["entry"] == 0].reset_index(drop=True),
    )
    yield Alternative(
        treatment="ages read between distant meter readings",
        now="used",
        then="left out",
        rows=int(lives["age_estimated"].astype(bool).sum()),
        lives=lambda lives: lives[~lives["age_estimated"].astype(bool)].reset_index(drop=True),
    )
    for ended_by, then in (
        ("external damage", "counted as failures of the item"),
        ("removed unfailed", "counted as failures that nobody wrote down"),
    ):
        yield Alternative(
            treatment={"external damage": "items damaged from outside"}.get(
                ended_by, "items taken out while still good"
            ),
            now="ended unfailed",
            then=then,
            rows=int((lives["ended_by"] == ended_by).sum()),
            lives=_as_failures(ended_by),
        )


def _as_failures(ended_by: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def changed(lives: pd.DataFrame) -> pd.DataFrame:
        return lives.assign(failed=lives["failed"].astype(bool) | (lives["ended_by"] == ended_by))

    return changed


def _of_jobs(parts: PlanParts) -> Iterator[Alternative]:
    """Alternatives that build other lives from the same rows."""
    study, jobs, lives = parts.study, parts.log.jobs, parts.tables.lives
    masked = int((lives["causes"] != "").sum())
    choices: dict[Literal["shared", "all failed", "none failed"], str] = {
        "shared": "the failure is shared out among them",
        "all failed": "each of them failed",
        "none failed": "none of them failed",
    }
    if masked or study.treatments.masked != "shared":
        several = masked or _several_replaced(parts)
        for choice, words in choices.items():
            if choice != study.treatments.masked:
                yield Alternative(
                    treatment="jobs that replaced several items",
                    now=choices[study.treatments.masked],
                    then=words,
                    rows=several,
                    study=_with(study, replace(study.treatments, masked=choice)),
                )
    blank = int((jobs["finding"] == "").sum())
    for outcome in ("failure", "unfailed"):
        if outcome != study.treatments.blank_finding:
            yield Alternative(
                treatment="rows without a finding",
                now=study.treatments.blank_finding,
                then=outcome,
                rows=blank,
                study=_with(study, replace(study.treatments, blank_finding=outcome)),
            )
    if study.window.gaps:
        whole = replace(study.window, gaps=())
        yield Alternative(
            treatment="gaps of the log",
            now="not observed",
            then="observed, nothing failed in them",
            rows=len(lives),
            study=replace(study, window=whole),
        )


def _several_replaced(parts: PlanParts) -> int:
    """Rows of jobs that replaced more than one item."""
    jobs = parts.log.jobs
    named = jobs[jobs["job"] != ""]
    kinds = named["component"] + "\x1f" + named["location"]
    return int((kinds.groupby([named["vehicle"], named["job"]]).transform("nunique") > 1).sum())


def _of_files(parts: PlanParts) -> Iterator[Alternative]:
    """Alternatives that read the files again."""
    study = parts.study
    days = study.treatments.duplicate_days
    twice = int((parts.log.set_aside["reason"] == "duplicate").sum())
    for other in sorted({0.0, 2.0 * days} - {days}):
        yield Alternative(
            treatment="the same work entered twice",
            now=f"one job within {days:g} days",
            then=f"one job within {other:g} days" if other else "each row a job of its own",
            rows=twice,
            study=_with(study, replace(study.treatments, duplicate_days=other)),
            from_files=True,
        )
    common = parts.tables.findings["rule"] == "common date"
    yield Alternative(
        treatment="one fitted date shared by many items",
        now="taken as not known",
        then="believed",
        rows=int(parts.tables.findings.loc[common, "rows"].sum()),
        study=_with(study, replace(study.treatments, common_date_share=1.0)),
        from_files=True,
    )


def _with(study: Study, treatments: Treatments) -> Study:
    return replace(study, treatments=treatments)
