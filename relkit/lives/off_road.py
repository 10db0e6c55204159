"""Vehicles off the road: long times in which a meter stood still, which calendar ages leave out.

Layer: lives. Works on cleaned counters: a meter that stood still while the vehicle worked is gone.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.instants import DAY, Instants
from relkit.lives.meter_chains import interpolated
from relkit.lives.meters import Meters
from relkit.lives.set_aside import with_noun
from relkit.logbook.findings import Finding, finding

__all__ = ["off_road_findings", "off_road_spells", "parked_time"]


def off_road_spells(meters: Meters, least_days: float) -> pd.DataFrame:
    """Spells in which a vehicle did not run, by the counter of which it gives most readings.

    Parameters
    ----------
    meters : Meters
        Cleaned counters.
    least_days : float
        A shorter standstill is not off the road. [d]

    Returns
    -------
    DataFrame
        ``vehicle``, ``start``, ``end`` (instants), sorted by both.
    """
    knots = meters.knots
    if knots.empty or np.isinf(least_days):
        return pd.DataFrame({"vehicle": [], "start": [], "end": []}).astype(
            {"start": "int64", "end": "int64", "vehicle": "object"}
        )
    sizes = knots.groupby(["vehicle", "counter"]).size().reset_index(name="count")
    best = sizes.sort_values(["count", "counter"], ascending=[False, True], kind="stable")
    best = best.drop_duplicates("vehicle")[["vehicle", "counter"]]
    own = knots.merge(best, on=["vehicle", "counter"])
    own = own.sort_values(["vehicle", "time"], kind="stable").reset_index(drop=True)
    changed = own["vehicle"].ne(own["vehicle"].shift()) | own["value"].ne(own["value"].shift())
    run = changed.cumsum()
    ends = own.groupby(run).agg(
        vehicle=("vehicle", "first"), start=("time", "first"), end=("time", "last")
    )
    long = (ends["end"] - ends["start"]) / DAY > least_days
    return ends[long].reset_index(drop=True)


def parked_time(
    spells: pd.DataFrame, vehicles: NDArray[np.object_], times: Instants
) -> NDArray[np.int64]:
    """Time that each vehicle had been off the road by each instant [ns]."""
    parked = np.zeros(len(times), dtype=np.int64)
    if spells.empty:
        return parked
    names = pd.Index(spells["vehicle"].unique())
    code = names.get_indexer(pd.Index(vehicles))
    asked = np.flatnonzero(code >= 0)
    length = (spells["end"] - spells["start"]).to_numpy()
    total = pd.Series(length).groupby(spells["vehicle"].to_numpy()).cumsum().to_numpy()
    owner = np.repeat(names.get_indexer(pd.Index(spells["vehicle"])), 2)
    knot_time = spells[["start", "end"]].to_numpy().ravel()
    knot_value = np.column_stack([total - length, total]).ravel()
    values, _, _ = interpolated(
        code[asked], times[asked], owner, knot_time, knot_value.astype(np.float64)
    )
    parked[asked] = values.astype(np.int64)
    return parked


def off_road_findings(spells: pd.DataFrame, *, subtracted: bool) -> tuple[Finding, ...]:
    """Return what to tell of the spells."""
    if spells.empty:
        return ()
    days = ((spells["end"] - spells["start"]) / DAY).sum()
    start = spells["start"].astype("datetime64[ns]").dt.strftime("%Y-%m-%d")
    done = "Left out of the calendar ages" if subtracted else "Counted in the calendar ages"
    return (
        finding(
            "off the road",
            f"The meters of {with_noun(spells['vehicle'].nunique(), 'vehicle')} stood still for "
            f"{days / 30.4:,.0f} months in all",
            sources=(spells["vehicle"] + " from " + start).tolist(),
            done=f"{done} (treatments.problems.off_road)",
            severity="look",
        ),
    )
