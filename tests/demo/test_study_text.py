"""The demo's study files are valid and know every word of the demo's logs."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit.demo.exports import EXPORTS
from relkit.demo.frames import DemoFleet
from relkit.demo.spelling import SYMPTOMS, VARIANTS
from relkit.demo.study_text import clean_study_text, dirty_study_text
from relkit.demo.truth import LOCATION_GROUPS, STRATUM_TRUTHS
from relkit.study.read import read_study
from relkit.study.settings import Study


@pytest.fixture(params=[clean_study_text, dirty_study_text])
def study(request: pytest.FixtureRequest, tmp_path: Path) -> Study:
    path = tmp_path / "study.toml"
    path.write_text(request.param())
    return read_study(path)


def test_both_studies_can_be_read(study: Study) -> None:
    # Source: the settings of a study: unknown keys would be refused.
    assert study.clock == "engine_hours"
    assert str(study.window.start) == "2021-01-01"
    assert study.by == ("component", "location")
    assert len(study.services) == 5
    assert study.services[0].on == ("10-01",)
    assert {rule.authority for rule in study.rules} == {"company"}
    assert study.treatments.actions["joint re-made"].type == "re-made joint"
    assert study.treatments.actions["retrofitted"].from_now_on


def test_costs_and_groups_are_those_of_the_truth(study: Study) -> None:
    # Source: the truth table.
    costs = {(item.component, item.location): item for item in study.costs.items}
    for truth in STRATUM_TRUTHS:
        item = costs[truth.component, truth.location]
        assert (item.planned, item.failure) == (truth.cost_planned, truth.cost_failure)
    groups = {group.name: group for group in study.location_groups}
    for name, places in LOCATION_GROUPS.items():
        assert groups[name].locations == places
        assert groups[name].component == "cable"
    assert groups["any mount"].component == "cable, re-made joint"


def test_hidden_functions_and_warnings(study: Study) -> None:
    # Source: own scenario: trigger wires 1 %, boom arm camera 5 %, warning 400 h.
    hidden = {one.component: one.target_unavailability for one in study.functions
              if one.evident is False}  # fmt: skip
    assert hidden == {"trigger wire": 0.01, "camera": 0.05}
    warned = {one.location for one in study.functions if one.warning_time == "400 engine_hours"}
    assert warned == {"low mounts", "spreader chute"}
    assert {item.component: item.lead_time_days for item in study.spares} == {
        None: 14, "camera": 21,
    }  # fmt: skip


def test_the_clean_log_uses_known_words_only(tmp_path: Path, clean_fleet: DemoFleet) -> None:
    # Source: treatments of the study.
    path = tmp_path / "study.toml"
    path.write_text(clean_study_text())
    study = read_study(path)
    assert set(clean_fleet.jobs["finding"]) <= set(study.treatments.findings)
    assert set(clean_fleet.jobs["action"]) <= set(study.treatments.actions)
    assert str(study.window.end) == "2025-06-30"


def test_the_dirty_study_knows_all_variants(tmp_path: Path) -> None:
    # Source: the tables of variants and symptoms.
    path = tmp_path / "study.toml"
    path.write_text(dirty_study_text())
    study = read_study(path)
    for column, variants in VARIANTS.items():
        assert dict(getattr(study.words, column)) == variants
    for symptom in SYMPTOMS:
        assert study.treatments.findings[symptom] == "cause unknown"
    for export in EXPORTS:
        source = [one for one in study.files.log if Path(export.name).match(one.path)]
        assert len(source) == 1
        if export.columns:
            headings = {heading for heading, _ in export.columns}
            assert set(source[0].columns.values()) <= headings
            assert set(source[0].counters.values()) <= headings
            by_ours = {ours: heading for heading, ours in export.columns}
            for ours, heading in source[0].columns.items():
                assert by_ours[ours] == heading
