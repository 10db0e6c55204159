"""How the use of like vehicles is spread over the months of a year.

Layer: whatif. Measured from the cleaned counters of the last whole years.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.instants import DAY
from relkit.lives.meters import Meters, meter_values

__all__ = ["UseSeasons", "use_seasons"]

Floats = NDArray[np.float64]

#: Years back from the end that the spread is taken from.
YEARS = 3
#: Vehicles of one kind below which all vehicles together give the spread.
LEAST_VEHICLES = 3


@dataclass(frozen=True, slots=True, eq=False)
class UseSeasons:
    """Spread of use over a year for kinds of vehicles."""

    by_month: Floats  #: (n_kinds, 12) use of a month over that of a mean month [1]
    kind: pd.Series  #: row of ``by_month`` for each vehicle


def use_seasons(meters: Meters, kinds: pd.Series, clock: str, until: pd.Timestamp) -> UseSeasons:
    """Spread of use over the months, kind by kind.

    Parameters
    ----------
    meters : Meters
        Cleaned counters.
    kinds : Series of str
        Kind of each vehicle (index); kinds of fewer than 3 vehicles share one spread.
    clock : str
        The study's clock; ``days`` runs evenly.
    until : Timestamp
        End of the observation window.
    """
    rare = kinds.map(kinds.value_counts()) < LEAST_VEHICLES
    named = kinds.where(~rare, "")
    names = sorted(set(named))
    row = named.map({name: place for place, name in enumerate(names)}).astype(np.int64)
    by_month = np.ones((len(names), 12))
    run = _monthly_use(meters, kinds.index, clock, until)
    if run is not None:
        for place, name in enumerate(names):
            # few vehicles of a kind say little: those of all kinds stand in
            chosen = run if name == "" else run[(named == name).to_numpy()]
            total = np.nansum(chosen, axis=0)
            if total.sum() > 0:
                by_month[place] = total / total.mean()
    return UseSeasons(by_month=by_month, kind=row)


def _monthly_use(
    meters: Meters, vehicles: pd.Index, clock: str, until: pd.Timestamp
) -> Floats | None:
    """Use by month of the year over up to three whole years, (n_vehicles, 12); None: no year."""
    knots = meters.knots[meters.knots["counter"] == clock]
    if clock == "days" or knots.empty:
        return None
    first = pd.Timestamp(int(knots["time"].min()))
    end = pd.Timestamp(until).normalize().replace(day=1)
    years = min(YEARS, int((end - first).days // 365.25))
    if years < 1:
        return None
    edges = pd.date_range(end - pd.DateOffset(years=years), end, freq="MS")
    times = edges.to_numpy().astype("datetime64[ns]").astype(np.int64)
    names = np.repeat(vehicles.to_numpy(dtype=object), len(times))
    values, _ = meter_values(meters, names, np.tile(times, len(vehicles)), counter=clock)
    days = np.diff(times) / DAY
    per_day = np.diff(values.reshape(len(vehicles), -1), axis=1) / days
    month = edges[:-1].month.to_numpy() - 1
    spread = np.zeros((len(vehicles), 12))
    np.add.at(spread.T, month, np.nan_to_num(np.maximum(per_day, 0.0)).T)
    return spread / years
