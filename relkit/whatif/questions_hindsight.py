"""Had we used this a year ago: the plan of then, held against what failed since.

Layer: whatif. Counts rows of the log; only what would have come instead is estimated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.lifetimes import failure_probability
from relkit.errors import InputError, StudyError
from relkit.logbook.read import RepairLog
from relkit.plan.parts import PlanParts, parts_of
from relkit.whatif.scenario_sides import DAYS_A_MONTH, side_of

__all__ = ["hindsight", "log_until"]

Floats = NDArray[np.float64]


def log_until(log: RepairLog, day: pd.Timestamp) -> RepairLog:
    """Return the log as it stood on a day: nothing dated later, in any of its tables.

    Parameters
    ----------
    log : RepairLog
        The whole log.
    day : Timestamp
        Rows from this instant on are left out; what was undated stays.
    """
    fitments = log.fitments
    fitments = fitments[~(fitments["fitted_on"] >= day)]
    for name in ("removed_on", "vehicle_left_on"):
        fitments = fitments.assign(**{name: fitments[name].where(fitments[name] < day)})
    return replace(
        log,
        jobs=log.jobs[log.jobs["date"] < day].reset_index(drop=True),
        fitments=fitments.reset_index(drop=True),
        readings=log.readings[log.readings["date"] < day].reset_index(drop=True),
        inspections=log.inspections[log.inspections["date"] < day].reset_index(drop=True),
    )


def hindsight(parts: PlanParts, *, months: float = 12.0) -> pd.DataFrame:
    """23: what the planned replacements of a plan made some months ago would have done since.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan, for its log and its lives.
    months : float
        How long ago the plan would have been made.

    Returns
    -------
    DataFrame
        One row per item that the plan of then replaces by age: component, location, interval
        [clock], failures (since), avoided (of them at ages past the interval, so that the item
        would have been replaced before), replaced (items that reached the interval), unused
        [clock] (mean use that replaced items had left so far), failures_instead (expected of the
        items put in earlier, in the rest of the time) with limits, saved with limits [money].

    Raises
    ------
    StudyError
        The log is too short, or the plan of then replaces nothing by age.
    """
    day = pd.Timestamp(parts.tables.observed_until) - pd.Timedelta(days=months * DAYS_A_MONTH)
    day = day.normalize()
    last = (day - pd.Timedelta(days=1)).date()
    window = replace(parts.study.window, end=last)
    study = replace(parts.study, window=window)
    try:
        then = parts_of(log_until(parts.log, day), study)
    except InputError as error:
        raise StudyError(f"the log up to {last} is too short: {error}", path="log") from None
    planned = side_of(then, draws=200).items
    planned = planned[(planned["task"] == "planned replacement") & (planned["interval"] > 0)]
    if planned.empty:
        raise StudyError(f"the plan of {last} replaces nothing by age", path="log")
    since = _since(parts, then, planned, day)
    strata = np.unique(since["stratum"].to_numpy(dtype=np.int64)).tolist()
    return pd.DataFrame([_row(then, row, since[since["stratum"] == row]) for row in strata])


def _since(
    parts: PlanParts, then: PlanParts, planned: pd.DataFrame, day: pd.Timestamp
) -> pd.DataFrame:
    """Lives that went on or began since, with their age at the start and the interval of then."""
    lives = parts.found.lives
    lives = lives[lives["ended_on"] > day]
    keys = ["vehicle", "component", "location"]
    intervals = planned.drop_duplicates(keys)[[*keys, "interval", "stratum", "rate"]]
    table = lives.merge(intervals, on=keys, how="inner")
    begun = then.items[[*keys, "fitted_on", "age"]].rename(columns={"age": "age_then"})
    table = table.merge(begun.drop_duplicates([*keys, "fitted_on"]), on=[*keys, "fitted_on"],
                        how="left")  # fmt: skip
    later = (table["fitted_on"] >= day).to_numpy()
    table["age_then"] = np.where(later, 0.0, table["age_then"])
    return table[table["age_then"].notna()]


def _row(then: PlanParts, stratum: int, own: pd.DataFrame) -> dict[str, object]:
    fits, settings = then.found.fits, then.chosen.settings[stratum]
    failed = own["failed"].to_numpy(dtype=float)
    if "failure_share" in own:
        failed = np.maximum(failed, own["failure_share"].fillna(0.0).to_numpy(dtype=float))
    every = own["interval"].to_numpy(dtype=float)
    age = own["age"].to_numpy(dtype=float)
    start = np.maximum(own["age_then"].to_numpy(dtype=float), every)
    reached = age > start
    unused = np.where(reached, age - start, 0.0)
    instead = _failures_of_new(then, stratum, unused[reached])
    avoided = float(failed[reached].sum())
    costs = settings.cost_failure, settings.cost_planned
    saved = (avoided - instead) * costs[0] - float(reached.sum()) * costs[1]
    names = {name: str(fits[name].iloc[stratum]) for name in ("component", "location")
             if name in fits}  # fmt: skip
    low, high = np.quantile(instead, [0.05, 0.95])
    return {
        **names,
        "interval": float(np.mean(every)),
        "failures": float(failed.sum()),
        "avoided": avoided,
        "replaced": int(reached.sum()),
        "unused": float(unused[reached].mean()) if reached.any() else 0.0,
        "failures_instead": float(instead.mean()),
        "failures_instead_lower": float(low),
        "failures_instead_upper": float(high),
        "saved": float(saved.mean()),
        "saved_lower": float(np.quantile(saved, 0.05)),
        "saved_upper": float(np.quantile(saved, 0.95)),
    }


def _failures_of_new(then: PlanParts, stratum: int, use: Floats) -> Floats:
    """Return expected failures of items put in new, over the use that the old ones still had."""
    if not len(use):
        return np.zeros(then.found.shape.shape[1])
    chance = failure_probability(
        use[:, None], scale=then.found.scale[stratum], shape=then.found.shape[stratum]
    )
    return np.asarray(chance.sum(axis=0))
