"""Planted problems of the log's rows: how many, where, and what the key says of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.demo.dirt import dirty_rows
from relkit.demo.fleet import LOG_END, LOG_START, day_number
from relkit.demo.frames import DemoHistory
from relkit.demo.jobs import job_rows

CLASSES = {"failure", "interval", "masked", "censored", "recurrence", "merged", "set aside"}


@pytest.fixture(scope="module")
def rows(large_history: DemoHistory) -> pd.DataFrame:
    return dirty_rows(large_history, np.random.default_rng(1), size=20)


def planted(rows: pd.DataFrame, problem: str) -> pd.Series:
    """Rows with a problem, by whole words of the key."""
    return ("; " + rows["planted"] + ";").str.contains(f"; {problem};", regex=False)


def test_every_row_has_one_class(rows: pd.DataFrame) -> None:
    # Source: the class vocabulary of the lives.
    assert set(rows["row_class"]) == CLASSES
    assert rows["file_day"].is_monotonic_increasing
    assert rows[["job", "vehicle", "component", "note"]].ne("").all().all()


@pytest.mark.parametrize(
    ("problem", "share"),
    [("duplicate", 0.03), ("split job", 0.05), ("closing date", 0.08), ("power feed", 0.01)],
)
def test_shares_of_all_rows(rows: pd.DataFrame, problem: str, share: float) -> None:
    # Source: own scenario, list of dirt; bound: 4 binomial standard errors. The rows that are
    # added (and count in the total) make up 9 %.
    chosen = planted(rows, problem)
    main = chosen & ~(rows["row_class"].eq("merged"))
    least, most = share / 1.1, share * 1.02
    error = 4 * np.sqrt(share / len(rows))
    assert least - error <= main.mean() <= most + error


def test_counts_at_size_one(shared_history: DemoHistory) -> None:
    # Source: own scenario: 15 test swaps, 6 serials swapped between vehicles, 8 reports of
    # views not fitted, 4 negative lives, up to 10 warranty returns; two rows for each swap.
    rows = dirty_rows(shared_history, np.random.default_rng(2), size=1)
    assert planted(rows, "test swap").sum() == 2 * 15
    assert planted(rows, "serial on two vehicles").sum() >= 2 * 5  # one may fall in the gap
    assert planted(rows, "view not fitted").sum() == 8
    assert planted(rows, "date before in-service").sum() == 4
    assert 3 <= planted(rows, "warranty return tested good").sum() <= 10


def test_two_parts_on_one_job_are_masked(rows: pd.DataFrame) -> None:
    # Source: definition: camera and cable of one view, one job, a symptom; one had failed.
    pairs = rows[planted(rows, "two parts on one job") & rows["row_class"].ne("set aside")]
    jobs = pairs.groupby("job")
    assert pairs["row_class"].eq("masked").all()
    assert pairs["finding"].eq("one view dark").all()
    assert set(jobs["component"].agg(lambda one: "+".join(sorted(one)))) == {"cable+camera"}
    assert jobs["location"].nunique().eq(1).all()
    assert set(jobs["truth"].agg(lambda one: "+".join(sorted(one)))) == {"failure+unfailed"}
    noticed = rows["truth"].eq("failure") & rows["component"].isin(["camera", "cable"])
    failures = noticed & rows["row_class"].isin(["failure", "masked"])
    assert len(jobs) / failures.sum() == pytest.approx(0.18, abs=0.02)


def test_guess_chains_end_with_the_part_that_cured(rows: pd.DataFrame) -> None:
    # Source: definition: the first part had not failed, the second had, up to ten days later.
    chains = rows[planted(rows, "guess chain") & rows["row_class"].ne("set aside")]
    first = chains[chains["truth"].eq("unfailed")]
    cure = chains[chains["truth"].eq("failure")]
    assert first["row_class"].eq("censored").all()
    assert cure["row_class"].eq("failure").all()
    pairs = first.merge(cure, on=["owner", "location"], suffixes=("", "_cure"))
    pairs = pairs.assign(wait=pairs["day_cure"] - pairs["day"]).query("0 < wait <= 11")
    assert len(pairs) > 0.95 * len(first)
    assert pairs["component"].ne(pairs["component_cure"]).all()


def test_duplicates_follow_their_original(rows: pd.DataFrame) -> None:
    # Source: definition: same work and reading, other number, up to two days later, below it.
    copies = rows[planted(rows, "duplicate")]
    assert copies["row_class"].eq("set aside").all()
    keys = ["position", "serial_out", "serial_in", "engine_hours", "finding", "action"]
    found = copies.reset_index().merge(rows.reset_index(), on=keys, suffixes=("", "_first"))
    found = found[~planted(found.rename(columns={"planted": "x", "planted_first": "planted"}),
                           "duplicate")]  # fmt: skip
    gap = found["day"] - found["day_first"]
    assert len(found) >= len(copies)
    assert gap.between(0, 2).all()
    assert (found["index"] > found["index_first"]).all()
    assert not set(copies["job"]) & set(rows.loc[~rows.index.isin(copies.index), "job"])


def test_split_jobs_have_one_leading_row(rows: pd.DataFrame) -> None:
    # Source: definition: the row with the finding leads, the others say nothing.
    parts = rows[planted(rows, "split job") & rows["row_class"].ne("set aside")]
    folded = parts["row_class"].eq("merged")
    assert parts.groupby("job")["position"].nunique().eq(1).all()
    assert folded.groupby(parts["job"]).sum().eq(1).all()
    assert parts.loc[folded, ["finding", "action", "serial_in"]].eq("").all().all()
    assert parts.loc[~folded, "finding"].ne("").all()
    leads = parts.index[~folded].to_series(index=parts.loc[~folded, "job"])
    assert (parts.index[folded] > leads[parts.loc[folded, "job"]].to_numpy()).all()


def test_one_depot_has_a_gap_and_the_export_is_cut(rows: pd.DataFrame) -> None:
    # Source: own scenario: no rows from Quillmoor in July and August 2022; cut in June 2025,
    # so that rows of that month count for nothing.
    inside = rows["file_day"].between(day_number("2022-07-01"), day_number("2022-08-31"))
    assert set(rows.loc[inside, "depot"]) == {"Harnfield"}
    assert inside.sum() > 100
    late = rows["day"] >= day_number("2025-06-01")
    assert rows["file_day"].max() <= day_number("2025-06-15")
    assert late.sum() > 20
    assert rows.loc[late, "row_class"].eq("set aside").all()
    assert planted(rows, "last month incomplete").eq(late).all()


def test_dates_before_service_are_negative_lives(
    rows: pd.DataFrame, large_history: DemoHistory
) -> None:
    # Source: definition: the date lies before the vehicle came, the row among its own year's.
    wrong = rows[planted(rows, "date before in-service")]
    came = large_history.vehicles.in_service[wrong["owner"].astype(int)]
    assert len(wrong) == 80
    assert (wrong["day"].to_numpy() < came).all()
    assert (wrong["file_day"].to_numpy() > came).all()
    assert wrong["row_class"].eq("set aside").all()


def test_closing_dates_keep_the_order_of_events(
    rows: pd.DataFrame, large_history: DemoHistory
) -> None:
    # Source: definition: 3 to 21 days later, before the next row of the position.
    late = rows[planted(rows, "closing date")]
    assert (late["day"] - np.floor(late["done_day"])).max() <= 21
    clean = job_rows(
        large_history.positions, large_history.vehicles, large_history.usage,
        large_history.stays, rng=np.random.default_rng(1),
    )  # fmt: skip
    opened = clean.drop_duplicates("job").set_index("job")["day"].reindex(late["job"]).to_numpy()
    shift = late["day"].to_numpy() - np.floor(opened)
    assert ((shift >= 3) & (shift <= 22)).all()
    ends = rows[rows["row_class"].isin(["failure", "interval", "masked", "censored"])]
    ordered = ends.sort_values(["position", "day"], kind="stable")
    chain = ordered[ordered["serial_out"].ne("") & ~planted(ordered, "serial on two vehicles")]
    before = chain.groupby("position")["serial_in"].shift()
    same = chain["serial_out"].eq(before)[before.notna()]
    assert same.mean() > 0.97  # the gap of the log and negative lives hide some


def test_swapped_serials_stand_on_two_vehicles(rows: pd.DataFrame) -> None:
    # Source: definition: the item that went out of one vehicle went into another that day.
    rows = rows[planted(rows, "serial on two vehicles")]
    taken, given = (rows[rows["what"].eq(word)] for word in ("taken", "given"))
    assert taken["row_class"].eq("censored").all()
    assert given["row_class"].isin(["failure", "set aside"]).all()
    pairs = taken.merge(given, left_on="serial_out", right_on="serial_in", suffixes=("", "_to"))
    assert len(pairs) > 50
    assert pairs["owner"].ne(pairs["owner_to"]).all()
    assert pairs["day"].eq(pairs["day_to"]).all()
    assert pairs["location"].eq(pairs["location_to"]).all()
    named = [name in note for name, note in zip(pairs["vehicle_to"], pairs["note"], strict=True)]
    assert all(named)


def test_lives_of_a_position_end_on_different_days(rows: pd.DataFrame) -> None:
    # Source: with dates without time, two ends on one day would be one event.
    ends = rows["row_class"].isin(["failure", "interval", "masked", "censored"])
    assert not rows[ends].duplicated(["position", "day"]).any()
    assert rows.loc[ends, "day"].between(LOG_START, LOG_END).all()


@pytest.mark.parametrize("size", [0.01, 0.1])
def test_small_fleets_can_be_dirty_too(size: float) -> None:
    # Source: any seed and any size.
    from relkit.demo.frames import demo_history
    from relkit.demo.histories import Scenario

    for seed in range(5):
        history = demo_history(seed, size=size, scenario=Scenario(shared_jobs=True))
        rows = dirty_rows(history, np.random.default_rng(seed), size=size)
        assert set(rows["row_class"]) <= CLASSES
        assert rows["row_class"].notna().all()
