"""Which strata and positions a component and a location of a scenario mean.

Layer: whatif. A name that fits nothing is an error that names the nearest one.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.plan.stratum_settings import base_component
from relkit.whatif.scenario_sides import Side

__all__ = ["matching_items", "matching_strata"]

Bools = NDArray[np.bool_]


def matching_strata(parts: PlanParts, component: str | None, location: str | None) -> Bools:
    """Strata of a component (with or without its type) at a place or one of its locations.

    Raises
    ------
    StudyError
        No stratum fits: the nearest name is given.
    """
    fits = parts.found.fits
    rows = _of_component(fits, component)
    if location is not None:
        groups = parts.study.location_groups
        names = {location, *(group.name for group in groups if location in group.locations)}
        at_place = fits["location"].isin(names).to_numpy() if "location" in fits else rows
        own = fits["location"].eq(location).to_numpy() if "location" in fits else rows
        rows &= own if (rows & own).any() else at_place
    if not rows.any():
        raise _unknown(component, location, fits)
    return rows


def matching_items(side: Side, component: str | None, location: str | None) -> Bools:
    """Positions of a component at a place or mounting location; raises likewise."""
    rows = _of_component(side.items, component)
    if location is not None:
        rows &= (side.items["location"].eq(location) | side.items["place"].eq(location)).to_numpy()
    if not rows.any():
        raise _unknown(component, location, side.parts.found.fits)
    return rows


def _of_component(table: pd.DataFrame, component: str | None) -> Bools:
    if component is None or "component" not in table:
        return np.ones(len(table), dtype=np.bool_)
    names = table["component"]
    exact = names.eq(component).to_numpy()
    return exact if exact.any() else names.map(base_component).eq(component).to_numpy()


def _unknown(component: str | None, location: str | None, fits: pd.DataFrame) -> StudyError:
    wanted = ", ".join(name for name in (component, location) if name)
    known = fits[[c for c in ("component", "location") if c in fits]].agg(", ".join, axis=1)
    near = nearest(wanted, known.tolist())
    return StudyError(
        f'no item is called "{wanted}"',
        path="scenario",
        mend=f'The nearest is "{near}"' if near else "",
    )


def nearest(name: str, known: Collection[str]) -> str:
    """Known name that is most like another; blank where none are known."""
    return next(iter(difflib.get_close_matches(name, list(known), n=1, cutoff=0.0)), "")
