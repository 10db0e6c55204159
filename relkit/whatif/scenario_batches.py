"""Items with a life of their own: a bad batch known by serial numbers, repaired items.

Layer: whatif. Each adds laws to a side and says which items follow them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.plan.stratum_settings import base_component
from relkit.survival.tables import parameter_draws, pooled_weibull_fits
from relkit.whatif.measures_ahead import Laws
from relkit.whatif.scenario import BatchChange, RepairChange
from relkit.whatif.scenario_sides import Side

__all__ = ["repaired_share", "with_batch", "with_repairs"]

Floats = NDArray[np.float64]
Places = NDArray[np.integer[Any]]


def with_batch(side: Side, change: BatchChange) -> Side:
    """Return the side whose batch has a life of its own and is replaced when the change says.

    Items fitted later are of the place's usual life. "next service": half a service's spacing
    ahead on average. "on failure": whatever the plan asks for otherwise.

    Raises
    ------
    StudyError
        No item has such a serial number.
    """
    lives = side.parts.found.lives
    own = lives["serial"].astype(str).str.startswith(change.serial_prefix)
    if change.component is not None:
        own &= lives["component"].map(base_component) == change.component
    if not own.any():
        raise StudyError(
            f'no item has a serial number that begins with "{change.serial_prefix}"',
            path="scenario",
        )
    side, law = _with_law(side, lives[own])
    held = side.items["serial"].astype(str).str.startswith(change.serial_prefix)
    if change.component is not None:
        held &= side.items["base"] == change.component
    items = side.items.assign(law=side.items["law"].where(~held, law))
    first = items["first_planned"].to_numpy(dtype=float)
    items["first_planned"] = np.where(held.to_numpy(dtype=bool), _ahead(side, change), first)
    fitted = int(held.sum())
    note = f"{fitted} items of the batch are in service; its life rests on {int(own.sum())} lives"
    return replace(side, items=items, notes=(*side.notes, note))


def _ahead(side: Side, change: BatchChange) -> Floats:
    """Time from now at which the items of the batch are replaced; NaN: as planned."""
    count = len(side.items)
    if change.replaced == "now":
        return np.zeros(count)
    if change.replaced == "on failure":
        return np.full(count, np.inf)
    if change.replaced == "as planned":
        return np.full(count, np.nan)
    spacing = {name: grid.spacing for grid in side.parts.grids for name in grid.vehicles}
    return side.items["vehicle"].map(spacing).fillna(np.inf).to_numpy(dtype=float) / 2


def with_repairs(side: Side, change: RepairChange) -> Side:
    """Return the side in which a share of the failed items is repaired into another type.

    Raises
    ------
    StudyError
        The log has no items of that type.
    """
    name = f"{change.component}, {change.type}"
    fits = side.parts.found.fits
    typed = np.flatnonzero(fits["component"].eq(name))
    if not len(typed):
        raise StudyError(f'no item is called "{name}"', path="scenario")
    share = repaired_share(side.parts, change) if change.share is None else change.share
    rows = np.flatnonzero(fits["component"].map(base_component).eq(change.component))
    items, laws = side.items, side.laws
    mixed = {}
    for row in rows:
        whole = int(row) if row not in typed else _usual(fits, int(row), rows, typed)
        laws, law = _appended(laws, laws.shape[[whole]], laws.scale[[whole]])
        other, portion = laws.other.copy(), laws.other_share.copy()
        other[law], portion[law] = int(typed[0]), share
        laws = replace(laws, other=other, other_share=portion)
        mixed[int(row)] = law
    following = items["stratum"].map(mixed)
    items = items.assign(
        next_law=following.fillna(items["next_law"]).astype(np.int64),
        cost_failure=items["cost_failure"] - np.where(following.notna(), share * change.saved, 0.0),
    )
    note = f"{100 * share:.0f} % of failed {change.component}s get a {change.type}"
    return replace(side, items=items, laws=laws, notes=(*side.notes, note))


def _usual(fits: pd.DataFrame, row: int, rows: Places, typed: Places) -> int:
    """Stratum of new items where a repaired one is fitted now: the one with most failures."""
    new = [int(r) for r in rows if r not in typed]
    if not new:
        return row
    return max(new, key=lambda r: float(fits["failures"].iloc[r]))


def repaired_share(parts: PlanParts, change: RepairChange) -> float:
    """Share of the ended lives of a component that a repaired item followed, in the window."""
    lives = parts.tables.lives
    own = lives[lives["component"].map(base_component) == change.component]
    begun = own[own["entry"] == 0]
    begun = begun[begun["fitted_on"] > pd.Timestamp(parts.tables.observed_from)]
    typed = begun["component"] == f"{change.component}, {change.type}"
    return float(typed.mean()) if len(begun) else 0.0


def _with_law(side: Side, lives: pd.DataFrame) -> tuple[Side, int]:
    """Side with one law more, fitted to some lives as one stratum."""
    one = lives.assign(component="batch", location="")
    level = side.parts.study.decision.confidence_level
    fits = pooled_weibull_fits(
        one, ["component"], ["component"], confidence_level=level, limits="fisher"
    )
    # the same seed as the other strata; the batch's own draws pair with theirs by column
    shape, scale = parameter_draws(fits, side.draws, rng=side.parts.study.decision.seed)
    laws, row = _appended(side.laws, shape, scale)
    return replace(side, laws=laws), row


def _appended(laws: Laws, shape: Floats, scale: Floats) -> tuple[Laws, int]:
    row = len(laws.shape)
    return (
        Laws(
            shape=np.concatenate([laws.shape, shape]),
            scale=np.concatenate([laws.scale, scale]),
            other=np.append(laws.other, row),
            other_share=np.append(laws.other_share, 0.0),
            early_share=np.append(laws.early_share, 1.0),
            early_age=np.append(laws.early_age, 1.0),
        ),
        row,
    )
