"""Lives against a slow walk through each position's history, and what must hold for any log."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable
from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.lives.table import build_lives, life_tables

START, END = datetime(2021, 1, 1), datetime(2023, 1, 1)
STRENGTH = ["no failure", "unfailed", "cause unknown", "external damage", "found", "failure"]
OUTCOME = {
    "failed": "failure", "found failed at check": "found", "planned": "unfailed",
    "view dark": "cause unknown", "no fault found": "no failure",
    "external damage": "external damage",
}  # fmt: skip
ENDED_BY = {
    "failure": "failure", "found": "failure found at check", "cause unknown": "cause unknown",
    "external damage": "external damage", "unfailed": "removed unfailed",
    "no failure": "removed unfailed",
}  # fmt: skip


def slow_events(rows: list[dict[str, Any]]) -> list[tuple[datetime, str, str]]:
    """Events of one position: (instant, outcome, effect), rows of one instant folded."""
    at: dict[datetime, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        at[row["date"]].append(row)
    events = []
    for instant in sorted(at):
        stated = [OUTCOME[row["finding"]] for row in at[instant] if row["finding"]]
        actions = {row["action"] for row in at[instant] if row["action"]}
        if "replaced" in actions or {"removed", "fitted"} <= actions:
            effect = "new"
        elif actions:
            effect = next(a for a in ("removed", "fitted", "tested") if a in actions)
        else:
            effect = ""
        strongest = max(stated, key=STRENGTH.index) if stated else ""
        if not strongest:
            strongest = "unfailed" if effect == "fitted" else "cause unknown"
        if not effect:
            effect = "tested" if strongest == "no failure" else "new"
        events.append((instant, strongest, effect))
    return events


Stay = tuple[tuple[str, str, str], datetime | None, datetime, str]


def moment(value: Any) -> datetime | None:
    return None if pd.isna(value) else value.to_pydatetime()


def slow_stays(log: SimpleNamespace) -> list[Stay]:
    """Stays by walking through each position's events, one at a time: place, start, end, how."""
    rows: dict[Any, list[dict[str, Any]]] = defaultdict(list)
    for job in log.jobs.to_dict("records"):
        place = (job["vehicle"], job["component"], job["location"])
        rows[place].append({**job, "date": job["date"].to_pydatetime()})
    walked: list[Stay] = []
    for item in log.fitments.to_dict("records"):
        place = (item["vehicle"], item["component"], item["location"])
        start, left = moment(item["fitted_on"]), moment(item["vehicle_left_on"])
        first_day = date.min if start is None else start.date()
        last_day = date.max if left is None else left.date()
        there, day_only = True, start is not None and start.time() == START.time()
        for instant, outcome, effect in slow_events(rows[place]):
            inside = first_day <= instant.date() <= last_day and instant < END
            if not inside or effect == "tested":
                continue
            if day_only and start is not None and start.date() == instant.date():
                start = instant  # the register knows the day of the same change
            day_only = False
            if there:
                walked.append((place, start, instant, outcome))
            there, start = effect != "removed", instant
        if there and left is not None and left < END:
            walked.append((place, start, left, "vehicle left fleet"))
        elif there:
            walked.append((place, start, END, "still in service"))
    return walked


def slow_lives(log: SimpleNamespace, clock: Callable[[str, datetime], float]) -> set[Any]:
    """Observed lives, with the cause of each from what else was replaced at the instant."""
    walked = slow_stays(log)
    together: dict[Any, list[str]] = defaultdict(list)
    stated = set()
    for (vehicle, component, location), _, ended, how in walked:
        if how == "cause unknown":
            together[vehicle, location, ended].append(component)
        if how in ("failure", "found"):
            stated.add((vehicle, location, ended))
    lives = set()
    for place, start, ended, how in walked:
        key = (place[0], place[2], ended)
        causes = ""
        if how == "cause unknown" and key in stated:
            how = "unfailed"
        elif how == "cause unknown" and len(together[key]) > 1:
            causes = "; ".join(sorted(together[key]))
        elif how == "cause unknown":
            how = "failure"
        if start is None or ended <= START or ended <= start:
            continue
        entry = clock(place[0], max(start, START)) - clock(place[0], start)
        age = clock(place[0], ended) - clock(place[0], start)
        if age > entry:
            ended_by = ENDED_BY.get(how, how)
            lives.add((place, start, ended, round(entry, 6), round(age, 6), ended_by, causes))
    return lives


