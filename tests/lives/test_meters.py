"""Cumulative counters: straight lines between readings, and errors of meters planted one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.lives.instants import instants
from relkit.lives.meters import Meters, cleaned_meters, meter_values
from relkit.lives.table import life_tables

DAY_ONE = pd.Timestamp("2021-01-01")


def table(values: dict[Any, list[tuple[float, float]]], counter: str = "hours") -> pd.DataFrame:
    """Return readings from vehicle -> [(day, value)]; a key may be (vehicle, counter)."""
    rows = []
    for key, points in values.items():
        vehicle, own = key if isinstance(key, tuple) else (key, counter)
        for day, value in points:
            rows.append((vehicle, own, DAY_ONE + pd.Timedelta(days=day), float(value)))
    frame = pd.DataFrame(rows, columns=["vehicle", "counter", "date", "reading"])
    return frame.assign(source=[f"readings.csv:{k + 2}" for k in range(len(frame))])


def cleaned(make_study: Any, readings: pd.DataFrame, **parts: Any) -> Meters:
    limits = {"treatments": {"largest_daily_use": {"hours": 24.0, "km": 1500.0}}}
    return cleaned_meters(readings, make_study(**{**limits, **parts}))


def value_at(meters: Meters, days: list[float], vehicle: str = "A", counter: str = "hours") -> Any:
    times = instants(pd.Series([DAY_ONE + pd.Timedelta(days=day) for day in days]))
    names = np.full(len(days), vehicle, dtype=object)
    return meter_values(meters, names, times, counter=counter)


def rules(meters: Meters) -> list[str]:
    return sorted(meters.corrections["rule"])


MONTHLY = [(30.0 * k, 100.0 + 120.0 * k) for k in range(12)]  # 4 h a day


def changed(points: list[tuple[float, float]], **at: float) -> list[tuple[float, float]]:
    """Points with the value of some replaced: k3=77 sets that of the fourth."""
    new = {int(name[1:]): value for name, value in at.items()}
    return [(day, new.get(k, value)) for k, (day, value) in enumerate(points)]


def test_straight_lines_between_readings(make_study: Any) -> None:
    # Source: numpy.interp, one vehicle at a time.
    rng = np.random.default_rng(3)
    points: dict[Any, list[tuple[float, float]]] = {}
    for number in range(20):
        days = np.sort(rng.uniform(0, 700, 30))
        hours = np.cumsum(np.diff(days, prepend=days[0]) * rng.uniform(0.1, 20, 30)) + 50
        points[f"V{number}"] = list(zip(days, hours, strict=True))
    meters = cleaned(make_study, table(points).sample(frac=1.0, random_state=1))
    assert meters.corrections.empty
    for name, line in points.items():
        days, hours = np.array(line).T
        asked = rng.uniform(days[0], days[-1], 50)
        got, _ = value_at(meters, asked.tolist(), name)
        np.testing.assert_allclose(got, np.interp(asked, days, hours), rtol=1e-9)


def test_beyond_the_readings_at_the_mean_rate(make_study: Any) -> None:
    # Source: own algebra: 1320 h in 330 days; 31 days from a reading is near enough.
    meters = cleaned(make_study, table({"A": MONTHLY}))
    got, guessed = value_at(meters, [-31, -32, 0, 15, 330, 361, 362, 430])
    assert got == pytest.approx([-24, -28, 100, 160, 1420, 1544, 1548, 1820])
    assert guessed.tolist() == [False, True, False, False, False, False, True, True]
    sparse = cleaned(make_study, table({"A": [(0, 0), (100, 400)]}))
    assert value_at(sparse, [30, 50, 70])[1].tolist() == [False, True, False]


def test_counter_begins_at_nothing(make_study: Any) -> None:
    # Source: own algebra: 100 h by the first reading, in service 50 days before: 2 h a day.
    service = pd.Series({"A": int(instants(pd.Series([DAY_ONE - pd.Timedelta(days=50)]))[0])})
    meters = cleaned_meters(table({"A": MONTHLY}), make_study(), in_service=service)
    assert value_at(meters, [-50, -25, 0])[0] == pytest.approx([0, 50, 100])
    late = service + 40 * 86_400 * 10**9  # at the mean rate it would have begun above 0
    meters = cleaned_meters(table({"A": MONTHLY}), make_study(), in_service=late)
    assert value_at(meters, [-10])[0] == pytest.approx([60])


@pytest.mark.parametrize(
    ("place", "wrong"),
    [(5, 7000.0), (5, 70.0), (0, 1000.0), (11, 14200.0), (11, 142.0), (1, 2200.0), (10, 13000.0),
     (6, 1000.0), (5, -700.0), (5, 570.0)],
)  # fmt: skip
def test_single_typing_error_is_removed(make_study: Any, place: int, wrong: float) -> None:
    # Source: the line from which the readings were made; an error at the end cannot hide.
    points = changed(MONTHLY, **{f"k{place}": wrong})
    meters = cleaned(make_study, table({"A": points, "B": MONTHLY}))
    assert rules(meters) == ["meter typing error"]
    line = meters.corrections.iloc[0]
    assert (line["source"], line["old"]) == (f"readings.csv:{place + 2}", wrong)
    inner = [15.0 + 30 * k for k in range(1, 10)]
    assert value_at(meters, inner)[0] == pytest.approx([160 + 120 * k for k in range(1, 10)])
    if 0 < place < 11:
        assert line["new"] == pytest.approx(MONTHLY[place][1])
        told = meters.findings[0]
        assert told.sources == (f"readings.csv:{place + 2}: {wrong:,.10g} -> {line['new']:,.6g}",)


def test_reading_of_an_earlier_day_is_no_exchange(make_study: Any) -> None:
    # Source: the line from which the readings were made: 70 h cannot be run on one day.
    points = [*MONTHLY[:5], (149.0, 626.0), *MONTHLY[5:]]
    meters = cleaned(make_study, table({"A": points}))
    assert rules(meters) == ["meter typing error"]
    assert meters.corrections["new"].tolist() == pytest.approx([696.0])
    assert value_at(meters, [330])[0] == pytest.approx([1420])


def test_error_copied_to_two_jobs_of_a_day(make_study: Any) -> None:
    # Source: the line from which the readings were made.
    points = [*MONTHLY[:5], (150.0, 7000.0), (150.0, 7000.0), *MONTHLY[6:]]
    meters = cleaned(make_study, table({"A": points}))
    assert value_at(meters, [150])[0] == pytest.approx([700])


@pytest.mark.parametrize("begins_at", [0.0, 3.0, 9000.0])
def test_exchanged_meter_runs_on(make_study: Any, begins_at: float) -> None:
    # Source: own algebra: use on both sides as read, 120 h (mean rate) across the exchange.
    points = [
        (day, value if k < 6 else begins_at + 120.0 * (k - 6))
        for k, (day, value) in enumerate(MONTHLY)
    ]
    meters = cleaned(make_study, table({"A": points}))
    assert rules(meters) == ["meter exchanged"]
    assert value_at(meters, [150, 165, 180, 330])[0] == pytest.approx([700, 760, 820, 1420])
    line = meters.corrections.iloc[0]
    assert (line["source"], line["old"], line["new"]) == ("readings.csv:8", begins_at, 820.0)
    assert meters.findings[0].severity == "look"


def test_meter_exchanged_twice_and_a_typing_error(make_study: Any) -> None:
    # Source: the line from which the readings were made.
    points = [(d, v - (0 if k < 4 else 580 if k < 8 else 1060)) for k, (d, v) in enumerate(MONTHLY)]
    meters = cleaned(make_study, table({"A": changed(points, k6=2400.0)}))
    assert rules(meters) == ["meter exchanged", "meter exchanged", "meter typing error"]
    assert value_at(meters, [330])[0] == pytest.approx([1420])


def test_rounding_is_no_error(make_study: Any) -> None:
    # Source: the project's own rule: a drop of less than one unit.
    meters = cleaned(make_study, table({"A": [(0, 10.0), (1, 14.6), (2, 14.0), (3, 18.0)]}))
    assert meters.corrections.empty
    assert (np.diff(meters.knots["value"]) >= 0).all()


def test_copied_value_that_catches_up(make_study: Any) -> None:
    # Source: own algebra: 840 h between days 60 and 270, of which the reading of day 269 says
    # nothing: 839 h in one day is more than a day has.
    points = [(d, v) for d, v in MONTHLY if d <= 60 or d >= 270]
    copied = [(90.0, 340.0), (120.0, 340.0), (269.0, 340.0)]
    meters = cleaned(make_study, table({"A": sorted([*points, *copied])}))
    assert rules(meters) == ["meter stood still"] * 3
    assert value_at(meters, [165])[0] == pytest.approx([760])
    assert meters.corrections["new"].tolist() == pytest.approx([460.0, 580.0, 1176.0])


def test_parked_vehicle_is_left_alone(make_study: Any) -> None:
    # Source: the project's own rule: flat in both counters, then on at a usual pace.
    hours = [(30.0 * k, 100.0 + 120.0 * min(k, max(4, k - 5))) for k in range(16)]
    km = [(day, 20.0 * value) for day, value in hours]
    meters = cleaned(make_study, table({("A", "hours"): hours, ("A", "km"): km}))
    assert meters.corrections.empty
    assert value_at(meters, [120, 270])[0] == pytest.approx([580, 580])
    alone = cleaned(make_study, table({"A": hours}))
    assert alone.corrections.empty


def test_meter_that_stands_still_while_the_other_runs(make_study: Any) -> None:
    # Source: own algebra: stopped from day 120 to 270, then on from the same value; 4 h a day.
    hours = [(30.0 * k, 100.0 + 120.0 * min(k, max(4, k - 5))) for k in range(16)]
    km = [(30.0 * k, 2400.0 * k) for k in range(16)]
    meters = cleaned(make_study, table({("A", "hours"): hours, ("A", "km"): km}))
    assert rules(meters) == ["meter stood still"] * 5
    assert value_at(meters, [120, 195, 270, 450])[0] == pytest.approx([580, 880, 1180, 1900])
    assert value_at(meters, [195], counter="km")[0] == pytest.approx([15600])


def test_meter_that_never_moves_again(make_study: Any) -> None:
    # Source: own algebra: 4 h a day go on from day 120.
    hours = [(30.0 * k, 100.0 + 120.0 * min(k, 4)) for k in range(12)]
    km = [(30.0 * k, 2400.0 * k) for k in range(12)]
    meters = cleaned(make_study, table({("A", "hours"): hours, ("A", "km"): km}))
    assert value_at(meters, [330])[0] == pytest.approx([1420])
    parked = [(day, min(value, 9600.0)) for day, value in km]
    meters = cleaned(make_study, table({("A", "hours"): hours, ("A", "km"): parked}))
    assert meters.corrections.empty


def test_unit_that_cannot_be_is_not_used(make_study: Any) -> None:
    # Source: the project's own rule: 92 hours a day.
    km = [(day, 23.0 * value) for day, value in MONTHLY]
    meters = cleaned(make_study, table({"A": km, "B": MONTHLY}))
    assert np.isnan(value_at(meters, [100])[0]).all()
    assert [one.rule for one in meters.findings] == ["meter unusable"]
    assert meters.findings[0].sources == ("A, hours",)
    study = {"usage": {"hours": 365.25}}
    rescued = cleaned(make_study, table({"A": km, "B": MONTHLY}), **study)
    (early, late), guessed = value_at(rescued, [100, 110])
    assert late - early == pytest.approx(10)
    assert guessed.all()


def test_one_reading_tells_no_rate(make_study: Any) -> None:
    # Source: own algebra.
    meters = cleaned(make_study, table({"A": [(0, 500)]}))
    assert np.isnan(value_at(meters, [10])[0]).all()
    given = cleaned(make_study, table({"A": [(0, 500)]}), usage={"hours": 730.5})
    assert value_at(given, [-10, 0, 10])[0] == pytest.approx([480, 500, 520])
    nothing = cleaned(make_study, table({}))
    assert np.isnan(value_at(nothing, [10])[0]).all()


def test_planted_errors_are_found_in_a_fleet(make_study: Any) -> None:
    # Source: the truth from which the readings were made: 300 vehicles, 50 readings each, one in
    # 60 with an extra or a missing digit, a tenth of the vehicles with an exchanged meter.
    rng = np.random.default_rng(11)
    count, each = 300, 50
    days = np.cumsum(rng.uniform(5, 40, (count, each)), axis=1)
    truth = 1500 + np.cumsum(
        np.diff(days, axis=1, prepend=0) * rng.uniform(1, 8, (count, each)), axis=1
    )
    shown = truth.round(1)
    swapped = rng.random(count) < 0.1
    shown[swapped, 25:] -= shown[swapped, 25:26] - 12
    typed = rng.random((count, each)) < 1 / 60
    factor = np.where(rng.random((count, each)) < 0.5, 10.0, 0.1)
    shown = np.where(typed, (shown * factor).round(1), shown)
    points = {f"V{k}": list(zip(days[k], shown[k], strict=True)) for k in range(count)}
    meters = cleaned(make_study, table(points))
    found = meters.corrections
    removed = set(found.loc[found["rule"] == "meter typing error", "source"])
    planted = {f"readings.csv:{k + 2}" for k in np.flatnonzero(typed)}
    assert removed <= planted
    assert len(planted - removed) == 2  # the last two of one vehicle: they look like an exchange
    exchanged = found.loc[found["rule"] == "meter exchanged", "vehicle"]
    assert set(exchanged) >= {f"V{k}" for k in np.flatnonzero(swapped)}
    errors = []
    for k in range(count):
        got, _ = value_at(meters, [days[k, 3], days[k, -4]], f"V{k}")
        errors.append((got[1] - got[0]) / (truth[k, -4] - truth[k, 3]) - 1)
    assert np.quantile(np.abs(errors), 0.95) < 0.03


def test_vehicle_without_a_usable_meter_gives_no_life(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule; 4 h a day for 59 days.
    place = {"component": "camera", "location": "rear"}
    jobs = [
        {"date": "2021-03-01", "vehicle": v, "finding": "failed", "action": "replaced", **place}
        for v in "AB"
    ]
    fitments = [{"vehicle": v, "fitted_on": "2021-01-01", **place} for v in "AB"]
    readings = table({"A": MONTHLY}).to_dict("records")
    log = make_log(jobs=jobs, fitments=fitments, readings=readings)
    tables = life_tables(log, make_study(clock="hours"))
    assert set(tables.lives["vehicle"]) == {"A"}
    assert tables.lives["age"].iloc[0] == pytest.approx(236)
    assert tables.set_aside["reason"].tolist() == ["no usable meter reading"]
    usage = life_tables(log, make_study(clock="hours", usage={"hours": 730.5}))
    assert usage.lives.groupby("vehicle")["age"].first().tolist() == pytest.approx([236, 118])
    assert usage.lives.loc[usage.lives["vehicle"] == "B", "age_estimated"].all()
    assert "age estimated" in set(usage.findings["rule"])


@pytest.mark.parametrize(
    ("fitted_on", "first", "last", "estimated"),
    [
        ("2021-02-01", 0, 365, False),
        ("2021-02-01", 70, 365, True),  # the start
        ("2020-02-01", -335, 365, False),
        ("2021-02-01", 0, 260, True),  # the end
    ],
)
def test_age_is_estimated_far_from_readings(
    make_log: Any, make_study: Any, fitted_on: str, first: int, last: int, estimated: bool
) -> None:
    # Source: the project's own rule: either end more than 31 days from a reading.
    place = {"vehicle": "A", "component": "camera", "location": "rear"}
    points = [(float(day), 4000.0 + 4 * day) for day in range(first, last + 1, 5)]
    window = {"start": pd.Timestamp("2021-01-01").date(), "end": pd.Timestamp("2021-12-31").date()}
    log = make_log(
        fitments=[{"fitted_on": fitted_on, **place}],
        readings=table({"A": points}).to_dict("records"),
    )
    lives = life_tables(log, make_study(clock="hours", window=window)).lives
    assert lives["age_estimated"].tolist() == [estimated]


def test_entry_far_from_readings_is_estimated(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: readings around the fitting and the end, none at the entry.
    place = {"vehicle": "A", "component": "camera", "location": "rear"}
    points = [(float(day), 4000.0 + 4 * day) for day in (-335, -330, 360, 365)]
    window = {"start": pd.Timestamp("2021-01-01").date(), "end": pd.Timestamp("2021-12-31").date()}
    log = make_log(
        fitments=[{"fitted_on": "2020-02-01", **place}],
        readings=table({"A": points}).to_dict("records"),
    )
    lives = life_tables(log, make_study(clock="hours", window=window)).lives
    assert lives["age_estimated"].tolist() == [True]


def test_item_that_never_ran_gives_no_life(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: parked from day 120 on; a failure then has no running time.
    place = {"vehicle": "A", "component": "camera", "location": "rear"}
    parked = [(30.0 * k, 100.0 + 120.0 * min(k, 4)) for k in range(30)]
    job = {"finding": "failed", "action": "replaced", **place}
    jobs = [{"date": "2021-06-01", **job}, {"date": "2021-07-01", **job}]
    log = make_log(
        jobs=jobs,
        fitments=[{"fitted_on": "2020-06-01", **place}],
        readings=table({"A": parked}).to_dict("records"),
    )
    tables = life_tables(log, make_study(clock="hours"))
    assert tables.set_aside["reason"].tolist() == ["dead on arrival"]
    assert len(tables.lives) == 1
    late = make_log(
        jobs=jobs[:1],
        fitments=[{"fitted_on": "2021-01-01", **place}],
        readings=table({"A": parked}).to_dict("records"),
    )
    gap = {"start": pd.Timestamp("2021-05-15").date(), "end": pd.Timestamp("2022-12-31").date()}
    tables = life_tables(late, make_study(clock="hours", window=gap))
    assert tables.set_aside["reason"].tolist() == ["no running time observed"]
    assert tables.lives.empty
