"""A fleet as the simulation takes it: one row of plain arrays per position, tasks and costs.

Layer: whatif. Arrays only; fleet_from_plan.py makes one from the steps of a plan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FleetModel", "check_fleet"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MONTHS = 12


@dataclass(frozen=True, slots=True, eq=False)
class FleetModel:
    """Positions with their items, tasks, costs, spares and bays: what a variant changes.

    A variant is made with :func:`dataclasses.replace`: it may change any array, or have more or
    fewer positions. Positions of the same ``key`` meet the same random numbers in both.

    The unit of use [clock] is the study's: operating hours, kilometres or days.
    """

    # one value per position, (n_positions,)
    key: Integers  #: whole number that the position's random numbers hang on
    vehicle: Integers  #: number of its vehicle, 0 and up
    depot: Integers  #: row of ``bay_hours_per_day``
    stratum: Integers  #: row of ``shape`` and ``scale`` for the item present
    renewal_stratum: Integers  #: the same for items fitted later: another where the type changes
    repair_stratum: Integers  #: the same for an item that was repaired; -1: never repaired
    repair_share: Floats  #: probability that a failed item is repaired, not replaced [1]
    age: Floats  #: of the item present, at the start [clock]
    use_per_day: Floats  #: mean over a year [clock / d]
    season: Integers  #: row of ``use_by_month``
    hidden: NDArray[np.bool_]  #: a failure stays unknown until a check or a report
    replacement_age: Floats  #: [clock]; inf: run to failure
    service_spacing: Floats  #: replacements wait for the nearest service [clock]; 0: made when due
    check_interval: Floats  #: time between checks or looks [clock]; inf: none
    first_check: Floats  #: use from the start to the first one [clock]; NaN: any, by vehicle
    extra_checks: Floats  #: (n_positions, n_extra) days from the start of extra ones [d]; NaN: none
    detection: Floats  #: probability that a check finds a failure, or a look the defect [1]
    warning_time: Floats  #: mean use from a visible defect to failure [clock]; 0: none visible
    demand_rate: Floats  #: times that the function is needed, per use [1 / clock]
    report_share: Floats  #: probability that a demand on a failed item is reported [1]
    cost_planned: Floats  #: one planned replacement [money]
    cost_failure: Floats  #: one failure [money]
    cost_check: Floats  #: one check or look [money]
    cost_hidden: Floats  #: per use with a hidden failure [money / clock]
    cost_downtime: Floats  #: per hour that a failure keeps the vehicle [money / h]
    repair_hours: Floats  #: bay hours of one replacement or repair [h]
    check_hours: Floats  #: bay hours of one check [h]
    pool: Integers  #: row of ``stock`` that its spares come from; -1: always at hand
    # one row per stratum
    shape: Floats  #: Weibull shapes, (n_strata, n_draws): history h takes column h % n_draws [1]
    scale: Floats  #: Weibull scales, (n_strata, n_draws) [clock]
    strata: tuple[str, ...]  #: names of the strata, (n_strata,)
    # one value per pool of spares
    stock: Integers  #: items on the shelf at the start; each one used is ordered at once [1]
    lead_time_days: Floats  #: [d]
    pools: tuple[str, ...]  #: names of the pools
    # one value per depot
    bay_hours_per_day: Floats  #: bay hours a calendar day, checks included [h / d]; inf: enough
    depots: tuple[str, ...]  #: names of the depots
    # by month of the year
    use_by_month: Floats  #: (n_seasons, 12) use of a month over that of a mean month [1]
    failure_cost_by_month: Floats  #: (12,) factor on ``cost_failure`` and ``cost_downtime`` [1]
    start_month: float  #: months since New Year at the start, 0 to below 12 [1]

    @property
    def positions(self) -> int:
        """Number of positions."""
        return len(self.key)


_PER_POSITION = (
    "vehicle",
    "depot",
    "stratum",
    "renewal_stratum",
    "repair_stratum",
    "repair_share",
    "age",
    "use_per_day",
    "season",
    "hidden",
    "replacement_age",
    "service_spacing",
    "check_interval",
    "first_check",
    "extra_checks",
    "detection",
    "warning_time",
    "demand_rate",
    "report_share",
    "cost_planned",
    "cost_failure",
    "cost_check",
    "cost_hidden",
    "cost_downtime",
    "repair_hours",
    "check_hours",
    "pool",
)
#: Least and most of each number; NaN is allowed where the field says so, infinity where most is.
_BOUNDS: dict[str, tuple[float, float]] = {
    "repair_share": (0.0, 1.0),
    "age": (0.0, 1e12),
    "use_per_day": (0.0, 1e9),
    "replacement_age": (1e-9, np.inf),
    "service_spacing": (0.0, 1e12),
    "check_interval": (1e-9, np.inf),
    "detection": (1e-6, 1.0),
    "warning_time": (0.0, 1e12),
    "demand_rate": (0.0, 1e9),
    "report_share": (0.0, 1.0),
    "cost_planned": (0.0, 1e12),
    "cost_failure": (0.0, 1e12),
    "cost_check": (0.0, 1e12),
    "cost_hidden": (0.0, 1e12),
    "cost_downtime": (0.0, 1e12),
    "repair_hours": (0.0, 1e6),
    "check_hours": (0.0, 1e6),
    "shape": (0.01, 1e3),
    "scale": (1e-9, np.inf),
    "stock": (0.0, 1e9),
    "lead_time_days": (0.0, 1e6),
    "bay_hours_per_day": (1e-9, np.inf),
    "use_by_month": (0.0, 12.0),
    "failure_cost_by_month": (0.0, 1e9),
}


def check_fleet(model: FleetModel) -> None:
    """Refuse a fleet whose arrays do not fit together or hold values out of bounds.

    Raises
    ------
    ValueError
        The message names the field, the first bad place and its value.
    """
    count = model.positions
    if count == 0:
        raise ValueError("the fleet has no position: give at least one")
    if len(np.unique(model.key)) < count:
        raise ValueError("key has repeated values: give each position a number of its own")
    for name in _PER_POSITION:
        if len(getattr(model, name)) != count:
            raise ValueError(f"{name} has {len(getattr(model, name))} values for {count} positions")
    for name, (least, most) in _BOUNDS.items():
        values = np.asarray(getattr(model, name), dtype=np.float64)
        bad = np.flatnonzero(~((values >= least) & (values <= most)).ravel())
        if len(bad):
            raise ValueError(
                f"{name} at place {bad[0]} is {values.ravel()[bad[0]]:g}: must be from {least:g} "
                f"to {most:g}"
            )
    _check_codes(model)


def _check_codes(model: FleetModel) -> None:
    strata, pools = len(model.shape), len(model.stock)
    sizes = {
        "vehicle": (0, np.iinfo(np.int64).max),
        "depot": (0, len(model.bay_hours_per_day)),
        "stratum": (0, strata),
        "renewal_stratum": (0, strata),
        "repair_stratum": (-1, strata),
        "season": (0, len(model.use_by_month)),
        "pool": (-1, pools),
    }
    for name, (least, size) in sizes.items():
        codes = np.asarray(getattr(model, name))
        if not np.issubdtype(codes.dtype, np.integer):
            raise ValueError(f"{name} holds {codes.dtype}: give whole numbers")
        if codes.min() < least or codes.max() >= size:
            raise ValueError(f"{name} must lie from {least} to {size - 1}")
    if model.shape.shape != model.scale.shape or model.shape.ndim != 2:
        raise ValueError("shape and scale must both have one row per stratum, one column per draw")
    if model.use_by_month.shape[1:] != (MONTHS,) or model.failure_cost_by_month.shape != (MONTHS,):
        raise ValueError("use_by_month and failure_cost_by_month must have 12 months")
    if not 0 <= model.start_month < MONTHS:
        raise ValueError(f"start_month is {model.start_month:g}: must be from 0 to below 12")
    if (np.abs(model.use_by_month.mean(axis=1) - 1) > 1e-6).any():
        raise ValueError("use_by_month must have the mean 1 in each row")
