"""Symptoms and the components they point to; the first guesses are common practice."""

from __future__ import annotations

from typing import Any

import pytest

from relkit.lives.table import life_tables

PLACES = [
    ("camera", "rear"), ("cable", "rear"), ("switcher", "in cab"), ("display", "in cab"),
    ("trigger wire", "reverse"),
]  # fmt: skip
SYMPTOMS = {
    name: "cause unknown"
    for name in ("one view dark", "several views dark", "all views dark", "no view on trigger")
}


def run(make_log: Any, make_study: Any, jobs: list[Any], **parts: Any) -> Any:
    fitments = [
        {"vehicle": "A", "component": c, "location": p, "fitted_on": "2020-12-31"}
        for c, p in PLACES
    ]
    rows = [
        {"vehicle": "A", "date": "2021-06-01", "job": "J1", "action": "replaced", **row}
        for row in jobs
    ]
    study = make_study(treatments={"findings": SYMPTOMS}, **parts)
    return life_tables(make_log(jobs=rows, fitments=fitments), study)


def ended(tables: Any) -> dict[str, str]:
    lives = tables.lives[tables.lives["ended_by"] != "still in service"]
    return {
        row.component: f"{row.ended_by}: {row.causes}".removesuffix(": ")
        for row in lives.itertuples()
    }


def at(component: str, location: str, finding: str = "", **parts: Any) -> dict[str, Any]:
    return {"component": component, "location": location, "finding": finding, **parts}


@pytest.mark.parametrize(
    ("symptom", "replaced", "expected"),
    [
        ("one view dark", ["camera", "cable"], {"camera": "M", "cable": "M"}),
        ("one view dark", ["camera", "switcher"], {"camera": "F", "switcher": "C"}),
        ("all views dark", ["switcher", "display"], {"switcher": "M", "display": "M"}),
        ("all views dark", ["camera", "display"], {"camera": "C", "display": "F"}),
        ("several views dark", ["camera", "cable"], {"camera": "C", "cable": "F"}),
        ("no view on trigger", ["trigger wire", "display"], {"trigger wire": "F", "display": "C"}),
    ],
)
def test_candidates_are_those_that_the_symptom_points_to(
    make_log: Any, make_study: Any, symptom: str, replaced: list[str], expected: dict[str, str]
) -> None:
    places = dict(PLACES)
    jobs = [at(component, places[component], symptom) for component in replaced]
    tables = run(make_log, make_study, jobs)
    letters = {"failure": "F", "removed unfailed": "C"}
    ends = ended(tables)
    assert {name: letters.get(end, "M") for name, end in ends.items()} == expected
    shown = tables.findings["rule"].eq("symptom and item").sum()
    assert shown == ("C" in expected.values())


def test_the_only_item_replaced_stays_a_failure_but_is_shown(
    make_log: Any, make_study: Any
) -> None:
    tables = run(make_log, make_study, [at("display", "in cab", "one view dark")])
    assert ended(tables) == {"display": "failure"}
    found = tables.findings.set_index("rule").loc["symptom and item"]
    assert (found["rows"], found["severity"]) == (1, "look")
    assert "replaced nothing to which it points" in found["what"]


def test_a_row_without_component_states_the_symptom_of_its_job(
    make_log: Any, make_study: Any
) -> None:
    jobs = [
        at("", "", "all views dark", action="none"),
        at("camera", "rear"),
        at("switcher", "in cab"),
    ]
    assert ended(run(make_log, make_study, jobs)) == {
        "camera": "removed unfailed",
        "switcher": "failure",
    }


def test_a_symptom_with_nothing_replaced_keeps_its_candidates(
    make_log: Any, make_study: Any
) -> None:
    jobs = [
        at("camera", "rear", "one view dark", action="tested"),
        at("", "", "all views dark", action="tested", job="J2"),
    ]
    tables = run(make_log, make_study, jobs)
    assert not ended(tables)
    classes = tables.row_classes[tables.row_classes["kind"] == "log"].set_index("source")
    assert set(classes["row_class"]) == {"recurrence"}
    details = classes["detail"].tolist()
    assert details[0].endswith("candidates: camera, cable")
    assert details[1].endswith("candidates: switcher, display")


def test_the_study_gives_other_candidates(make_log: Any, make_study: Any) -> None:
    own = [{"finding": "several views dark", "candidates": ["camera", "cable"]}]
    jobs = [at("camera", "rear", "several views dark"), at("cable", "rear", "several views dark")]
    tables = run(make_log, make_study, jobs, symptoms=own)
    assert set(ended(tables).values()) == {"cause unknown: cable; camera"}


def test_a_symptom_without_candidates_in_the_register_does_not_act(
    make_log: Any, make_study: Any
) -> None:
    own = [{"finding": "several views dark", "candidates": ["gearbox"]}]
    jobs = [at("camera", "rear", "several views dark"), at("cable", "rear", "several views dark")]
    tables = run(make_log, make_study, jobs, symptoms=own)
    assert set(ended(tables).values()) == {"cause unknown: cable; camera"}
    assert "symptom and item" not in set(tables.findings["rule"])
    found = tables.findings.set_index("rule").loc["symptom candidates"]
    assert '"gearbox"' in found["what"]


def test_a_stated_failure_is_not_touched(make_log: Any, make_study: Any) -> None:
    jobs = [at("display", "in cab", "failed"), at("camera", "rear", "one view dark")]
    ends = ended(run(make_log, make_study, jobs))
    assert ends["display"] == "failure"


def test_cameras_that_came_back_with_a_cable_unplugged_go_on(
    make_log: Any, make_study: Any
) -> None:
    # "no fault found" is what the lexicon reads in "back ok when lead unplugged"
    jobs = [
        at("cable", "rear", "several views dark"),
        at("camera", "rear", "no fault found", action="none", job="J2"),
    ]
    assert ended(run(make_log, make_study, jobs)) == {"cable": "failure"}
