"""A log as of a past date: what was written or known later is gone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from relkit.logbook.read import RepairLog
from relkit.study.settings import Window
from relkit.whatif.backtest_log import log_as_of, study_as_of
from tests.whatif.simulated_logs import simulated_log

CUT = pd.Timestamp("2022-07-01")


def with_fitments(log: RepairLog, rows: list[dict[str, object]]) -> RepairLog:
    blank = {"serial": "", "type": "", "removed_on": pd.NaT, "vehicle_left_on": pd.NaT}
    table = pd.DataFrame([{"source": f"r:{k}", **blank, **row} for k, row in enumerate(rows)])
    dates = [name for name in table if str(name).endswith("_on")]
    return replace(log, fitments=table.astype(dict.fromkeys(dates, "datetime64[ns]")))


def item(vehicle: str, component: str, fitted: str, **more: object) -> dict[str, object]:
    place = {"vehicle": vehicle, "component": component, "location": "front"}
    return {**place, "fitted_on": pd.Timestamp(fitted), **more}


def test_rows_of_the_date_or_later_are_gone() -> None:
    # Source: the rule itself: "before" is before the first instant of the day.
    log, _ = simulated_log(1)
    past = log_as_of(log, CUT)
    assert (past.jobs["date"] < CUT).all()
    assert len(past.jobs) == (log.jobs["date"] < CUT).sum()


def test_what_happened_later_to_a_fitting_has_not_happened() -> None:
    # Source: by hand.
    log, _ = simulated_log(1)
    rows = [
        item("A", "camera", "2020-01-01", removed_on=pd.Timestamp("2023-01-01")),
        item("A", "cable", "2020-01-01", removed_on=pd.Timestamp("2021-01-01")),
        item("B", "camera", "2020-01-01", vehicle_left_on=pd.Timestamp("2022-07-01")),
    ]
    past = log_as_of(with_fitments(log, rows), CUT).fitments
    assert past["removed_on"].tolist()[1:2] == [pd.Timestamp("2021-01-01")]
    assert past["removed_on"].isna().tolist() == [True, False, True]
    assert past["vehicle_left_on"].isna().all()


def test_an_item_fitted_later_was_another_one_then() -> None:
    # Source: by hand: V00 was there (jobs before the cut), so its position had some item of
    # unknown date; a position with an earlier row keeps that one; a new vehicle was not there.
    log, _ = simulated_log(1)
    there = log.jobs.loc[log.jobs["date"] < CUT, "vehicle"].iloc[0]
    rows = [
        item(there, "lamp", "2023-05-01", serial="K9", type="new type"),
        item(there, "lamp, new type", "2024-05-01"),
        item(there, "horn", "2020-05-01", serial="K1"),
        item(there, "horn", "2023-05-01", serial="K2"),
        item("Z99", "lamp", "2023-05-01"),
    ]
    past = log_as_of(with_fitments(log, rows), CUT).fitments
    assert past["component"].tolist() == ["lamp", "horn"]
    assert past["fitted_on"].isna().tolist() == [True, False]
    assert past["serial"].tolist() == ["", "K1"]
    assert past["type"].tolist() == ["", ""]


@pytest.mark.parametrize("end", [None, date(2024, 12, 31)])
def test_the_window_ends_the_day_before_and_later_gaps_are_unknown(end: date | None) -> None:
    # Source: by hand.
    _, study = simulated_log(1)
    gaps = (
        (date(2021, 1, 1), date(2021, 2, 1)),
        (date(2022, 6, 1), date(2022, 8, 1)),
        (date(2023, 1, 1), date(2023, 2, 1)),
    )
    past = study_as_of(replace(study, window=Window(end=end, gaps=gaps)), CUT)
    assert past.window.end == date(2022, 6, 30)
    assert past.window.gaps == (gaps[0], (date(2022, 6, 1), date(2022, 6, 30)))
