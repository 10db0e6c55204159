"""Observed lives in the columns of the lives table.

Layer: lives. Names, dates, how each life ended and which rows of the log stand behind it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.censoring import Departures
from relkit.lives.evidence import last_known_good
from relkit.lives.histories import History
from relkit.lives.instants import DAY, NOT_KNOWN, Instants, as_dates
from relkit.lives.meters import Meters, meter_values
from relkit.lives.observed import ENDINGS, Clock, ObservedLives
from relkit.lives.off_road import parked_time
from relkit.lives.register import Register

__all__ = ["LIFE_COLUMNS", "known_good", "life_clock", "life_rows"]

LIFE_COLUMNS = (
    "vehicle", "component", "location", "item", "serial", "fitted_on", "ended_on", "entry", "age",
    "age_lower", "failed", "ended_by", "causes", "masked_job", "opened_by", "closed_by",
    "age_estimated",
)  # fmt: skip

_MASKED, _FOUND, _FAILURE = (
    ENDINGS.index(name) for name in ("cause unknown", "failure found at check", "failure")
)


def life_clock(
    register: Register, meters: Meters, *, clock: str, origin: int, off_road: pd.DataFrame
) -> Clock:
    """Values of the study's clock at positions and instants: days since origin, or a counter.

    The days of ``off_road`` spells (vehicle, start, end) do not count.
    """
    vehicle = register.positions["vehicle"].to_numpy(dtype=object)

    def days(
        position: NDArray[np.int64], times: Instants
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        parked = parked_time(off_road, vehicle[position], times)
        return (times - origin - parked) / DAY, np.zeros(len(position), dtype=bool)

    def counter(
        position: NDArray[np.int64], times: Instants
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        return meter_values(meters, vehicle[position], times, counter=clock)

    return days if clock == "days" else counter


def known_good(
    observed: ObservedLives, history: History, register: Register, inspections: pd.DataFrame
) -> Instants:
    """Last instant at which each item found failed at a check was known good; by life.

    NOT_KNOWN where there is no evidence since observation of it began, and for other lives.
    """
    rows = observed.rows
    good = np.full(len(rows), NOT_KNOWN, dtype=np.int64)
    found = np.flatnonzero((rows["outcome"] == _FOUND).to_numpy())
    place = rows["position"].to_numpy()[found]
    asked = register.positions.iloc[place][["vehicle", "component", "location"]]
    asked = asked.reset_index(drop=True).assign(
        position=place,
        time=rows["seen_until"].to_numpy()[found],
        start=rows["seen_from"].to_numpy()[found],
    )
    good[found] = last_known_good(asked, history.events, inspections)
    return good


def life_rows(
    observed: ObservedLives,
    history: History,
    register: Register,
    gone: Departures,
    good: Instants,
    clock: Clock,
) -> pd.DataFrame:
    """Return the lives table, sorted by component, location, vehicle and date fitted."""
    rows, candidates = observed.rows, history.candidates
    position, closer = rows["position"].to_numpy(), rows["closer"].to_numpy()
    place = register.positions.iloc[position].reset_index(drop=True)
    stay = history.stays.iloc[rows["stay"].to_numpy()].reset_index(drop=True)
    outcome = rows["outcome"].to_numpy()
    ended = np.append(np.array(ENDINGS, dtype=object), "still in service")[outcome]
    left = (gone.left_at != NOT_KNOWN)[place["vehicle_code"]]
    left &= rows["to_the_end"].to_numpy() & (closer < 0) & _before_end(rows, gone, place)
    ended[left] = "vehicle left fleet"
    closed_by = _texts(history.events["sources"])[closer]
    closed_by[left] = gone.source[place["vehicle_code"]][left]
    masked = outcome == _MASKED
    kind = stay["type"].to_numpy(dtype=object)
    component = place["component"].to_numpy(dtype=object)
    serial = stay["serial"].to_numpy(dtype=object)
    ordinal = "item " + stay["ordinal"].astype(str).to_numpy(dtype=object)
    lives = pd.DataFrame(
        {
            "vehicle": place["vehicle"],
            "component": np.where(kind == "", component, component + ", " + kind),
            "location": place["location"],
            "item": np.where(serial == "", ordinal, serial),
            "serial": serial,
            "fitted_on": as_dates(rows["start"].to_numpy()),
            "ended_on": as_dates(rows["seen_until"].to_numpy()),
            "entry": rows["entry"],
            "age": rows["age"],
            "age_lower": _age_lower(rows, good, clock),
            "failed": (outcome == _FOUND) | (outcome == _FAILURE),
            "ended_by": ended,
            "causes": np.where(masked, np.append(candidates.causes, "")[closer], ""),
            "masked_job": np.where(masked, np.append(candidates.job, "")[closer], ""),
            "opened_by": stay["opened_by"],
            "closed_by": closed_by,
            "age_estimated": rows["estimated"],
        }
    )
    lives = lives.assign(**_covariates(place, register.covariates))
    order = ["component", "location", "vehicle", "fitted_on", "ended_on"]
    return lives.sort_values(order, kind="stable", ignore_index=True)


def _before_end(rows: pd.DataFrame, gone: Departures, place: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether observation of each life ended because its vehicle left."""
    at_leaving: NDArray[np.bool_] = (
        gone.left_at[place["vehicle_code"]] == rows["seen_until"].to_numpy()
    )
    return at_leaving


def _texts(values: pd.Series) -> NDArray[np.object_]:
    """Texts with a blank appended, which place -1 stands for."""
    return np.append(values.to_numpy(dtype=object), "")


def _age_lower(rows: pd.DataFrame, good: Instants, clock: Clock) -> NDArray[np.float64]:
    """Last age known good of items found failed at a check; the age itself for all others."""
    entry, age = rows["entry"].to_numpy(), rows["age"].to_numpy()
    lower = age.copy()
    found = (rows["outcome"] == _FOUND).to_numpy()
    lower[found] = entry[found]
    seen = np.flatnonzero(found & (good != NOT_KNOWN))
    value, _ = clock(rows["position"].to_numpy()[seen], good[seen])
    since = value - rows["start_value"].to_numpy()[seen]
    # The evidence lies within the observed stretch; only rounding can put it outside.
    lower[seen] = np.maximum(np.minimum(since, age[seen]), entry[seen])
    return lower


def _covariates(place: pd.DataFrame, names: tuple[str, ...]) -> dict[str, pd.Series]:
    """Covariates; one that has the name of a column of lives is called ``register_NAME``."""
    return {f"register_{name}" if name in LIFE_COLUMNS else name: place[name] for name in names}
