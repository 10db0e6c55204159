"""Tables of the work: visits, budget, warranty, daily checks, views, job cards, today's practice.

Layer: plan. Each line calls one file; the order is that of what needs what.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from relkit.plan.budget import budget_table
from relkit.plan.daily_checks import daily_checks, view_chains
from relkit.plan.deciding_later import alternative_words, waiting_columns
from relkit.plan.due_advice import with_advice
from relkit.plan.job_cards import job_cards
from relkit.plan.parts import PlanParts
from relkit.plan.practice import practice_columns
from relkit.plan.result import Plan
from relkit.plan.visit_groups import visit_groups
from relkit.plan.warranty import warranty_table
from relkit.plan.work_warnings import work_warnings

__all__ = ["with_work_tables"]


def with_work_tables(plan: Plan, parts: PlanParts, say: Callable[[str], None]) -> Plan:
    """Return the plan with the tables of the work filled in.

    Parameters
    ----------
    plan : Plan
        With its intervals and due list.
    parts : PlanParts
        The steps behind it.
    say : callable
        Told, in a few words, what is being done.
    """
    say("comparing with today's practice")
    intervals = plan.intervals.join(practice_columns(plan.intervals, parts))
    intervals = intervals.join(waiting_columns(intervals, parts))
    intervals = intervals.assign(alternatives=alternative_words(intervals, parts))
    say("putting jobs together at visits")
    groups = visit_groups(parts)
    due = with_advice(plan.due, parts)
    say("counting failures, work and money by quarter")
    plan = replace(
        plan,
        intervals=intervals,
        due=due,
        visit_groups=groups,
        budget=budget_table(intervals, parts, groups),
        warranty=warranty_table(parts),
        daily_checks=daily_checks(intervals, parts),
        views=view_chains(intervals, parts),
        job_cards=job_cards(due, intervals, groups, parts),
    )
    return replace(plan, warnings=(*plan.warnings, *work_warnings(plan, parts)))
