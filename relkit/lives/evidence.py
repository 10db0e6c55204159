"""When an item was last known good, before it was found failed at a check.

Layer: lives. Passed inspections and jobs that found no failure are the evidence.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.lives.events import OUTCOMES
from relkit.lives.instants import NOT_KNOWN, Instants, instants, start_of_day

__all__ = ["last_known_good"]

#: Columns that an inspection may leave blank: it then covers all of them.
_COVERS: tuple[list[str], ...] = (["component", "location"], ["component"], ["location"], [])


def last_known_good(
    found: pd.DataFrame, events: pd.DataFrame, inspections: pd.DataFrame
) -> Instants:
    """Last instant before each check at which the item was known to be good.

    Evidence of the day of the check itself does not count.

    Parameters
    ----------
    found : DataFrame
        Items found failed: ``position``, ``vehicle``, ``component``, ``location``, ``time`` of
        the check, ``start`` of the stay.
    events : DataFrame
        Usable events; those that found no failure count where the item went on, but for those
        marked ``no_evidence``.
    inspections : DataFrame
        The repair log's ``inspections``; those with result "pass" count.

    Returns
    -------
    array of int
        Instants; NOT_KNOWN where there is no evidence since the item was fitted.
    """
    asked = found.assign(time=start_of_day(found["time"].to_numpy()), line=np.arange(len(found)))
    asked = asked.sort_values("time", kind="stable")
    good = events[(events["effect"] == 0) & events["stated"].astype(bool)]
    good = good[(good["outcome"] == OUTCOMES.index("no failure")) & ~good["no_evidence"]]
    last = _latest_before(asked, good[["position", "time"]], ["position"])
    passes = inspections[inspections["result"] == "pass"]
    passes = passes.assign(time=instants(passes["date"]))
    for named in _COVERS:
        blank = [name for name in ("component", "location") if name not in named]
        chosen = (passes[blank] == "").all(axis=1) & (passes[named] != "").all(axis=1)
        part = passes.loc[chosen, ["vehicle", *named, "time"]]
        last = np.maximum(last, _latest_before(asked, part, ["vehicle", *named]))
    return np.where(last >= found["start"].to_numpy(), last, NOT_KNOWN)


def _latest_before(asked: pd.DataFrame, known: pd.DataFrame, by: list[str]) -> Instants:
    """Latest instant of matching evidence before each check, in the order of ``line``."""
    latest = np.full(len(asked), NOT_KNOWN, dtype=np.int64)
    if asked.empty or known.empty:
        return latest
    known = known.sort_values("time", kind="stable").assign(seen=np.arange(len(known)))
    keys = {name: "object" for name in by if name != "position"}
    near = pd.merge_asof(
        asked[[*by, "time", "line"]].astype(keys),
        known.astype(keys),
        on="time",
        by=by,
        direction="backward",
        allow_exact_matches=False,
    ).dropna(subset=["seen"])
    seen = near["seen"].to_numpy().astype(np.int64)  # a row, not an instant: floats would round it
    latest[near["line"].to_numpy()] = known["time"].to_numpy()[seen]
    return latest
