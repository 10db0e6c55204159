"""What a question is about where nobody says: the costliest item, the hardest used vehicles.

Layer: whatif. Each picks from the plan's own numbers, so that every question can be asked at once.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.plan.stratum_settings import base_component
from relkit.survival.screen_tables import batch_screen, serial_prefix
from relkit.whatif.measures import measured
from relkit.whatif.scenario_sides import side_of

__all__ = [
    "best_place",
    "costliest_item",
    "hardest_used",
    "hidden_items",
    "item_named",
    "repaired_type",
    "suspect_batch",
    "worst_place",
]

#: Fewest failures on which a place's life is lent to another.
FEWEST_FAILURES = 5


def item_named(parts: PlanParts, row: int) -> tuple[str | None, str | None]:
    """Return component and location of a stratum."""
    fits = parts.found.fits
    pair = tuple(
        str(fits[name].iloc[row]) if name in fits else None for name in ("component", "location")
    )
    return pair[0], pair[1]


def costliest_item(parts: PlanParts) -> tuple[str | None, str | None]:
    """Return the stratum whose work over the time ahead costs most; most failures without costs."""
    side = side_of(parts, draws=20)
    result = measured(side).by_stratum
    cost = result["cost"].mean(axis=1)
    number = result["failures"].mean(axis=1)
    return item_named(parts, int(np.argmax(cost if cost.any() else number)))


def _failures_a_position(parts: PlanParts) -> pd.DataFrame:
    """Strata of plain components with failures per position over the time ahead."""
    side = side_of(parts, draws=20)
    number = measured(side).by_stratum["failures"].mean(axis=1)
    count = side.items.groupby("stratum")["count"].sum().reindex(range(len(number))).to_numpy()
    fits = parts.found.fits
    with np.errstate(invalid="ignore", divide="ignore"):
        each = number / count
    return fits.assign(each=each, typed=fits["component"].str.contains(","))


def worst_place(parts: PlanParts) -> tuple[str, str]:
    """Return component and place with most failures per position, of those at several places."""
    table = _failures_a_position(parts)
    table = table[~table["typed"] & (table.groupby("component")["each"].transform("size") > 1)]
    if table.empty or table["each"].isna().all():
        raise StudyError("no component is fitted at several places", path="study")
    row = int(np.nanargmax(table["each"].to_numpy(dtype=float)))
    return str(table["component"].iloc[row]), str(table["location"].iloc[row])


def best_place(parts: PlanParts, component: str) -> str:
    """Return the place of a component with fewest failures per position, enough being seen."""
    table = _failures_a_position(parts)
    table = table[(table["component"] == component) & (table["failures"] >= FEWEST_FAILURES)]
    if table["each"].notna().sum() < 2:
        raise StudyError(f"no other place of the {component} has enough failures", path="study")
    return str(table["location"].iloc[int(np.nanargmin(table["each"].to_numpy(dtype=float)))])


def hidden_items(parts: PlanParts) -> list[tuple[str | None, str | None]]:
    """Return the strata whose failures nobody notices.

    Raises
    ------
    StudyError
        The study has none.
    """
    rows = [i for i, s in enumerate(parts.chosen.settings) if not s.evident]
    if not rows:
        raise StudyError(
            "the study has no hidden function",
            path="study",
            mend="Say evident = false under [[functions]] for what nobody notices when it fails",
        )
    return [item_named(parts, row) for row in rows]


def hardest_used(parts: PlanParts) -> tuple[Mapping[str, tuple[str, ...]], str]:
    """Return the vehicles with most use a day by the study's services, and their name."""
    grids = {grid.name: grid for grid in parts.grids}
    best: tuple[float, Mapping[str, tuple[str, ...]], str] = (-1.0, {}, "all vehicles")
    for service in parts.study.services:
        if service.name in grids and service.where:
            grid = grids[service.name]
            use = float(parts.rates.loc[sorted(grid.vehicles), parts.study.clock].mean())
            if use > best[0]:
                best = (use, service.where, grid.label)
    return best[1], best[2]


def suspect_batch(parts: PlanParts) -> tuple[str, str]:
    """Return serial prefix and component of the batch that stands out most, if one is in service.

    Raises
    ------
    StudyError
        Nothing stands out among the serial numbers.
    """
    lives = parts.found.lives
    lives = lives.assign(
        prefix=serial_prefix(lives["serial"]), base=lives["component"].map(base_component)
    )
    screened = batch_screen(lives, "prefix", by="stratum_location", within="base")
    bad = screened[(screened["finding"] == "fails more often") & (screened["in_service"] > 0)]
    if bad.empty:
        raise StudyError("no batch of serial numbers fails more often than its like", path="log")
    return str(bad["prefix"].iloc[0]), str(bad["base"].iloc[0])


def repaired_type(parts: PlanParts) -> tuple[str, str]:
    """Return component and item type that repairs make, with most lives in the log.

    Raises
    ------
    StudyError
        No repair makes an item of another type.
    """
    actions = parts.study.treatments.actions.values()
    types = {a.type for a in actions if a.effect == "new item" and a.type and not a.from_now_on}
    fits = parts.found.fits
    parted = fits["component"].str.partition(", ")
    made = fits[parted[2].isin(types)]
    if made.empty:
        raise StudyError("no repair in the log makes an item of its own type", path="log")
    component, _, kind = str(
        made["component"].iloc[int(made["lives"].to_numpy(dtype=float).argmax())]
    ).partition(", ")
    return component, kind
