"""How fast each vehicle uses its counters, and how far apart its services lie in the clock.

Layer: plan. Rates turn hours and kilometres into dates and back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from relkit.lives.instants import DAY
from relkit.lives.meters import Meters, meter_values
from relkit.study.settings import Service, Study
from relkit.units import Quantity

__all__ = ["ServiceGrid", "in_clock", "matching_vehicles", "service_grids", "usage_rates"]

#: Days in a mean year [d].
_YEAR = 365.25
#: Years of use that the range of a vehicle's rate is taken from.
YEARS_OF_USE = 3


@dataclass(frozen=True, slots=True, eq=False)
class ServiceGrid:
    """One service of the study for the vehicles that get it."""

    name: str
    vehicles: frozenset[str]
    label: str  #: which vehicles, in words: "GR", "class SW, depot north" or "all vehicles"
    spacing: float  #: mean time between visits [study clock]
    spacing_days: float  #: the same in calendar time [d]
    binding: str  #: the limit that is usually reached first: "250 h"


def usage_rates(meters: Meters, vehicles: Iterable[str], clock: str) -> pd.DataFrame:
    """Use of each counter per calendar day, one row per vehicle.

    Parameters
    ----------
    meters : Meters
        Cleaned cumulative counters.
    vehicles : iterable of str
        Vehicles of the register; those without usable readings get the study's own rate, else
        the mean of the others.
    clock : str
        The study's clock, for the range.

    Returns
    -------
    DataFrame
        Index: vehicle. One column per counter [counter units / d]; ``days``, always 1; and
        ``low`` and ``high``, the slowest and fastest of up to three years of use of the clock
        back from the last reading [clock units / d].
    """
    names = pd.Index(sorted(set(vehicles)), name="vehicle")
    known = meters.rates.pivot_table(index="vehicle", columns="counter", values="per_day")
    rates = known.reindex(names)
    for counter in sorted({*known.columns, *meters.fallback}):
        mean = known[counter].mean() if counter in known else np.nan
        usual = meters.fallback.get(counter, mean)
        rates[counter] = rates[counter].fillna(usual) if counter in known else usual
    rates = rates.assign(days=1.0)
    if clock == "days" or clock not in rates:
        return rates.assign(low=1.0, high=1.0)
    yearly = _yearly_rates(meters, names, clock)
    return rates.assign(
        low=np.fmin(yearly.min(axis=1), rates[clock]),
        high=np.fmax(yearly.max(axis=1), rates[clock]),
    )


def _yearly_rates(meters: Meters, names: pd.Index, clock: str) -> pd.DataFrame:
    """Mean rate in each of the last three years of a vehicle's readings; NaN before the first."""
    knots = meters.knots[meters.knots["counter"] == clock].groupby("vehicle")["time"]
    first, last = knots.min().reindex(names), knots.max().reindex(names)
    read = last.notna().to_numpy()
    vehicles = names.to_numpy(dtype=object)[read]
    until = last.to_numpy()[read].astype(np.int64)
    begun = first.to_numpy()[read].astype(np.int64)
    step = int(_YEAR * DAY)
    columns = {}
    for year in range(YEARS_OF_USE):
        ends = until - year * step
        values = [
            meter_values(meters, vehicles, at, counter=clock)[0] for at in (ends, ends - step)
        ]
        rate = np.where(ends - step >= begun, (values[0] - values[1]) / _YEAR, np.nan)
        columns[year] = pd.Series(rate, index=names[read]).reindex(names)
    return pd.DataFrame(columns, index=names)


def matching_vehicles(
    fitments: pd.DataFrame, where: Mapping[str, tuple[str, ...]]
) -> frozenset[str]:
    """Vehicles of the register whose covariates have one of the values stated for each."""
    chosen = pd.Series(True, index=fitments.index)
    for column, values in where.items():
        if column not in fitments:
            return frozenset()
        chosen &= fitments[column].astype(str).isin(values)
    return frozenset(fitments.loc[chosen, "vehicle"])


def service_grids(
    study: Study, fitments: pd.DataFrame, rates: pd.DataFrame
) -> tuple[ServiceGrid, ...]:
    """Return the services of the study with their mean spacing in the study's clock.

    A service with several limits is due at the first that is reached: its spacing is the
    smallest of the limits at the mean rates of its vehicles. Services of no vehicle are left out.
    """
    grids = (_grid(study, service, fitments, rates) for service in study.services)
    return tuple(grid for grid in grids if grid is not None)


def _grid(
    study: Study, service: Service, fitments: pd.DataFrame, rates: pd.DataFrame
) -> ServiceGrid | None:
    vehicles = matching_vehicles(fitments, service.where)
    if not vehicles:
        return None
    mean = rates.reindex(sorted(vehicles)).mean()
    options = [
        (in_clock(quantity, study.clock, mean), quantity)
        for quantity in study.quantities(service.every)
    ]
    known = [(value, quantity) for value, quantity in options if np.isfinite(value)]
    if not known:
        return None
    spacing, quantity = min(known, key=lambda option: option[0])
    use = mean[study.clock]
    label = ", ".join("/".join(values) for values in service.where.values()) or "all vehicles"
    return ServiceGrid(
        name=service.name,
        vehicles=vehicles,
        label=label,
        spacing=float(spacing),
        spacing_days=float(spacing / use) if use > 0 else float("inf"),
        binding=str(quantity),
    )


def in_clock(quantity: Quantity, clock: str, mean: pd.Series) -> float:
    """Quantity in the study's clock at mean daily rates.

    NaN where a rate is not known, and where the clock or the quantity's own counter stands still:
    no length of one then makes a length of the other.
    """
    if quantity.unit == clock:
        return quantity.value
    rate, own = mean.get(clock, np.nan), mean.get(quantity.unit, np.nan)
    return float(quantity.value * rate / own) if own > 0 and rate > 0 else float("nan")
