"""Tables of a plan beside its intervals, each made from the same steps.

Layer: plan. Each line here calls one file; what-ifs that need intervals only leave them out.
"""

from __future__ import annotations

from collections.abc import Callable

from relkit.plan.noticed import with_noticed
from relkit.plan.parts import PlanParts
from relkit.plan.result import Plan
from relkit.plan.work_tables import with_work_tables

__all__ = ["with_further_tables"]


def with_further_tables(
    plan: Plan, parts: PlanParts, progress: Callable[[str], None] | None = None
) -> Plan:
    """Return the plan with its further tables filled in."""
    say = progress or (lambda _: None)
    plan = with_noticed(plan, parts, say)
    plan = with_work_tables(plan, parts, say)
    return plan
