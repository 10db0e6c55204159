"""Displays for notebooks: text and HTML of the same numbers."""

from __future__ import annotations

import pytest

from relkit.plan.result import Plan
from relkit.present.notebook import (
    show_accounts,
    show_cautions,
    show_classes,
    show_figure,
    show_findings,
    show_intervals,
    show_item,
    show_set_aside,
    show_table,
    show_why,
)


def test_intervals_in_short(plan: Plan) -> None:
    # Source: the made plan.
    shown = show_intervals(plan)
    line = next(x for x in repr(shown).splitlines() if x.startswith("camera, spreader chute"))
    assert "1,000 (860 to 1,140)" in line
    assert "every 4th 250 h service" in line
    assert ">1,000<br><small" in shown._repr_html_()
    assert ">(860 to 1,140)</small></td>" in shown._repr_html_()


def test_every_table_of_the_plan_can_be_shown(plan: Plan) -> None:
    # Source: common practice.
    for name in ("intervals", "visits", "due", "spares", "fits", "findings", "set_aside"):
        shown = show_table(plan, name, most=5)
        assert shown.html.count("<tr>") <= 6
    assert repr(show_table(plan, "due", most=5)).endswith("first 5 of 94")
    with pytest.raises(ValueError, match="no table is called 'dues'; there are: intervals"):
        show_table(plan, "dues")


def test_reasons_and_figures_of_one_item(plan: Plan) -> None:
    # Source: the made plan.
    assert "Why not longer: Longer would cost more" in repr(show_why(plan, "camera, plough blade"))
    figures = show_item(plan, "camera, plough blade")
    assert list(figures) == ["How long it lasts", "On Weibull paper", "What it costs"]
    assert "40 failures" in repr(show_figure(figures["How long it lasts"]))
    for show in (show_why, show_item):
        with pytest.raises(ValueError, match="no item is called 'lamp'; there are: cable"):
            show(plan, "lamp")


def test_accounts_of_rows(plan: Plan) -> None:
    # Source: the made plan.
    assert "log             886     828           58" in repr(show_accounts(plan.row_classes))
    assert "recurrence" in repr(show_classes(plan.row_classes))
    assert "duplicate" in repr(show_set_aside(plan.set_aside))
    assert "61 items" in repr(show_findings(plan.findings))


def test_wild_names_stay_text_in_html(hostile: Plan) -> None:
    # Source: common practice.
    assert "<i>" not in show_table(hostile, "intervals").html
    assert "<script" not in show_table(hostile, "intervals").html


def test_cautions_are_complete() -> None:
    # Source: the safety lines belong to every output.
    assert "eye protection, gloves and safety shoes" in repr(show_cautions())
