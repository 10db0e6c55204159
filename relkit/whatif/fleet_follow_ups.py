"""What is fitted after a failure: an item of the same type, or of another, as the log shows.

Layer: whatif. Counts of lives that follow each other at a position.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.plan.stratum_settings import base_component

__all__ = ["FollowUps", "follow_ups"]


@dataclass(frozen=True, slots=True, eq=False)
class FollowUps:
    """Strata of the items that follow failures; one value per stratum."""

    usual: NDArray[np.int64]  #: the one that follows most often; its own where nothing followed
    other: NDArray[np.int64]  #: the second most frequent; -1: only one was seen
    share: NDArray[np.float64]  #: of the second among the two [1]
    seen: NDArray[np.int64]  #: failures whose next item is known [1]
    #: stratum and location -> the usual one there, for strata mostly followed by others
    at_location: dict[tuple[int, str], int]


def follow_ups(lives: pd.DataFrame, fits: pd.DataFrame, by: list[str]) -> FollowUps:
    """Types that followed failures, stratum by stratum.

    Parameters
    ----------
    lives : DataFrame
        With ``stratum_location``.
    fits : DataFrame
        One row per stratum.
    by : list of str
        Columns that make a stratum.
    """
    count = len(fits)
    table = lives.assign(location_there=lives["location"], location=lives["stratum_location"])
    index = pd.MultiIndex.from_frame(fits[by].astype(str))
    table["stratum"] = index.get_indexer(pd.MultiIndex.from_frame(table[by].astype(str)))
    table["base"] = table["component"].map(base_component)
    place = ["vehicle", "base", "location_there"]
    table = table.sort_values([*place, "fitted_on"], kind="stable")
    table["next"] = table.groupby(place)["stratum"].shift(-1).fillna(-1).astype(np.int64)
    failed = table["failed"] | (table["masked_job"] != "")
    pairs = table[failed & (table["next"] >= 0) & (table["stratum"] >= 0)]
    times = np.zeros((count, count), dtype=np.int64)
    np.add.at(times, (pairs["stratum"].to_numpy(), pairs["next"].to_numpy()), 1)
    own = np.arange(count)
    seen = times.sum(axis=1)
    usual = np.where(seen > 0, times.argmax(axis=1), own)
    rest = times.copy()
    rest[own, usual] = 0
    other = np.where(rest.sum(axis=1) > 0, rest.argmax(axis=1), -1)
    second = np.where(other >= 0, rest[own, other], 0)
    both = times[own, usual] + second
    share = np.divide(second, both, out=np.zeros(count), where=both > 0)
    changing = pairs[usual[pairs["stratum"]] != pairs["stratum"]]
    counts = changing.groupby(["stratum", "location_there", "next"]).size()
    there = {
        (int(stratum), str(location)): int(following)
        for (stratum, location, following), _ in counts.sort_values(kind="stable").items()
    }
    return FollowUps(usual=usual, other=other, share=share, seen=seen, at_location=there)
