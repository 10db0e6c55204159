"""Campaigns and common causes: a slow scan, level by simulation, an exact test from scipy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import poisson

from relkit.survival.campaign_tables import campaign_screen, common_cause_screen
from relkit.survival.campaigns import densest_window

START = pd.Timestamp("2021-01-01")


def slow_window(days: list[int], end: float, longest: float) -> tuple[float, int, int]:
    """Every window in a double loop, exposure steady from day 0 to ``end``."""
    best = (-1.0, 0, 0)
    n = len(days)
    for first in sorted(set(days)):
        for last in sorted(set(days)):
            if not first < last + 0.5 < first + longest:
                continue
            inside = sum(first <= day <= last for day in days)
            expected = n * (last + 1 - first) / end
            if inside < 2 or inside <= expected:
                continue
            score = inside * np.log(inside / expected)
            if inside < n:
                score += (n - inside) * np.log((n - inside) / (n - expected))
            best = max(best, (score, first, last))
    return best


def test_window_is_that_of_a_slow_search() -> None:
    # Source: second implementation above.
    rng = np.random.default_rng(1)
    for _ in range(30):
        days = [int(day) for day in rng.integers(0, 400, 15)]
        days += [int(day) for day in rng.integers(200, 230, 5)]
        found = densest_window(days, [0.0], [400.0], longest=60, samples=1)
        _, first, last = slow_window(days, 400.0, 60)
        assert (found.first_day, found.last_day) == (first, last)
        assert found.expected == pytest.approx(20 * (last + 1 - first) / 400)


def test_growing_exposure_is_no_campaign() -> None:
    # Binomial: events thrown over exposure that grows from 0; at 5 %, 200 sets have an error
    # of 1.5 %.
    rng = np.random.default_rng(2)
    start = np.linspace(0, 990, 100)
    low = 0
    for seed in range(200):
        span = rng.choice(100, 25, p=(1000 - start) / (1000 - start).sum())
        days = rng.uniform(start[span], 1000.0)
        end = np.full(100, 1000.0)
        low += densest_window(days, start, end, longest=90, rng=seed, samples=199).p_value <= 0.05
    assert 0.01 < low / 200 < 0.1


def test_smallest_numbers_of_events() -> None:
    none = densest_window([], [0.0], [100.0], longest=10)
    one = densest_window([5.0], [0.0], [100.0], longest=10)
    assert (none.total, one.total) == (0, 1)
    assert np.isnan(none.p_value)
    assert np.isnan(one.p_value)
    same = densest_window([5.0, 5.0, 5.0, 5.0], [0.0], [1000.0], longest=10)
    assert same.events == 4
    assert same.p_value <= 0.01


def fleet(seed: int, campaign: bool) -> pd.DataFrame:
    """Sixty positions over four years; a few scattered removals, or thirty in one summer."""
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 300, 60).astype(float)
    removed = np.where(rng.random(60) < 0.2, rng.uniform(320, 1400, 60), np.inf)
    if campaign:
        removed[:30] = rng.uniform(1000, 1150, 30)
    ended = np.minimum(removed, 1460.0)
    old = pd.DataFrame(
        {
            "vehicle": [f"V{i:02d}" for i in range(60)],
            "location": "in cab",
            "component": "switcher, old type",
            "fitted_on": START + pd.to_timedelta(first, unit="D"),
            "ended_on": START + pd.to_timedelta(ended, unit="D"),
            "entry": 0.0,
            "ended_by": np.where(removed < 1460, "removed unfailed", "still in service"),
        }
    )
    new = old[removed < 1460].assign(
        component="switcher, new type" if campaign else "switcher, old type",
        fitted_on=old["ended_on"],
        ended_on=START + pd.Timedelta(days=1460),
        ended_by="still in service",
    )
    return pd.concat([old, new], ignore_index=True)


def test_retrofit_is_found_with_its_window() -> None:
    # Own construction: 30 of some 36 removals within 150 of 1,460 days.
    for seed in range(5):
        found = campaign_screen(fleet(seed, True)).iloc[0]
        assert found["finding"] == "retrofit"
        assert found["replaced_by"] == "switcher, new type"
        assert found["first_on"] >= START + pd.Timedelta(days=980)
        assert found["last_on"] <= START + pd.Timedelta(days=1170)
        assert found["in_window"] >= 28


def test_scattered_removals_are_no_campaign() -> None:
    # Binomial: 60 fleets at 5 %, error 2.8 %.
    found = [campaign_screen(fleet(seed, False), samples=199)["finding"] for seed in range(60)]
    assert sum(words.isin(["campaign", "retrofit"]).any() for words in found) <= 8


def test_removals_of_one_visit_count_once() -> None:
    # Counted by hand: eight positions of one vehicle on one day are one event: not tested.
    lives = fleet(1, True).iloc[:8].assign(
        vehicle="V1", location=[f"place {i}" for i in range(8)],
        ended_on=START + pd.Timedelta(days=1000),
    )  # fmt: skip
    found = campaign_screen(lives)
    assert found["removals"].tolist() == [1]
    assert found["finding"].tolist() == ["not tested"]


def test_no_removals_give_an_empty_table() -> None:
    lives = fleet(1, False)
    found = campaign_screen(lives.assign(ended_by="still in service"))
    assert found.empty
    assert "finding" in found.columns


def shop(accompanied: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Forty cable and eighty camera failures; some cables are told at two other places."""
    n = 120
    dates = START + pd.to_timedelta(np.arange(n) * 5 + 0.4, unit="D")
    cable = np.arange(n) < 40
    lives = pd.DataFrame(
        {
            "vehicle": [f"V{i % 9}" for i in range(n)],
            "location": "chute",
            "component": np.where(cable, "cable", "camera"),
            "fitted_on": START,
            "ended_on": dates,
            "ended_by": "failure",
            "opened_by": "",
            "closed_by": [f"log.csv:{i + 2}" for i in range(n)],
        }
    )
    dark = np.where(np.arange(n) < accompanied, "several views dark", "one view dark")
    own = pd.DataFrame(
        {
            "source": lives["closed_by"], "vehicle": lives["vehicle"], "date": dates,
            "location": "chute", "finding": dark,
        }
    )  # fmt: skip
    extra = [
        own.iloc[:accompanied].assign(source=f"more.csv:{place}", location=place)
        for place in ("rear", "side")
    ]
    swap = own.iloc[50:60].assign(source="more.csv:swap", location="rear", finding="no fault found")
    return pd.concat([own, *extra, swap], ignore_index=True), lives


