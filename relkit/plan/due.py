"""The due list: every position that has an interval, with its next due date, most urgent first.

Layer: plan. Dates and probabilities come from decisions.
"""

from __future__ import annotations

from datetime import date
from typing import get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.due_list import DueState, due_list, failure_before
from relkit.plan.choices import RANGE_LEVEL, Choices
from relkit.plan.evidence import Evidence
from relkit.plan.scheduling import TESTS
from relkit.plan.usage import matching_vehicles
from relkit.plan.use_ahead import UseAhead
from relkit.study.settings import Study
from relkit.units import clock_symbol

__all__ = [
    "DUE_COLUMNS",
    "dates_ahead",
    "due_columns",
    "due_table",
    "last_tests",
    "most_urgent_first",
    "task_rows",
]

Floats = NDArray[np.float64]

#: Days ahead within which a failure's probability is given where the task is overdue [d].
NEXT_VISIT_DAYS = 30.0
_NS_PER_DAY = 86_400_000_000_000

DUE_COLUMNS = (
    "vehicle",
    "component",
    "location",
    "item",
    "task",
    "age",
    "due_age",
    "due_in",
    "due_on",
    "due_on_earliest",
    "due_on_latest",
    "limit",
    "probability_of_failure",
    "probability_lower",
    "probability_upper",
    "state",
    "last_test",
    "opened_by",
)


def due_table(
    found: Evidence,
    chosen: Choices,
    items: pd.DataFrame,
    visits: pd.DataFrame,
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
    until: pd.Timestamp,
    ahead: UseAhead | None = None,
) -> pd.DataFrame:
    """Next due of every position in service whose stratum has an interval.

    Parameters
    ----------
    found, chosen : Evidence, Choices
        Draws and settings by stratum.
    items : DataFrame
        Positions in service, with ``stratum`` and ``last_test``.
    visits : DataFrame
        Strata by service, as scheduled.
    rates : DataFrame
        Use per day by vehicle.
    fitments : DataFrame
        The register, for the rules' vehicles.
    study : Study
        The study.
    until : Timestamp
        End of the observation window: the day that the list is made for.
    ahead : UseAhead, optional
        Use by season, for the dates; default: each vehicle's mean use all year.
    """
    columns = [*due_columns(items, fitments), "urgency"]
    if visits.empty:
        return pd.DataFrame(columns=columns)
    rows = task_rows(items, visits, until)
    if rows.empty:
        return pd.DataFrame(columns=columns)
    tested = rows["tested"].to_numpy(dtype=np.bool_)
    only_tested = rows["only_tested"].to_numpy(dtype=np.bool_)
    age, reached, done_age, since = (
        rows[name].to_numpy(dtype=float) for name in ("age", "reached", "done_age", "since")
    )
    rate, low, high = _rates_until_due(rows, rates, ahead)
    calendar = _calendar_limits(rows, chosen, rates, fitments, study)
    fixed = _fixed_days(rows["service"], study, until) + since
    calendar = np.fmin(calendar, np.where(tested, fixed, np.nan))  # nothing is replaced early
    spacing_days = (rows["spacing"] / rows["rate"]).fillna(NEXT_VISIT_DAYS).to_numpy()
    result = due_list(
        reached,
        done_age,
        rows["interval"].to_numpy(dtype=float),
        use_per_day=rate,
        use_per_day_low=low,
        use_per_day_high=high,
        days_since_done=since,
        calendar_maximum=np.where(np.isnan(calendar), np.inf, calendar),
        soon=np.where(np.isfinite(spacing_days), spacing_days, NEXT_VISIT_DAYS),
    )
    within = np.where(result.days > 0, result.days, np.minimum(spacing_days, NEXT_VISIT_DAYS))
    chance = failure_before(
        np.where(np.isfinite(within), within, np.nan) * rate,
        age,
        rows["stratum"].to_numpy(dtype=np.int64),
        scale=found.scale,
        shape=found.shape,
        confidence_level=RANGE_LEVEL,
    )
    unknown = ~tested & (result.state == "never tested")
    table = rows.assign(
        due_age=np.where(only_tested, np.nan, result.due_age),
        due_in=result.due_in,
        due_on=dates_ahead(until, result.days),
        due_on_earliest=dates_ahead(until, np.fmin(result.days_earliest, result.days_latest)),
        due_on_latest=dates_ahead(until, np.fmax(result.days_earliest, result.days_latest)),
        limit=np.where(result.limit == "clock", _clock_word(study.clock), result.limit),
        probability_of_failure=chance.probability,
        probability_lower=chance.lower,
        probability_upper=chance.upper,
        state=np.where(unknown, "age unknown", result.state),
        urgency=np.where(unknown, get_args(DueState).index("age unknown"), result.urgency),
    )
    return table[columns]


