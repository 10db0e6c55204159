"""A register to be completed by a person, from what a log names, where there is no register.

Layer: logbook. A log alone never tells what did not fail: that has to be added.
"""

from __future__ import annotations

import pandas as pd

from relkit.logbook.vehicles import vehicle_key
from relkit.logbook.words import merged

__all__ = ["carried_items", "register_to_complete"]

#: Items that this share of the vehicles had work on are proposed for every vehicle.
COMMON = 0.5

#: So many kinds of item a vehicle list is proposed to carry at most.
MOST_CARRIED = 60


def register_to_complete(named: pd.DataFrame) -> pd.DataFrame:
    """Return every position that the log names, and common ones on every vehicle.

    Parameters
    ----------
    named : DataFrame
        vehicle, component, location of each row of the log, in our words.

    Returns
    -------
    DataFrame
        vehicle, component, location, fitted_on (blank: to be filled in where it is known),
        in_log ("yes", or "no" for positions that only other vehicles had work on).
    """
    seen = _seen(named)
    pairs = seen[["component", "location"]].drop_duplicates()
    vehicles = seen[["vehicle"]].drop_duplicates()
    share = seen.groupby(["component", "location"])["vehicle"].nunique() / max(len(vehicles), 1)
    common = share[share >= COMMON].reset_index()[["component", "location"]]
    whole = pd.concat([seen, vehicles.merge(common, how="cross")]).drop_duplicates()
    marked = whole.merge(seen.assign(in_log="yes"), how="left").fillna({"in_log": "no"})
    order = {tuple(pair): place for place, pair in enumerate(pairs.to_numpy().tolist())}
    marked["place"] = [
        order[pair] for pair in zip(marked["component"], marked["location"], strict=True)
    ]
    marked = marked.sort_values(["vehicle", "place"], kind="stable")
    marked.insert(3, "fitted_on", "")
    return marked[["vehicle", "component", "location", "fitted_on", "in_log"]].reset_index(
        drop=True
    )


def carried_items(named: pd.DataFrame) -> list[tuple[str, str]]:
    """Return kinds of item (component, location) that the log names, the most frequent first."""
    seen = _seen(named)
    counts = seen.groupby(["component", "location"], sort=True)["vehicle"].nunique()
    ranked = counts.sort_values(ascending=False, kind="stable").index
    return [(str(component), str(location)) for component, location in ranked[:MOST_CARRIED]]


def _seen(named: pd.DataFrame) -> pd.DataFrame:
    vehicles, _ = merged(named["vehicle"].to_numpy(dtype=object), vehicle_key)
    seen = named.assign(vehicle=vehicles)
    known = (seen["vehicle"] != "") & (seen["component"] != "")
    return seen.loc[known, ["vehicle", "component", "location"]].drop_duplicates()
