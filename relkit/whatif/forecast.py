"""Failures to come by stratum: what the log of today says of the next months, with luck and doubt.

Layer: whatif. Present ages, use as measured, parameter draws, renewals: one simulated history each.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.plan.parts import PlanParts
from relkit.whatif.fleet_from_plan import fleet_model, items_with_laws
from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.simulation import simulate_fleet

__all__ = ["HISTORIES", "Forecast", "checked_months", "failure_forecast"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Histories behind each forecast: the ends of a 95 % interval rest on 25 histories outside each.
HISTORIES = 1000
#: Months of a quarter: forecasts are made by quarters.
_QUARTER = 3


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """Failures to come at the positions whose items' ages are known."""

    made_on: pd.Timestamp  #: end of what was known
    months: tuple[int, ...]  #: how far ahead
    counts: Integers  #: (n_months, n_strata, n_histories) failures, drawn parameters [1]
    plug_in: Integers  #: the same with the point estimates alone [1]
    use: Floats  #: (n_months, n_strata) use to come [clock]
    positions: pd.DataFrame  #: vehicle, base, location: what the forecast is for
    of_stratum: Integers  #: positions of each stratum at the start [1]
    strata: tuple[str, ...]  #: names of the strata


def checked_months(months: tuple[int, ...]) -> tuple[int, ...]:
    """Return the horizons in ascending order; whole quarters of up to 10 years, else ValueError."""
    wrong = [m for m in months if m % _QUARTER or not 0 < m <= 120]
    if wrong or not months:
        given = wrong[0] if wrong else "empty"
        raise ValueError(f"months is {given}: give whole quarters such as 3, 6 or 12, at most 120")
    return tuple(sorted(set(months)))


def failure_forecast(
    parts: PlanParts,
    months: tuple[int, ...] = (3, 6, 12),
    *,
    histories: int = HISTORIES,
    rng: int = 1,
) -> Forecast:
    """Failures to come under present practice, as a predictive distribution.

    Each history draws its own parameters, so that doubt about them widens the forecast; then each
    item fails by its law from its present age on, is replaced at once, and so is its
    replacement. Use goes on at each vehicle's rate, spread over the year as in the last years.

    Parameters
    ----------
    parts : PlanParts
        Steps of a plan, as of the day that the forecast is made.
    months : tuple of int
        How far ahead, in whole quarters.
    histories : int
        Number of simulated histories.
    rng : int
        Seed.

    Returns
    -------
    Forecast
        Items of unknown age are left out. Nothing is replaced before it fails and no vehicle
        comes or goes: what the log cannot know.
    """
    months = checked_months(months)
    quarters = [m // _QUARTER - 1 for m in months]
    fleet = run_to_failure(fleet_model(parts, stock={}, known_ages_only=True))
    years = months[-1] / 12
    drawn = _counts(fleet, years, histories, rng)
    plug_in = _counts(_at_estimates(fleet, parts.found.fits), years, histories, rng + 1)
    use = simulate_fleet(fleet, years=years, histories=1, rng=rng).use[0]
    items = items_with_laws(parts, known_ages_only=True)
    return Forecast(
        made_on=pd.Timestamp(parts.tables.observed_until),
        months=months,
        counts=drawn[quarters],
        plug_in=plug_in[quarters],
        use=np.cumsum(use, axis=1).T[quarters],
        positions=items[["vehicle", "base", "location"]],
        of_stratum=np.bincount(fleet.stratum, minlength=len(fleet.strata)).astype(np.int64),
        strata=fleet.strata,
    )


def run_to_failure(fleet: FleetModel) -> FleetModel:
    """Return the fleet without tasks: items are replaced when they fail, and at once."""
    count = fleet.positions
    return replace(
        fleet,
        hidden=np.zeros(count, dtype=bool),
        replacement_age=np.full(count, np.inf),
        check_interval=np.full(count, np.inf),
        warning_time=np.zeros(count),
        repair_hours=np.zeros(count),
        pool=np.full(count, -1, dtype=np.int64),
    )


def _counts(fleet: FleetModel, years: float, histories: int, rng: int) -> Integers:
    """Failures from the start to the end of each quarter, (n_quarters, n_strata, n_histories)."""
    run = simulate_fleet(fleet, years=years, histories=histories, rng=rng, counted_under="own item")
    return np.cumsum(run.failures, axis=2).transpose(2, 1, 0).astype(np.int64)


def _at_estimates(fleet: FleetModel, fits: pd.DataFrame) -> FleetModel:
    """Return the fleet at the point estimates; without an estimate nothing fails."""
    shape, scale = (fits[name].to_numpy(dtype=np.float64) for name in ("shape", "scale"))
    known = np.isfinite(shape) & (scale > 0)
    return replace(
        fleet,
        shape=np.where(known, shape, 1.0)[:, None],
        scale=np.where(known, scale, np.inf)[:, None],
    )