def task_rows(items: pd.DataFrame, visits: pd.DataFrame, until: pd.Timestamp) -> pd.DataFrame:
    """Positions in service that have a task, with when it was last done.

    Returns
    -------
    DataFrame
        Columns of ``items`` and of the visits, ``tested`` (a test or look), ``since`` (days
        since it was done; NaN: never), ``reached`` (age, or use since the test where the age is
        not known), ``done_age``, ``only_tested``.
    """
    own = visits[["stratum", "vehicle_names", "task", "interval", "spacing", "service"]]
    own = own.rename(columns={"vehicle_names": "vehicle"}).explode("vehicle")
    rows = items.merge(own, on=["stratum", "vehicle"])
    tested = rows["task"].isin(TESTS)
    done_on = rows["last_test"].where(tested, rows["fitted_on"].where(rows["age"].notna()))
    since = ((until - done_on).dt.total_seconds() / 86400).clip(lower=0.0)
    gone = since * rows["rate"]
    only_tested = tested & rows["age"].isna() & since.notna()  # counted from the test instead
    reached = rows["age"].astype(float).where(~only_tested, gone)
    done_age = (reached - gone).clip(lower=0.0).where(tested, 0.0)
    return rows.assign(
        tested=tested, since=since, reached=reached, done_age=done_age, only_tested=only_tested
    )


def _rates_until_due(
    rows: pd.DataFrame, rates: pd.DataFrame, ahead: UseAhead | None
) -> tuple[Floats, Floats, Floats]:
    """Mean use per day until each task is due, by season, and its slow and fast ends."""
    use = rates.reindex(rows["vehicle"])
    mean = rows["rate"].to_numpy(dtype=float)
    low, high = (use[name].to_numpy(dtype=float) for name in ("low", "high"))
    left = (rows["done_age"] + rows["interval"] - rows["reached"]).to_numpy(dtype=float)
    if ahead is None or not len(rows):
        return mean, low, high
    place = ahead.vehicles.get_indexer(pd.Index(rows["vehicle"]))
    days = ahead.days_until(place, left)
    known = (left > 0) & np.isfinite(days) & (days > 0) & (place >= 0)
    rate = np.where(known, left / np.where(known, days, 1.0), mean)
    scale = np.divide(rate, mean, out=np.ones(len(rate)), where=mean > 0)
    return rate, np.fmin(low * scale, rate), np.fmax(high * scale, rate)


def due_columns(items: pd.DataFrame, fitments: pd.DataFrame) -> list[str]:
    """Return the columns of the due list: the register's covariates follow the vehicle."""
    own = {*_OWN, *DUE_COLUMNS}
    covariates = [c for c in fitments.columns if c in items.columns and c not in own]
    return [*DUE_COLUMNS[:1], *covariates, *DUE_COLUMNS[1:]]


