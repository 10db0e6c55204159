"""The declared order against the whole source, and dates far after all others."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from relkit.errors import InputError, StudyError
from relkit.logbook.date_checks import sift_late_dates
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
FilesWith = Callable[..., dict[str, Any]]
HEADER = "job,date,vehicle,component,location,finding,action,hours\n"


def log_with(dates: list[str]) -> str:
    rows = (f"J{n},{date},GR-01,camera,front,failed,replaced,{n}" for n, date in enumerate(dates))
    return HEADER + "\n".join(rows) + "\n"


def test_order_that_cannot_be_right_is_refused(log_of: Reader, files_with: FilesWith) -> None:
    log = log_with(["13/01/2023", "14/02/2023", "25/03/2023", "1/4/2023"])
    with pytest.raises(
        InputError,
        match=r'log\.csv, row 2, column "date": the dates cannot be "month first" as the study '
        r'says: 3 of 4 dates, such as "13/01/2023", fit only another order, 0 fit only this one.*'
        r'date_format = "day first"',
    ):
        log_of({"log.csv": log}, {"files": files_with(date_format="month first")})


def test_ambiguous_order_asks_a_person(log_of: Reader, files_with: FilesWith) -> None:
    log = log_with(["1/2/2023", "3/4/2023", "5/6/2023"])
    with pytest.raises(InputError, match="ask whoever exported it"):
        log_of({"log.csv": log}, {"files": files_with(date_format="year first")})


def test_a_few_dates_in_the_other_order_are_set_aside_and_told(
    log_of: Reader, files_with: FilesWith
) -> None:
    dates = [f"{day}/0{month}/2023" for month in (1, 2, 3) for day in (13, 17, 22, 28)]
    log = log_of(
        {"log.csv": log_with([*dates, "2/13/2023", "3/15/2023", "4/16/2023"])},
        {"files": files_with(date_format="day first")},
    )
    mixed = log.findings[log.findings["rule"] == "mixed date orders"]
    assert mixed["rows"].tolist() == [3]
    assert "month first" in mixed["what"].iloc[0]
    aside = log.set_aside
    assert aside["reason"].tolist() == ["unusable date"] * 3
    assert aside["value"].tolist() == ["2/13/2023", "3/15/2023", "4/16/2023"]
    assert aside["column"].tolist() == ["date"] * 3


def test_one_slip_is_set_aside_without_a_verdict(log_of: Reader, files_with: FilesWith) -> None:
    log = log_of(
        {"log.csv": log_with(["13/01/2023", "0/1/00", "14/01/2023"])},
        {"files": files_with(date_format="day first")},
    )
    assert log.set_aside["source"].tolist() == ["log.csv:3"]
    assert "mixed date orders" not in set(log.findings["rule"])


def test_unknown_format_names_the_nearest(log_of: Reader, files_with: FilesWith) -> None:
    with pytest.raises(StudyError, match=r'"dayfirst" is not known.*Write "day first"'):
        log_of({}, {"files": files_with(date_format="dayfirst")})


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("5/1/23", "dates: two-digit year"),
        ("44931", "dates: spreadsheet serial number"),
        ("5/1/2023 08:00 UTC", "dates: time zone"),
        ("2023-01-05", "dates: other order"),
    ],
)
def test_forms_that_needed_a_decision_are_counted(
    log_of: Reader, files_with: FilesWith, text: str, rule: str
) -> None:
    log = log_of(
        {"log.csv": log_with([text, "13/02/2023"])}, {"files": files_with(date_format="day first")}
    )
    told = log.findings[log.findings["rule"] == rule]
    assert told["rows"].tolist() == [1]
    assert told["where"].tolist() == ["log.csv:2"]


def rows_on(dates: list[str]) -> pd.DataFrame:
    sources = [f"log.csv:{n}" for n in range(len(dates))]
    return pd.DataFrame({"source": sources, "date": pd.to_datetime(pd.Series(dates))})


def test_a_date_far_after_all_others_is_set_aside() -> None:
    days = pd.date_range("2021-01-01", periods=40, freq="14D").strftime("%Y-%m-%d").tolist()
    sifted = sift_late_dates(rows_on([*days, "2052-01-01"]))
    assert len(sifted.rows) == 40
    assert sifted.set_aside[0]["value"].tolist() == ["2052-01-01"]


def test_a_sparse_log_keeps_its_last_date() -> None:
    # Own algebra: gaps of 400 days are usual here, so one more is no slip.
    days = pd.date_range("2000-01-01", periods=25, freq="400D").strftime("%Y-%m-%d").tolist()
    assert len(sift_late_dates(rows_on(days)).rows) == 25


def test_few_dates_are_left_alone() -> None:
    assert len(sift_late_dates(rows_on(["2021-01-01", "2052-01-01"])).rows) == 2


def test_window_before_1990_allows_early_dates(log_of: Reader) -> None:
    settings = {"window": {"start": pd.Timestamp("1980-01-01").date()}}
    log = log_of({"log.csv": log_with(["1985-05-05"])}, settings)
    assert log.jobs["date"].dt.year.tolist() == [1985]


def test_times_of_midnight_throughout_are_days(log_of: Reader) -> None:
    log = log_of({"log.csv": log_with(["2023-01-05 00:00:00", "2023-01-07 00:00:00"])})
    assert log.jobs["date_is_day"].tolist() == [True, True]
    log = log_of({"log.csv": log_with(["2023-01-05 00:00:00", "2023-01-07 06:00:00"])})
    assert log.jobs["date_is_day"].tolist() == [False, False]


@pytest.mark.parametrize("pattern", ["%", "%d.%m.%Y %", "%n%s%(x)s", "{% for %}"])
def test_a_pattern_that_is_none_is_refused(
    log_of: Reader, files_with: Callable[..., dict[str, Any]], pattern: str
) -> None:
    # Source: the conversions that the Python documentation lists for strptime.
    with pytest.raises(StudyError, match="is no pattern for dates"):
        log_of({}, {"files": files_with(date_format=pattern)})
