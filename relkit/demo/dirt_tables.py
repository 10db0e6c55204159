"""Dirt in the register, the meters and the inspections, each row marked for the key.

Layer: demo. Counts are for a fleet of size 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.demo.dirt_added import drawn_rows, mark
from relkit.demo.fleet import LOG_START, day_number, scaled
from relkit.demo.frames import DemoHistory, register_rows
from relkit.demo.inspections import inspection_rows
from relkit.demo.usage import monthly_readings

__all__ = [
    "MeterFaults",
    "dirty_inspections",
    "dirty_readings",
    "dirty_register",
    "faulty_job_readings",
    "meter_faults",
]

_BLANK_SHARE, _1900_SHARE = 0.20, 0.03  #: of the register rows
_DEFAULT_ROWS = 64  #: register rows of Harnfield that bear the date of a migration
_UNDATED_SALES = 2
_FROZEN, _REPLACED, _KM_TYPED = 4, 3, 2  #: vehicles
_BLANK_READING_SHARE, _TYPO_SHARE, _MONTHLY_TYPO_SHARE = 0.12, 0.015, 0.003
_CUT = np.datetime64("2025-06-13")


def dirty_register(
    history: DemoHistory, keep_date: NDArray[np.int64], rng: np.random.Generator, *, size: float
) -> pd.DataFrame:
    """Return a register with dates that are blank, 1900-01-01 or those of a migration.

    Parameters
    ----------
    keep_date : array of int
        Positions whose dates stay as they are.

    Returns
    -------
    DataFrame
        As ``register_rows``, with ``planted`` and ``start_known``; by position.
    """
    rows = register_rows(history).assign(planted="", start_known=True)
    free = pd.Series(~rows.index.isin(keep_date), index=rows.index)
    old = rows["fitted_on"] < np.datetime64("2021-01-01")
    fitting = free & old & rows["depot"].eq("Harnfield")
    moved = drawn_rows(rng, fitting, scaled(_DEFAULT_ROWS, size))
    blank = drawn_rows(rng, free & ~moved, round(_BLANK_SHARE * len(rows)))
    ancient = drawn_rows(rng, free & ~moved & ~blank, round(_1900_SHARE * len(rows)))
    for chosen, value, problem in (
        (moved, pd.Timestamp("2021-01-01"), "default install date"),
        (blank, pd.NaT, "install date blank"),
        (ancient, pd.Timestamp("1900-01-01"), "install date 1900-01-01"),
    ):
        rows.loc[chosen, "fitted_on"] = value
        rows.loc[chosen, "start_known"] = False
        mark(rows, chosen, problem)
    sold = rows.loc[rows["vehicle_left_on"].notna(), "vehicle"].unique()
    undated = rows["vehicle"].isin(sold[: scaled(_UNDATED_SALES, size)])
    rows.loc[undated, "vehicle_left_on"] = pd.NaT
    mark(rows, undated, "sold, undated")
    mark(rows, rows["vehicle_left_on"].notna(), "sold")
    return rows


@dataclass(frozen=True, slots=True, eq=False)
class MeterFaults:
    """What is wrong with each vehicle's meter; arrays by vehicle, inf where nothing is."""

    frozen: NDArray[np.float64]  #: shape (n_vehicles, 2): from and to [days since 1970-01-01]
    frozen_hours: NDArray[np.float64]  #: the copied value [h]
    replaced: NDArray[np.float64]  #: day of the new meter
    replaced_hours: NDArray[np.float64]  #: true hours on that day [h]
    documented: NDArray[np.bool_]  #: the replacement is noted in the readings
    km_typed: NDArray[np.float64]  #: shape (n_vehicles, 2): job readings are kilometres


def meter_faults(history: DemoHistory, rng: np.random.Generator, *, size: float) -> MeterFaults:
    """Return faults of meters on vehicles that were in service throughout the log."""
    vehicles, usage = history.vehicles, history.usage
    count = len(vehicles.name)
    steady = np.isinf(vehicles.left) & np.isinf(vehicles.off_road[:, 0])
    able = rng.permutation(np.flatnonzero(steady & (vehicles.in_service < LOG_START)))
    numbers = [scaled(number, size) for number in (_FROZEN, _REPLACED, _KM_TYPED)]
    frozen_on, replaced_on, typed_on = np.split(able[: sum(numbers)], np.cumsum(numbers)[:2])
    frozen, typed = np.full((count, 2), np.inf), np.full((count, 2), np.inf)
    start = LOG_START + 31 * rng.integers(6, 40, len(frozen_on)).astype(np.float64)
    frozen[frozen_on] = np.column_stack([start, start + 150.0])
    frozen_hours = np.zeros(count)
    frozen_hours[frozen_on] = usage.hours_on(frozen_on, start)
    replaced = np.full(count, np.inf)
    replaced[replaced_on] = LOG_START + rng.integers(300, 1200, len(replaced_on))
    replaced_hours = np.zeros(count)
    replaced_hours[replaced_on] = usage.hours_on(replaced_on, replaced[replaced_on])
    documented = np.isfinite(replaced)
    documented[replaced_on[:1]] = False
    typed[typed_on] = (day_number("2022-01-01"), day_number("2024-01-01"))
    return MeterFaults(frozen, frozen_hours, replaced, replaced_hours, documented, typed)


