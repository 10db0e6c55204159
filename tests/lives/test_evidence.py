"""Failures found at a check: the last age known good comes from passed checks."""

from __future__ import annotations

from typing import Any

import pytest

from relkit.lives.table import life_tables

PLACE = {"vehicle": "A", "component": "camera", "location": "rear"}
FOUND = {"finding": "found failed at check", "action": "replaced", **PLACE}


def lower(
    make_log: Any, make_study: Any, inspections: list[Any], jobs: list[Any] = (), **more: Any
) -> Any:
    fitments = [
        {**PLACE, "fitted_on": more.pop("fitted_on", "2021-01-01")},
        {**PLACE, "component": "cable", "fitted_on": "2021-01-01"},
    ]
    log = make_log(
        jobs=[*jobs, {"date": "2021-06-01 12:00", **FOUND}],
        fitments=fitments,
        inspections=inspections,
    )
    tables = life_tables(log, make_study(**more))
    camera = tables.lives[tables.lives["component"] == "camera"]
    found = camera[camera["ended_by"] == "failure found at check"]
    assert len(found) == 1
    assert found["failed"].all()
    assert (camera["age_lower"] == camera["age"]).sum() == len(camera) - 1
    return found["age_lower"].item(), "no pass record" in set(tables.findings["rule"])


def check(day: str, **more: Any) -> dict[str, Any]:
    return {"date": day, "vehicle": "A", **more}


@pytest.mark.parametrize(
    ("inspections", "expected"),
    [
        ([], 0.0),
        ([check("2021-03-02")], 60.0),  # covers everything
        ([check("2021-03-02"), check("2021-04-11", location="rear")], 100.0),
        ([check("2021-03-02"), check("2021-04-11", component="camera")], 100.0),
        ([check("2021-04-11", component="camera", location="rear")], 100.0),
        ([check("2021-03-02"), check("2021-04-11", location="front")], 60.0),
        ([check("2021-03-02"), check("2021-04-11", component="cable")], 60.0),
        ([check("2021-03-02"), check("2021-04-11", vehicle="B")], 60.0),
        ([check("2021-03-02"), check("2021-04-11", result="fail")], 60.0),
        ([check("2021-03-02"), check("2021-06-01")], 60.0),  # the day itself proves nothing
        ([check("2021-03-02"), check("2021-07-01")], 60.0),
        ([check("2020-12-01")], 0.0),  # an earlier item
    ],
)
def test_last_pass_that_covers_the_place(
    make_log: Any, make_study: Any, inspections: list[Any], expected: float
) -> None:
    # Source: the project's own rule; days counted in a calendar.
    age, told = lower(make_log, make_study, inspections)
    assert age == expected
    assert told == (expected == 0.0)


def test_job_that_found_nothing_wrong_is_evidence(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    good = {"date": "2021-04-11", "finding": "no fault found", "action": "tested", **PLACE}
    assert lower(make_log, make_study, [], [good]) == (100.0, False)
    dark = {**good, "finding": "view dark"}
    assert lower(make_log, make_study, [], [dark]) == (0.0, True)
    other = {**good, "component": "cable"}
    assert lower(make_log, make_study, [], [other]) == (0.0, True)


def test_evidence_of_an_earlier_item_does_not_count(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    earlier = {"date": "2021-05-01", "finding": "failed", "action": "replaced", **PLACE}
    assert lower(make_log, make_study, [check("2021-04-11")], [earlier]) == (0.0, True)


def test_evidence_before_observation_leaves_the_entry(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: an item under way is taken as good when it enters.
    old = {"fitted_on": "2020-07-05"}
    assert lower(make_log, make_study, [check("2020-12-01")], **old) == (180.0, True)
    assert lower(make_log, make_study, [check("2021-03-02")], **old) == (240.0, False)


def test_evidence_is_in_the_studys_clock(make_log: Any, make_study: Any) -> None:
    # Source: own algebra: 4 h a day.
    log = make_log(
        jobs=[{"date": "2021-06-01", **FOUND}],
        fitments=[{**PLACE, "fitted_on": "2021-01-01"}],
        inspections=[check("2021-03-02")],
        readings=[
            {"vehicle": "A", "date": "2021-01-01", "reading": 0},
            {"vehicle": "A", "date": "2022-01-01", "reading": 1460},
        ],
    )
    lives = life_tables(log, make_study(clock="engine_hours")).lives
    assert lives[["age_lower", "age"]].iloc[0].tolist() == pytest.approx([240, 604])
