"""What counts as observed: window, gaps of the log, vehicles that left or fell silent."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.errors import InputError
from relkit.lives.censoring import observation, observed_in, observed_pieces
from relkit.lives.instants import as_dates, instants
from relkit.lives.table import life_tables
from relkit.study.settings import Window

PLACE = {"vehicle": "A", "component": "camera", "location": "rear"}


def job(day: str, **parts: Any) -> dict[str, Any]:
    return {"date": day, "finding": "failed", "action": "replaced", **PLACE, **parts}


def fitment(**parts: Any) -> dict[str, Any]:
    return {**PLACE, "fitted_on": "2020-01-01", **parts}


def times(*days: str) -> Any:
    return instants(pd.Series(pd.to_datetime(list(days))))


def ends(tables: Any) -> list[tuple[float, float, str]]:
    return [(r.entry, r.age, r.ended_by) for r in tables.lives.itertuples()]


def month_end(days: list[str]) -> str:
    window = observation(times(*days), Window())
    return str(as_dates(np.array([window.end]))[0])[:10]


def test_end_is_the_last_month_that_is_complete() -> None:
    # Source: the project's own rule, worked by hand: job days every second day.
    daily = pd.date_range("2021-01-02", "2021-06-29", freq="2D").strftime("%Y-%m-%d").tolist()
    assert month_end(daily) == "2021-07-01"
    assert month_end([d for d in daily if d < "2021-06-12"]) == "2021-06-01"
    assert month_end(["2021-01-05", "2021-01-09"]) == "2021-01-10"  # no month is complete
    # a last month with a third of the usual jobs, though its last day has one
    thin = [d for d in daily if d < "2021-06-01"] + ["2021-06-09", "2021-06-15", "2021-06-29"]
    assert month_end(thin) == "2021-06-01"


def test_start_is_the_day_of_the_first_job(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    log = make_log(jobs=[job("2021-02-03 14:00")], fitments=[fitment()])
    tables = life_tables(log, make_study(window={"end": date(2021, 12, 31)}))
    assert tables.observed_from == datetime(2021, 2, 3)
    assert tables.observed_until == datetime(2022, 1, 1)
    assert ends(tables)[0] == (399.0, pytest.approx(399 + 14 / 24), "failure")


def test_end_given_as_a_time_includes_that_instant(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: a date ends with its last instant, a time where it says.
    jobs = [job("2021-03-01 06:00"), job("2022-01-01 06:00")]
    log = make_log(jobs=jobs, fitments=[fitment()])
    at_six = make_study(window={"start": date(2021, 1, 1), "end": datetime(2022, 1, 1, 6)})
    assert [how for _, _, how in ends(life_tables(log, at_six))] == ["failure", "failure"]
    by_day = make_study(window={"start": date(2021, 1, 1), "end": date(2021, 12, 31)})
    tables = life_tables(log, by_day)
    assert [how for _, _, how in ends(tables)] == ["failure", "still in service"]
    assert tables.set_aside["reason"].tolist() == ["after the window"]
    next_day = make_log(jobs=[job("2022-01-01")], fitments=[fitment()])
    assert life_tables(next_day, by_day).set_aside["reason"].tolist() == ["after the window"]


def test_window_that_cannot_be_is_refused(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    log = make_log(fitments=[fitment()])
    with pytest.raises(InputError, match="no usable job"):
        life_tables(log, make_study(window={}))
    backwards = make_study(window={"start": date(2022, 1, 1), "end": date(2021, 1, 1)})
    with pytest.raises(InputError, match=r"ends \(2021-01-02\) before it starts \(2022-01-01\)"):
        life_tables(log, backwards)


def test_fleet_without_jobs_gives_exposure(make_log: Any, make_study: Any) -> None:
    # Source: own algebra: two years of 730 days, entered at age 366.
    tables = life_tables(make_log(fitments=[fitment()]), make_study())
    assert ends(tables) == [(366.0, 1096.0, "still in service")]


def test_history_before_the_window_only_opens_lives(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    tables = life_tables(make_log(jobs=[job("2020-12-22")], fitments=[fitment()]), make_study())
    assert ends(tables) == [(10.0, 740.0, "still in service")]
    assert tables.row_classes["row_class"].tolist() == ["opens life", "register"]
    assert tables.lives["opened_by"].tolist() == ["jobs.csv:2"]


def test_life_leaves_and_comes_back_around_a_gap(make_log: Any, make_study: Any) -> None:
    # Source: own algebra: days of the calendar, both days of a gap inside it.
    gaps = [[date(2021, 7, 1), date(2021, 8, 31)], [date(2021, 8, 15), date(2021, 9, 9)]]
    window = {"start": date(2021, 1, 1), "end": date(2021, 12, 31), "gaps": gaps}
    log = make_log(jobs=[job("2021-10-10")], fitments=[fitment(fitted_on="2021-01-01")])
    tables = life_tables(log, make_study(window=window))
    assert ends(tables) == [
        (0.0, 181.0, "still in service"),
        (252.0, 282.0, "failure"),
        (0.0, 83.0, "still in service"),
    ]
    found = tables.findings.set_index("rule").loc["gap in the log"]
    assert found["what"].startswith("The log does not cover 71 item days")


@pytest.mark.parametrize("day", ["2021-07-01", "2021-07-05", "2021-07-10"])
def test_change_inside_a_gap_is_no_failure(make_log: Any, make_study: Any, day: str) -> None:
    # Source: the project's own rule: what was not observed cannot have been seen to fail.
    gaps = [[date(2021, 7, 1), date(2021, 7, 10)]]
    window = {"start": date(2021, 1, 1), "end": date(2021, 12, 31), "gaps": gaps}
    log = make_log(jobs=[job(day)], fitments=[fitment(fitted_on="2021-01-01")])
    tables = life_tables(log, make_study(window=window))
    since = (pd.Timestamp("2021-07-11") - pd.Timestamp(day)).days
    assert ends(tables) == [
        (0.0, 181.0, "still in service"),
        (since, since + 174.0, "still in service"),
    ]
    assert tables.row_classes["row_class"].tolist()[0] == "opens life"


def test_vehicle_that_left_is_censored_and_later_jobs_are_set_aside(
    make_log: Any, make_study: Any
) -> None:
    # Source: the project's own rule; the leaving day itself still counts.
    fitted = fitment(fitted_on="2021-01-01", vehicle_left_on="2021-05-31")
    left = life_tables(make_log(jobs=[job("2021-06-01")], fitments=[fitted]), make_study())
    assert ends(left) == [(0.0, 150.0, "vehicle left fleet")]
    assert left.lives["closed_by"].tolist() == ["register.csv:2"]
    assert left.set_aside["reason"].tolist() == ["after the vehicle left"]
    same = life_tables(make_log(jobs=[job("2021-05-31 15:00")], fitments=[fitted]), make_study())
    assert ends(same) == [(0.0, 150.625, "failure")]


def test_vehicle_that_fell_silent_is_censored_at_its_last_row(
    make_log: Any, make_study: Any
) -> None:
    # Source: the project's own rule; common practice: last known contact where undated.
    fitments = [fitment(vehicle=v, fitted_on="2021-01-01") for v in "ABCD"]
    months = pd.date_range("2021-01-10", "2022-12-10", freq="MS")
    readings = [
        {"vehicle": v, "date": day, "reading": 10.0 * k}
        for v in "ABCD"
        for k, day in enumerate(months)
        if v != "D" or k < 10
    ]
    log = make_log(jobs=[job("2021-06-01")], fitments=fitments, readings=readings)
    tables = life_tables(log, make_study())
    last = tables.lives[tables.lives["vehicle"] == "D"].iloc[0]
    assert (last["ended_by"], last["ended_on"]) == ("vehicle left fleet", months[9])
    assert "vehicle fell silent" in set(tables.findings["rule"])
    # without readings silence means that nothing failed
    quiet = life_tables(make_log(jobs=[job("2021-06-01")], fitments=fitments), make_study())
    assert "vehicle left fleet" not in set(quiet.lives["ended_by"])


def test_job_before_the_fitting_is_set_aside(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    fitted = fitment(fitted_on="2021-06-01")
    log = make_log(jobs=[job("2021-05-31"), job("2021-12-31")], fitments=[fitted])
    tables = life_tables(log, make_study())
    assert tables.set_aside["reason"].tolist() == ["before the item was fitted"]
    assert ends(tables) == [(0.0, 213.0, "failure"), (0.0, 366.0, "still in service")]


def test_failure_on_the_day_of_fitting_is_dead_on_arrival(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: counted on its own, no life; the next life begins there.
    fitted = fitment(fitted_on="2021-06-01")
    tables = life_tables(make_log(jobs=[job("2021-06-01")], fitments=[fitted]), make_study())
    assert tables.set_aside["reason"].tolist() == ["dead on arrival"]
    assert ends(tables) == [(0.0, 579.0, "still in service")]
    planned = job("2021-06-01", finding="planned")
    fitting = life_tables(make_log(jobs=[planned], fitments=[fitted]), make_study())
    assert fitting.row_classes["row_class"].tolist()[0] == "opens life"
    # the register dates the item that went in: the one before it failed at an unknown age
    both = [job("2021-03-01"), job("2021-06-01")]
    dated = life_tables(make_log(jobs=both, fitments=[fitted]), make_study())
    assert dated.set_aside["reason"].tolist() == ["before the item was fitted"]


def test_dead_on_arrival_up_to_an_age_of_the_study(make_log: Any, make_study: Any) -> None:
    # Source: the project's own setting treatments.zero_life_days.
    log = make_log(jobs=[job("2021-06-01"), job("2021-06-03")], fitments=[fitment()])
    assert life_tables(log, make_study()).lives["failed"].sum() == 2
    two = life_tables(log, make_study(treatments={"zero_life_days": 2}))
    assert two.lives["failed"].sum() == 1
    assert two.set_aside["source"].tolist() == ["jobs.csv:3"]
    assert life_tables(log, make_study(treatments={"zero_life_days": 1.9})).set_aside.empty


def test_unknown_start_is_dropped_and_counted(make_log: Any, make_study: Any) -> None:
    # Source: own algebra: 31 days before the first change, 730 of the place that saw none.
    jobs = [job("2021-02-01"), job("2021-03-03")]
    fitments = [fitment(fitted_on=None), fitment(vehicle="B", fitted_on=None)]
    tables = life_tables(make_log(jobs=jobs, fitments=fitments), make_study())
    assert ends(tables) == [(0.0, 30.0, "failure"), (0.0, 669.0, "still in service")]
    found = tables.findings.set_index("rule").loc["unknown start"]
    assert found["rows"] == 2
    assert "1 of these positions saw no change" in found["what"]
    assert "761 item days lost" in found["done"]
    assert tables.row_classes["row_class"].tolist()[:2] == ["opens life", "failure"]


def test_pieces_and_periods_agree() -> None:
    # Source: own algebra.
    gaps = ((date(2021, 1, 11), date(2021, 1, 20)),)
    window = observation(times("2021-01-01"), Window(end=date(2021, 1, 31), gaps=gaps))
    asked = times(
        "2020-12-31", "2021-01-01", "2021-01-10", "2021-01-11", "2021-01-21", "2021-02-01"
    )
    place = np.zeros(6, dtype=np.int64)
    assert observed_in(asked, place, window).tolist() == [-1, 0, 0, -1, 1, -1]
    pieces = observed_pieces(times("2021-01-05"), times("2021-01-25"), place[:1], window)
    days = (pieces["seen_until"] - pieces["seen_from"]) / 86_400e9
    assert days.tolist() == [6.0, 4.0]
    everything = ((date(2020, 1, 1), date(2022, 1, 1)),)
    never = observation(times("2021-01-01"), Window(end=date(2021, 1, 31), gaps=everything))
    assert observed_in(asked, place, never).tolist() == [-1] * 6
    assert observed_pieces(times("2021-01-05"), times("2021-01-25"), place[:1], never).empty