def _shown_hours(
    faults: MeterFaults,
    owner: NDArray[np.int64],
    day: NDArray[np.float64],
    hours: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return what the meter shows, where it is frozen and where it is a new one."""
    frozen = (day >= faults.frozen[owner, 0]) & (day <= faults.frozen[owner, 1])
    new = day >= faults.replaced[owner]
    shown = np.where(new, hours - faults.replaced_hours[owner], hours)
    return np.where(frozen, faults.frozen_hours[owner], shown).round(1), frozen, new


def _with_extra_digit(rng: np.random.Generator, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the numbers with one digit too many before the decimal sign."""
    return np.floor(values) * 10 + rng.integers(0, 10, len(values))


def faulty_job_readings(
    rows: pd.DataFrame, history: DemoHistory, faults: MeterFaults, rng: np.random.Generator
) -> pd.DataFrame:
    """Plant meter readings of jobs: frozen, of a new meter, in km, mistyped, blank."""
    owner, day = rows["owner"].to_numpy(dtype=np.int64), rows["day"].to_numpy()
    hours = rows["engine_hours"].to_numpy(dtype=np.float64)
    shown, frozen, new = _shown_hours(faults, owner, day, hours)
    typed = (day >= faults.km_typed[owner, 0]) & (day < faults.km_typed[owner, 1])
    shown = np.where(typed, (hours * history.usage.km_per_hour[owner]).round(), shown)
    free = pd.Series(~(frozen | new | typed), index=rows.index) & rows["row_class"].ne("merged")
    wrong = drawn_rows(rng, free, round(_TYPO_SHARE * len(rows)))
    shown[wrong] = _with_extra_digit(rng, shown[wrong])
    blank = drawn_rows(rng, pd.Series(~wrong), round(_BLANK_READING_SHARE * len(rows)))
    rows = rows.assign(engine_hours=np.where(blank, np.nan, shown))
    for chosen, problem in (
        (frozen & ~blank, "frozen meter"),
        (new & ~blank, "replaced meter"),
        (typed & ~blank, "km typed as hours"),
        (wrong, "meter typo"),
        (blank, "blank meter"),
    ):
        mark(rows, chosen, problem)
    return rows


def dirty_readings(
    history: DemoHistory, faults: MeterFaults, rng: np.random.Generator
) -> pd.DataFrame:
    """Return monthly readings with frozen, replaced and mistyped meters.

    Returns
    -------
    DataFrame
        As ``monthly_readings``, with ``remark`` and ``planted``.
    """
    rows = monthly_readings(history.vehicles, history.usage).assign(remark="", planted="")
    rows = rows[rows["date"] < _CUT].reset_index(drop=True)
    owner = np.argsort(history.vehicles.name)[
        np.searchsorted(np.sort(history.vehicles.name), rows["vehicle"].to_numpy(dtype=str))
    ]
    day = rows["date"].to_numpy().astype("datetime64[D]").astype(np.float64)
    hours = rows["engine_hours"].to_numpy(dtype=np.float64)
    shown, frozen, new = _shown_hours(faults, owner, day, hours)
    free = pd.Series(~(frozen | new) & (hours > 100), index=rows.index)
    wrong = drawn_rows(rng, free, round(_MONTHLY_TYPO_SHARE * len(rows)))
    shown[wrong] = _with_extra_digit(rng, shown[wrong])
    rows["engine_hours"] = shown
    first = new & ~pd.Series(owner).where(new).duplicated().to_numpy()
    rows.loc[first & faults.documented[owner], "remark"] = "new hour meter fitted"
    mark(rows, frozen, "frozen meter")
    mark(rows, new, "replaced meter")
    mark(rows, wrong, "meter typo")
    return rows


def dirty_inspections(history: DemoHistory, rng: np.random.Generator) -> pd.DataFrame:
    """Return inspections of Quillmoor alone: Harnfield kept no checklists."""
    rows = inspection_rows(
        history.positions, history.vehicles, history.visits, history.stays, rng=rng
    )
    quillmoor = history.vehicles.name[history.vehicles.depot == 0]
    kept = rows["vehicle"].isin(quillmoor) & (rows["date"] < _CUT)
    return rows[kept].reset_index(drop=True).assign(planted="")
