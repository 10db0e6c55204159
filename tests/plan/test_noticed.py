"""What the log shows: every question has an answer in words, with the rows behind it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.plan.noticed import _warned
from relkit.plan.noticed_batches import batches, labelled
from relkit.plan.noticed_events import failure_rows, position_events
from relkit.plan.noticed_fixes import FIX, concerned
from relkit.plan.noticed_rows import COLUMNS, answer, noticed_frame, sources
from relkit.plan.result import Plan
from relkit.study.fix_settings import FixSettings
from relkit.study.settings import Study

MadeStudy = Callable[..., Study]

QUESTIONS = {
    "bad batch", "do repairs hold", "did a fix work", "campaign or retrofit", "common cause",
    "fixed first time", "vehicles that keep failing", "how it fails", "better or worse",
    "wear or damage", "which clock", "which life distribution", "may places be pooled",
    "which item had failed",
}  # fmt: skip
FIX_OF_ALL = """
[[fixes]]
name = "guard fitted"
date = 2023-01-01
component = "camera"
"""


@pytest.fixture(scope="module")
def demo() -> Plan:
    path = Path(__file__).parents[2] / "data_demo" / "dirty" / "study.toml"
    return relkit.build_plan(relkit.read_study(path))


def fix_row(plan: Plan) -> pd.Series:
    return plan.noticed[plan.noticed["question"].eq(FIX)].iloc[0]


def test_every_question_is_answered(demo: Plan) -> None:
    # Source: the questions that a plan asks of every log.
    table = demo.noticed
    assert tuple(table.columns) == COLUMNS
    assert set(table["question"]) == QUESTIONS
    assert table["note"].str.len().gt(10).all()
    assert table["note"].str.endswith(".").all()
    assert set(table["finding"]) <= {"found", "nothing found", "not looked for", "shown"}


def test_rows_behind_a_finding_are_rows_of_the_log(demo: Plan) -> None:
    # Source: every id is FILE:ROW of a row that was read.
    known = set(demo.row_classes["source"])
    for text in demo.noticed.loc[demo.noticed["finding"].eq("found"), "rows"]:
        named = [name for name in text.split("; ") if not name.startswith("and ")]
        assert named
        assert set(named) <= known


def test_items_of_a_bad_batch_are_those_still_in_service(demo: Plan) -> None:
    # Counted from the lives.
    lives = demo.lives
    own = lives["serial"].str.startswith("M3-") & lives["ended_by"].eq("still in service")
    assert set(demo.batch_items["serial"]) == set(lives.loc[own, "serial"])
    note = demo.noticed["note"].iloc[0]
    assert f"{own.sum()} items of" in note
    assert all(vehicle in note for vehicle in lives.loc[own, "vehicle"].unique())


def test_verdict_and_trend_stand_beside_each_interval(demo: Plan) -> None:
    # Source: one verdict per stratum, the same in both tables.
    for table in (demo.intervals, demo.fits):
        assert set(table["verdict"]) <= {
            "early-life", "random", "wearing out", "mixed", "too few to tell",
        }  # fmt: skip
        assert set(table["grade"]) <= {"strong", "fair", "weak", "none"}
    by = list(demo.study.by)
    pair = demo.intervals.set_index(by)["verdict"], demo.fits.set_index(by)["verdict"]
    pd.testing.assert_series_equal(pair[0].sort_index(), pair[1].sort_index())


def test_a_trend_that_the_fitted_life_does_not_carry_is_a_warning() -> None:
    # Own construction.
    table = pd.DataFrame(
        {"trend": ["worsening", "no trend shown", ""], "warnings": ["3 ages unknown", "", ""]}
    )
    warned = _warned(table)["warnings"].tolist()
    assert warned[0].startswith("3 ages unknown; the gaps between failures grow shorter")
    assert warned[1:] == ["", ""]


def test_a_study_that_names_no_fix_is_told_how_to(made_study: MadeStudy) -> None:
    # Source: said plainly, not left out.
    row = fix_row(relkit.build_plan(made_study()))
    assert row["finding"] == "not looked for"
    assert "[[fixes]]" in row["note"]


def test_a_fix_is_judged_before_against_after(made_study: MadeStudy) -> None:
    # Counted from the lives of the hand-made log, whose failures come at a steady rate.
    plan = relkit.build_plan(made_study(FIX_OF_ALL))
    row, lives = fix_row(plan), plan.lives[plan.lives["component"].eq("camera")]
    failed = lives[lives["failed"]]
    before = int((failed["ended_on"] < pd.Timestamp("2023-01-01")).sum())
    assert f"before {before} failures" in row["note"]
    assert f"after {len(failed) - before} failures" in row["note"]
    assert row["lower"] < 1 < row["upper"]
    assert row["verdict"] == "no effect shown yet"
    assert set(row["rows"].split("; ")) == set("; ".join(failed["closed_by"]).split("; "))


def test_vehicles_without_a_fix_are_its_controls(made_study: MadeStudy) -> None:
    # Source: the estimate is then that against the controls, and the past is looked at.
    where = 'where = { class = ["small"] }\n'
    row = fix_row(relkit.build_plan(made_study(FIX_OF_ALL + where)))
    assert "against the vehicles without it" in row["note"]
    assert "past" in row["note"] or "before" in row["note"]


def test_what_a_fix_does_not_concern_is_said(made_study: MadeStudy) -> None:
    # Source: a wrong name in the study is not a failure of the log.
    other = FIX_OF_ALL.replace('"camera"', '"compass"')
    assert "no life in the log" in fix_row(relkit.build_plan(made_study(other)))["note"]
    column = FIX_OF_ALL + 'where = { colour = ["red"] }\n'
    assert 'no column "colour"' in fix_row(relkit.build_plan(made_study(column)))["note"]


def test_a_fix_of_a_component_concerns_its_types_too() -> None:
    # Source: "cable" names every cable, "cable, re-made joint" that type only.
    lives = pd.DataFrame({"component": ["cable", "cable, re-made joint", "camera"]})
    day = pd.Timestamp("2024-02-01").date()
    wide = FixSettings(name="a", date=day, component="cable")
    narrow = FixSettings(name="b", date=day, component="cable, re-made joint")
    assert len(concerned(lives, wide)) == 2
    assert concerned(lives, narrow)["component"].tolist() == ["cable, re-made joint"]


def test_a_log_without_failures_says_so(made_study: MadeStudy) -> None:
    # Own construction: one planned change, nothing failed.
    plan = relkit.build_plan(made_study(log=["2022-06-10,V1,camera,front,planned,replaced"]))
    assert plan.noticed["verdict"].tolist() == ["no failures"]


def test_batches_are_told_by_serial_else_by_half_year() -> None:
    # Source: half or more of a component's serials must have a prefix.
    lives = pd.DataFrame(
        {
            "component": ["camera"] * 3 + ["cable"] * 2,
            "serial": ["M3-1", "K2-7", "", "", "C1-4"],
            "fitted_on": pd.to_datetime(["2023-04-01"] * 4 + ["2023-08-01"]),
        }
    )
    assert labelled(lives)["label"].tolist() == ["M3", "K2", "", "", "C1"]
    blank = lives.assign(serial="")
    assert set(labelled(blank)["label"]) == {"2023 H1", "2023 H2"}


def test_a_very_large_log_is_screened_in_part_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    # Own construction: with a small budget only the largest batches are compared.
    rng = np.random.default_rng(1)
    n = 600
    lives = pd.DataFrame(
        {
            "component": "camera", "location": "rear", "vehicle": "V1",
            "serial": [f"A{i}-1" for i in rng.integers(0, 30, n)], "entry": 0.0,
            "age": rng.exponential(1.0, n) + 0.01, "failed": True, "ended_by": "failure",
            "fitted_on": pd.Timestamp("2022-01-01"), "opened_by": "a:1", "closed_by": "a:2",
        }
    )  # fmt: skip
    monkeypatch.setattr("relkit.plan.noticed_batches._MOST_WORK", 6 * n)
    rows, _ = batches(lives, 0.95)
    assert sum(row["verdict"] != "log too large" for row in rows) == 6
    assert any("24 smaller batches were not compared" in row["note"] for row in rows)


def test_failures_of_unknown_start_count_and_masked_jobs_count_once() -> None:
    # Counted by hand: two failures, one of them of an item of unknown start, one masked job.
    jobs = pd.DataFrame(
        {
            "source": list("abcdef"), "vehicle": "V1",
            "date": pd.to_datetime(["2022-01-01"] * 2 + ["2022-02-01"] * 2 + ["2022-03-01"] * 2),
            "finding": ["failed", "planned", "one view dark", "one view dark", "failed", "failed"],
        }
    )  # fmt: skip
    classes = ["failure", "opens life", "masked", "masked", "opens life", "recurrence"]
    table = pd.DataFrame({"source": jobs["source"], "row_class": classes})
    found = failure_rows(jobs, table, _study())
    assert len(found) == 3


def _study() -> Study:
    path = Path(__file__).parents[2] / "data_demo" / "dirty" / "study.toml"
    return relkit.read_study(path)


def test_a_positions_clock_runs_on_through_its_items() -> None:
    # Counted by hand: watched from age 100; items of 300 h and 50 h, the second still going.
    lives = pd.DataFrame(
        {
            "vehicle": "V1", "component": ["cable", "cable, re-made joint"], "location": "rear",
            "fitted_on": pd.to_datetime(["2021-01-01", "2022-01-01"]), "entry": [100.0, 0.0],
            "age": [300.0, 50.0], "failed": [True, False],
        }
    )  # fmt: skip
    events, ends = position_events(lives, _study())
    assert events["age"].tolist() == [300.0]
    assert ends[["start", "end"]].to_numpy().tolist() == [[100.0, 350.0]]
    assert ends["component"].tolist() == ["cable"]


def test_rows_are_ordered_and_named() -> None:
    # Source: what was found comes first within its question.
    rows = [answer("b", "nothing found", "v", "n."), answer("a", "shown", "v", "n."),
            answer("b", "found", "v", "n.")]  # fmt: skip
    assert noticed_frame(rows)[["question", "finding"]].to_numpy().tolist() == [
        ["b", "found"], ["b", "nothing found"], ["a", "shown"],
    ]  # fmt: skip
    assert sources(pd.Series(["a:1; a:2", "", None, "a:1"])) == "a:1; a:2"
    with pytest.raises(ValueError, match="no column size"):
        answer("a", "shown", "v", "n.", size=3)
