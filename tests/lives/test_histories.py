"""Changes that only the register knows, and the register's view of what jobs did."""

from __future__ import annotations

from typing import Any

from relkit.lives.table import life_tables

PLACE = {"vehicle": "A", "component": "camera", "location": "rear"}


def job(day: str, finding: str = "failed", action: str = "replaced", **more: Any) -> dict[str, Any]:
    return {"date": day, "finding": finding, "action": action, **PLACE, **more}


def item(fitted_on: str | None, **more: Any) -> dict[str, Any]:
    return {**PLACE, "fitted_on": fitted_on, **more}


def summary(tables: Any) -> list[tuple[str, float, str, str, str]]:
    return [
        (r.item, r.age, r.ended_by, r.opened_by, r.closed_by) for r in tables.lives.itertuples()
    ]


def test_item_that_only_the_register_knows(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule; days counted in a calendar.
    fitments = [
        item("2021-01-01", serial="S1", removed_on="2021-04-11"),
        item("2021-04-11", serial="S2"),
    ]
    tables = life_tables(make_log(fitments=fitments), make_study())
    assert summary(tables) == [
        ("S1", 100.0, "removed unfailed", "register.csv:2", "register.csv:2; register.csv:3"),
        ("S2", 630.0, "still in service", "register.csv:2; register.csv:3", ""),
    ]


def test_job_near_the_registers_date_is_the_same_change(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule, treatments.duplicate_days: the job tells how and when.
    fitments = [
        item("2021-01-01", serial="S1", removed_on="2021-04-13"),
        item("2021-04-13", serial="S2"),
    ]
    tables = life_tables(make_log(jobs=[job("2021-04-11")], fitments=fitments), make_study())
    assert summary(tables) == [
        ("S1", 100.0, "failure", "register.csv:2", "jobs.csv:2"),
        ("S2", 630.0, "still in service", "jobs.csv:2", ""),
    ]
    far = life_tables(make_log(jobs=[job("2021-04-01")], fitments=fitments), make_study())
    assert [how for _, _, how, _, _ in summary(far)] == [
        "failure",
        "removed unfailed",
        "still in service",
    ]


def test_place_is_empty_between_removal_and_fitting(make_log: Any, make_study: Any) -> None:
    # Source: own algebra: 100 days, ten empty, then the rest of 730.
    fitments = [
        item("2021-01-01", serial="S1", removed_on="2021-04-11"),
        item("2021-04-21", serial="S2", type="new type"),
    ]
    lives = life_tables(make_log(fitments=fitments), make_study()).lives
    assert lives["age"].tolist() == [100.0, 620.0]
    assert lives["component"].tolist() == ["camera", "camera, new type"]


def test_work_on_an_empty_place_only_opens_a_life(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: an item that was taken out cannot fail there.
    jobs = [job("2021-04-11", action="removed"), job("2021-04-21"), job("2021-05-21")]
    log = make_log(jobs=jobs, fitments=[item("2021-01-01")])
    tables = life_tables(log, make_study())
    assert [(age, how) for _, age, how, _, _ in summary(tables)] == [
        (100.0, "failure"),
        (30.0, "failure"),
        (590.0, "still in service"),
    ]
    assert tables.row_classes["row_class"].tolist()[:3] == ["failure", "opens life", "failure"]
    assert "failure at an empty position" in set(tables.findings["rule"])


def test_removal_with_the_vehicle_is_no_removal(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    fitted = item("2021-01-01", removed_on="2021-04-11", vehicle_left_on="2021-04-11")
    tables = life_tables(make_log(fitments=[fitted]), make_study())
    assert [(age, how) for _, age, how, _, _ in summary(tables)] == [(100.0, "vehicle left fleet")]


def test_unknown_first_item_and_known_second(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    fitments = [item(None, serial="S1"), item("2021-04-11", serial="S2")]
    tables = life_tables(make_log(fitments=fitments), make_study())
    assert summary(tables) == [("S2", 630.0, "still in service", "register.csv:3", "")]
    assert tables.findings.set_index("rule").loc["unknown start", "rows"] == 1


def test_day_of_the_register_and_time_of_the_job_are_one_change(
    make_log: Any, make_study: Any
) -> None:
    # Source: the project's own rule: same day, the job knows the time.
    fitted = item("2021-04-11", serial="S1")
    planned = job("2021-04-11 12:00", finding="planned", date_is_day=False)
    tables = life_tables(make_log(jobs=[planned], fitments=[fitted]), make_study())
    assert [(age, how) for _, age, how, _, _ in summary(tables)] == [(629.5, "still in service")]
