"""The strata that a scenario needs: those it is about, and those whose lives it takes.

Layer: whatif. A scenario about one item is answered from that item's stratum alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from relkit.plan.parts import PlanParts, decided_on
from relkit.whatif.scenario import Changes, Scenario
from relkit.whatif.scenario_match import matching_strata

__all__ = ["needed_strata", "scoped"]


def scoped(parts: PlanParts, scenario: Scenario) -> PlanParts:
    """Return the steps of a plan for the strata that a scenario needs only.

    The plan of the others does not change what is asked; a scenario that changes keys of the
    study or the data, or that names no items, needs all.
    """
    rows = needed_strata(parts, scenario)
    return parts if rows.all() else _only(parts, rows)


def needed_strata(parts: PlanParts, scenario: Scenario) -> NDArray[np.bool_]:
    """Strata that a scenario needs; parameters as for :func:`scoped`."""
    whole = scenario.component is None and scenario.location is None
    sides = (scenario.changes, scenario.today)
    if whole or any(side.study or side.data or side.repairs for side in sides):
        return np.ones(len(parts.found.fits), dtype=np.bool_)
    rows = matching_strata(parts, scenario.component, scenario.location)
    for side in sides:
        rows |= _named(parts, side)
    return rows


def _named(parts: PlanParts, side: Changes) -> NDArray[np.bool_]:
    """Strata that the changes of a side name."""
    rows = np.zeros(len(parts.found.fits), dtype=np.bool_)
    named = [(change.component, change.location) for change in side.lives]
    named += [(change.component, change.location) for change in side.costs]
    named += [(change.component, change.location) for change in side.intervals]
    for component, location in named:
        if component is not None or location is not None:
            rows |= matching_strata(parts, component, location)
    for change in side.lives:
        if change.as_location is not None:
            rows |= matching_strata(parts, change.component, change.as_location)
    for group in side.groups:
        for name in group.components:
            rows |= matching_strata(parts, name, group.location)
    return rows


def _only(parts: PlanParts, rows: NDArray[np.bool_]) -> PlanParts:
    found = parts.found
    kept = np.flatnonzero(rows)
    narrow = replace(
        found,
        fits=found.fits.iloc[kept].reset_index(drop=True),
        shape=found.shape[kept],
        scale=found.scale[kept],
    )
    code = np.full(len(rows) + 1, -1)
    code[kept] = np.arange(len(kept))
    items = parts.items[code[parts.items["stratum"].to_numpy(dtype=np.int64)] >= 0]
    return decided_on(replace(parts, items=items), narrow)
