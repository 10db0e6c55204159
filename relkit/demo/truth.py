"""What is true of the made-up fleet: life parameters, tasks and costs per component and place.

Layer: demo. The project's own scenario; lives are in operating hours.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

__all__ = [
    "FIX_DAY",
    "LOCATION_GROUPS",
    "STRATUM_TRUTHS",
    "TYPE_TRUTHS",
    "ItemTruth",
    "truth_frame",
]

#: Day of the training after which re-made joints last longer.
FIX_DAY = "2024-02-01"

#: Location groups of the camera cables: group name -> mounting locations.
LOCATION_GROUPS: dict[str, tuple[str, ...]] = {
    "low mounts": (
        "plough blade",
        "spreader chute",
        "kerb-side brush",
        "road-side brush",
        "suction mouth",
    ),
    "flexing runs": ("tailboard", "boom arm"),
    "high and side mounts": ("rear high", "kerb side", "road side", "front"),
}

_EVERYWHERE = tuple(place for places in LOCATION_GROUPS.values() for place in places)


@dataclass(frozen=True, slots=True)
class ItemTruth:
    """Weibull life of one component at one place, what to do about it and what it costs."""

    component: str
    location: str  #: mounting location, or the name of a location group
    shape: float  #: [1]
    scale: float  #: [h of operating time]
    kind: str  #: how it fails, in words
    task: str  #: the best task at these parameters and costs
    cost_planned: float  #: one planned replacement [money units]
    cost_failure: float  #: one failure, all in [money units]
    best_age: float = float("nan")  #: best age for planned replacement [h]; NaN: never by age
    saving: float = 0.0  #: of planned replacement, share of the cost of running to failure [1]
    target_unavailability: float = float("nan")  #: of a hidden function [1]
    locations: tuple[str, ...] = ()  #: the mounting locations of a group


_REPLACE, _RUN, _TEST = "planned replacement", "run to failure", "failure-finding"
_LOW, _FLEX, _HIGH = LOCATION_GROUPS.values()

STRATUM_TRUTHS: tuple[ItemTruth, ...] = (
    ItemTruth("camera", "plough blade", 2.4, 1900, "wear", _REPLACE, 355, 1290, 1122, 0.26),
    ItemTruth("camera", "spreader chute", 3.0, 1700, "wear", _REPLACE, 355, 1290, 985, 0.35),
    ItemTruth("camera", "kerb-side brush", 2.6, 3000, "wear", _REPLACE, 355, 915, 2146, 0.17),
    ItemTruth("camera", "road-side brush", 2.6, 3800, "wear", _REPLACE, 355, 915, 2719, 0.17),
    ItemTruth("camera", "suction mouth", 2.2, 2100, "wear", _REPLACE, 355, 915, 1632, 0.12),
    ItemTruth("camera", "tailboard", 2.8, 3600, "wear", _REPLACE, 330, 760, 2709, 0.16),
    ItemTruth(
        "camera", "boom arm", 1.8, 4000, "mild wear, hidden", _TEST, 355, 800,
        target_unavailability=0.05,
    ),
    ItemTruth("camera", "rear high", 1.3, 9500, "nearly random", _RUN, 300, 760),
    ItemTruth("camera", "kerb side", 1.0, 11000, "random", _RUN, 300, 760),
    ItemTruth("camera", "road side", 1.0, 13000, "random", _RUN, 300, 760),
    ItemTruth("camera", "front", 1.2, 14000, "nearly random", _RUN, 300, 760),
    ItemTruth(
        "cable", "low mounts", 2.2, 5500, "wear", _REPLACE, 180, 700, 3191, 0.25, locations=_LOW
    ),
    ItemTruth(
        "cable", "flexing runs", 3.4, 3200, "wear", _REPLACE, 190, 720, 1838, 0.41,
        locations=_FLEX,
    ),
    ItemTruth(
        "cable", "high and side mounts", 1.5, 16000, "slow wear", _RUN, 185, 480, locations=_HIGH
    ),
    ItemTruth("switcher, old type", "in cab", 1.1, 12000, "random", _RUN, 420, 1010),
    ItemTruth(
        "main video lead", "chassis to cab", 2.0, 15000, "late wear", _REPLACE, 290, 1150, 8963,
        0.21,
    ),
    ItemTruth("display", "in cab", 1.0, 14000, "random", _RUN, 380, 880),
    ItemTruth(
        "trigger wire", "reverse", 1.4, 9000, "hidden", _TEST, 95, 240, target_unavailability=0.01
    ),
    ItemTruth(
        "trigger wire", "turn signal", 1.4, 9000, "hidden", _TEST, 95, 240,
        target_unavailability=0.01,
    ),
)  # fmt: skip

#: Lives that follow the item rather than the place; the key is the type's code in histories.
TYPE_TRUTHS: dict[int, ItemTruth] = {
    1: ItemTruth(
        "cable, re-made joint", "any mount", 0.55, 2500, "early failures", _RUN, 185, 700,
        locations=_EVERYWHERE,
    ),
    2: ItemTruth(
        "cable, re-made joint after training", "any mount", 0.9, 5000, "random", _RUN, 185, 700,
        locations=_EVERYWHERE,
    ),
    3: ItemTruth("camera, serial prefix M3", "any mount", 1.6, 2600, "bad batch", _RUN, 355, 915),
    4: ItemTruth("switcher, new type", "in cab", 1.1, 30000, "random", _RUN, 460, 1050),
}  # fmt: skip


def truth_frame(positions: pd.DataFrame, *, extras: bool = True) -> pd.DataFrame:
    """Return the truth as a table, one row per stratum, with the number of positions.

    Parameters
    ----------
    positions : DataFrame
        Positions of a fleet, with ``component`` and ``location``.
    extras : bool
        True: with the rows of the item types that are planted on top.

    Returns
    -------
    DataFrame
        component, location, locations (joined by "; " for a group), positions, shape,
        scale_h, kind, task, best_age_h, saving, cost_planned, cost_failure,
        target_unavailability.
    """
    counts = positions.groupby(["component", "location"]).size()
    truths = (*STRATUM_TRUTHS, *TYPE_TRUTHS.values()) if extras else STRATUM_TRUTHS
    rows = []
    for truth in truths:
        component = truth.component.split(",")[0]
        places = truth.locations or (truth.location,)
        fitted = sum(int(counts.get((component, place), 0)) for place in places)
        if truth.component == "camera, serial prefix M3":
            fitted = int(positions["component"].eq("camera").sum())
        rows.append(
            {
                "component": truth.component,
                "location": truth.location,
                "locations": "; ".join(places),
                "positions": fitted,
                "shape": truth.shape,
                "scale_h": truth.scale,
                "kind": truth.kind,
                "task": truth.task,
                "best_age_h": truth.best_age,
                "saving": truth.saving,
                "cost_planned": truth.cost_planned,
                "cost_failure": truth.cost_failure,
                "target_unavailability": truth.target_unavailability,
            }
        )
    return pd.DataFrame(rows)
