"""Histories as clean repair-log rows: one row per job line, in plain words.

Layer: demo. Beside the log's columns stand the hidden ones that dirt and the key need.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.demo.fleet import DEPOTS, LOG_END, LOG_START, Vehicles
from relkit.demo.notes import plain_notes
from relkit.demo.truth import STRATUM_TRUTHS
from relkit.demo.usage import Usage

__all__ = ["JOB_COLUMNS", "instants", "item_serials", "job_rows"]

#: Columns of the log that a workshop would see, in their order.
JOB_COLUMNS = (
    "job",
    "date",
    "vehicle",
    "component",
    "location",
    "finding",
    "action",
    "engine_hours",
    "serial_out",
    "serial_in",
    "downtime_hours",
    "labour_hours",
    "cost",
    "note",
)

#: Shares of all rows that end no life: what happened -> share, component, finding, action.
_MINOR = {
    "no fault found": (0.09, "camera", "no fault found", "tested"),
    "reseated": (0.12, "cable", "loose connection", "reseated"),
    "cleaned": (0.06, "camera", "dirty", "cleaned"),
}
_KEY_COLUMNS = ("what", "row_class", "truth")
_WET_MONTHS = (0, 1, 2, 9, 10, 11)  #: October to March: no-fault-found jobs twice as frequent
_WASH_FACTOR = 2.5  #: season switch: reseats on vehicles that are washed daily
_SERIAL_LETTERS = {"camera": "K", "switcher": "S", "display": "D"}
_LABOUR_RATE = 62.0  #: [money units per hour]

#: How a stay ended -> finding, action and class of the row in a clean log.
_MEANINGS = {
    "failed": ("failed", "replaced", "failure"),
    "impact": ("external damage", "replaced", "censored"),
    "wash lance": ("external damage", "replaced", "censored"),
    "campaign": ("campaign", "retrofitted", "censored"),
    "planned": ("planned", "replaced", "censored"),
    "with partner": ("planned", "replaced", "censored"),
    "guessed": ("planned", "replaced", "censored"),
}
#: How a stay ended -> what is true of the item, where that is another word.
_TRUTHS = {
    "failed": "failure",
    "planned": "unfailed",
    "with partner": "unfailed",
    "guessed": "unfailed",
}


def instants(days: NDArray[np.float64]) -> NDArray[np.datetime64]:
    """Days since 1970-01-01 as dates with time, to the full minute before."""
    minutes = np.floor(np.asarray(days) * 1440).astype(np.int64)
    return minutes.astype("datetime64[m]").astype("datetime64[ns]")


def item_serials(positions: pd.DataFrame, stays: pd.DataFrame) -> NDArray[np.object_]:
    """Return the serial number of the item of each stay; cables and wires bear none.

    The prefix tells component and year; ``M3`` is the bad batch, ``S2`` the new switcher.
    """
    component = positions["component"].to_numpy()[stays["position"]]
    letter = pd.Series(component).map(_SERIAL_LETTERS).fillna("").to_numpy(dtype=object)
    year = instants(stays["start_day"].to_numpy()).astype("datetime64[Y]").astype(int) + 1970
    kind = stays["item_type"].to_numpy()
    prefix = letter + (year % 10).astype(str).astype(object)
    prefix[component == "switcher"] = "S1"
    prefix[kind == 4] = "S2"
    prefix[kind == 3] = "M3"
    number = stays["start_day"].rank(method="first").to_numpy().astype(np.int64) + 10_000
    serial = prefix + "-" + number.astype(str).astype(object)
    return np.where(letter == "", "", serial)


def job_rows(
    positions: pd.DataFrame,
    vehicles: Vehicles,
    usage: Usage,
    stays: pd.DataFrame,
    *,
    rng: np.random.Generator,
    season: bool = False,
) -> pd.DataFrame:
    """Return the rows of a clean log with what is known behind them.

    Parameters
    ----------
    positions, vehicles, usage, stays
        The fleet and what happened to its items.
    rng : numpy Generator
        Source of the jobs that end no life, of hours, costs and phrases.
    season : bool
        True: more reseats on vehicles that are washed daily.

    Returns
    -------
    DataFrame
        ``JOB_COLUMNS``, by date; and the hidden columns day and done_day [days since
        1970-01-01], position, owner (index of the vehicle), depot, group (odd: the second visit
        of a guess chain), what (what happened, for the note), row_class, truth.
    """
    closing = _closing_rows(positions, stays)
    minor = _minor_rows(positions, vehicles, usage, len(closing), rng, season)
    rows = pd.concat([closing, minor], ignore_index=True)
    rows["date"] = instants(rows["day"].to_numpy())
    rows["owner"] = positions["vehicle"].to_numpy()[rows["position"]]
    whole = np.floor(rows["day"])
    ends_life = rows["row_class"].ne("recurrence")
    taken = rows.assign(whole=whole, last=~ends_life).sort_values("last", kind="stable")
    again = taken.duplicated(["position", "whole"]).reindex(rows.index)
    rows = rows[ends_life | ~again].sort_values(["day", "group", "position"], kind="stable")
    number = pd.factorize(rows["group"])[0] + 1
    width = max(5, len(str(len(rows))))
    rows["job"] = [f"J{count:0{width}d}" for count in number]
    rows["vehicle"] = vehicles.name[rows["owner"]]
    rows["depot"] = np.array(DEPOTS)[vehicles.depot[rows["owner"]]]
    for name in ("component", "location"):
        rows[name] = positions[name].to_numpy()[rows["position"]]
    hours = usage.hours_on(rows["owner"].to_numpy(), rows["day"].to_numpy())
    rows["engine_hours"] = hours.round(1)
    _add_work(rows, positions, rng)
    texts = (rows[name].to_numpy(dtype=object) for name in ("what", "component", "location"))
    rows["note"] = plain_notes(rng, *texts)
    hidden = ["day", "done_day", "position", "owner", "depot", "group", *_KEY_COLUMNS]
    return rows[[*JOB_COLUMNS, *hidden]].reset_index(drop=True)


def _closing_rows(positions: pd.DataFrame, stays: pd.DataFrame) -> pd.DataFrame:
    """One row per stay that ended while the log was kept."""
    serial = item_serials(positions, stays)
    follower = np.append(serial[1:], "")
    next_type = np.append(stays["item_type"].to_numpy()[1:], 0)
    inside = stays["ended"].ne("in service") & stays["end_day"].between(
        LOG_START, LOG_END, inclusive="left"
    )
    kept = stays[inside]
    meaning = pd.DataFrame(kept["ended"].map(_MEANINGS).to_list(), index=kept.index)
    rows = pd.DataFrame(
        {
            "position": kept["position"],
            "day": kept["end_day"],
            "group": kept["job"],
            "finding": meaning[0],
            "action": meaning[1],
            "row_class": meaning[2],
            "what": kept["ended"],
            "truth": kept["ended"].replace(_TRUTHS),
            "done_day": np.append(stays["start_day"].to_numpy()[1:], np.nan)[inside],
            "serial_out": serial[inside],
            "serial_in": follower[inside],
        }
    )
    into = next_type[inside]
    rows.loc[kept["checked"], ["finding", "row_class", "what"]] = [
        "found failed at check", "interval", "checked",
    ]  # fmt: skip
    rows.loc[into == 4, "action"] = "retrofitted"
    rows.loc[(into == 1) | (into == 2), ["action", "what"]] = "joint re-made"
    return rows


def _minor_rows(
    positions: pd.DataFrame,
    vehicles: Vehicles,
    usage: Usage,
    closing: int,
    rng: np.random.Generator,
    season: bool,
) -> pd.DataFrame:
    """Jobs that end no life, at random instants of use."""
    total = closing / (1 - sum(share for share, *_ in _MINOR.values()))
    used = np.diff(usage.hours, axis=1)
    used[usage.days[:, :-1] < LOG_START] = 0.0
    month = usage.days[:, :-1].astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12
    parts = []
    for what, (share, component, finding, action) in _MINOR.items():
        weight = used.copy()
        if what == "no fault found":
            weight *= np.where(np.isin(month, _WET_MONTHS), 2.0, 1.0)
        if what == "reseated" and season:
            weight *= np.where(vehicles.of_class("washed_daily") > 0, _WASH_FACTOR, 1.0)[:, None]
        count = int(rng.poisson(share * total))
        owner, day = _random_instants(usage, weight, count, rng)
        parts.append(
            pd.DataFrame(
                {
                    "position": _random_positions(positions, component, owner, rng),
                    "day": day,
                    "done_day": day,
                    "finding": finding,
                    "action": action,
                    "row_class": "recurrence",
                    "what": what,
                    "truth": what,
                    "serial_out": "",
                    "serial_in": "",
                }
            )
        )
    rows = pd.concat(parts, ignore_index=True)
    return rows.assign(group=-1 - np.arange(len(rows)))


def _random_instants(
    usage: Usage, weight: NDArray[np.float64], count: int, rng: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Vehicles and days, drawn in proportion to a weight per vehicle and month."""
    summed = np.cumsum(weight)
    cell = np.searchsorted(summed, rng.random(count) * summed[-1], side="right")
    owner, month = np.unravel_index(cell, weight.shape)
    low, high = usage.days[owner, month], usage.days[owner, month + 1]
    return owner.astype(np.int64), low + rng.random(count) * (high - low)


