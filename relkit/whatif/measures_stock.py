"""Spares on the shelf: how often one is missing, how long vehicles wait, how many to keep.

Layer: whatif. Poisson demand in a lead time, one item ordered for each one used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import pdtr

from relkit.decisions.spares import spares_needed, spares_needed_over_draws
from relkit.plan.stratum_settings import stratum_settings
from relkit.whatif.measures_ahead import Counts
from relkit.whatif.scenario import StockChange
from relkit.whatif.scenario_sides import Side

__all__ = ["Stock", "expected_shortage", "spares_measures"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Stock:
    """Items on the shelf by component and store, before what a scenario adds."""

    held: Mapping[tuple[str, str], int]

    def of(self, component: str, store: str) -> int | None:
        """Return the items of a store; with all stores taken together for a blank one."""
        if (component, store) in self.held:
            return self.held[component, store]
        parts = [held for (name, _), held in self.held.items() if name == component]
        return sum(parts) if parts and store == "" else None


def expected_shortage(stock: int, demand: Floats) -> Floats:
    """Mean number of items that are wanted and not there, at a random moment.

    Assumes Poisson demand and that each item used is ordered at once: the items on order then
    follow a Poisson law whose mean is the demand in a lead time.

    Parameters
    ----------
    stock : int
        Items that are on the shelf when none is on order.
    demand : ndarray
        Mean demand in a lead time.

    References
    ----------
    .. [1] C. Palm's theorem, as in G. J. Feeney and C. C. Sherbrooke, The (s-1, s) inventory
       policy under compound Poisson demand, Management Science 12, 1966 (from memory).
    """
    if stock <= 0:
        return demand - stock
    # E[(D - s)+] = m P(D >= s) - s P(D >= s + 1)
    return np.asarray(demand * _at_least(stock, demand) - stock * _at_least(stock + 1, demand))


def _at_least(number: int, mean: Floats) -> Floats:
    return np.asarray(1 - pdtr(number - 1, mean)) if number > 0 else np.ones_like(mean)


def spares_measures(
    side: Side, groups: pd.DataFrame, counts: Counts, stock: Stock | None
) -> tuple[Stock, dict[str, Floats]]:
    """Return the stock taken, and late spares, waiting days and spares to keep, per draw.

    Demand is taken as spread evenly over the time ahead; work that bunches at services and in
    seasons empties shelves more often (see comparison_histories.py).

    Parameters
    ----------
    side : Side
        Study and changes of the stock.
    groups, counts : DataFrame, Counts
        Groups of positions and what is used at each.
    stock : Stock or None
        What lies on the shelf; None: what the study's service level asks for.
    """
    used = counts.failures + counts.planned
    sums = {name: np.zeros(side.draws) for name in ("late_spares", "waiting_days", "spares")}
    held: dict[tuple[str, str], int] = {}
    names = pd.MultiIndex.from_frame(groups[["base", "store"]])
    for component, store in names.unique():
        change = _change(side.stock, str(component))
        settings = stratum_settings(side.parts.study, str(component), "")
        lead = change.lead_time_days or settings.lead_time_days
        if change.pooled and (component, "") in held:
            continue
        together = groups["base"] == component
        here = together if change.pooled else together & (groups["store"] == store)
        place = "" if change.pooled else str(store)
        a_day = used[here.to_numpy()].sum(axis=0) / side.horizon_days
        given = None if stock is None else stock.of(str(component), place)
        if given is None:
            needed = spares_needed_over_draws(a_day * lead, service_level=settings.service_level)
            given = int(needed.stock[0])
        held[str(component), place] = given
        on_shelf = max(given + _added(change, groups, together), 0)
        sums["late_spares"] += a_day * side.horizon_days * _at_least(on_shelf, a_day * lead)
        sums["waiting_days"] += expected_shortage(on_shelf, a_day * lead) * side.horizon_days
        sums["spares"] += spares_needed(a_day * lead, service_level=settings.service_level).stock
    return Stock(held), sums


def _added(change: StockChange, groups: pd.DataFrame, here: pd.Series) -> int:
    """Items added: in each store, so in all of them where they lie together."""
    stores = groups.loc[here, "store"].nunique() if change.pooled else 1
    return change.added * int(stores)


def _change(changes: tuple[StockChange, ...], component: str) -> StockChange:
    fitting = [change for change in changes if change.component in (None, component)]
    return fitting[-1] if fitting else StockChange()
