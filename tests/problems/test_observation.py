"""Problems of what the log covers, one planted in each test, and under the switch.

Source of every expected value: own algebra; the treatments are those that the project states for
each problem (relkit/lives/problems.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.errors import StudyError
from relkit.lives.problems import settings_without as switched

Cases = Callable[..., Any]
HEADER = "job,date,vehicle,component,location,finding,action"
REGISTER = "vehicle,component,location,fitted_on,depot\n" + "".join(
    f"V{k:02},camera,rear,2020-{k % 12 + 1:02}-{k % 27 + 1:02},{depot}\n"
    for k, depot in enumerate(["North"] * 15 + ["South"] * 15)
)


def checks(*, silent: tuple[str, str, str] = ("", "", ""), until: str = "2022-12-31") -> str:
    """Log of looks without a finding every third day, none of a depot in a silent time."""
    depot, first, last = silent
    rows = [HEADER]
    for number, day in enumerate(pd.date_range("2021-01-02", until, freq="3D")):
        vehicle = number * 7 % 30
        own = ("North" if vehicle < 15 else "South") == depot or depot == "all"
        if not (own and first <= f"{day:%Y-%m-%d}" <= last):
            rows.append(f"J{number},{day:%Y-%m-%d},V{vehicle:02},camera,rear,no fault found,tested")
    return "\n".join(rows) + "\n"


def exposure(found: Any, depot: str) -> float:
    lives = found.tables.lives
    own = lives[lives["depot"] == depot]
    return float((own["age"] - own["entry"]).sum())


def test_gap_in_the_log(case: Cases) -> None:
    text = checks(silent=("all", "2022-03-01", "2022-05-31"))
    found = case(text, register=REGISTER)
    assert "silent time of the log" in found.rules
    whole = case(checks(), register=REGISTER)
    assert "silent time of the log" not in whole.rules
    for depot in ("North", "South"):  # 31 + 30 + 31 days of 15 positions
        assert exposure(whole, depot) - exposure(found, depot) == pytest.approx(15 * 92)
    ignored = case(text, switched("gap in the log"), register=REGISTER)
    assert exposure(ignored, "North") == pytest.approx(exposure(whole, "North"))


def test_coverage_by_depot(case: Cases) -> None:
    text = checks(silent=("South", "2022-03-01", "2022-05-31"))
    found = case(text, register=REGISTER)
    whole = case(checks(), register=REGISTER)
    assert exposure(found, "North") == pytest.approx(exposure(whole, "North"))
    assert exposure(whole, "South") - exposure(found, "South") == pytest.approx(15 * 92)
    assert (found.tables.lives["entry"] < found.tables.lives["age"]).all()
    ignored = case(text, switched("coverage by depot"), register=REGISTER)
    assert exposure(ignored, "South") == pytest.approx(exposure(whole, "South"))


def test_parts_of_the_window_are_stated(case: Cases) -> None:
    parts = {
        "window": {
            "parts": [
                {
                    "where": {"depot": ["South"]},
                    "start": pd.Timestamp("2021-02-01").date(),
                    "gaps": [[pd.Timestamp(day).date() for day in ("2022-03-01", "2022-03-10")]],
                }
            ]
        }
    }
    found, whole = case(checks(), parts, register=REGISTER), case(checks(), register=REGISTER)
    assert exposure(found, "North") == pytest.approx(exposure(whole, "North"))
    assert exposure(whole, "South") - exposure(found, "South") == pytest.approx(15 * (31 + 10))
    wrong = {"window": {"parts": [{"where": {"garage": ["South"]}}]}}
    with pytest.raises(StudyError, match="garage"):
        case(checks(), wrong, register=REGISTER)


def test_quiet_season_is_no_gap(case: Cases) -> None:
    rows = [line for line in checks().splitlines() if not 5 <= int((line + ",,0-00-00").split(",")[1][5:7] or 0 if line[0] == "J" and line[1].isdigit() else 0) <= 9]  # fmt: skip  # noqa: E501
    assert len(rows) > 100
    assert "silent time of the log" not in case("\n".join(rows) + "\n", register=REGISTER).rules


@pytest.mark.parametrize("rate", [3, 8])
def test_random_logs_are_hardly_ever_called_silent(case: Cases, rate: int) -> None:
    # own algebra: a run that should have 8 rows is empty with probability exp(-8)
    rng = np.random.default_rng(rate)
    silent = 0
    for _ in range(6):
        days = np.sort(rng.integers(0, 730, int(24 * rate)))
        dates = pd.Timestamp("2021-01-01") + pd.to_timedelta(days, unit="D")
        rows = [
            f"J{k},{day:%Y-%m-%d},V{rng.integers(30):02},camera,rear,no fault found,tested"
            for k, day in enumerate(dates)
        ]
        found = case("\n".join([HEADER, *rows]) + "\n", register=REGISTER)
        silent += "silent time of the log" in found.rules
    assert silent == 0


READINGS = "vehicle,date,engine_hours\n"


def monthly(vehicle: str, until: str, *, flat: tuple[str, str] = ("9", "9")) -> str:
    """Return readings at the start of each month, 100 h apart but for a flat time."""
    lines, hours = [], 1000
    for day in pd.date_range("2021-01-01", until, freq="MS"):
        lines.append(f"{vehicle},{day:%Y-%m-%d},{hours}\n")
        hours += 0 if flat[0] <= f"{day:%Y-%m}" < flat[1] else 100
    return "".join(lines)


COUNTERS = {"files": {"readings": [{"path": "readings.csv", "counters": {"engine_hours": "engine_hours"}}]}}  # fmt: skip  # noqa: E501
TWO = (
    "vehicle,component,location,fitted_on\n"
    "A,camera,rear,2020-06-01\nB,camera,rear,2020-07-01\nC,camera,rear,2020-06-01\n"
)
ONE_JOB = HEADER + "\nJ1,2022-11-05,A,camera,rear,failed,replaced\n"


def test_vehicle_sold_or_scrapped(case: Cases) -> None:
    readings = READINGS + monthly("B", "2021-12-01")
    readings += monthly("A", "2022-12-01") + monthly("C", "2022-12-01")
    found = case(ONE_JOB, COUNTERS, register=TWO, readings=readings)
    assert "vehicle fell silent" in found.rules
    assert found.lives(vehicle="B")["ended_by"].tolist() == ["vehicle left fleet"]
    stated = TWO.replace("fitted_on\n", "fitted_on,vehicle_left_on\n").replace(
        "06-01\n", "06-01,\n"
    )
    stated = stated.replace("2020-07-01\n", "2020-07-01,2021-10-05\n")
    life = case(ONE_JOB, COUNTERS, register=stated, readings=readings).lives(vehicle="B").iloc[0]
    assert f"{life['ended_on']:%Y-%m-%d}" == "2021-10-05"
    kept = case(ONE_JOB, COUNTERS, switched("vehicle sold or scrapped"), register=TWO, readings=readings)  # fmt: skip  # noqa: E501
    assert kept.lives(vehicle="B")["ended_by"].tolist() == ["still in service"]


def test_vehicle_off_the_road(case: Cases) -> None:
    readings = READINGS + monthly("A", "2022-12-01")
    readings += monthly("B", "2022-12-01", flat=("2021-05", "2021-09"))
    found = case(ONE_JOB, COUNTERS, register=TWO, readings=readings)
    life = found.lives(vehicle="B").iloc[0]
    # 2020-07-01 to the end of 2022 are 914 days, 2021-05-01 to 09-01 are 123
    assert life["age"] == pytest.approx(914 - 123)
    assert life["entry"] == pytest.approx(184)
    assert "off the road" in found.rules
    counted = case(ONE_JOB, COUNTERS, switched("vehicle off the road"), register=TWO, readings=readings)  # fmt: skip  # noqa: E501
    assert counted.lives(vehicle="B").iloc[0]["age"] == pytest.approx(914)
    hours = case(ONE_JOB, COUNTERS, {"clock": "engine_hours"}, register=TWO, readings=readings)
    assert "off the road" not in hours.rules  # hours do not run then anyway


def test_export_cut_early(case: Cases) -> None:
    text = checks(until="2022-09-08")
    open_end = {"window": {"end": None}}
    found = case(text, open_end, register=REGISTER)
    assert f"{found.tables.observed_until:%Y-%m-%d}" == "2022-09-01"
    assert "after the window" in set(found.reasons.values())
    last = case(text, open_end, switched("export cut early"), register=REGISTER)
    assert f"{last.tables.observed_until:%Y-%m-%d}" >= "2022-09-07"
    assert "after the window" not in set(last.reasons.values())
