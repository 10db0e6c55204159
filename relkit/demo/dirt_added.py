"""Dirt that adds rows to the log: copies, split jobs, reports that concern no item.

Layer: demo. Rows in, rows out; each function marks the key. Shares are of all rows unless said
otherwise, counts are for a fleet of size 1.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.demo.fleet import DEPOTS, LOG_START, day_number, scaled
from relkit.demo.frames import DemoHistory
from relkit.demo.jobs import JOB_COLUMNS
from relkit.demo.truth import LOCATION_GROUPS

__all__ = [
    "LAST_FULL_MONTH_END",
    "LOG_GAP",
    "NEIGHBOUR_DAYS",
    "drawn_rows",
    "duplicates",
    "free_days",
    "mark",
    "plain_single",
    "power_feeds",
    "shorted_cables",
    "split_jobs",
    "swap_tests",
    "views_not_fitted",
]

LOG_GAP = (day_number("2022-07-01"), day_number("2022-09-01"))  #: no rows from Quillmoor
LAST_FULL_MONTH_END = day_number("2025-06-01")  #: the export was cut within June 2025
NEIGHBOUR_DAYS = 7.0  #: copies and shifted dates keep so far from other rows of a position

_DUPLICATE_SHARE = 0.03
_SPLIT_SHARE = 0.05
_SHORTED_SHARE = 0.06  #: of the failures of low cables
_POWER_SHARE = 0.01
_TEST_SWAPS = 15
_NOT_FITTED = 8


def mark(rows: pd.DataFrame, chosen: NDArray[np.bool_] | pd.Series, problem: str) -> None:
    """Add a problem to the key of the chosen rows, in place."""
    before = rows.loc[chosen, "planted"]
    rows.loc[chosen, "planted"] = np.where(before.eq(""), problem, before + "; " + problem)


def drawn_rows(rng: np.random.Generator, fitting: pd.Series, number: int) -> NDArray[np.bool_]:
    """Return a number of the fitting rows, drawn without replacement."""
    places = np.flatnonzero(fitting.to_numpy())
    chosen = np.zeros(len(fitting), dtype=bool)
    chosen[rng.choice(places, min(number, len(places)), replace=False)] = True
    return chosen


def plain_single(rows: pd.DataFrame) -> pd.Series:
    """Rows that are the only one of their job and bear no problem yet."""
    return ~rows["job"].duplicated(keep=False) & rows["planted"].eq("")


def free_days(rows: pd.DataFrame) -> pd.Series:
    """Days from each row to the next row of its position; inf where there is none."""
    ordered = rows.sort_values(["position", "day"], kind="stable")
    following = ordered.groupby("position")["day"].shift(-1)
    return (following - ordered["day"]).fillna(np.inf).reindex(rows.index)


def shorted_cables(
    rows: pd.DataFrame, history: DemoHistory, rng: np.random.Generator
) -> pd.DataFrame:
    """Plant low cables that pulled other views down, which came back when it was unplugged."""
    low = rows["location"].isin(LOCATION_GROUPS["low mounts"])
    fitting = plain_single(rows) & rows["component"].eq("cable") & low
    fitting &= rows["row_class"].eq("failure")
    chosen = drawn_rows(rng, fitting, round(_SHORTED_SHARE * int(fitting.sum())))
    rows.loc[chosen, "finding"] = "several views dark"
    mark(rows, chosen, "shorted cable")
    added = _other_cameras(rows, chosen, history, rng, 2)
    return _with_rows(rows, added.assign(what="several dark", truth="no failure"))


def swap_tests(
    rows: pd.DataFrame, history: DemoHistory, rng: np.random.Generator, size: float
) -> pd.DataFrame:
    """Plant cameras exchanged to test: the fault followed, the good one was put back."""
    fitting = plain_single(rows) & rows["component"].eq("camera")
    fitting &= rows["row_class"].eq("failure") & rows["what"].eq("failed")
    chosen = drawn_rows(rng, fitting, scaled(_TEST_SWAPS, size))
    rows.loc[chosen, ["finding", "what"]] = ["failed", "test swap"]
    mark(rows, chosen, "test swap")
    added = _other_cameras(rows, chosen, history, rng, 1)
    added = added.assign(finding="no fault found", what="swapped back", truth="no failure")
    return _with_rows(rows, added)


def _other_cameras(
    rows: pd.DataFrame,
    chosen: NDArray[np.bool_],
    history: DemoHistory,
    rng: np.random.Generator,
    number: int,
) -> pd.DataFrame:
    """Return copies of rows for other cameras of the vehicles, ``number`` at most for each.

    Cameras that have a row of their own on that day are left out.
    """
    positions = history.positions
    cameras = positions[positions["component"].eq("camera")]
    cameras = cameras.assign(place=cameras.index)[["vehicle", "location", "place"]]
    pairs = rows[chosen].merge(
        cameras, left_on="owner", right_on="vehicle", suffixes=("", "_other")
    )
    busy = pd.MultiIndex.from_frame(rows[["position", "day"]])
    own = pd.MultiIndex.from_frame(pairs[["place", "day"]])
    pairs = pairs[pairs["location"].ne(pairs["location_other"]) & ~own.isin(busy)]
    pairs = pairs.assign(draw=rng.random(len(pairs))).sort_values("draw")
    pairs = pairs[pairs.groupby("job").cumcount() < number].sort_values(["day", "draw"])
    pairs = pairs.assign(
        component="camera",
        location=pairs["location_other"],
        position=pairs["place"],
        action="tested",
        serial_out="",
        serial_in="",
        row_class="recurrence",
        labour_hours=0.1,
        downtime_hours=0.1,
        cost=6.2,
    )
    return pairs[rows.columns]


def split_jobs(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Plant jobs over several rows: the part on one, labour or invoice on another."""
    fitting = plain_single(rows) & rows["finding"].ne("")
    fitting &= rows["row_class"].isin(["failure", "interval"]) | rows["truth"].eq("impact")
    chosen = drawn_rows(rng, fitting, round(_SPLIT_SHARE * len(rows)))
    mark(rows, chosen, "split job")
    added = rows[chosen].assign(
        finding="", action="", serial_out="", serial_in="", what="labour", row_class="merged"
    )
    added["cost"] = (added["labour_hours"] * 62.0).round(2)
    rows.loc[chosen, "cost"] = (rows.loc[chosen, "cost"] - added["cost"]).clip(lower=20).round(2)
    rows.loc[chosen, "labour_hours"] = np.nan
    return _with_rows(rows, added.assign(downtime_hours=np.nan))