def test_cables_that_pull_others_down_are_found_and_test_swaps_are_not() -> None:
    # Counted by hand: 3 of 40 are accompanied; 6 such rows on 9 vehicles in 596 days are
    # 0.00112 per vehicle and day, and 3 failures bear that finding.
    jobs, lives = shop(3)
    table = common_cause_screen(jobs, lives).set_index("component")
    assert table.loc["cable", "accompanied"] == 3
    mean = 3 * (1 - np.exp(-6 / (9 * 596)))
    assert table.loc["cable", "expected"] == pytest.approx(mean, rel=1e-9)
    assert table.loc["cable", "p_value"] == pytest.approx(poisson.sf(2, mean), rel=1e-9)
    assert table.loc["cable", "finding"] == "pulls others down"
    assert table.loc["cable", "where"] == "log.csv:2, log.csv:3, log.csv:4"
    assert table.loc["camera", "accompanied"] == 0
    assert table.loc["camera", "finding"] == "nothing found"


def test_nothing_accompanied_is_nothing_found() -> None:
    jobs, lives = shop(0)
    table = common_cause_screen(jobs, lives)
    assert table["finding"].tolist() == ["nothing found"] * 2
    assert table["p_value"].tolist() == pytest.approx([1.0, 1.0])
    assert common_cause_screen(jobs, lives.assign(ended_by="still in service")).empty


def test_a_change_of_unknown_start_counts_by_the_row_that_opened_the_next_life() -> None:
    # Counted by hand: the three accompanied cables have no life before; theirs begin there.
    jobs, lives = shop(3)
    changed = lives.iloc[:3]
    begun = changed.assign(
        opened_by=changed["closed_by"], closed_by="", fitted_on=changed["ended_on"],
        ended_on=START + pd.Timedelta(days=700), ended_by="still in service",
    )  # fmt: skip
    table = common_cause_screen(jobs, pd.concat([lives.iloc[3:], begun], ignore_index=True))
    whole = common_cause_screen(jobs, lives)
    pd.testing.assert_frame_equal(table, whole)


def test_second_row_of_the_same_place_is_no_company() -> None:
    # Counted by hand: the rows for other places are told of the failed place itself.
    jobs, lives = shop(3)
    table = common_cause_screen(jobs.assign(location="chute"), lives)
    assert table["accompanied"].sum() == 0


def test_complaints_that_meet_by_chance_are_no_finding() -> None:
    # Binomial: 150 rows of the same finding, thrown at random over 9 vehicles and 596 days;
    # two kinds at 5 %: 60 shops have an error of 2.8 %.
    found = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        jobs, lives = shop(0)
        thrown = pd.DataFrame(
            {
                "source": [f"more.csv:{i}" for i in range(150)],
                "vehicle": [f"V{i}" for i in rng.integers(0, 9, 150)],
                "date": START + pd.to_timedelta(rng.integers(0, 596, 150), unit="D"),
                "location": "rear",
                "finding": "one view dark",
            }
        )
        table = common_cause_screen(pd.concat([jobs, thrown], ignore_index=True), lives)
        found += table["finding"].eq("pulls others down").any()
    assert found <= 8


def test_rows_at_which_an_item_was_changed_are_no_company() -> None:
    # Counted by hand: the other places had failures of their own.
    jobs, lives = shop(3)
    busy = [
        lives.iloc[:3].assign(location=place, closed_by=f"more.csv:{place}")
        for place in ("rear", "side")
    ]
    table = common_cause_screen(jobs, pd.concat([lives, *busy], ignore_index=True))
    assert table["accompanied"].sum() == 0


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="longest at position"):
        densest_window([1.0, 2.0], [0.0], [10.0], longest=0.0)
    with pytest.raises(ValueError, match="must be spans"):
        densest_window([1.0, 2.0], [10.0], [0.0], longest=5.0)
    with pytest.raises(ValueError, match="no column ended_by"):
        campaign_screen(fleet(1, True).drop(columns="ended_by"))
    jobs, lives = shop(1)
    with pytest.raises(ValueError, match="no column finding"):
        common_cause_screen(jobs.drop(columns="finding"), lives)
