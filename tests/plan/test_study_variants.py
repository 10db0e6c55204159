"""Every part of the work in one study, under other clocks and strata: a plan comes of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from relkit.plan.result import Plan
from relkit.present.job_card_page import write_job_cards
from relkit.present.page import write_page
from relkit.present.workbook import write_workbook

WORK = """
[[services]]
name = "service"
every = ["{spacing} {clock}"]
on = ["03-01"]

[[functions]]
component = "camera"
location = "rear"
evident = false
safety = true
target_unavailability = 0.05
test_detection = 0.9
test_harm = 0.001
demands_per_day = 10
reported_share = 0.2
daily_check = 0.5

[costs]
visit = 45

[[costs.downtime]]
per_hour = 50

[[costs.items]]
planned = 100
failure = 900
check = 5
planned_hours = 1
check_hours = 0.1

[[bays]]
hours_per_week = 38

[[practice]]
task = "run to failure"

[[warranty]]
component = "camera"
months = 12

[[views]]
name = "rear view"
items = [ {{ component = "camera", location = "rear" }}, {{ component = "lead", shared = true }} ]

[[stock]]
name = "all of it"
components = ["camera", "lead"]

[[fleet_changes]]
on = 2024-06-01
vehicles = 2
where = {{ class = ["large"] }}
"""


@pytest.mark.parametrize("clock", ["engine_hours", "days"])
@pytest.mark.parametrize(
    "by", [("component", "location"), ("component",), ("class", "component", "location")]
)
def test_all_settings_together_give_a_plan_and_its_pages(
    clock: str, by: Sequence[str], made_plan: Callable[..., Plan], tmp_path: Path
) -> None:
    # Source: the project's rule that a study gives a plan or a sentence.
    spacing = 60 if clock == "days" else 250
    plan = made_plan(WORK.format(spacing=spacing, clock=clock), clock=clock, by=by)
    for table in (plan.budget, plan.warranty, plan.views):
        assert len(table)
    if "location" in by:  # else the function at one location is nobody's
        for table in (plan.visit_groups, plan.daily_checks, plan.job_cards):
            assert len(table)
    assert plan.spares["component"].tolist() == ["all of it"]
    assert write_page(plan, tmp_path / "plan.html").stat().st_size > 0
    assert write_job_cards(plan, tmp_path / "job_cards.html").stat().st_size > 0
    assert write_workbook(plan, tmp_path / "plan.xlsx").stat().st_size > 0
