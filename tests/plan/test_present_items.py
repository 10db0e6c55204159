"""What is fitted at the end of the window, with its age or without."""

from __future__ import annotations

import pandas as pd
import pytest

from relkit.plan.present_items import present_items

RATES = pd.DataFrame({"engine_hours": [2.0, 5.0], "days": 1.0}, index=["V1", "V2"])


def fitments(*rows: tuple[str, str, str, str]) -> pd.DataFrame:
    """Register rows from (vehicle, component, location, type)."""
    table = pd.DataFrame(rows, columns=["vehicle", "component", "location", "type"])
    return table.assign(
        source=[f"register.csv:{n}" for n in range(2, 2 + len(rows))],
        fitted_on=pd.NaT,
        removed_on=pd.NaT,
        vehicle_left_on=pd.NaT,
        serial="",
    )


def lives(*rows: tuple[str, str, str, float, str, str]) -> pd.DataFrame:
    """Lives from (vehicle, component, location, age, ended_by, ended_on)."""
    columns = ["vehicle", "component", "location", "age", "ended_by", "ended_on"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(
        ended_on=pd.to_datetime(table["ended_on"]),
        closed_by=[f"log.csv:{n}" for n in range(2, 2 + len(rows))],
        opened_by=[f"log.csv:{n}" for n in range(102, 102 + len(rows))],
        failed=table["ended_by"] == "failure",
        causes="",
        masked_job="",
    )


FITTED = "still in service"


def test_each_position_appears_once_with_its_age_and_rate() -> None:
    # Source: own algebra.
    table = present_items(
        lives(
            ("V1", "camera", "front", 70.0, "failure", "2023-03-01"),
            ("V1", "camera, new type", "front", 30.0, FITTED, "2024-01-01"),
            ("V2", "camera", "front", 90.0, FITTED, "2024-01-01"),
        ),
        fitments(("V1", "camera", "front", ""), ("V2", "camera", "front", "")),
        RATES,
        "engine_hours",
    )
    assert table["component"].tolist() == ["camera, new type", "camera"]
    assert table["base"].tolist() == ["camera", "camera"]
    assert table["age"].tolist() == [30.0, 90.0]
    assert table["rate"].tolist() == [2.0, 5.0]


def test_a_fitted_item_without_a_life_is_there_with_unknown_age() -> None:
    # Source: own algebra: its life could not be counted, but it is still fitted and can fail.
    table = present_items(
        lives(("V1", "camera", "front", 70.0, FITTED, "2024-01-01")),
        fitments(("V1", "camera", "front", ""), ("V2", "camera", "front", "old type")),
        RATES,
        "engine_hours",
    )
    assert table["component"].tolist() == ["camera", "camera, old type"]
    assert table["age"].isna().tolist() == [False, True]
    assert table["opened_by"].tolist()[1] == "register.csv:3"


@pytest.mark.parametrize("column", ["removed_on", "vehicle_left_on"])
def test_what_the_register_says_has_gone_is_not_there(column: str) -> None:
    # Source: own algebra.
    register = fitments(("V1", "camera", "front", ""))
    register[column] = pd.Timestamp("2023-05-01")
    table = present_items(
        lives(("V2", "camera", "front", 5.0, FITTED, "2024-01-01")), register, RATES, "engine_hours"
    )
    assert table["vehicle"].tolist() == ["V2"]


def test_vehicles_that_fell_silent_are_not_there() -> None:
    # Source: own algebra: a life ended by its vehicle's departure stands for the vehicle.
    table = present_items(
        lives(
            ("V1", "camera", "front", 70.0, "vehicle left fleet", "2023-05-01"),
            ("V2", "camera", "front", 5.0, FITTED, "2024-01-01"),
        ),
        fitments(("V1", "camera", "front", ""), ("V1", "lead", "", "")),
        RATES,
        "engine_hours",
    )
    assert table["vehicle"].tolist() == ["V2"]


def test_a_vehicle_that_leaves_after_the_window_is_not_planned_for() -> None:
    # Source: own algebra: its lives count to the window's end, but no visit will see it.
    register = fitments(("V1", "camera", "front", ""))
    register["vehicle_left_on"] = pd.Timestamp("2024-02-01")
    table = present_items(
        lives(("V1", "camera", "front", 70.0, FITTED, "2024-01-01")),
        register,
        RATES,
        "engine_hours",
    )
    assert table.empty


def test_an_emptied_position_holds_nothing() -> None:
    # Source: own algebra: taken out by log.csv:2, and nothing was put in.
    taken_out = lives(("V1", "camera", "front", 70.0, "removed unfailed", "2023-03-01"))
    register = fitments(("V1", "camera", "front", ""))
    table = present_items(taken_out, register, RATES, "engine_hours", removals=["log.csv:2"])
    assert table.empty
    kept = present_items(taken_out, register, RATES, "engine_hours", removals=["log.csv:9"])
    assert kept["age"].isna().tolist() == [True]


def test_a_later_item_fills_an_emptied_position() -> None:
    # Source: own algebra.
    table = present_items(
        lives(
            ("V1", "camera", "front", 70.0, "removed unfailed", "2023-03-01"),
            ("V1", "camera", "front", 12.0, FITTED, "2024-01-01"),
        ),
        fitments(("V1", "camera", "front", "")),
        RATES,
        "engine_hours",
        removals=["log.csv:2"],
    )
    assert table["age"].tolist() == [12.0]
