"""Money, visits, hidden functions and job cards on the page: words and tables by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from playwright.sync_api import Browser

from relkit.plan.result import Plan
from relkit.present.cautions import CAUTIONS
from relkit.present.job_card_page import write_job_cards
from relkit.present.page import write_page
from relkit.present.work_columns import work_sheets
from relkit.present.work_parts import cards_of, work_context


def budget() -> pd.DataFrame:
    row = {
        "quarter": "all quarters", "starts_on": pd.Timestamp("2025-07-01"),
        "ends_on": pd.Timestamp("2026-06-30"), "component": "all", "failures": 104.2,
        "failures_lower": 86.0, "failures_upper": 123.0, "planned": 97.0, "planned_lower": 81.0,
        "planned_upper": 114.0, "checks": 795.0, "visits": 30.0, "cost_failures": 81_000.0,
        "cost_planned": 26_700.0, "cost_checks": 4_770.0, "cost_visits": 1_350.0,
        "cost": 113_820.0, "cost_lower": 100_000.0, "cost_upper": 128_000.0, "note": "",
    }  # fmt: skip
    return pd.DataFrame([row, {**row, "component": "camera"}])


def warranty() -> pd.DataFrame:
    names = [column.name for column in dict(zip_sheets())["Warranty"]]
    limits = ["missed_share_lower", "missed_share_upper", "expected_lower", "expected_upper"]
    row = dict.fromkeys([*names, *limits], 0.5) | {
        "component": "camera", "location": "", "terms": "24 months from fitting",
        "failures_inside": 9, "claimed": 2, "missed": 7, "value_missed": 2_100.0, "expected": 3.2,
        "next_to_end_on": pd.Timestamp("2025-08-01"), "missed_rows": "log.csv:3", "note": "",
    }  # fmt: skip
    return pd.DataFrame([row])


def zip_sheets() -> list[tuple[str, tuple]]:
    from relkit.present import work_columns as columns

    return [("Warranty", columns.WARRANTY)]


def cards() -> pd.DataFrame:
    row = {
        "vehicle": "GR-01", "on": pd.Timestamp("2025-07-02"), "service": "special visit",
        "component": "trigger wire", "location": "reverse", "item": "item 1",
        "task": "failure-finding", "at_once": True, "why": "never tested; hours",
        "test": "Reverse gear on: the view comes up", "bay_hours": 0.1, "opened_by": "reg.csv:7",
    }  # fmt: skip
    other = {**row, "component": "camera", "location": "rear", "item": "K1", "at_once": False,
             "task": "planned replacement", "bay_hours": 1.5, "why": "due; hours"}  # fmt: skip
    third = {**row, "vehicle": "<b>SW", "on": pd.Timestamp("2025-07-09")}
    return pd.DataFrame([row, other, third])


@pytest.fixture
def worked(plan: Plan) -> Plan:
    return replace(plan, budget=budget(), warranty=warranty(), job_cards=cards())


def test_the_budget_is_told_in_sentences(worked: Plan) -> None:
    # Source: the table made above, by hand.
    lines = work_context(worked)["money_lines"]
    assert lines[0] == (
        "Over the next 12 months: 104 failures are expected (86 to 123), 97 planned replacements "
        "(81 to 114) and 795 tests and looks."
    )
    assert lines[1].startswith("They cost about 114,000 money units (100,000 to 128,000)")


def test_missed_claims_are_told_with_their_worth(worked: Plan) -> None:
    assert work_context(worked)["warranty_lines"] == (
        "Camera, 24 months from fitting: 7 of 9 failures inside the warranty were not claimed, "
        "worth 2,100 money units; 3.2 more to expect.",
    )


def test_cards_come_by_date_with_replacements_first(worked: Plan) -> None:
    first, second = cards_of(worked)
    assert (first.vehicle, first.when, first.hours) == ("GR-01", "2 Jul 2025", "1.6 h in the bay")
    assert [job.verb for job in first.jobs] == ["Replace", "Test"]
    assert [job.serial for job in first.jobs] == ["K1", ""]
    assert first.jobs[1].at_once
    assert second.vehicle == "<b>SW"


def test_a_plan_without_these_tables_has_none_of_the_sections(plan: Plan, tmp_path: Path) -> None:
    text = write_page(plan, tmp_path / "plan.html").read_text(encoding="utf-8")
    for section in ("money", "visits", "hidden", "cards"):
        assert f'<section id="{section}"' not in text
    assert cards_of(plan) == ()
    page = write_job_cards(plan, tmp_path / "cards.html").read_text(encoding="utf-8")
    assert "Nothing is due" in page


def test_the_page_and_the_cards_hold_what_was_made_and_escape_it(
    worked: Plan, tmp_path: Path
) -> None:
    text = write_page(worked, tmp_path / "plan.html").read_text(encoding="utf-8")
    assert '<section id="money"' in text
    assert '<section id="cards"' in text
    page = write_job_cards(worked, tmp_path / "job_cards.html").read_text(encoding="utf-8")
    assert page.count('<article class="card">') == 2
    assert "<b>SW" not in page
    assert "&lt;b&gt;SW" in page
    assert "Reverse gear on: the view comes up." in page
    assert page.count(CAUTIONS[1].heading) == 2
    assert "reg.csv:7" in page
    assert write_job_cards(worked, tmp_path / "again.html").read_bytes() == page.encode("utf-8")


def test_each_table_has_a_sheet(worked: Plan) -> None:
    names = [name for name, table, _ in work_sheets(worked) if len(table.columns)]
    assert names == ["Budget", "Warranty", "Job cards"]


@pytest.mark.browser
def test_each_card_prints_on_a_sheet_of_its_own(
    browser: Browser, worked: Plan, tmp_path: Path
) -> None:
    # Source: the browser's own print: two cards, two pages, none cut at the side.
    path = write_job_cards(worked, tmp_path / "job_cards.html")
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(path.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert len(re.findall(rb"/Type\s*/Page[^s]", page.pdf(format="A4"))) == 2
    page.close()
