"""Several items replaced on one job, cause unknown: candidates, not two failures, not none."""

from __future__ import annotations

from typing import Any

import pytest

from relkit.lives.table import life_tables

PLACES = [
    ("camera", "rear"), ("cable", "rear"), ("camera", "front"), ("cable", "front"),
    ("switcher", "in cab"), ("display", "in cab"), ("trigger wire", "reverse"),
    ("trigger wire", "turn signal"),
]  # fmt: skip


def run(make_log: Any, make_study: Any, jobs: list[Any], **treatments: Any) -> Any:
    fitments = [
        {"vehicle": v, "component": c, "location": p, "fitted_on": "2020-12-31"}
        for v in "AB"
        for c, p in PLACES
    ]
    study = make_study(treatments=treatments) if treatments else make_study()
    rows = [
        {"vehicle": "A", "date": "2021-06-01", "action": "replaced", "finding": "view dark", **row}
        for row in jobs
    ]
    return life_tables(make_log(jobs=rows, fitments=fitments), study)


def ended(tables: Any) -> dict[str, str]:
    """Place -> how its first life ended and its candidates, of vehicle A."""
    lives = tables.lives.sort_values("fitted_on", kind="stable")
    lives = lives[(lives["vehicle"] == "A") & (lives["ended_by"] != "still in service")]
    return {
        f"{row.component} {row.location}": f"{row.ended_by}: {row.causes}".removesuffix(": ")
        for row in lives.itertuples()
    }


def at(component: str, location: str, **parts: Any) -> dict[str, Any]:
    return {"component": component, "location": location, **parts}


def test_both_are_candidates(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    tables = run(make_log, make_study, [at("camera", "rear"), at("cable", "rear")])
    both = "cause unknown: cable; camera"
    assert ended(tables) == {"camera rear": both, "cable rear": both}
    masked = tables.lives[tables.lives["masked_job"] != ""]
    assert masked["masked_job"].nunique() == 1
    assert set(masked["masked_job"]) <= {"jobs.csv:2", "jobs.csv:3"}
    assert not masked["failed"].any()
    assert tables.row_classes["row_class"].tolist()[:2] == ["masked", "masked"]
    found = tables.findings.set_index("rule").loc["several replaced, cause unknown"]
    assert found["rows"] == 1
    assert "(100% of 1 failure)" in found["what"]


@pytest.mark.parametrize(
    ("treatment", "ended_by", "row_class"),
    [("all failed", "failure", "failure"), ("none failed", "removed unfailed", "censored")],
)
def test_other_treatments(
    make_log: Any, make_study: Any, treatment: str, ended_by: str, row_class: str
) -> None:
    # Source: the project's own setting treatments.masked.
    jobs = [at("camera", "rear"), at("cable", "rear")]
    tables = run(make_log, make_study, jobs, masked=treatment)
    assert ended(tables) == {"camera rear": ended_by, "cable rear": ended_by}
    assert tables.row_classes["row_class"].tolist()[:2] == [row_class, row_class]
    assert (tables.lives["masked_job"] == "").all()


def test_views_apart_are_causes_apart(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: one location, or one that the whole vehicle shares.
    jobs = [at("camera", "rear"), at("cable", "front")]
    assert ended(run(make_log, make_study, jobs)) == {
        "camera rear": "failure",
        "cable front": "failure",
    }
    shared = [*jobs, at("switcher", "in cab")]
    three = "cause unknown: cable; camera; switcher"
    assert set(ended(run(make_log, make_study, shared)).values()) == {three}
    pairs = [at("camera", "rear"), at("cable", "rear"), at("camera", "front")]
    assert ended(run(make_log, make_study, pairs)) == {
        "camera rear": "cause unknown: cable; camera",
        "cable rear": "cause unknown: cable; camera",
        "camera front": "failure",
    }


def test_wire_without_a_view_goes_with_any(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: a place with one component, replaced nowhere else.
    jobs = [at("camera", "rear"), at("trigger wire", "reverse")]
    both = "cause unknown: camera; trigger wire"
    assert set(ended(run(make_log, make_study, jobs)).values()) == {both}
    wires = [at("trigger wire", "reverse"), at("trigger wire", "turn signal")]
    assert set(ended(run(make_log, make_study, wires)).values()) == {"failure"}


def test_stated_failure_explains_the_rest(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: a job with a known cause is one failure.
    jobs = [
        at("camera", "rear", finding="failed"),
        at("cable", "rear"),
        at("camera", "front"),
        at("display", "in cab", finding="planned"),
    ]
    tables = run(make_log, make_study, jobs)
    assert ended(tables) == {
        "camera rear": "failure",
        "cable rear": "removed unfailed",
        "camera front": "failure",
        "display in cab": "removed unfailed",
    }
    assert "replaced beside a failed item" in set(tables.findings["rule"])
    jobs = [at("switcher", "in cab", finding="failed"), at("camera", "rear")]
    shared = ended(run(make_log, make_study, jobs))
    assert shared == {"switcher in cab": "failure", "camera rear": "removed unfailed"}
    jobs = [at("camera", "rear", finding="failed"), at("display", "in cab")]
    shared = ended(run(make_log, make_study, jobs))
    assert shared == {"camera rear": "failure", "display in cab": "removed unfailed"}


def test_job_number_links_rows_of_several_days(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: same job, else same vehicle and instant.
    jobs = [at("camera", "rear", job="J1"), at("cable", "rear", job="J1", date="2021-06-03")]
    both = "cause unknown: cable; camera"
    assert set(ended(run(make_log, make_study, jobs)).values()) == {both}
    jobs[1]["job"] = "J2"  # a second visit: the part replaced then had failed
    second = {"camera rear": "removed unfailed", "cable rear": "failure"}
    assert ended(run(make_log, make_study, jobs)) == second
    jobs[1] = {**jobs[1], "job": "J1", "date": "2022-06-03"}  # the number was used again
    assert set(ended(run(make_log, make_study, jobs)).values()) == {"failure"}


def test_other_vehicles_are_other_jobs(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    jobs = [at("camera", "rear", job="J1"), at("cable", "rear", job="J1", vehicle="B")]
    tables = run(make_log, make_study, jobs)
    assert tables.lives["failed"].sum() == 2
    assert (tables.lives["causes"] == "").all()


def test_item_that_is_gone_is_no_candidate(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: only what was there can have failed.
    jobs = [
        at("cable", "rear", date="2021-03-01", finding="planned", action="removed"),
        at("camera", "rear"),
        at("cable", "rear"),
    ]
    assert ended(run(make_log, make_study, jobs))["camera rear"] == "failure"
