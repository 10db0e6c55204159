"""Job rows folded to events: the strongest finding and action speak, types stay or pass."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from relkit.lives.events import joined_texts
from relkit.lives.table import life_tables

FITTED = {"vehicle": "A", "component": "camera", "location": "rear", "fitted_on": "2020-12-31"}


def job(**parts: Any) -> dict[str, Any]:
    return {
        "date": "2021-06-01",
        "vehicle": "A",
        "component": "camera",
        "location": "rear",
        **parts,
    }


def run(make_log: Any, make_study: Any, jobs: list[Any], **treatments: Any) -> Any:
    study = make_study(treatments=treatments) if treatments else make_study()
    return life_tables(make_log(jobs=jobs, fitments=[FITTED]), study)


def classes_of(tables: Any) -> list[str]:
    rows = tables.row_classes[tables.row_classes["kind"] == "log"]
    return rows.sort_values("source")["row_class"].tolist()


def test_rows_of_a_split_job_are_one_event(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: failure beats planned, a stated action beats a blank.
    jobs = [
        job(source="1", event="1", finding="planned", action="replaced"),
        job(source="2", event="1", date="2021-06-03", finding="failed", action=""),
        job(source="3", event="1", date="2021-06-04", action="tested"),
    ]
    tables = run(make_log, make_study, jobs)
    assert classes_of(tables) == ["merged", "failure", "merged"]
    failed = tables.lives[tables.lives["failed"]].iloc[0]
    assert failed["age"] == 152.0  # to the earliest row
    assert failed["closed_by"] == "1; 2; 3"
    details = tables.row_classes.set_index("source")["detail"]
    assert details["1"] == details["3"] == "into 2"


def test_all_rows_of_an_event_after_the_window_are_set_aside(
    make_log: Any, make_study: Any
) -> None:
    # Source: the project's own rule: nothing is merged into what is not used.
    jobs = [
        job(source="1", event="1", date="2023-02-01", finding="planned", action="replaced"),
        job(source="2", event="1", date="2023-02-01", finding="failed"),
    ]
    tables = run(make_log, make_study, jobs)
    assert classes_of(tables) == ["set aside", "set aside"]
    assert tables.set_aside["reason"].tolist() == ["after the window"] * 2


def test_two_files_at_one_instant_are_one_event(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule; maintenance and failures of one log in two files.
    jobs = [
        job(source="m:2", date="2021-06-01 06:00", finding="planned", action="replaced"),
        job(source="f:2", date="2021-06-01 06:00", finding="failed"),
        job(source="f:3", date="2021-07-01 06:00", finding="failed"),
    ]
    tables = run(make_log, make_study, jobs)
    assert classes_of(tables) == ["failure", "failure", "merged"]
    assert tables.lives["age"].tolist() == [152.25, 30.0, 548.75]


def test_day_only_row_takes_the_time_of_the_same_day(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    jobs = [
        job(source="1", date="2021-06-01", finding="planned", action="replaced"),
        job(source="2", date="2021-06-01 18:00", finding="failed", date_is_day=False),
    ]
    tables = run(make_log, make_study, jobs)
    assert classes_of(tables) == ["merged", "failure"]
    assert tables.lives["age"].tolist() == [152.75, 578.25]
    assert "time of day filled" in set(tables.findings["rule"])


def test_removed_and_fitted_at_once_is_a_new_item(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    jobs = [job(finding="planned", action="removed"), job(action="fitted")]
    lives = run(make_log, make_study, jobs).lives
    assert lives["ended_by"].tolist() == ["removed unfailed", "still in service"]


@pytest.mark.parametrize(
    ("finding", "action", "ended_by", "row_class"),
    [
        ("failed", "replaced", "failure", "failure"),
        ("found failed at check", "replaced", "failure found at check", "interval"),
        ("view dark", "replaced", "failure", "failure"),  # alone on its job
        ("planned", "replaced", "removed unfailed", "censored"),
        ("campaign", "retrofitted", "removed unfailed", "censored"),
        ("no fault found", "replaced", "removed unfailed", "censored"),
        ("external damage", "replaced", "external damage", "censored"),
        ("", "", "failure", "failure"),  # the log says only that it was replaced
        ("failed", "removed", "failure", "failure"),
        ("", "fitted", "removed unfailed", "censored"),
    ],
)
def test_how_a_life_ends(
    make_log: Any, make_study: Any, finding: str, action: str, ended_by: str, row_class: str
) -> None:
    # Source: the project's own default treatments.
    tables = run(make_log, make_study, [job(finding=finding, action=action)])
    first = tables.lives.iloc[0]
    assert (first["ended_by"], first["age"]) == (ended_by, 152.0)
    assert first["failed"] == (row_class in ("failure", "interval"))
    assert classes_of(tables) == [row_class]
    assert len(tables.lives) == (1 if action == "removed" else 2)


@pytest.mark.parametrize(
    ("finding", "action"),
    [("no fault found", "tested"), ("loose connection", "reseated"), ("dirty", "cleaned"),
     ("no fault found", ""), ("failed", "adjusted")],
)  # fmt: skip
def test_what_leaves_the_item_ends_no_life(
    make_log: Any, make_study: Any, finding: str, action: str
) -> None:
    # Source: the project's own default treatments.
    tables = run(make_log, make_study, [job(finding=finding, action=action)])
    assert classes_of(tables) == ["recurrence"]
    assert tables.lives["ended_by"].tolist() == ["still in service"]
    told = "failure without a new item" in set(tables.findings["rule"])
    assert told == (finding == "failed")


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ({"finding": "not fitted"}, "not fitted"),
        ({"finding": "power feed"}, "outside boundary"),
        ({"finding": "humming"}, "unknown word"),
        ({"finding": "failed", "action": "sung at"}, "unknown word"),
    ],
)
def test_rows_that_tell_of_no_item_are_set_aside(
    make_log: Any, make_study: Any, parts: dict[str, str], reason: str
) -> None:
    # Source: the project's own default treatments.
    tables = run(make_log, make_study, [job(**parts)])
    assert tables.set_aside["reason"].tolist() == [reason]
    assert classes_of(tables) == ["set aside"]
    assert len(tables.lives) == 1


def test_blank_words_follow_the_study(make_log: Any, make_study: Any) -> None:
    # Source: the project's own settings blank_finding and blank_action.
    quiet = run(make_log, make_study, [job()], blank_finding="unfailed")
    assert quiet.lives["ended_by"].iloc[0] == "removed unfailed"
    still = run(make_log, make_study, [job(finding="failed")], blank_action="continues")
    assert classes_of(still) == ["recurrence"]
    outside = run(make_log, make_study, [job()], blank_finding="outside boundary")
    assert outside.set_aside["reason"].tolist() == ["outside boundary"]
    # a blank row of an event with a stated finding is no such row
    jobs = [job(source="1", event="1"), job(source="2", event="1", finding="failed")]
    split = run(make_log, make_study, jobs, blank_finding="outside boundary")
    assert split.lives["ended_by"].iloc[0] == "failure"


def test_types_last_or_pass(make_log: Any, make_study: Any) -> None:
    # Source: the project's own default treatments: a retrofit lasts, a repair does not.
    jobs = [
        job(date="2021-03-01", finding="failed", action="repaired"),
        job(date="2021-06-01", finding="failed", action="replaced"),
        job(date="2021-09-01", finding="campaign", action="retrofitted"),
        job(date="2022-01-01", finding="failed", action="repaired"),
        job(date="2022-03-01", finding="failed", action="replaced"),
    ]
    fitted = {**FITTED, "type": "old type"}
    lives = life_tables(make_log(jobs=jobs, fitments=[fitted]), make_study()).lives
    kinds = lives.sort_values("fitted_on")["component"].str.removeprefix("camera, ").tolist()
    assert kinds == ["old type", "repaired", "old type", "new type", "repaired", "new type"]


def test_serials_name_items(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: put on, else taken off later, else the ordinal.
    jobs = [
        job(date="2021-03-01", finding="failed", action="replaced", serial_in="S2"),
        job(date="2021-06-01", finding="failed", action="replaced"),
        job(date="2021-09-01", finding="failed", action="replaced", serial_out="S3"),
    ]
    fitted = {**FITTED, "serial": "S1"}
    lives = life_tables(make_log(jobs=jobs, fitments=[fitted]), make_study()).lives
    assert lives["item"].tolist() == ["S1", "S2", "S3", "item 4"]
    assert lives["serial"].tolist() == ["S1", "S2", "S3", ""]
    first, second = job(source="1", event="1"), job(source="2", event="1", serial_in="S7")
    third = job(source="3", event="1", serial_in="S8")
    lives = life_tables(
        make_log(jobs=[first, second, third], fitments=[FITTED]), make_study()
    ).lives
    assert lives["item"].tolist() == ["item 1", "S7"]


def test_joined_texts_agree_with_a_loop() -> None:
    # Source: a plain loop, as second implementation.
    rng = random.Random(4)
    groups = [rng.randrange(7) for _ in range(40)]
    texts = [f"t{k}" for k in range(40)]
    slow = ["; ".join(t for g, t in zip(groups, texts, strict=True) if g == n) for n in range(8)]
    fast = joined_texts(np.array(groups), np.array(texts, dtype=object), 8)
    assert fast.tolist() == slow