def fast_lives(lives: pd.DataFrame) -> set[Any]:
    return {
        (
            (row["vehicle"], row["component"], row["location"]),
            row["fitted_on"].to_pydatetime(),
            row["ended_on"].to_pydatetime(),
            round(row["entry"], 6),
            round(row["age"], 6),
            row["ended_by"],
            row["causes"],
        )
        for row in lives.to_dict("records")
    }


def in_days(vehicle: str, instant: datetime) -> float:
    del vehicle
    return (instant - START).total_seconds() / 86400


def random_rows(rng: random.Random, vehicles: int) -> dict[str, list[dict[str, Any]]]:
    """Register and jobs of a small fleet: two components at two places of each vehicle."""
    jobs, fitments = [], []
    for number in range(vehicles):
        name = f"V{number}"
        left = START + timedelta(days=rng.randrange(300, 700)) if rng.random() < 0.3 else pd.NaT
        shared = [START + timedelta(hours=rng.randrange(-9000, 19000)) for _ in range(2)]
        for component in ("camera", "cable"):
            for location in ("front", "rear"):
                fitted = START + timedelta(days=rng.randrange(-900, 500))
                fitments.append(
                    {"vehicle": name, "component": component, "location": location,
                     "fitted_on": pd.NaT if rng.random() < 0.25 else fitted,
                     "vehicle_left_on": left}
                )  # fmt: skip
                own = [
                    START + timedelta(hours=rng.randrange(-9000, 19000))
                    for _ in range(rng.randrange(5))
                ]
                for instant in {*own, *rng.sample(shared, rng.randrange(3))}:
                    for _ in range(rng.choice((1, 1, 2))):
                        jobs.append(
                            {"date": instant, "vehicle": name, "component": component,
                             "location": location, "date_is_day": False,
                             "finding": rng.choice([*OUTCOME, ""]),
                             "action": rng.choice(
                                 ("replaced", "replaced", "removed", "fitted", "tested", "")
                             )}
                        )  # fmt: skip
    return {"jobs": jobs, "fitments": fitments}


#: The rules that read one row by another are tried in tests/problems; the slow walk has none.
PLAIN = {
    "problems": {
        "guess_chains": "as written",
        "dark_at_disposal": "as written",
        "undiagnosed": "as written",
        "silent_gaps": "ignore",
    }
}
TINY = {
    "fitments": [
        {"vehicle": "A", "component": "camera", "location": "rear", "fitted_on": "2020-07-05"},
        {"vehicle": "A", "component": "cable", "location": "rear"},
        {"vehicle": "B", "component": "camera", "location": "rear", "fitted_on": "2021-06-01",
         "vehicle_left_on": "2022-06-01"},
    ],
    "jobs": [
        # planned and failure rows of one instant, from two files: one failure
        {"date": "2021-01-31 12:00", "vehicle": "A", "component": "camera", "location": "rear",
         "finding": "planned", "action": "replaced"},
        {"date": "2021-01-31 12:00", "vehicle": "A", "component": "camera", "location": "rear",
         "finding": "failed"},
        {"date": "2021-11-01", "vehicle": "A", "component": "cable", "location": "rear",
         "finding": "planned", "action": "replaced"},
        {"date": "2022-01-01", "vehicle": "A", "component": "cable", "location": "rear",
         "action": "replaced"},
        {"date": "2022-01-01", "vehicle": "A", "component": "camera", "location": "rear",
         "action": "replaced"},
    ],
}  # fmt: skip


