"""Use per day, service grids and lengths in the study's clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.lives.instants import DAY
from relkit.lives.meters import Meters
from relkit.plan.usage import in_clock, matching_vehicles, service_grids, usage_rates
from relkit.study.read import study_from_mapping
from relkit.study.settings import Study
from relkit.units import parse_quantity

FITMENTS = pd.DataFrame(
    {
        "vehicle": ["A", "A", "B", "C"],
        "class": ["small", "small", "small", "large"],
        "depot": ["north", "north", "south", "north"],
    }
)


def study_with(services: list[dict[str, Any]], clock: str = "engine_hours") -> Study:
    files = {"log": [{"path": "log.csv"}]}
    return study_from_mapping({"name": "s", "clock": clock, "files": files, "services": services})


def meters_with(
    knots: list[tuple[str, str, int, float]], fallback: Mapping[str, float] | None = None
) -> Meters:
    """Meters from (counter, vehicle, day, value), with mean rates from first to last."""
    table = pd.DataFrame(knots, columns=["counter", "vehicle", "time", "value"])
    ends = table.groupby(["counter", "vehicle"]).agg(["first", "last"])
    rate = (ends["value"]["last"] - ends["value"]["first"]) / (
        ends["time"]["last"] - ends["time"]["first"]
    )
    rates = rate.rename("per_day").reset_index().assign(per_day_before=0.0)
    return Meters(
        knots=table.assign(time=table["time"] * DAY),
        rates=rates,
        corrections=pd.DataFrame(),
        fallback=fallback or {},
        findings=(),
        estimated_days=31.0,
    )


def rates_of(**columns: list[float]) -> pd.DataFrame:
    return pd.DataFrame({**columns, "days": 1.0}, index=pd.Index(["A", "B", "C"], name="vehicle"))


def test_each_vehicle_has_its_own_rate_and_the_others_mean_stands_in() -> None:
    # Source: own algebra: 730.5 h in 730.5 days is 1 a day, 2191.5 h is 3; their mean is 2.
    year = 365
    meters = meters_with(
        [
            ("engine_hours", "A", 0, 0.0),
            ("engine_hours", "A", 2 * year, 2.0 * year),
            ("engine_hours", "B", 0, 0.0),
            ("engine_hours", "B", 2 * year, 6.0 * year),
        ]
    )
    rates = usage_rates(meters, ["C", "B", "A", "A"], "engine_hours")
    assert rates.index.tolist() == ["A", "B", "C"]
    assert rates["engine_hours"].tolist() == pytest.approx([1.0, 3.0, 2.0])
    assert (rates["days"] == 1.0).all()


def test_the_studys_own_rate_comes_before_the_mean_of_the_others() -> None:
    # Source: own algebra; km have no reading at all.
    meters = meters_with(
        [("engine_hours", "A", 0, 0.0), ("engine_hours", "A", 100, 100.0)],
        fallback={"engine_hours": 5.0, "km": 40.0},
    )
    rates = usage_rates(meters, ["A", "B"], "engine_hours")
    assert rates["engine_hours"].tolist() == [1.0, 5.0]
    assert rates["km"].tolist() == [40.0, 40.0]


def test_the_range_is_the_slowest_and_fastest_of_the_last_three_years() -> None:
    # Source: own algebra: 100, 400 and 250 h in three years of 365.25 days, 9000 h before.
    year = 365.25
    knots = [("engine_hours", "A", 0, 0.0)]
    for count, value in enumerate([9000.0, 9100.0, 9500.0, 9750.0], start=1):
        knots.append(("engine_hours", "A", count * year, value))  # type: ignore[arg-type]
    rates = usage_rates(meters_with(knots), ["A"], "engine_hours")
    assert rates.loc["A", "engine_hours"] == pytest.approx(9750 / (4 * year))
    assert rates.loc["A", "low"] == pytest.approx(100 / year)
    # the long-run mean is above all three years: the range never leaves it out
    assert rates.loc["A", "high"] == pytest.approx(9750 / (4 * year))


def test_years_before_the_first_reading_are_no_slow_years() -> None:
    # Source: own algebra: 500 days at 2 h a day are one full year and a part that does not count.
    meters = meters_with([("engine_hours", "A", 0, 0.0), ("engine_hours", "A", 500, 1000.0)])
    rates = usage_rates(meters, ["A"], "engine_hours")
    assert rates.loc["A", ["low", "high"]].tolist() == pytest.approx([2.0, 2.0])


def test_calendar_time_runs_alike_for_all() -> None:
    # Source: closed form.
    meters = meters_with([("km", "A", 0, 0.0), ("km", "A", 10, 50.0)])
    rates = usage_rates(meters, ["A", "B"], "days")
    assert (rates[["days", "low", "high"]] == 1.0).all(axis=None)


def test_lengths_turn_into_the_clock_at_the_mean_rate() -> None:
    # Source: own algebra: 4 h and 80 km a day.
    mean = pd.Series({"engine_hours": 4.0, "km": 80.0, "days": 1.0})
    assert in_clock(parse_quantity("13 weeks"), "engine_hours", mean) == pytest.approx(364.0)
    assert in_clock(parse_quantity("1000 km"), "engine_hours", mean) == pytest.approx(50.0)
    assert in_clock(parse_quantity("100 engine_hours"), "days", mean) == pytest.approx(25.0)
    assert in_clock(parse_quantity("7 engine_hours"), "engine_hours", mean) == 7.0


def test_what_stands_still_or_is_not_read_gives_no_length() -> None:
    # Source: own algebra: no number of hours makes a week where no hours are run.
    still = pd.Series({"engine_hours": 0.0, "km": 0.0, "days": 1.0})
    assert np.isnan(in_clock(parse_quantity("13 weeks"), "engine_hours", still))
    assert np.isnan(in_clock(parse_quantity("1000 km"), "days", still))
    assert np.isnan(in_clock(parse_quantity("1000 strokes"), "days", still))


def test_vehicles_match_by_every_covariate_stated() -> None:
    # Source: own algebra, read off FITMENTS.
    assert matching_vehicles(FITMENTS, {}) == {"A", "B", "C"}
    assert matching_vehicles(FITMENTS, {"class": ("small",)}) == {"A", "B"}
    assert matching_vehicles(FITMENTS, {"class": ("small",), "depot": ("north",)}) == {"A"}
    assert matching_vehicles(FITMENTS, {"class": ("small", "large")}) == {"A", "B", "C"}
    assert matching_vehicles(FITMENTS, {"colour": ("red",)}) == frozenset()


def test_a_service_is_due_at_the_limit_that_is_reached_first() -> None:
    # Source: own algebra: at 4 h a day 13 weeks are 364 h, fewer than 500; at 8 h a day, 728.
    both = {"every": ["500 engine_hours", "13 weeks"]}
    study = study_with(
        [
            {"name": "slow", "where": {"class": ["small"]}, **both},
            {"name": "fast", "where": {"class": ["large"]}, **both},
        ]
    )
    slow, fast = service_grids(study, FITMENTS, rates_of(engine_hours=[3.0, 5.0, 8.0]))
    assert (slow.name, slow.label, slow.vehicles) == ("slow", "small", {"A", "B"})
    assert (slow.spacing, slow.spacing_days) == pytest.approx((364.0, 91.0))
    assert (fast.spacing, fast.spacing_days) == pytest.approx((500.0, 62.5))
    assert (slow.binding, fast.binding) == ("91 d", "500 h")


def test_services_of_no_vehicle_or_no_known_counter_are_left_out() -> None:
    # Source: own algebra; the plan says so in its warnings (test_idle_settings.py).
    study = study_with(
        [
            {"name": "nobody", "every": ["1 week"], "where": {"class": ["huge"]}},
            {"name": "unread", "every": ["1000 km"]},
            {"name": "all", "every": ["1000 km", "26 weeks"]},
        ]
    )
    grids = service_grids(study, FITMENTS, rates_of(engine_hours=[1.0, 1.0, 1.0]))
    assert [grid.name for grid in grids] == ["all"]
    assert grids[0].label == "all vehicles"
    assert grids[0].spacing == pytest.approx(182.0)


def test_a_class_that_stands_still_keeps_a_service_without_date() -> None:
    # Source: own algebra: 250 h are never reached at 0 h a day.
    study = study_with([{"name": "s", "every": ["250 engine_hours", "13 weeks"]}])
    (grid,) = service_grids(study, FITMENTS, rates_of(engine_hours=[0.0, 0.0, 0.0]))
    assert grid.spacing == 250.0
    assert np.isinf(grid.spacing_days)
