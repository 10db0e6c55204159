"""Instants as whole nanoseconds, so that sorting and subtracting them is exact.

Layer: lives. numpy and pandas only.
"""

from __future__ import annotations

from datetime import date, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = [
    "DAY",
    "NOT_KNOWN",
    "Instants",
    "as_dates",
    "as_instant",
    "days_between",
    "instants",
    "start_of_day",
]

Instants = NDArray[np.int64]

#: Nanoseconds in a day.
DAY = 86_400_000_000_000

#: The instant that stands for a missing date; earlier than every date.
NOT_KNOWN = int(np.iinfo(np.int64).min)


def instants(dates: pd.Series) -> Instants:
    """Dates as nanoseconds since 1970; a missing date is :data:`NOT_KNOWN`."""
    return pd.to_datetime(dates).astype("datetime64[ns]").to_numpy().astype(np.int64)


def as_dates(times: Instants) -> NDArray[np.datetime64]:
    """Nanoseconds as dates; :data:`NOT_KNOWN` becomes a missing date."""
    return times.astype("datetime64[ns]")


def as_instant(value: date | datetime) -> int:
    """One date, at its first instant, or one date with time, as nanoseconds since 1970.

    >>> as_instant(date(1970, 1, 2)) == DAY
    True
    """
    if isinstance(value, datetime):
        value = value.replace(tzinfo=None)  # the log's own wall clock
    return int(np.datetime64(value, "ns").astype(np.int64))


def start_of_day(times: Instants) -> Instants:
    """First instant of each day; what is not known stays so."""
    return np.where(times == NOT_KNOWN, NOT_KNOWN, times - times % DAY)


def days_between(earlier: Instants, later: Instants) -> NDArray[np.float64]:
    """Days from earlier to later instants [d]."""
    return np.asarray((later - earlier) / DAY, dtype=np.float64)
