"""What must hold for every log, with every rule at work: made-up logs by hypothesis.

Source: invariants. Exposure is counted here by a separate walk through the calendar.
"""

from __future__ import annotations

import random
from collections import Counter
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.lives.table import LifeTables, life_tables

START, END = datetime(2021, 1, 1), datetime(2023, 1, 1)
PLACES = [(part, place) for part in ("camera", "cable") for place in ("rear", "front")]
FINDINGS = ("failed", "view dark", "planned", "found failed at check", "no fault found", "")
Spell = tuple[datetime, datetime]


def made_up(seed: int, *, wild: bool) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Rows of a random log; ``wild``: removals, unknown starts, doubtful serial numbers too."""
    rng = random.Random(seed)
    fitments, jobs, store = [], [], [f"S{k}" for k in range(6)]
    for number in range(6):
        left = START + timedelta(days=rng.randrange(200, 700)) if rng.random() < 0.3 else pd.NaT
        for component, location in PLACES:
            place = {"vehicle": f"V{number}", "component": component, "location": location}
            fitted = START + timedelta(days=rng.randrange(-900, 500))
            unknown = wild and rng.random() < 0.2
            fitments.append(
                {**place, "fitted_on": pd.NaT if unknown else fitted, "vehicle_left_on": left,
                 "serial": f"F{len(fitments)}", "depot": ("North", "South")[number % 2]}
            )  # fmt: skip
            hours = rng.sample(range(-9000, 17500), rng.randrange(6))
            for hour in hours:
                instant = START + timedelta(hours=hour)
                if instant.date() <= fitted.date() and not unknown:
                    continue  # a day of fitting is cut at its first job
                if not pd.isna(left) and instant.date() == left.date():
                    continue  # a job on the day of leaving still counts in full
                action = rng.choice(("replaced", "tested", "replaced", "removed", "fitted"))
                jobs.append(
                    {**place, "date": instant, "date_is_day": False,
                     "job": rng.choice(("", f"J{rng.randrange(40)}")),
                     "finding": rng.choice(FINDINGS),
                     "action": action if wild else rng.choice(("replaced", "tested")),
                     "serial_out": rng.choice(("", "", rng.choice(store))) if wild else "",
                     "serial_in": rng.choice(("", rng.choice(store))) if wild else "",
                     "note": rng.choice(("", "", "swapped, fault followed", "flt stayed"))}
                )  # fmt: skip
    return {"jobs": jobs}, fitments


def built(
    make_log: Any, make_study: Any, seed: int, *, wild: bool, **window: Any
) -> tuple[LifeTables, list[dict[str, Any]]]:
    rows, fitments = made_up(seed, wild=wild)
    log = make_log(**rows, fitments=fitments)
    given_window = {"start": START.date(), "end": date(2022, 12, 31), **window}
    return life_tables(log, make_study(window=given_window, treatments=TOLD)), fitments


#: An item that was dark when its vehicle left is no longer at risk: its last days do not count.
TOLD = {
    "problems": {
        "only_failed": "warn",
        "silent_gaps": "ignore",
        "dark_at_disposal": "as written",
    }
}


def spells(lives: pd.DataFrame) -> pd.DataFrame:
    """Observed spell of each life, by position and time."""
    seen = lives["ended_on"] - pd.to_timedelta(lives["age"] - lives["entry"], unit="D")
    base = lives["component"].str.split(",").str[0]
    table = lives.assign(base=base, seen=seen)
    return table.sort_values(["vehicle", "base", "location", "seen"])


def check_spells(tables: LifeTables) -> None:
    """No two lives of one position overlap, and each begins before it ends."""
    table = spells(tables.lives)
    key = table[["vehicle", "base", "location"]]
    same = (key == key.shift()).all(axis=1).to_numpy()
    begins, ends = table["seen"].to_numpy(), table["ended_on"].to_numpy()
    assert (begins[1:] >= ends[:-1] - np.timedelta64(1, "ms"))[same[1:]].all()
    assert (tables.lives["age"] > tables.lives["entry"]).all()
    assert (tables.lives["entry"] >= 0).all()


def check_failures(tables: LifeTables) -> None:
    """Each row that counts as a failure ends exactly one life; masked jobs end their candidates."""
    lives, classes = tables.lives, tables.row_classes
    for row_class, words in (
        ("failure", ("failure",)), ("interval", ("failure found at check",)),
        ("masked", ("cause unknown",)),
    ):  # fmt: skip
        rows = classes.loc[classes["row_class"] == row_class, "source"]
        own = lives[lives["ended_by"].isin(words)]
        assert len(own) == len(rows), row_class
        ended = Counter(row for text in own["closed_by"] for row in str(text).split("; "))
        assert all(ended[row] == 1 for row in rows), row_class
    assert lives["failed"].sum() == classes["row_class"].isin(["failure", "interval"]).sum()
    log = classes[classes["kind"] == "log"]
    assert log["source"].is_unique


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**9))
def test_lives_never_overlap_and_each_failure_counts_once(
    make_log: Any, make_study: Any, seed: int
) -> None:
    tables, _ = built(make_log, make_study, seed, wild=True)
    check_spells(tables)
    check_failures(tables)


@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 10**9), gap_day=st.integers(1, 600), length=st.integers(0, 90),
    part_day=st.integers(1, 600), part_length=st.integers(0, 90),
)  # fmt: skip
def test_exposure_is_conserved_to_the_hour(
    make_log: Any, make_study: Any, seed: int, gap_day: int, length: int, part_day: int,
    part_length: int,
) -> None:  # fmt: skip
    gap, part = days_from(gap_day, length), days_from(part_day, part_length)
    parts = [{"where": {"depot": ["South"]}, "gaps": [part]}]
    tables, fitments = built(make_log, make_study, seed, wild=False, gaps=[gap], parts=parts)
    check_spells(tables)
    check_failures(tables)
    lives = tables.lives
    for depot, gaps in (("North", [gap]), ("South", [gap, part])):
        own = lives[lives["depot"] == depot]
        exposure = float((own["age"] - own["entry"]).sum())
        walked = sum(observed_days(row, gaps) for row in fitments if row["depot"] == depot)
        assert exposure == pytest.approx(walked, abs=1 / 24)


def days_from(day: int, length: int) -> tuple[date, date]:
    first = START.date() + timedelta(days=day)
    return first, first + timedelta(days=length)


def observed_days(row: dict[str, Any], gaps: list[tuple[date, date]]) -> float:
    """Days that a position was fitted and observed, hour by hour."""
    left = row["vehicle_left_on"]
    end = END if pd.isna(left) else min(END, left)
    first = max(row["fitted_on"], START)
    if end <= first:
        return 0.0
    hours = np.arange(np.datetime64(first, "h"), np.datetime64(end, "h"))
    day = hours.astype("datetime64[D]")
    inside = np.zeros(len(hours), dtype=bool)
    for a, b in gaps:
        inside |= (day >= np.datetime64(a)) & (day <= np.datetime64(b))
    return float((~inside).sum()) / 24
