"""The register: items carried, words, unknown dates, duplicates, covariates."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.errors import InputError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]


def files(**source: Any) -> dict[str, Any]:
    return {
        "log": [{"path": "log.csv", "counters": {"engine_hours": "hours"}}],
        "register": [{"path": "register.csv", **source}],
    }


def test_vehicle_list_carries_items(log_of: Reader) -> None:
    text = "machineID,model,age\nGR-01,model 3,18\nGR-02,model 4,7\n"
    carries = [
        {"component": "camera", "location": "rear high"},
        {"component": "camera", "location": "front"},
        {"component": "cable", "location": "rear high"},
    ]
    log = log_of(
        {"register.csv": text},
        {
            "files": files(
                columns={"vehicle": "machineID"},
                covariates={"model": "model", "age": "age"},
                carries=carries,
            )
        },
    )
    assert len(log.fitments) == 6
    assert log.fitments["source"].tolist() == ["register.csv:2"] * 3 + ["register.csv:3"] * 3
    assert log.fitments["age"].tolist() == ["18"] * 3 + ["7"] * 3
    assert log.fitments["fitted_on"].isna().all()
    assert len(log.jobs) == 3


def test_columns_of_the_frame(log_of: Reader) -> None:
    assert log_of().fitments.columns.tolist() == [
        *("source", "vehicle", "component", "location", "fitted_on", "serial", "type"),
        *("removed_on", "vehicle_left_on", "depot"),
    ]
    assert log_of().fitments["fitted_on"].dtype == "datetime64[ns]"


def test_register_without_components_is_refused(log_of: Reader) -> None:
    with pytest.raises(InputError, match=r'no column for "component".*list what each vehicle carr'):
        log_of({"register.csv": "vehicle,model\nGR-01,x\n"}, {"files": files()})


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("", None),
        ("1900-01-01", "default date"),
        ("1970-01-01", "default date"),
        ("1900-01-01 00:00", "default date"),
        ("unknown", "unusable date"),
        ("1899-12-30", "unusable date"),
    ],
)
def test_unknown_dates_are_blank_and_told(log_of: Reader, text: str, rule: str | None) -> None:
    register = f"vehicle,component,location,fitted_on\nGR-01,camera,front,{text}\n"
    log = log_of({"register.csv": register}, {"files": files()})
    assert log.fitments["fitted_on"].isna().tolist() == [True]
    told = log.findings[log.findings["rule"].isin(["default date", "unusable date"])]
    assert told["rule"].tolist() == ([rule] if rule else [])
    assert "register.csv:2" in told["where"].tolist() or rule is None


def register_of(dates: dict[str, str]) -> str:
    """Return 30 items on 6 vehicles, each with the date of its depot unless given otherwise."""
    lines = ["vehicle,component,location,fitted_on,depot"]
    for vehicle in range(12):
        depot = "North" if vehicle < 6 else "South"
        for place in range(5):
            own = f"20{10 + vehicle}-0{place + 1}-01"
            lines.append(f"GR-{vehicle:02},camera,{place},{dates.get(depot, own)},{depot}")
    return "\n".join(lines) + "\n"


def test_date_common_to_a_depot_is_taken_as_unknown(log_of: Reader) -> None:
    text = register_of({"North": "2021-01-15"})
    settings = {"files": files(covariates={"depot": "depot"})}
    fitments = log_of({"register.csv": text}, settings).fitments
    assert fitments.groupby("depot")["fitted_on"].apply(
        lambda dates: dates.isna().sum()
    ).tolist() == [30, 0]
    log = log_of({"register.csv": text}, {**settings, "treatments": {"common_date_share": 1.0}})
    assert log.fitments["fitted_on"].notna().all()


@pytest.mark.parametrize(("vehicles", "places"), [(4, 10), (10, 1)])
def test_date_common_to_few_items_or_vehicles_stands(
    log_of: Reader, vehicles: int, places: int
) -> None:
    # 40 items on 4 vehicles, or 10 items on 10 vehicles: bought together rather than imported.
    rows = [f"GR-{n:02},camera,{p},2020-05-01" for n in range(vehicles) for p in range(places)]
    text = "\n".join(["vehicle,component,location,fitted_on", *rows])
    log = log_of({"register.csv": text}, {"files": files()})
    assert log.fitments["fitted_on"].notna().all()
    assert "common date" not in set(log.findings["rule"])


def test_share_of_the_fleet_is_counted_without_depots(log_of: Reader) -> None:
    # Own algebra: the northern half shares one date, 50 % of the fleet.
    text = register_of({"North": "2021-01-15"})
    dates = log_of({"register.csv": text}, {"files": files()}).fitments["fitted_on"]
    assert dates.isna().sum() == 30
    settings = {"files": files(), "treatments": {"common_date_share": 0.5}}
    assert log_of({"register.csv": text}, settings).fitments["fitted_on"].notna().all()


def test_duplicates_and_nameless_rows_are_set_aside(log_of: Reader, made_register: str) -> None:
    text = (
        made_register + "gr 1,Camera,FRONT,2020-05-01,north\nGR-01,,front,2020-05-01,North\n,,,,\n"
    )
    log = log_of({"register.csv": text}, {"files": files(covariates={"depot": "depot"})})
    aside = log.set_aside[log.set_aside["kind"] == "register"]
    assert aside[["source", "reason", "value"]].to_numpy().tolist() == [
        ["register.csv:6", "duplicate", "register.csv:3"],
        ["register.csv:7", "no component", ""],
    ]
    assert set(log.fitments["depot"]) == {"North", "South"}


def test_vehicle_that_stands_twice_in_a_list_is_a_duplicate_once(log_of: Reader) -> None:
    carries = [
        {"component": "camera", "location": "rear high"},
        {"component": "camera", "location": "front"},
    ]
    text = "vehicle\nGR-01\nGR-02\nGR-01\n"
    log = log_of({"register.csv": text}, {"files": files(carries=carries)})
    aside = log.set_aside[log.set_aside["kind"] == "register"]
    assert aside["source"].tolist() == ["register.csv:4"]
    assert len(log.fitments) == 4


def test_words_of_the_study_hold_in_the_register(log_of: Reader) -> None:
    register = "vehicle,component,location,fitted_on\nGR-01,cam,Front,2020-05-01\n"
    words = {"component": {"camera": ["cam"]}}
    log = log_of({"register.csv": register}, {"files": files(), "words": words})
    assert log.fitments["component"].tolist() == ["camera"]
    assert log.jobs["location"].tolist() == ["Front"]