def tiny_by_hand() -> set[Any]:
    # Source: own algebra. Days from one date to the other, counted in a calendar.
    camera, cable, left = ("A", "camera", "rear"), ("A", "cable", "rear"), ("B", "camera", "rear")
    noon, new_year = datetime(2021, 1, 31, 12), datetime(2022, 1, 1)
    november, summer = datetime(2021, 11, 1), datetime(2021, 6, 1)
    both = "cable; camera"
    return {
        (camera, datetime(2020, 7, 5), noon, 180.0, 210.5, "failure", ""),
        (camera, noon, new_year, 0.0, 334.5, "cause unknown", both),
        (camera, new_year, END, 0.0, 365.0, "still in service", ""),
        (cable, november, new_year, 0.0, 61.0, "cause unknown", both),
        (cable, new_year, END, 0.0, 365.0, "still in service", ""),
        (left, summer, datetime(2022, 6, 1), 0.0, 365.0, "vehicle left fleet", ""),
    }


def test_tiny_log_by_hand(make_log: Any, make_study: Any) -> None:
    log = make_log(**TINY)
    assert slow_lives(log, in_days) == tiny_by_hand()
    assert fast_lives(build_lives(log, make_study(treatments=PLAIN))) == tiny_by_hand()


@pytest.mark.parametrize("seed", range(12))
def test_agrees_with_the_slow_walk_on_random_logs(
    make_log: Any, make_study: Any, seed: int
) -> None:
    # Source: the slow walk of this file, checked by hand above.
    log = make_log(**random_rows(random.Random(seed), 12))
    slow = slow_lives(log, in_days)
    assert fast_lives(build_lives(log, make_study(treatments=PLAIN))) == slow
    assert len(slow) > 40


@pytest.mark.parametrize("seed", range(6))
def test_counter_clock_agrees_with_the_slow_walk(make_log: Any, make_study: Any, seed: int) -> None:
    # Source: the slow walk, with straight lines between readings drawn by hand.
    rng = random.Random(100 + seed)
    rows = random_rows(rng, 6)
    readings, knots = [], {}
    for number in range(6):
        name, days, value, line = f"V{number}", -950.0, 100.0, []
        while days < 800:
            line.append((days, value))
            readings.append(
                {"vehicle": name, "date": START + timedelta(days=days), "reading": value}
            )
            step = rng.uniform(10, 40)
            days, value = days + step, value + step * rng.uniform(0.5, 9)
        knots[name] = line

    def hours(vehicle: str, instant: datetime) -> float:
        line, at = knots[vehicle], in_days(vehicle, instant)
        k = bisect_right([point[0] for point in line], at) - 1
        (x0, y0), (x1, y1) = line[k], line[k + 1]
        return y0 + (y1 - y0) * (at - x0) / (x1 - x0)

    log = make_log(**rows, readings=readings)
    lives = build_lives(log, make_study(clock="engine_hours", treatments=PLAIN))
    slow = slow_lives(log, hours)
    got = fast_lives(lives)
    assert {life[:3] + life[5:] for life in got} == {life[:3] + life[5:] for life in slow}
    ages = {life[:3]: life[3:5] for life in slow}
    for life in got:
        assert life[3:5] == pytest.approx(ages[life[:3]], abs=2e-5)
    assert not lives["age_estimated"].any()