def most_urgent_first(tables: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    """Due lists joined, overdue first and by date within each state."""
    whole = pd.concat([table for table in tables if len(table)] or tables[:1])
    order = ["urgency", "due_on", "vehicle", "component", "location"]
    return whole.sort_values(order, kind="stable").reindex(columns=columns).reset_index(drop=True)


_OWN = {"serial", "type", "fitted_on", "source", "removed_on"}


def _clock_word(clock: str) -> str:
    return {"h": "hours", "d": "calendar"}.get(clock_symbol(clock), clock_symbol(clock))


def dates_ahead(until: pd.Timestamp, days: Floats) -> pd.Series:
    """Days ahead as dates; missing where they are not known or beyond 200 years."""
    known = np.isfinite(days) & (np.abs(days) < 73_000)
    offsets = pd.to_timedelta(np.where(known, np.floor(days), 0.0), unit="D")
    return pd.Series(until.normalize() + offsets).where(known)


def _calendar_limits(
    rows: pd.DataFrame, chosen: Choices, rates: pd.DataFrame, fitments: pd.DataFrame, study: Study
) -> Floats:
    """Least calendar maximum of the rules for each row's task [d]; NaN: none."""
    limits = np.full(len(rows), np.nan)
    kinds = np.where(rows["task"].isin(TESTS), "test", "replace")
    for stratum in rows["stratum"].unique():
        for rule in chosen.settings[stratum].rules:
            held = matching_vehicles(fitments, rule.where)
            here = (rows["stratum"] == stratum).to_numpy() & (kinds == rule.task)
            here &= rows["vehicle"].isin(held).to_numpy()
            for quantity in study.quantities(rule.maximum):
                if quantity.unit == study.clock and study.clock != "days":
                    continue  # the scheduled interval holds it
                if quantity.unit in rates:
                    use = rates[quantity.unit].reindex(rows["vehicle"]).to_numpy(dtype=float)
                    days = quantity.value / np.where(use > 0, use, np.nan)
                    limits[here] = np.fmin(limits, days)[here]
    return limits


def _fixed_days(services: pd.Series, study: Study, until: pd.Timestamp) -> Floats:
    """Days until the next fixed day of each row's service; NaN where it has none."""
    ahead = {
        service.name: min(_days_until(day, until) for day in service.on)
        for service in study.services
        if service.on
    }
    return np.asarray(services.map(ahead), dtype=np.float64)


def _days_until(month_day: str, until: pd.Timestamp) -> float:
    month, day = (int(part) for part in month_day.split("-"))
    today = until.date()
    this_year = date(today.year, month, min(day, 28) if month == 2 else day)
    coming = this_year if this_year >= today else this_year.replace(year=today.year + 1)
    return float((coming - today).days)


def last_tests(
    items: pd.DataFrame, inspections: pd.DataFrame, observed_from: pd.Timestamp
) -> pd.Series:
    """Date of the last good test of each position: a visit that covered it, or its fitting.

    A visit without location or component covered the whole vehicle. A fitting before the log
    began is no record of a test.

    Returns
    -------
    Series of datetime64
        One per row of ``items``; NaT where no test is known.
    """
    passed = inspections[inspections["result"] == "pass"]
    latest = pd.Series(pd.NaT, index=items.index, dtype="datetime64[ns]")
    for keys in _COVERS:
        blank = [name for name in ("location", "component") if name not in keys]
        visits = passed[(passed[blank] == "").all(axis=1)] if blank else passed
        last = visits.groupby(keys)["date"].max()
        if last.empty:
            continue
        names = items[["base" if key == "component" else key for key in keys]]
        index = pd.MultiIndex.from_frame(names) if len(keys) > 1 else pd.Index(names.iloc[:, 0])
        latest = _later(latest, pd.Series(last.reindex(index).to_numpy(), index=items.index))
    fitted = items["fitted_on"]
    return _later(latest, fitted.where(items["age"].notna() & (fitted >= observed_from)))


_COVERS = (
    ["vehicle"],
    ["vehicle", "location"],
    ["vehicle", "component"],
    ["vehicle", "location", "component"],
)


def _later(one: pd.Series, other: pd.Series) -> pd.Series:
    """Later of two dates, row by row; a missing one gives way."""
    other = other.astype("datetime64[ns]")
    return one.where(other.isna() | (one >= other), other)