def duplicates(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Plant work entered again under another number, up to two days later."""
    fitting = plain_single(rows) & free_days(rows).gt(NEIGHBOUR_DAYS)
    chosen = drawn_rows(rng, fitting, round(_DUPLICATE_SHARE * len(rows)))
    added = rows[chosen].assign(row_class="set aside", planted="duplicate")
    later = rng.integers(0, 3, len(added))
    added["day"] += later
    added["file_day"] += later
    added["job"] = _new_jobs(len(added), "D")
    return _with_rows(rows, added)


def views_not_fitted(
    rows: pd.DataFrame, history: DemoHistory, rng: np.random.Generator, size: float
) -> pd.DataFrame:
    """Plant reports of a fourth view of two tippers that was never fitted: it is "dark"."""
    able = _present_throughout(history)
    able = able[np.char.startswith(history.vehicles.name[able], "TP")][: scaled(2, size)]
    if not len(able):
        return rows
    count = scaled(_NOT_FITTED, size)
    day = np.floor(rng.uniform(LOG_START + 400, LAST_FULL_MONTH_END - 90, count))
    added = _reported(history, able[np.arange(count) % len(able)], day, "N")
    added = added.assign(component="camera", location="road side", what="not fitted")
    coded = np.arange(count) // 2 % 2 == 0
    added["finding"] = np.where(coded, "not fitted", "one view dark")
    added["action"] = np.where(coded, "none", "tested")
    mark(added, np.ones(count, dtype=bool), "view not fitted")
    return _with_rows(rows, added)


def power_feeds(rows: pd.DataFrame, history: DemoHistory, rng: np.random.Generator) -> pd.DataFrame:
    """Plant fuses and supply: outside the boundary of the study."""
    able = _present_throughout(history)
    count = max(1, round(_POWER_SHARE * len(rows))) * bool(len(able))
    owner = rng.choice(able, count)
    day = np.floor(rng.uniform(LOG_START + 210, LAST_FULL_MONTH_END - 90, count))
    added = _reported(history, owner, day, "P").assign(
        component="display",
        location="in cab",
        finding="power feed",
        action="none",
        what="power feed",
    )
    mark(added, np.ones(count, dtype=bool), "power feed")
    return _with_rows(rows, added)


def _present_throughout(history: DemoHistory) -> NDArray[np.int64]:
    """Vehicles that came before mid 2021 and never left."""
    vehicles = history.vehicles
    return np.flatnonzero((vehicles.in_service < LOG_START + 200) & np.isinf(vehicles.left))


def _reported(
    history: DemoHistory, owner: NDArray[np.int64], day: NDArray[np.float64], letter: str
) -> pd.DataFrame:
    """Rows of reports that concern no item of the study, none of them in the log's gap."""
    day = np.where((day >= LOG_GAP[0]) & (day < LOG_GAP[1]), day + 70, day)
    return pd.DataFrame(
        {
            **dict.fromkeys(JOB_COLUMNS, ""),
            "job": _new_jobs(len(owner), letter),
            "vehicle": history.vehicles.name[owner],
            "engine_hours": history.usage.hours_on(owner, day).round(1),
            "downtime_hours": 0.5,
            "labour_hours": 0.4,
            "cost": 24.8,
            "day": day,
            "done_day": day,
            "file_day": day,
            "position": -1,
            "owner": owner,
            "depot": np.array(DEPOTS)[history.vehicles.depot[owner]],
            "group": -1,
            "row_class": "set aside",
            "truth": "no failure",
            "planted": "",
            "other": "",
        }
    )


def _new_jobs(count: int, letter: str) -> list[str]:
    """Job numbers that the log does not have; they sort after those of the same day."""
    return [f"J{letter}{number:05d}" for number in range(1, count + 1)]


def _with_rows(rows: pd.DataFrame, added: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([rows, added[rows.columns]], ignore_index=True)
