"""Sliders: what they mean, what they answer, what they save."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from relkit.plan.parts import PlanParts
from relkit.present.notebook_whatif import (
    plan_steps,
    saved_scenarios,
    show_answer,
    show_answers,
    show_study,
)
from relkit.present.whatif_sliders import (
    ALL_ITEMS,
    Levers,
    slider_answer,
    slider_scenario,
    sliders,
)
from relkit.whatif.comparison import Today
from relkit.whatif.scenario import Changes

STUDY = Path(__file__).parents[2] / "data_demo" / "clean" / "study.toml"


@pytest.fixture(scope="module")
def parts() -> PlanParts:
    return plan_steps(STUDY)


def test_sliders_at_today_change_nothing(parts: PlanParts) -> None:
    # Source: invariant.
    assert slider_scenario(parts, Levers()).changes == Changes(plan="kept")
    comparison, _ = slider_answer(parts, Levers(), {})
    assert (comparison.measures["difference"] == 0).all()


def test_each_slider_moves_the_measure_that_it_is_about(parts: PlanParts) -> None:
    # Source: signs that follow from what is changed.
    known: dict[str, Today] = {}
    cases: list[tuple[dict[str, Any], str, int]] = [
        ({"life_factor": 1.5}, "failures", -1),
        ({"usage_factor": 1.3}, "failures", 1),
        ({"interval_factor": 2.0}, "dark_time", 1),
        ({"failure_factor": 2.0}, "cost", 1),
        ({"downtime_factor": 2.0}, "cost", 1),
        ({"reported_share": 0.5}, "dark_time", -1),
        ({"lead_time_days": 60.0}, "waiting_days", 1),
        ({"failure_factor": 2.0, "plan": "made afresh"}, "planned", 1),
        ({"item": "camera, suction mouth", "life_factor": 1.5}, "failures", -1),
    ]
    for given, measure, sign in cases:
        comparison, seconds = slider_answer(parts, Levers(**given), known)
        row = comparison.difference("From the sliders", measure)
        assert sign * row["difference"] > 0, given
        assert seconds > 0
    assert set(known) == {ALL_ITEMS, "camera, suction mouth"}  # today is worked out once


def test_a_moved_slider_is_answered_and_saved(parts: PlanParts, tmp_path: Path) -> None:
    # Source: the widgets themselves, without a browser.
    box = sliders(parts, tmp_path)
    controls, saving, status, table, figure = box.children
    life = controls.children[0].children[1]
    assert "no difference" in table.value
    before = list(figure.data[0].x)
    life.value = 1.5
    assert "less" in table.value
    assert "Answered in" in status.value
    assert list(figure.data[0].x) != before
    name, save, back = saving.children
    save.click()
    assert "Give the scenario a name first" in status.value
    name.value = "Longer lives"
    save.click()
    (scenario,) = saved_scenarios(tmp_path)
    assert scenario.changes.lives[0].scale_factor == 1.5
    back.click()
    assert life.value == 1.0
    assert list(figure.data[0].x) == before


def test_an_answer_reads_the_same_in_a_terminal_and_a_page(parts: PlanParts) -> None:
    # Source: one set of numbers behind both.
    shown = show_answer(parts, 23)
    assert "failures since" in repr(shown)
    assert "<table>" in shown._repr_html_()
    assert "12 months" in repr(show_study(parts))
    text = repr(show_answers(parts, [7, 10]))
    assert "One gritter service skipped" in text
    assert "Cannot be asked of this study" in text
