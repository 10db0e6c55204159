"""Counts that a log tells besides its lives: reports without a fault, damage by use and visit."""

from __future__ import annotations

from typing import Any

from relkit.lives.table import life_tables

PLACE = {"vehicle": "A", "component": "camera", "location": "rear"}
FITTED = [{**PLACE, "fitted_on": "2021-01-01"}]


def told(tables: Any, rule: str) -> str:
    found = tables.findings.set_index("rule")["what"]
    return str(found.get(rule, ""))


def test_reports_without_fault_are_counted_by_place_and_season(
    make_log: Any, make_study: Any
) -> None:
    # Source: own algebra: 9 of 12 reports in January, 12 of 16 rows.
    looks = [f"2021-01-{day:02}" for day in range(2, 11)] + [
        "2021-06-01",
        "2021-06-02",
        "2021-07-03",
    ]
    jobs = [{**PLACE, "date": d, "finding": "no fault found", "action": "tested"} for d in looks]
    jobs += [{**PLACE, "date": f"2021-08-0{k}", "action": "cleaned"} for k in range(1, 5)]
    text = told(life_tables(make_log(jobs=jobs, fitments=FITTED), make_study()), "no fault found")
    assert "12 reports (75% of the job rows)" in text
    assert "most at rear (12)" in text
    assert "75% from October to March" in text
    few = life_tables(make_log(jobs=jobs[:9], fitments=FITTED), make_study())
    assert told(few, "no fault found") == ""


def test_damage_has_a_rate_by_use_and_by_visit(make_log: Any, make_study: Any) -> None:
    # Source: own algebra: 2 items in 730 days; 1 at work in 50 visits.
    jobs = [
        {**PLACE, "date": "2021-03-01", "finding": "damaged at work", "action": "replaced"},
        {**PLACE, "date": "2021-09-01", "finding": "external damage", "action": "replaced"},
    ]
    visits = [{"vehicle": "A", "date": f"2021-{k // 25 + 1:02}-{k % 25 + 1:02}"} for k in range(50)]
    log = make_log(jobs=jobs, fitments=FITTED, inspections=visits)
    text = told(life_tables(log, make_study()), "damage from outside")
    assert "2 items ended by damage (2.7 per 1,000 item-days)" in text
    assert "1 at work, 2 per 100 visits that looked" in text
