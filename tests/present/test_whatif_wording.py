"""Differences in words, and figures that draw what the tables say."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from relkit.present.scenario_files import scenario_file_name, write_scenario
from relkit.present.whatif_columns import (
    comparison_table,
    question_table,
    side_by_side_table,
    special_table,
)
from relkit.present.whatif_figures import (
    break_even_figure,
    difference_figure,
    joint_figure,
    relative_figure,
    tornado_figure,
)
from relkit.present.whatif_wording import (
    answer_sentences,
    break_even_sentence,
    change_range_text,
    change_text,
    difference_sentence,
    headline,
    interval_sentences,
    scenario_sentences,
)
from relkit.whatif.break_even import BreakEven
from relkit.whatif.comparison import Comparison
from relkit.whatif.questions import QUESTIONS, Answer
from relkit.whatif.scenario import Scenario
from relkit.whatif.scenario_files import read_scenario

NAN = float("nan")


def made_comparison() -> Comparison:
    measures = pd.DataFrame(
        [
            ("A", "failures", "failures", 20.0, 12.0, -8.0, -10.0, -6.0, "", 1.0),
            ("A", "cost", "cost", 9000.0, 9100.0, 100.0, -50.0, 240.0, "marks", 0.2),
            ("A", "checks", "tests and looks", 40.0, 40.0, 0.0, 0.0, 0.0, "", NAN),
            ("B", "failures", "failures", 20.0, 25.0, 5.0, 4.0, 6.0, "", 0.0),
        ],
        columns=["scenario", "measure", "words", "today", "then", "difference", "lower", "upper",
                 "unit", "probability"],
    )  # fmt: skip
    intervals = pd.DataFrame(
        {
            "scenario": ["A", "A"],
            "component": ["camera", "lead"],
            "location": ["rear", "chassis"],
            "task_today": ["run to failure", "failure-finding"],
            "task": ["planned replacement", "failure-finding"],
            "interval_today": [NAN, 300.0],
            "interval": [1500.0, 300.0],
            "changed": [True, False],
        }
    )
    return Comparison(
        measures=measures,
        intervals=intervals,
        items=pd.DataFrame(),
        scenarios=(Scenario("A"), Scenario("B")),
        notes={"A": ("an assumption",), "B": ()},
        clock="engine_hours",
        currency="marks",
        months={"A": 12.0, "B": 12.0},
    )


def made_break_even(value: float = 1.2) -> BreakEven:
    places = np.linspace(1.0, 2.0, 5)
    curve = pd.DataFrame({"value": places, "difference": 100 * (1.2 - places)})
    curve = curve.assign(lower=curve["difference"] - 10, upper=curve["difference"] + 10)
    status = "ok" if math.isfinite(value) else "more than today everywhere in between"
    path = "changes.lives.1.scale_factor"
    return BreakEven(path, "yearly_cost", value, 1.1, 1.3, 1.0, curve, status)


def test_a_difference_says_more_or_less_and_never_a_bare_sign() -> None:
    # Source: made numbers.
    assert change_text(-8.0) == "8 less"
    assert change_text(0.0, "h") == "no difference"
    assert change_text(NAN) == "not known"
    assert change_range_text(-10.0, -6.0) == "6 to 10 less"
    assert change_range_text(-50.0, 240.0) == "from 50 less to 240 more"
    assert change_range_text(3.0, 3.0) == ""


def test_a_measure_is_told_with_both_sides_and_its_range() -> None:
    # Source: made comparison.
    rows = made_comparison().measures.to_dict("records")
    assert difference_sentence(rows[0], 12.0) == (
        "Failures over 12 months: 8 less (6 to 10 less), 12 instead of 20."
    )
    assert difference_sentence(rows[1], 12.0) == (
        "Cost over 12 months: 100 marks more (from 50 less to 240 more), "
        "9,100 marks instead of 9,000 marks."
    )
    assert "over 12 months" not in difference_sentence(rows[0] | {"measure": "spares"}, 12.0)


def test_a_scenario_is_told_with_what_stays_and_what_was_assumed() -> None:
    # Source: made comparison.
    said = scenario_sentences(made_comparison(), "A")
    assert said[2:] == [
        "No difference in tests and looks.",
        "Camera, rear: replace every 1,500 h instead of nothing until it fails.",
        "An assumption.",
    ]
    assert interval_sentences(made_comparison(), "B") == []
    assert headline(made_comparison(), "B") == (
        "Failures over 12 months: 5 more (4 to 6 more), 25 instead of 20."
    )


def test_a_break_even_value_is_told_with_its_range_or_that_there_is_none() -> None:
    # Source: made.
    assert break_even_sentence(made_break_even()) == (
        "The cost in the long run is as today at a life factor of 1.2 (1.1 to 1.3)."
    )
    assert break_even_sentence(made_break_even(NAN)) == (
        "Break-even of the life factor: none in between, more than today everywhere in between."
    )


def test_a_question_that_cannot_be_asked_says_so() -> None:
    # Source: made answer.
    made = Answer(QUESTIONS[9], reason="log: no job of the log has an unknown cause")
    assert answer_sentences(made) == [
        "Cannot be asked of this study: log: no job of the log has an unknown cause."
    ]


def test_tables_hold_each_scenario_s_difference_with_its_range() -> None:
    # Source: made comparison.
    table = comparison_table(made_comparison())
    assert [cell.text for cell in table.rows[0]] == [
        "A", "Failures", "20", "12", "8 less", "6 to 10 less", "100 %",
    ]  # fmt: skip
    assert [row[0].text for row in table.rows] == ["A", "", "", "B"]
    side = side_by_side_table(made_comparison())
    assert side.titles == ("Difference from today", "A", "B")
    assert [cell.range for cell in side.rows[0]] == ["", "-10 to -6", "4 to 6"]
    assert [cell.text for cell in side.rows[1]] == ["Cost [marks]", "100", "–"]  # noqa: RUF001
    assert len(question_table().rows) == 24


def test_a_table_of_records_is_shown_whole() -> None:
    # Source: made table.
    table = pd.DataFrame(
        [("", "today", 10.0, 5.0, 2.5, 0.0, 0.0), ("serials", "without", 10.0, 5.0, 2.6, 1.0, 0.0)],
        columns=["datum", "case", "lives", "failures", "range", "tasks", "intervals"],
    )
    assert len(special_table("records", table, "days").rows) == 2


@pytest.mark.parametrize("measure", ["failures", "cost"])
def test_a_difference_figure_draws_the_table(measure: str) -> None:
    # Source: made comparison.
    figure = difference_figure(made_comparison(), measure)
    rows = made_comparison().measures.query("measure == @measure").iloc[::-1]
    assert list(figure.data[0].x) == rows["difference"].tolist()
    reach = figure.data[0].error_x.array + figure.data[0].x
    assert list(reach) == rows["upper"].tolist()
    assert figure.layout.meta["alternative"].startswith("Difference from today in")


def test_a_relative_figure_is_per_cent_of_today() -> None:
    # Source: made comparison; -8 of 20 is 40 % less.
    figure = relative_figure(made_comparison().measures.query("scenario == 'A'"))
    assert list(figure.data[0].x) == [0.0, 100 * 100 / 9000, -40.0]
    assert "failures 40 % less" in figure.layout.meta["alternative"]


def test_a_tornado_draws_both_ends_from_the_middle() -> None:
    # Source: made table.
    table = pd.DataFrame(
        {
            **{"words": ["price", "life"], "low": [0.5, 0.8], "high": [2.0, 1.25]},
            **{"difference": [10.0, 10.0], "at_low": [-40.0, 30.0], "at_high": [110.0, -5.0]},
            **{"at_low_lower": [-50.0, 25.0], "at_low_upper": [-30.0, 35.0]},
            **{"at_high_lower": [100.0, -9.0], "at_high_upper": [120.0, -1.0]},
        }
    )
    figure = tornado_figure(table, measure="cost", unit="marks")
    low, high = figure.data
    assert [base + x for base, x in zip(low.base, low.x, strict=True)] == [30.0, -40.0]
    assert list(high.x) == [-15.0, 100.0]
    assert "price 0.5: 40 marks less" in figure.layout.meta["alternative"]


def test_shares_and_break_even_are_drawn_and_told() -> None:
    # Source: made tables.
    shares = pd.DataFrame(
        {"words": ["a", "b"], "rank_correlation": [0.9, NAN], "share": [0.8, 0.2]}
    )
    assert list(joint_figure(shares).data[0].x) == [20.0, 80.0]
    figure = break_even_figure(made_break_even(), x_title="Life", unit="marks")
    assert figure.layout.meta["alternative"] == break_even_sentence(made_break_even())
    assert figure.layout.shapes[-1].x0 == 1.2


def test_a_scenario_is_written_whole_and_read_back(tmp_path: Path) -> None:
    # Source: invariant.
    scenario = Scenario("Better item: life x 1.6!", question="why?")
    path = write_scenario(scenario, tmp_path / "new" / scenario_file_name(scenario.name))
    assert path.name == "better_item_life_x_1_6.toml"
    assert read_scenario(path) == scenario
