"""Job cards: what to do at each vehicle's next visit, how to test it, where it comes from.

Layer: plan. One row per job; the page prints one card per vehicle.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.plan.parts import PlanParts
from relkit.plan.stratum_settings import stratum_settings

__all__ = ["JOB_CARD_COLUMNS", "job_cards"]

JOB_CARD_COLUMNS = (
    "vehicle",
    "on",
    "service",
    "component",
    "location",
    "item",
    "task",
    "at_once",
    "why",
    "test",
    "bay_hours",
    "opened_by",
)
#: States of the due list that go on a card where visits are not put together.
_STATES = ("overdue", "never tested", "age unknown", "due")
#: What a test must show where the study says nothing of its own.
TEST_OF_FUNCTION = (
    "Test the function itself, as the driver uses it, not only that the item has power"
)
_TESTS = ("failure-finding", "condition inspection", "rule check")


def job_cards(
    due: pd.DataFrame, intervals: pd.DataFrame, visit_groups: pd.DataFrame, parts: PlanParts
) -> pd.DataFrame:
    """Return the jobs of each vehicle's next visit, one row each, by date and vehicle.

    From the jobs put together at visits where the study states what a visit costs; else from
    the due list: all that is overdue, never tested, of unknown age or due next.
    """
    if "visit" in visit_groups:
        planned = visit_groups[
            visit_groups["visit"] == visit_groups.groupby("vehicle")["visit"].transform("min")
        ]
        table = planned.assign(at_once=planned["at_once"].astype(bool))
    else:
        table = due[due["state"].isin(_STATES)].rename(columns={"due_on": "on"})
        service = "next service" if parts.study.services else ""
        first = due["due_on"].min() if len(due) else pd.NaT
        table = table.assign(
            service=service,
            at_once=table["state"].isin(["overdue", "never tested"]),
            bay_hours=np.nan,
            on=table["on"].fillna(first) if pd.notna(first) else table["on"],
        )
    if table.empty:
        return pd.DataFrame(columns=list(JOB_CARD_COLUMNS))
    whys = _reasons(table, due, intervals)
    tests = [
        _test(str(c), str(p), str(task), parts)
        for c, p, task in zip(table["component"], table["location"], table["task"], strict=True)
    ]
    table = table.assign(why=whys, test=tests).reindex(columns=list(JOB_CARD_COLUMNS))
    return table.sort_values(
        ["on", "vehicle", "task", "component", "location"], kind="stable"
    ).reset_index(drop=True)


def _reasons(table: pd.DataFrame, due: pd.DataFrame, intervals: pd.DataFrame) -> list[str]:
    """State of each job in the due list, and the interval that asks for it."""
    keys = ["vehicle", "component", "location", "task"]
    known = due.drop_duplicates(keys).set_index(keys)[["state", "limit"]]
    found = known.reindex(pd.MultiIndex.from_frame(table[keys]))
    del intervals
    words = []
    for state, limit in found.fillna("").to_numpy().tolist():
        words.append("; ".join(p for p in (str(state), str(limit) if state else "") if p))
    return words


def _test(component: str, location: str, task: str, parts: PlanParts) -> str:
    """Return what the test must show, in the study's words where it has any."""
    if task not in _TESTS:
        return "After the change: " + (_own(component, location, parts) or TEST_OF_FUNCTION)
    return _own(component, location, parts) or TEST_OF_FUNCTION


def _own(component: str, location: str, parts: PlanParts) -> str:
    first = component.split("; ")[0]
    name, _, place = first.partition(", ") if not location else (first, "", location)
    for base, where in ((first, location), (name, place)):
        text = stratum_settings(parts.study, base, where).test
        if text:
            return text
    return ""
