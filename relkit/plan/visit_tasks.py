"""The jobs of one vehicle and the visits at which they can be done, as penalties in money.

Layer: plan. Times of a job are in its own unit: the study's clock, or days for a rule's date.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from relkit.decisions.visit_penalties import interval_penalties, replacement_penalties
from relkit.plan.choices import Choices
from relkit.plan.due import task_rows
from relkit.plan.parts import PlanParts

__all__ = ["VisitTimes", "group_tasks", "penalties"]

Floats = NDArray[np.float64]

#: Draws over which the penalties of a planned replacement are averaged.
DRAWS = 12
#: Least step between two visits in the clock, so that a parked vehicle's visits still rise.
LEAST_STEP = 1e-6

_NAMES = [
    "vehicle", "component", "location", "item", "stratum", "task", "interval", "reached",
    "done_age", "only_tested", "since", "opened_by",
]  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class VisitTimes:
    """Visits of one vehicle in order: days ahead, use until then, set-up, extra downtime rate."""

    days: Floats  #: [d]
    clock: Floats  #: [clock]
    service: tuple[str, ...]  #: the service, or "special visit"
    set_up: Floats  #: [money]
    downtime: Floats  #: cost of an hour's downtime above the year's mean [money/h]
    horizon_days: float
    horizon_clock: float


def group_tasks(parts: PlanParts, until: pd.Timestamp, by_rule: pd.DataFrame) -> pd.DataFrame:
    """Return every job of the plan that a vehicle needs, own tasks and rules' demands.

    Parameters
    ----------
    parts : PlanParts
        Items, visits and choices.
    until : Timestamp
        The day that the plan is made for.
    by_rule : DataFrame
        The rules' demands by vehicle, as in the due list, with ``maximum_days``.

    Returns
    -------
    DataFrame
        One row per job: vehicle, component, location, item, stratum (-1: a rule's), task,
        ``interval`` [clock, or days of a rule], ``elapsed`` since it was last done in the same
        unit (NaN: never), ``age`` [clock], ``hours`` [h], ``safety``.
    """
    own = pd.DataFrame(columns=_NAMES)
    if len(parts.visits):
        own = task_rows(parts.items, parts.visits, until)
        own = own[np.isfinite(own["interval"])]
    settings = parts.chosen.settings
    stratum = own["stratum"].to_numpy(dtype=np.int64)
    replaced = (own["task"] == "planned replacement").to_numpy()
    hours = [
        settings[s].planned_hours if r else settings[s].check_hours
        for s, r in zip(stratum, replaced, strict=True)
    ]
    table = own[_NAMES].assign(
        elapsed=(own["reached"] - own["done_age"]).where(own["since"].notna()),
        age=own["reached"].where(~own["only_tested"].astype(bool)),
        hours=np.array(hours, dtype=float),
        safety=np.array([settings[s].safety for s in stratum], dtype=np.bool_),
    )
    if len(by_rule):
        rules = by_rule.reindex(columns=["vehicle", "component", "location", "item", "task"])
        gone = (until - by_rule["last_done"]).dt.total_seconds() / 86400
        table = pd.concat(
            [
                table,
                rules.assign(
                    stratum=-1,
                    interval=by_rule["maximum_days"],
                    elapsed=gone.clip(lower=0.0),
                    age=np.nan,
                    hours=0.0,
                    safety=True,
                    opened_by=by_rule["limit"],
                ),
            ],
            ignore_index=True,
        )
    kept = table[table["interval"].notna()]
    return kept.sort_values(["vehicle", "component", "location", "task"], kind="stable")


def penalties(
    tasks: pd.DataFrame, visits: VisitTimes, parts: PlanParts
) -> tuple[Floats, NDArray[np.bool_]]:
    """Extra cost of each job at the visits, (n_tasks, n_visits + 2, n_visits + 2); and at once.

    Returns
    -------
    penalty : ndarray
        As ``grouped_visits`` takes it, in money.
    at_once : ndarray of bool
        Jobs past their maximum, or never done: no wait is allowed, they belong to the first
        visit.
    """
    at_once = np.zeros(len(tasks), dtype=np.bool_)
    clocked = _rising(visits.clock, visits.horizon_clock)
    dated = _rising(visits.days, visits.horizon_days)
    size = len(visits.days) + 2
    cost = np.full((len(tasks), size, size), np.inf)
    columns = {name: tasks[name].to_numpy() for name in ("stratum", "task", "interval", "elapsed")}
    stratum = columns["stratum"].astype(np.int64)
    replaced = _priced(tasks, parts.chosen)
    cost[replaced] = _of_replacements(tasks[replaced], clocked, parts)
    for k in np.flatnonzero(~replaced):
        places, end = clocked if stratum[k] >= 0 else dated
        check = parts.chosen.settings[stratum[k]].cost_check if stratum[k] >= 0 else 0.0
        elapsed, interval = float(columns["elapsed"][k]), float(columns["interval"][k])
        if columns["task"][k] == "planned replacement":
            check = 0.0
        cost[k], at_once[k] = _of_maximum(
            elapsed, interval, check if check > 0 else 0.0, places, end
        )
    extra = tasks["hours"].to_numpy(dtype=float)[:, None] * visits.downtime
    cost[:, :, 1:-1] += extra[:, None, :]
    return cost, at_once


def _rising(times: Floats, horizon: float) -> tuple[Floats, float]:
    """Return times that rise, if only a little where a vehicle stands still."""
    steps = np.maximum(np.diff(times, prepend=0.0), LEAST_STEP)
    rising = np.cumsum(steps)
    return rising, max(float(horizon), float(rising[-1]) + LEAST_STEP)


def _priced(tasks: pd.DataFrame, chosen: Choices) -> NDArray[np.bool_]:
    """Planned replacements whose costs and age are known: their best age is weighed in money."""
    settings = chosen.settings
    costs = np.array(
        [
            s >= 0 and settings[s].cost_planned > 0 and settings[s].cost_failure > 0
            for s in tasks["stratum"].to_numpy(dtype=np.int64)
        ],
        dtype=np.bool_,
    )
    known = np.isfinite(tasks["age"].to_numpy(dtype=float))
    replaced = (tasks["task"] == "planned replacement").to_numpy(dtype=np.bool_)
    return np.asarray(costs & known & replaced, dtype=np.bool_)


def _of_replacements(tasks: pd.DataFrame, times: tuple[Floats, float], parts: PlanParts) -> Floats:
    """Penalties of planned replacements, averaged over draws of the lives' parameters."""
    places, end = times
    size = len(places) + 2
    if tasks.empty:
        return np.zeros((0, size, size))
    stratum = tasks["stratum"].to_numpy(dtype=np.int64)
    settings = [parts.chosen.settings[i] for i in stratum]
    drawn = np.linspace(0, parts.found.scale.shape[1] - 1, DRAWS).astype(int)
    age = tasks["age"].to_numpy(dtype=float)
    rule = _rule_ages(parts)[stratum]
    most = np.where(np.isfinite(rule), np.maximum(rule, age + places[0]), np.inf)

    def each(values: ArrayLike) -> Floats:
        return np.repeat(np.asarray(values, dtype=np.float64), DRAWS)

    cost = replacement_penalties(
        places,
        horizon=end,
        age=each(age),
        scale=parts.found.scale[stratum][:, drawn].ravel(),
        shape=parts.found.shape[stratum][:, drawn].ravel(),
        cost_planned=each([s.cost_planned for s in settings]),
        cost_failure=each([s.cost_failure for s in settings]),
        maximum=each(most),
    )
    return np.asarray(cost.reshape(len(tasks), DRAWS, size, size).mean(axis=1))


def _rule_ages(parts: PlanParts) -> Floats:
    """Age that a rule sets for each stratum's replacements; inf: none does."""
    ages = np.full(len(parts.chosen.settings), np.inf)
    ruled = parts.visits[parts.visits["binding"] == "rule"]
    for stratum, interval in zip(ruled["stratum"], ruled["interval"], strict=True):
        ages[stratum] = np.fmin(ages[stratum], interval)
    return ages


def _of_maximum(
    elapsed: float, interval: float, cost: float, places: Floats, end: float
) -> tuple[Floats, bool]:
    """Penalty of a job whose interval is a maximum: doing it earlier wastes part of its cost."""
    late = not elapsed + places[0] <= interval  # also where it was never done
    since = max(interval - places[0], 0.0) if late else elapsed
    penalty = interval_penalties(
        places,
        horizon=end,
        elapsed=[since],
        cost_rate=lambda t: cost / t,
        best=[interval],
        maximum=[max(interval, places[0] + since)],
    )[0]
    return penalty, late
