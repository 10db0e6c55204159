"""Questions about the data: causes, missed failures, wrong dates, which record would help most.

Layer: whatif. Each function makes the scenarios of one question from a plan and a few numbers.
"""

from __future__ import annotations

from typing import get_args

import numpy as np
import pandas as pd

from relkit.checks import generator
from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.whatif.scenario import Changes, DataChange, Datum, Scenario
from relkit.whatif.scenario_data import changed_data

__all__ = ["causes_put_down", "dates_wrong", "life_range", "no_fault_real", "record_values"]

_MEASURES = ("failures", "planned", "checks", "dark_time", "cost")


def causes_put_down(parts: PlanParts) -> tuple[Scenario, ...]:
    """10: every job of unknown cause was one component's failure, each candidate in turn."""
    causes = parts.tables.lives["causes"]
    names = sorted({name for words in causes[causes != ""] for name in words.split("; ")})
    if not names:
        raise StudyError("no job of the log has an unknown cause", path="log")
    counts = causes[causes != ""].str.split("; ").explode().value_counts()
    names = sorted(names, key=lambda name: -int(counts[name]))[:2]
    return tuple(
        Scenario(
            name=f"Every job of unknown cause was the {name}",
            question="What if every masked job was the cable? Or the camera?",
            changes=Changes(data=DataChange(masked=name)),
            measures=_MEASURES,
        )
        for name in names
    )


def no_fault_real(
    parts: PlanParts, *, share: float = 0.5, repeats: int = 8
) -> tuple[Scenario, ...]:
    """11: a share of the jobs at which no fault was found were failures, drawn at random."""
    clean = parts.study.treatments.findings
    words = [name for name, outcome in clean.items() if outcome == "no failure"]
    if not parts.log.jobs["finding"].isin(words).any():
        raise StudyError("the log has no job at which no fault was found", path="log")
    return (
        Scenario(
            name=f"{100 * share:g} % of no fault found were failures",
            question="What if half the no-fault-found jobs were real?",
            changes=Changes(data=DataChange(no_fault_found_real=share, repeats=repeats)),
            measures=_MEASURES,
        ),
    )


def dates_wrong(parts: PlanParts, *, months: float = 6.0, repeats: int = 8) -> tuple[Scenario, ...]:
    """12: dates of fitting are wrong by up to some months either way."""
    if parts.log.fitments["fitted_on"].isna().all():
        raise StudyError("the register has no date of fitting", path="register")
    return (
        Scenario(
            name=f"Dates of fitting wrong by up to {months:g} months",
            question="What if install dates are wrong by up to 6 months?",
            changes=Changes(data=DataChange(fitted_date_error_months=months, repeats=repeats)),
            measures=_MEASURES,
        ),
    )


#: Records whose gain can be estimated from this log alone.
_PERFECT: tuple[Datum, ...] = ("fitted dates", "pass results", "causes")


def record_values(
    parts: PlanParts,
    rng: np.random.Generator | int = 1,
    *,
    repeats: int = 4,
    data: tuple[Datum, ...] = get_args(Datum),
) -> pd.DataFrame:
    """24: what each record is worth: the plan without it, and with it in full.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    rng : numpy.random.Generator or int
        Source of causes that are drawn.
    repeats : int
        Times that a random change is tried; the mean is given.
    data : tuple of str
        Records to look at; default: all.

    Returns
    -------
    DataFrame
        datum, case ("today", "without", "in full"), lives, failures, range (upper over lower
        limit of the B10 life, mean over the items that have five failures today), tasks (items
        whose task is another), intervals (items whose interval moves by more than 10 %).

    Notes
    -----
    Full dates of fitting: lives that began before the log and are known stand for those that are
    not. Full pass results: each failure found at a check has an exact age. Full causes: each job
    of unknown cause gets one, drawn by today's shares. Serial numbers and readings in full
    cannot be told from the log without them, so they are only taken away.
    """
    source = generator(rng)
    rows = [{"datum": "", "case": "today", **_worth(parts, parts)}]
    cases = [(datum, "without", DataChange(without=(datum,), repeats=1)) for datum in data]
    cases += [
        (datum, "in full", DataChange(perfect=(datum,), repeats=repeats))
        for datum in _PERFECT
        if datum in data
    ]
    for datum, case, change in cases:
        variants = [_worth(parts, variant) for variant in changed_data(parts, change, source)]
        rows.append({"datum": datum, "case": case, **_means(variants)})
    return pd.DataFrame(rows)


def _worth(today: PlanParts, then: PlanParts) -> dict[str, float]:
    left, right = _tasks(today), _tasks(then)
    both = left.join(right, how="left", lsuffix="_today")
    enough = both["failures_today"] >= 5
    moved = np.abs(np.log(both["interval"] / both["interval_today"])) > np.log(1.1)
    return {
        "lives": float(then.found.fits["lives"].sum()),
        "failures": float(then.found.fits["failures"].sum()),
        "range": float(np.exp(np.log(both.loc[enough, "range"]).mean())),
        "tasks": float((both["task"] != both["task_today"]).sum()),
        "intervals": float(moved.sum()),
    }


def _means(variants: list[dict[str, float]]) -> dict[str, float]:
    return {name: float(np.mean([one[name] for one in variants])) for name in variants[0]}


def _tasks(parts: PlanParts) -> pd.DataFrame:
    fits = parts.found.fits
    first = parts.visits.groupby("stratum")["interval"].mean() if len(parts.visits) else None
    interval = np.nan if first is None else first.reindex(range(len(fits))).to_numpy(dtype=float)
    keys = [name for name in parts.study.by if name in fits]
    table = fits[keys].assign(
        failures=fits["failures"],
        task=parts.chosen.triage.task,
        interval=interval,
        range=life_range(parts.found.shape, parts.found.scale),
    )
    return table.set_index(keys)


def life_range(shape: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return upper over lower limit (90 %) of the B10 life of each stratum, from the draws."""
    b10 = scale * (-np.log(0.9)) ** (1 / shape)
    lower, upper = np.quantile(b10, [0.05, 0.95], axis=1)
    return np.asarray(upper / lower)
