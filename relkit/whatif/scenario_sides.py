"""One side of a comparison: the fleet's positions with their laws, tasks and costs, one row each.

Layer: whatif. From the steps of a plan; scenario_changes.py makes another side of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.plan.parts import PlanParts
from relkit.plan.scheduling import TESTS
from relkit.plan.stratum_settings import base_component
from relkit.plan.usage import in_clock
from relkit.whatif.measures_ahead import Laws
from relkit.whatif.scenario import GroupChange, StockChange, VisitChange

__all__ = ["DAYS_A_MONTH", "Side", "is_tested", "plain_laws", "side_of"]

Floats = NDArray[np.float64]

DAYS_A_MONTH = 365.25 / 12
_NUMBERS = (
    "cost_planned",
    "cost_failure",
    "cost_check",
    "cost_undetected",
    "planned_hours",
    "check_hours",
    "demands_per_day",
    "reported_per_day",
    "detection",
    "test_detection",
)


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """What one side of a comparison assumes."""

    parts: PlanParts
    laws: Laws  #: one row per stratum of ``parts``, then those that a scenario adds
    #: one row per position: stratum, law, next_law, age, rate [clock / d], count, task, interval
    #: [clock; NaN: none], spacing of services [clock; 0: none], first_planned
    #: [clock from now; NaN: by age], hidden, costs
    items: pd.DataFrame
    horizon_days: float  #: time ahead [d]
    stock: tuple[StockChange, ...] = ()
    visits: tuple[VisitChange, ...] = ()
    groups: tuple[GroupChange, ...] = ()
    notes: tuple[str, ...] = field(default=())  #: what was assumed, in sentences

    @property
    def draws(self) -> int:
        """Number of draws of the parameters."""
        return int(self.laws.shape.shape[1])


def plain_laws(shape: Floats, scale: Floats) -> Laws:
    """Return Weibull laws without mixing, one per row."""
    count = len(shape)
    return Laws(
        shape=shape,
        scale=scale,
        other=np.arange(count),
        other_share=np.zeros(count),
        early_share=np.ones(count),
        early_age=np.ones(count),
    )


def side_of(parts: PlanParts, *, draws: int) -> Side:
    """Return the side of a study as it is planned: each item keeps to the plan's interval.

    Parameters
    ----------
    parts : PlanParts
        Steps of a plan.
    draws : int
        Draws of the parameters to use, the first of those of the plan.
    """
    known = np.asarray(np.isfinite(parts.found.shape + parts.found.scale).all(axis=1), np.bool_)
    items = parts.items[parts.items["stratum"] >= 0]
    lawless = ~known[items["stratum"].to_numpy(dtype=np.int64)]
    items = _described(items[~lawless], parts)
    shape = np.where(known[:, None], parts.found.shape[:, :draws], 1.0)
    scale = np.where(known[:, None], parts.found.scale[:, :draws], np.inf)
    missing = len(parts.items) - len(items)
    note = f"{missing} positions have no fitted life and are left out"
    return Side(
        parts=parts,
        laws=plain_laws(np.maximum(shape, 0.05), np.minimum(scale, 1e12)),
        items=items,
        horizon_days=parts.study.decision.horizon_months * DAYS_A_MONTH,
        notes=(note,) if missing else (),
    )


def _described(items: pd.DataFrame, parts: PlanParts) -> pd.DataFrame:
    """Items with law, task, interval, costs and use of hidden functions."""
    stratum = items["stratum"].to_numpy(dtype=np.int64)
    settings = parts.chosen.settings
    mean_age = items.groupby("stratum")["age"].transform("mean")
    items = items.assign(
        age=items["age"].fillna(mean_age).fillna(0.0),
        rate=items["rate"].fillna(items["rate"].mean()).fillna(0.0),
        count=1.0,
        law=stratum,
        next_law=stratum,
        first_planned=np.nan,
        task=parts.chosen.triage.task[stratum].astype(object),
        interval=_intervals(items, parts.visits),
        spacing=items["vehicle"].map(_spacings(parts)).fillna(0.0),
        hidden=np.array([not s.evident for s in settings], dtype=np.bool_)[stratum],
        warning=_warnings(parts)[stratum],
    )
    for name in _NUMBERS:
        values = np.array([getattr(s, name) for s in settings], dtype=np.float64)
        items[name] = values[stratum]
    if not items["planned_hours"].any():
        items["planned_hours"] = items["base"].map(_labour(parts)).fillna(0.0)
    return items.reset_index(drop=True)


def _spacings(parts: PlanParts) -> dict[str, float]:
    """Time between the services of each vehicle that has any [clock]."""
    return {name: grid.spacing for grid in parts.grids for name in grid.vehicles}


def _labour(parts: PlanParts) -> pd.Series:
    """Median labour of the log's replacements by component, where the study gives no bay hours."""
    actions = parts.study.treatments.actions
    new = [name for name, action in actions.items() if action.effect == "new item"]
    jobs = parts.log.jobs
    done = jobs[jobs["action"].isin(new) & (jobs["labour_hours"] > 0)]
    return done["labour_hours"].groupby(done["component"].map(base_component)).median()


def _intervals(items: pd.DataFrame, visits: pd.DataFrame) -> Floats:
    """Interval of each position by the visits of its vehicle; NaN where it has none."""
    if visits.empty:
        return np.full(len(items), np.nan)
    own = visits[["stratum", "vehicle_names", "interval"]].explode("vehicle_names")
    by_vehicle = own.drop_duplicates(["stratum", "vehicle_names"]).set_index(
        ["stratum", "vehicle_names"]
    )["interval"]
    wanted = pd.MultiIndex.from_frame(items[["stratum", "vehicle"]])
    return by_vehicle.reindex(wanted).to_numpy(dtype=float)


def _warnings(parts: PlanParts) -> Floats:
    """Mean time from a visible defect to failure, by stratum; NaN: none stated [clock]."""
    mean = parts.rates.mean()
    return np.array(
        [
            np.nan if s.warning_time is None else in_clock(s.warning_time, parts.study.clock, mean)
            for s in parts.chosen.settings
        ],
        dtype=np.float64,
    )


def is_tested(items: pd.DataFrame) -> NDArray[np.bool_]:
    """Positions that are looked at or tested and left in place."""
    return np.asarray(items["task"].isin(TESTS) & (items["interval"] > 0), dtype=np.bool_)
