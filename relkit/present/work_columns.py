"""Columns of the tables of the work: budget, warranty, visits, daily checks, views, job cards.

Layer: present. One definition for the page and the workbook.
"""

from __future__ import annotations

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.columns import Column

__all__ = [
    "BUDGET",
    "DAILY_CHECKS",
    "JOB_CARDS",
    "VIEWS",
    "VISIT_GROUPS",
    "WARRANTY",
    "work_sheets",
]

_COMPONENT = Column("component", "Component", width=20)
_LOCATION = Column("location", "Location", width=20)

BUDGET = (
    Column("quarter", "Quarter", width=24),
    _COMPONENT,
    Column("failures", "Failures", "number", "failures_lower", "failures_upper"),
    Column("planned", "Planned replacements", "number", "planned_lower", "planned_upper"),
    Column("checks", "Tests and looks", "number"),
    Column("visits", "Special visits", "number"),
    Column("cost_failures", "Cost of failures", "number"),
    Column("cost_planned", "Cost of planned work", "number"),
    Column("cost_checks", "Cost of tests", "number"),
    Column("cost_visits", "Cost of visits", "number"),
    Column("cost", "All costs", "number", "cost_lower", "cost_upper"),
    Column("note", "Note", width=48),
)

WARRANTY = (
    _COMPONENT,
    _LOCATION,
    Column("terms", "Terms", width=36),
    Column("failures_inside", "Failures inside", "count"),
    Column("claimed", "Claimed", "count"),
    Column("missed", "Not claimed", "count"),
    Column("missed_share", "Share missed", "share", "missed_share_lower", "missed_share_upper"),
    Column("not_known", "Cannot be told", "count"),
    Column("value_missed", "Worth", "number"),
    Column("items_under_warranty", "Items under warranty", "count"),
    Column("expected", "Claims to expect", "number", "expected_lower", "expected_upper"),
    Column("value_expected", "Worth, expected", "number"),
    Column("next_to_end_on", "Next to end", "date", width=13),
    Column("missed_rows", "Rows not claimed", width=48),
    Column("note", "Note", width=48),
)

VISIT_GROUPS = (
    Column("vehicle", "Vehicle", width=12),
    Column("visit", "Visit", "count"),
    Column("on", "On", "date", width=13),
    Column("service", "Service", width=20),
    _COMPONENT,
    _LOCATION,
    Column("task", "Task", "task", width=22),
    Column("age_then", "Age then [{clock}]", "amount"),
    Column("at_once", "At once", "flag"),
    Column("bay_hours", "Bay hours", "number"),
    Column("grouping_cost", "Cost of being moved", "number"),
    Column("set_up_cost", "Set-up", "number"),
    Column("vehicle_cost", "Vehicle, together", "number"),
    Column("vehicle_cost_alone", "Vehicle, each job alone", "number"),
    Column("planned_until", "Planned until", "date", width=13),
    Column("status", "Status", width=36),
    Column("opened_by", "Rows behind it", width=30),
)

DAILY_CHECKS = (
    _COMPONENT,
    _LOCATION,
    Column("target_unavailability", "Most allowed", "share"),
    Column("test_interval", "Workshop test every [{clock}]", "exact"),
    Column("unavailability_tests", "Dark unnoticed with tests", "share"),
    Column("tests_a_year", "Tests a year", "number"),
    Column("cost_tests_a_year", "Cost of tests a year", "number"),
    Column("daily_check", "Daily check finds", "share"),
    Column("unavailability_daily", "Dark unnoticed with it", "share"),
    Column("least_daily_check", "Must find at least", "share"),
    Column("verdict", "In words", width=60),
)

VIEWS = (
    Column("view", "View", width=18),
    Column("vehicles", "Vehicles", width=30),
    Column("vehicle_count", "Number", "count"),
    Column("unavailability", "Dark unnoticed", "share"),
    Column("unavailability_own", "By its own items", "share"),
    Column("unavailability_shared", "By shared items", "share"),
    Column("shared_items", "Shared items", width=30),
    Column("target_unavailability", "Most allowed", "share"),
    Column("meets_target", "Met", width=8),
    Column("weakest", "Weakest item", width=24),
    Column("verdict", "In words", width=48),
)

JOB_CARDS = (
    Column("vehicle", "Vehicle", width=12),
    Column("on", "On", "date", width=13),
    Column("service", "Service", width=20),
    Column("task", "Task", "task", width=22),
    _COMPONENT,
    _LOCATION,
    Column("item", "Serial", width=14),
    Column("at_once", "At once", "flag"),
    Column("why", "Why", width=30),
    Column("test", "Test of the function", width=60),
    Column("bay_hours", "Bay hours", "number"),
    Column("opened_by", "Rows behind it", width=30),
)


def work_sheets(plan: Plan) -> tuple[tuple[str, pd.DataFrame, tuple[Column, ...]], ...]:
    """Return the sheets of the work: name, table and columns; tables not made have no columns."""
    return (
        ("Budget", plan.budget, BUDGET),
        ("Warranty", plan.warranty, WARRANTY),
        ("Visits", plan.visit_groups, VISIT_GROUPS),
        ("Daily checks", plan.daily_checks, DAILY_CHECKS),
        ("Views", plan.views, VIEWS),
        ("Job cards", plan.job_cards, JOB_CARDS),
    )
