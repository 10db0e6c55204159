"""What the first page must say of costs, targets and visits that contradict each other.

Layer: plan. Written rules; each sentence has its mend after ``Mend:``.
"""

from __future__ import annotations

import numpy as np

from relkit.plan.parts import PlanParts
from relkit.plan.result import Plan

__all__ = ["work_warnings"]

_NAMED = 4


def work_warnings(plan: Plan, parts: PlanParts) -> tuple[str, ...]:
    """Return sentences on conflicts that the plan states and cannot solve."""
    return (
        *_cheap_failures(plan, parts),
        *_unmet_targets(plan, parts),
        *_delays(parts),
        *_visits(plan),
    )


def _names(plan: Plan, rows: np.ndarray) -> str:
    chosen = plan.intervals[rows]
    words = [
        ", ".join(part for part in (str(c), str(p)) if part)
        for c, p in zip(chosen["component"], chosen["location"], strict=True)
    ]
    more = f" and {len(words) - _NAMED} more" if len(words) > _NAMED else ""
    return "; ".join(words[:_NAMED]) + more


def _cheap_failures(plan: Plan, parts: PlanParts) -> list[str]:
    settings = parts.chosen.settings
    cheap = np.array([s.cost_failure <= s.cost_planned for s in settings], dtype=np.bool_)
    if not cheap.any():
        return []
    return [
        "A failure costs no more than a planned replacement by the costs entered "
        f"for {_names(plan, cheap)}: replacing by age cannot save there. Mend: enter all "
        "that a failure costs, call-out, downtime and consequence included, under [[costs.items]]."
    ]


def _unmet_targets(plan: Plan, parts: PlanParts) -> list[str]:
    words = []
    finding, row = parts.chosen.finding, parts.chosen.finding_row
    task = plan.intervals["task"].to_numpy() == "failure-finding"
    if finding is not None:
        told = np.where(row >= 0, finding.status[row], "ok")
        for status in sorted(set(told[task]) - {"ok", "no items"}):
            words.append(
                f"{_names(plan, task & (told == status))}: {status}. Mend: a gentler or surer "
                "test, a driver's daily check that is reported, another design, or take the "
                "vehicle out of use for this work."
            )
    settings = parts.chosen.settings
    hidden = np.array([not s.evident for s in settings], dtype=np.bool_)
    without = hidden & np.array([np.isnan(s.target_unavailability) for s in settings])
    without &= ~np.isfinite(parts.chosen.best)
    if without.any():
        words.append(
            f"No target was entered for the hidden function of {_names(plan, without)}: no "
            "interval between tests can be found. Mend: target_unavailability, or tolerable_events "
            "with demands_per_day and harm_probability, under [[functions]]; they are for "
            "whoever owns safety to state."
        )
    return words


def _delays(parts: PlanParts) -> list[str]:
    known = [
        f"{component}, {place}"
        for (component, place), d in parts.delays.items()
        if d.status == "ok"
    ]
    stated = [
        s for s in parts.chosen.settings if s.warning_time is not None and s.warning_range is None
    ]
    if not stated or known:
        return []
    return [
        "How long a visible defect lasts is stated without a range and the log cannot tell it: "
        "intervals between looks take the stated mean as known. Mend: warning_time_range under "
        "[[functions]], and defects seen at inspections in the log."
    ]


def _visits(plan: Plan) -> list[str]:
    if "status" not in plan.visit_groups or plan.visit_groups.empty:
        return []
    words = []
    for status, rows in plan.visit_groups.groupby("status"):
        if status != "ok":
            count = rows["vehicle"].nunique()
            words.append(f"{count} vehicle{'s' * (count != 1)}: {status}.")
    return words
