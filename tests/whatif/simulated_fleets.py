"""Small fleets for the tests of the simulation: one call, everything off unless asked for."""

from __future__ import annotations

from typing import Any

import numpy as np

from relkit.whatif.fleet_model import FleetModel


def plain_fleet(
    positions: int, *, shape: Any = 1.0, scale: Any = 1000.0, **changed: Any
) -> FleetModel:
    """Return a fleet of one stratum whose items run to failure, one unit of use a day."""
    count = positions
    numbers = np.arange(count)
    fields: dict[str, Any] = {
        "key": numbers,
        "vehicle": numbers,
        "depot": np.zeros(count, dtype=np.int64),
        "stratum": np.zeros(count, dtype=np.int64),
        "renewal_stratum": np.zeros(count, dtype=np.int64),
        "repair_stratum": np.full(count, -1),
        "season": np.zeros(count, dtype=np.int64),
        "hidden": np.zeros(count, dtype=bool),
        "extra_checks": np.zeros((count, 0)),
        "pool": np.full(count, -1),
        "shape": np.atleast_2d(np.asarray(shape, dtype=float)),
        "scale": np.atleast_2d(np.asarray(scale, dtype=float)),
        "stock": np.zeros(0, dtype=np.int64),
        "lead_time_days": np.zeros(0),
        "pools": (),
        "bay_hours_per_day": np.array([np.inf]),
        "depots": ("",),
        "use_by_month": np.ones((1, 12)),
        "failure_cost_by_month": np.ones(12),
        "start_month": 0.0,
    }
    for name in _ZERO:
        fields[name] = np.zeros(count)
    for name, value in _CONSTANT.items():
        fields[name] = np.full(count, value)
    for name, value in changed.items():
        usual = fields.get(name)
        fits = isinstance(usual, np.ndarray) and usual.shape == (count,)
        fields[name] = np.broadcast_to(value, (count,)).astype(usual.dtype) if fits else value
    fields.setdefault("strata", tuple(f"s{n}" for n in range(len(fields["shape"]))))
    return FleetModel(**fields)


_ZERO = (
    "repair_share",
    "age",
    "service_spacing",
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
)
_CONSTANT = {
    "use_per_day": 1.0,
    "replacement_age": np.inf,
    "check_interval": np.inf,
    "first_check": np.nan,
    "detection": 1.0,
}