def check_invariants(log: SimpleNamespace, study: Any) -> None:
    """Whatever the log: no overlap, exposure conserved, each failure used once, rows add up."""
    tables = life_tables(log, study)
    lives = tables.lives
    assert (lives["age"] > lives["entry"]).all()
    assert (lives["entry"] >= 0).all()
    assert (lives["age_lower"] <= lives["age"]).all()
    assert (lives["age_lower"] >= lives["entry"]).all()
    closers = lives.loc[lives["failed"] | (lives["masked_job"] != ""), "closed_by"]
    assert not closers.duplicated().any()
    counts = tables.row_classes["row_class"].value_counts()
    ended = lives["ended_by"].value_counts()
    assert counts.get("failure", 0) == ended.get("failure", 0)
    assert counts.get("interval", 0) == ended.get("failure found at check", 0)
    assert counts.get("masked", 0) == ended.get("cause unknown", 0)
    assert counts.get("set aside", 0) == len(tables.set_aside)
    in_log = tables.row_classes[tables.row_classes["kind"] == "log"]
    assert sorted(in_log["source"]) == sorted(log.jobs["source"])
    bases = lives["component"].str.split(",").str[0]
    for _, stays in lives.assign(base=bases).groupby(["vehicle", "base", "location"]):
        seen_from = stays["ended_on"] - pd.to_timedelta(stays["age"] - stays["entry"], unit="D")
        ordered = np.argsort(stays["ended_on"].to_numpy(), kind="stable")
        begins, ends = seen_from.to_numpy()[ordered], stays["ended_on"].to_numpy()[ordered]
        assert (begins[1:] >= ends[:-1] - np.timedelta64(1, "ms")).all()


def known_days(log: SimpleNamespace, periods: list[tuple[datetime, datetime]]) -> float:
    """Observed days of stretches with a known item, one position after the other."""
    total = 0.0
    for _, start, end, _ in slow_stays(log):
        for first, last in periods if start is not None else ():
            seen = min(end, last) - max(start, first)
            total += max(seen.total_seconds(), 0.0) / 86400
    return total


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**9), gap_day=st.integers(1, 600), gap_length=st.integers(0, 90))
def test_exposure_is_conserved_and_rows_add_up(
    make_log: Any, make_study: Any, seed: int, gap_day: int, gap_length: int
) -> None:
    # Source: invariants; exposure against a separate walk through the calendar.
    log = make_log(**random_rows(random.Random(seed), 4))
    first = date(2021, 1, 1) + timedelta(days=gap_day)
    last = first + timedelta(days=gap_length)
    window = {"start": date(2021, 1, 1), "end": date(2022, 12, 31), "gaps": [(first, last)]}
    study = make_study(window=window, treatments=PLAIN)
    check_invariants(log, study)
    lives = build_lives(log, study)
    begin, end = (datetime.combine(day, datetime.min.time()) for day in (first, last))
    periods = [(START, begin), (end + timedelta(days=1), END)]
    exposure = float((lives["age"] - lives["entry"]).sum())
    assert exposure == pytest.approx(known_days(log, periods), abs=1e-6)


def test_order_of_rows_does_not_matter(make_log: Any, make_study: Any) -> None:
    # Source: invariant.
    rows = random_rows(random.Random(5), 10)
    for k, job in enumerate(rows["jobs"]):
        job["source"] = f"jobs.csv:{k}"
    log = make_log(**rows)
    shuffled = make_log(**rows)
    for name in ("jobs", "fitments"):
        mixed = getattr(log, name).sample(frac=1.0, random_state=3)
        setattr(shuffled, name, mixed.reset_index(drop=True))
    names = ["vehicle", "component", "location", "fitted_on", "entry", "age", "ended_by"]
    pd.testing.assert_frame_equal(
        build_lives(log, make_study())[names], build_lives(shuffled, make_study())[names]
    )


def test_a_vehicle_alone_gives_the_lives_it_gives_in_the_fleet(
    make_log: Any, make_study: Any
) -> None:
    # Source: invariant.
    log = make_log(**random_rows(random.Random(8), 10))
    together = fast_lives(build_lives(log, make_study(treatments=PLAIN)))
    apart = set()
    for name in log.fitments["vehicle"].unique():
        part = make_log(**random_rows(random.Random(8), 10))
        part.jobs = part.jobs[part.jobs["vehicle"] == name].reset_index(drop=True)
        part.fitments = part.fitments[part.fitments["vehicle"] == name].reset_index(drop=True)
        apart |= fast_lives(build_lives(part, make_study(treatments=PLAIN)))
    assert apart == together
