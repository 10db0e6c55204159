"""Figures of decisions show the numbers of their tables, and nothing else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.plan.result import Plan
from relkit.present.decision_figures import (
    cost_figure,
    due_figure,
    interval_figure,
    unavailability_figure,
)
from relkit.present.unknown import item_names

CLOCK = "engine_hours"


def chosen(plan: Plan, table: str, location: str) -> tuple[pd.DataFrame, pd.Series]:
    curve = getattr(plan, table)
    row = plan.intervals[plan.intervals["location"] == location].iloc[0]
    return curve[curve["location"] == location], row


def test_cost_is_per_thousand_hours_with_its_span(plan: Plan) -> None:
    # Source: the tables themselves, times 1,000.
    curve, row = chosen(plan, "cost_curves", "spreader chute")
    figure = cost_figure(curve, row, name="camera", clock=CLOCK, currency="money units")
    upper, lower, expected, failure = figure.data
    np.testing.assert_allclose(expected.y, curve["cost_rate"] * 1000)
    np.testing.assert_allclose(upper.y, curve["cost_rate_upper"] * 1000)
    np.testing.assert_allclose(lower.y, curve["cost_rate_lower"] * 1000)
    assert failure.y[0] == pytest.approx(row["run_to_failure_cost_rate"] * 1000)
    span, mark = figure.layout.shapes
    assert (span.x0, span.x1) == (row["span_lower"], row["span_upper"])
    assert mark.x0 == row["interval"]
    assert figure.layout.yaxis.title.text == "Cost per 1,000 h [money units]"
    assert "845 to 1,130 h" in figure.layout.meta["alternative"]


def test_unavailability_shows_target_and_choice(plan: Plan) -> None:
    # Source: the tables themselves.
    curve, row = chosen(plan, "unavailability_curves", "boom arm")
    figure = unavailability_figure(curve, row, name="camera", clock=CLOCK)
    np.testing.assert_array_equal(figure.data[2].y, curve["unavailability"])
    np.testing.assert_array_equal(figure.data[2].x, curve["interval"])
    assert set(figure.data[3].y) == {row["target_unavailability"]}
    text = figure.layout.meta["alternative"]
    assert "500 h" in text
    assert "1.2 %" in text
    assert "2 %" in text


def test_intervals_keep_ranges_and_name_what_has_none(plan: Plan) -> None:
    # Source: the table itself.
    names = item_names(plan.intervals, plan.study.by)
    figure = interval_figure(plan.intervals, names, clock=CLOCK)
    assert [trace.name for trace in figure.data] == ["Replace", "Test"]
    tests = figure.data[1]
    rows = plan.intervals[plan.intervals["task"] == "failure-finding"]
    assert sorted(tests.x) == sorted(rows["interval"])
    np.testing.assert_allclose(
        np.sort(tests.x + np.asarray(tests.error_x["array"])), np.sort(rows["interval_upper"])
    )
    text = figure.layout.meta["alternative"]
    assert "Trigger wire" not in text.split(".")[0]
    assert "camera, rear high" in text.split("No interval:")[1]


def test_each_position_counts_once_in_the_month_it_is_due(plan: Plan) -> None:
    # Source: counted by hand in the table itself; the log of the made plan ends in July 2025.
    figure = due_figure(plan.due, today=plan.observed_until)
    counts = dict.fromkeys(figure.data[0].x, 0)
    for bars in figure.data:
        for place, count in zip(bars.x, bars.y, strict=True):
            counts[place] += count
    assert sum(counts.values()) == len(plan.due) == 94
    assert [counts[name] for name in ("overdue", "never<br>tested", "age<br>unknown")] == [9, 6, 5]
    later = plan.due[plan.due["state"].isin(["due", "later"])]
    august = (later["due_on"] >= "2025-08-01") & (later["due_on"] < "2025-09-01")
    assert counts["Aug<br>2025"] == august.sum()
    assert list(counts)[3:5] == ["Jul<br>2025", "Aug<br>2025"]
    assert [bars.name for bars in figure.data] == ["Replace", "Test"]
    assert len({bars.marker.pattern.shape for bars in figure.data}) == 2
    assert "overdue 9, never tested 6" in figure.layout.meta["alternative"]


def test_positions_without_a_date_or_beyond_a_year_come_after_that(plan: Plan) -> None:
    # Source: common practice.
    dates = pd.to_datetime(["2027-01-01", None, "2025-05-01"])
    due = plan.due.tail(3).assign(due_on=dates, state=["later", "later", "due"])
    figure = due_figure(due, today=plan.observed_until)
    counts = {
        place: sum(bars.y[i] for bars in figure.data) for i, place in enumerate(figure.data[0].x)
    }
    assert counts["after<br>that"] == 2
    assert counts["Jul<br>2025"] == 1


def test_names_are_shown_as_written(plan: Plan, hostile: Plan) -> None:
    # Source: plotly reads a few tags in texts (its documentation), so signs of markup are masked.
    names = item_names(hostile.intervals, plan.study.by)
    figure = interval_figure(hostile.intervals, names, clock=CLOCK)
    assert "camera<br>=1+1 &lt;i&gt;" in figure.layout.yaxis.categoryarray


def test_empty_tables_say_so(empty: Plan) -> None:
    # Source: common practice.
    names = item_names(empty.intervals, empty.study.by)
    assert len(interval_figure(empty.intervals, names, clock=CLOCK).data) == 0
    assert "Nothing" in due_figure(empty.due, today=empty.observed_until).layout.meta["alternative"]
