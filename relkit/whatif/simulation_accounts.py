"""Running totals of a simulation by history, stratum and quarter.

Layer: whatif. numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.simulation_calendar import DAYS_A_QUARTER, Calendar, days_run

__all__ = ["Accounts", "add", "quarter_edges", "steady_totals"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Accounts:
    """Totals of one block of histories, filled while it runs."""

    size: tuple[int, int, int]  #: histories, strata, quarters
    flat: dict[str, Floats] = field(default_factory=dict)  #: by measure, one value per cell

    def totals(self, name: str) -> Floats:
        """Totals of one measure, (n_histories, n_strata, n_quarters)."""
        return self.flat[name].reshape(self.size) if name in self.flat else np.zeros(self.size)


def add(
    accounts: Accounts, name: str, row: Integers, day: Floats, values: Floats | float = 1.0
) -> None:
    """Add values at rows (history times strata, plus stratum) in the quarters of their days."""
    quarters = accounts.size[2]
    quarter = (day / DAYS_A_QUARTER).astype(np.int64)
    inside = (quarter >= 0) & (quarter < quarters)
    cells = accounts.flat.setdefault(name, np.zeros(int(np.prod(accounts.size))))
    amounts = np.broadcast_to(np.asarray(values, dtype=np.float64), row.shape)
    np.add.at(cells, (row * quarters + quarter)[inside], amounts[inside])


def quarter_edges(calendar: Calendar, quarters: int) -> Floats:
    """Mean days' worth of use at the edges of the quarters, (n_seasons, n_quarters + 1) [d]."""
    season = np.arange(len(calendar.factor))
    edges = np.arange(quarters + 1) * DAYS_A_QUARTER
    return np.stack([days_run(calendar, season, np.full(len(season), day)) for day in edges], 1)


def steady_totals(model: FleetModel, calendar: Calendar, quarters: int) -> dict[str, Floats]:
    """Totals that are the same in every history, (n_strata, n_quarters): use, checks, their cost.

    Where it is not said when the first check comes, the mean number of checks is taken.
    """
    run = model.use_per_day[:, None] * quarter_edges(calendar, quarters)[model.season]
    use = np.diff(run, axis=1)
    every, first = model.check_interval[:, None], model.first_check[:, None]
    with np.errstate(invalid="ignore"):
        exact = np.diff(np.floor(np.maximum(run - first, -every) / every), axis=1)
    made = np.where(np.isnan(first), use / every, exact)
    made = np.where(np.isfinite(every), made, 0.0)
    for day in model.extra_checks.T:
        known = np.isfinite(day) & (day >= 0) & (day < quarters * DAYS_A_QUARTER)
        quarter = np.where(known, day, 0.0) // DAYS_A_QUARTER
        made[np.arange(len(made)), quarter.astype(np.int64)] += known
    totals = {
        "use": use,
        "checks": made,
        "cost": made * model.cost_check[:, None],
        "bay_hours": made * model.check_hours[:, None],
    }
    return {name: _by_stratum(model, values) for name, values in totals.items()}


def _by_stratum(model: FleetModel, values: Floats) -> Floats:
    whole = np.zeros((len(model.strata), values.shape[1]))
    np.add.at(whole, model.stratum, values)
    return whole
