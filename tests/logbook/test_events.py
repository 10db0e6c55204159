"""Rows of one event: lines of a job, and files that tell of the same instant."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.logbook.events import with_events, with_position_of_job

COLUMNS = ("source", "job", "date", "component", "location")


def rows_of(*rows: tuple[str, ...], vehicle: str = "GR-01") -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    frame["date_is_day"] = [len(text) == 10 for text in frame["date"]]
    frame["date"] = pd.to_datetime(frame["date"], format="ISO8601")
    return frame.assign(vehicle=vehicle).sort_values("date", kind="stable")


def events_of(rows: pd.DataFrame) -> dict[str, str]:
    found = with_events(rows).rows
    return dict(zip(found["source"], found["event"], strict=True))


def test_lines_of_one_job_at_one_position_are_one_event() -> None:
    rows = rows_of(
        ("a:2", "J1", "2023-01-05", "camera", "front"),
        ("a:3", "J1", "2023-01-07", "camera", "front"),
        ("a:4", "J1", "2023-01-07", "cable", "front"),
        ("a:5", "J2", "2023-01-07 10:00", "camera", "rear"),
    )
    assert events_of(rows) == {"a:2": "a:2", "a:3": "a:2", "a:4": "a:4", "a:5": "a:5"}


def test_job_number_used_anew_is_another_job() -> None:
    rows = rows_of(
        ("a:2", "17", "2022-01-05", "camera", "front"),
        ("a:3", "17", "2023-01-07", "camera", "front"),
    )
    assert events_of(rows) == {"a:2": "a:2", "a:3": "a:3"}


def test_same_instant_in_two_files_is_one_event() -> None:
    rows = rows_of(
        ("a:2", "", "2023-01-05 06:00", "camera", "front"),
        ("b:2", "", "2023-01-05 06:00", "camera", "front"),
        ("b:3", "", "2023-01-05 07:00", "camera", "front"),
    )
    assert events_of(rows) == {"a:2": "a:2", "b:2": "a:2", "b:3": "b:3"}
    assert [one.rule for one in with_events(rows).findings] == ["several files"]


def test_a_day_joins_the_times_of_that_day() -> None:
    rows = rows_of(
        ("a:2", "", "2023-01-05 06:00", "camera", "front"),
        ("b:2", "", "2023-01-05", "camera", "front"),
        ("a:3", "", "2023-01-06 06:00", "camera", "front"),
        ("a:4", "", "2023-01-06 09:00", "camera", "front"),
    )
    assert events_of(rows) == {"b:2": "b:2", "a:2": "b:2", "a:3": "a:3", "a:4": "a:4"}


def test_chains_of_reasons_join() -> None:
    # Own algebra: 2-3 share the job, 3-4 the instant, so all three are one event.
    rows = rows_of(
        ("a:2", "J1", "2023-01-05 06:00", "camera", "front"),
        ("a:3", "J1", "2023-01-06 06:00", "camera", "front"),
        ("b:4", "", "2023-01-06 06:00", "camera", "front"),
    )
    assert set(events_of(rows).values()) == {"a:2"}


def test_rows_without_a_component_are_events_of_their_own() -> None:
    rows = rows_of(
        ("a:2", "J1", "2023-01-05", "", ""),
        ("a:3", "J1", "2023-01-05", "", ""),
    )
    assert events_of(rows) == {"a:2": "a:2", "a:3": "a:3"}


def slow_events(rows: pd.DataFrame) -> list[str]:
    """Pairwise comparison and repeated joining: shares no code with the module."""
    records = rows.to_dict("records")
    group = list(range(len(records)))

    def joined(one: dict[Any, Any], other: dict[Any, Any]) -> bool:
        place = [one[k] == other[k] for k in ("vehicle", "component", "location")]
        if not all(place) or one["component"] == "":
            return False
        day = one["date"].date() == other["date"].date()
        same_job = one["job"] != "" and one["job"] == other["job"]
        return one["date"] == other["date"] or same_job or (day and bool(one["date_is_day"]))

    for _ in records:
        for i, one in enumerate(records):
            for j, other in enumerate(records):
                if joined(one, other) or joined(other, one):
                    group[i] = group[j] = min(group[i], group[j])
    return [str(records[g]["source"]) for g in group]


@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_pairwise_joining_on_random_rows(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = [
        (
            f"a:{n}",
            str(rng.choice(["", "J1", "J2"])),
            str(rng.choice(["2023-01-05", "2023-01-05 06:00", "2023-01-06 07:00", "2023-01-06"])),
            str(rng.choice(["", "camera", "cable"])),
            str(rng.choice(["front", "rear"])),
        )
        for n in range(40)
    ]
    frame = rows_of(*rows)
    assert with_events(frame).rows["event"].tolist() == slow_events(frame)


def test_blank_position_is_taken_from_the_job_where_it_has_one() -> None:
    rows = rows_of(
        ("a:2", "J1", "2023-01-05", "camera", "front"),
        ("a:3", "J1", "2023-01-05", "", ""),
        ("a:4", "J1", "2023-01-05", "camera", ""),
        ("a:5", "J2", "2023-01-05", "camera", "front"),
        ("a:6", "J2", "2023-01-05", "cable", "front"),
        ("a:7", "J2", "2023-01-05", "", "front"),
        ("a:8", "J3", "2023-01-05", "camera", "front"),
        ("a:9", "J3", "2023-01-05", "", "rear"),
    )
    sifted = with_position_of_job(rows)
    found = sifted.rows.set_index("source")
    assert found.loc["a:3", ["component", "location"]].tolist() == ["camera", "front"]
    assert found.loc["a:4", "location"] == "front"
    assert found.loc["a:7", "component"] == ""
    assert found.loc["a:9", "component"] == ""
    assert sifted.findings[0].sources == ("a:3", "a:4")


def test_nothing_is_filled_without_a_job_number() -> None:
    rows = rows_of(("a:2", "", "2023-01-05", "camera", "front"), ("a:3", "", "2023-01-05", "", ""))
    assert with_position_of_job(rows).rows is rows


def test_no_rows_are_no_events() -> None:
    rows = rows_of(("a:2", "", "2023-01-05", "camera", "front")).iloc[:0]
    assert len(with_events(rows).rows) == 0
