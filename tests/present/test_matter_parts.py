"""Other treatments of the data in words; the table is made by hand."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.matter_parts import leaning, matter_sentence, tried_each


def _tried(plan: Plan) -> Plan:
    rows = []
    for alternative, moved in (("left out", (0, 2)), ("each of them failed", ())):
        for place, row in enumerate(plan.intervals.to_dict("records")):
            then = row["interval"] * 1.5 if place in moved else row["interval"]
            rows.append(
                {
                    "component": row["component"],
                    "location": row["location"],
                    "treatment": "some rows",
                    "now": "used",
                    "alternative": alternative,
                    "rows": 12,
                    "failures": row["failures"],
                    "failures_then": row["failures"],
                    "scale": row["scale"],
                    "scale_then": row["scale"],
                    "task": row["task"],
                    "task_then": "run to failure" if place in moved else row["task"],
                    "interval": row["interval"],
                    "interval_then": then,
                    "change": then / row["interval"] - 1,
                    "matters": place in moved,
                }
            )
    return replace(plan, treatments_tried=pd.DataFrame(rows))


def test_nothing_tried_is_said(plan: Plan) -> None:
    assert "not tried" in matter_sentence(plan)
    assert tried_each(plan) == ()
    assert set(leaning(plan)) == {""}


def test_those_that_change_most_come_first(plan: Plan) -> None:
    tried = tried_each(_tried(plan))
    assert [one.then for one in tried] == ["left out", "each of them failed"]
    assert tried[0].changed.count(":") == 2
    assert tried[1].changed == ""
    assert tried[0].rows == "12 rows"


def test_counts_in_words(plan: Plan) -> None:
    made = _tried(plan)
    count = len(plan.intervals)
    assert f"in 2 other ways, one at a time: task and interval of {count - 2} of {count}" in (
        matter_sentence(made)
    )
    words = leaning(made)
    assert words[0].startswith("stands under 1 of 2 other treatments of the data; leans most on")
    assert words[1] == "stands under 2 of 2 other treatments of the data"