def _random_positions(
    positions: pd.DataFrame, component: str, owner: NDArray[np.int64], rng: np.random.Generator
) -> NDArray[np.int64]:
    """Return one position of a component on each vehicle."""
    rows = np.flatnonzero(positions["component"].eq(component).to_numpy())
    of = positions["vehicle"].to_numpy()[rows]  # in order of the vehicles
    first = np.searchsorted(of, owner, side="left")
    number = np.searchsorted(of, owner, side="right") - first
    return rows[first + np.floor(rng.random(len(owner)) * number).astype(np.int64)]


def _add_work(rows: pd.DataFrame, positions: pd.DataFrame, rng: np.random.Generator) -> None:
    """Labour, downtime and cost of each row; a planned or campaign job has no call-out."""
    truth = positions["truth"].to_numpy()[rows["position"]]
    planned = np.array([item.cost_planned for item in STRATUM_TRUTHS])[truth]
    failure = np.array([item.cost_failure for item in STRATUM_TRUTHS])[truth]
    minor = rows["row_class"].eq("recurrence").to_numpy()
    unplanned = rows["truth"].isin(["failure", "impact", "wash lance"]).to_numpy()
    labour = rng.gamma(4.0, np.where(minor, 0.12, 0.4))
    rows["labour_hours"] = np.maximum(labour, 0.1).round(1)
    waiting = rng.gamma(2.0, np.where(unplanned, 1.5, 0.2))
    rows["downtime_hours"] = (rows["labour_hours"] + waiting).round(1)
    spread = rng.lognormal(0.0, 0.12, len(rows))
    cost = np.where(unplanned, failure, planned) * spread
    rows["cost"] = np.where(minor, _LABOUR_RATE * rows["labour_hours"], cost).round(2)
