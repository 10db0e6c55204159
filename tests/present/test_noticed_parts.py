"""What the log shows on page, workbook and notebook: sentences, figures, tables, and nothing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from relkit.plan.noticed_batches import BATCH
from relkit.plan.noticed_fixes import FIX
from relkit.plan.noticed_repairs import RETURNS
from relkit.plan.noticed_rows import answer, noticed_frame
from relkit.plan.result import Plan
from relkit.present import notebook_noticed
from relkit.present.noticed_parts import log_shows, noticed_context, noticed_figures, with_luck
from relkit.present.page import write_page
from relkit.present.workbook import write_workbook


def _rows() -> pd.DataFrame:
    like = {"unit": "times", "lives": 34.0, "failures": 15.0, "component": "camera"}
    return noticed_frame(
        [
            answer(
                BATCH, "found", "bad batch", "Camera, serial prefix M3: fails <more> often.",
                group="serial prefix M3", estimate=2.0, lower=1.1, upper=3.3, p_value=0.00004,
                rows="log.csv:7; log.csv:9", **like,
            ),
            answer(
                BATCH, "nothing found", "like the others", "Camera, serial prefix K1: alike.",
                group="serial prefix K1", estimate=0.9, lower=0.5, upper=1.4, p_value=0.7, **like,
            ),
            answer(
                FIX, "nothing found", "no effect shown yet", "Training: too small to show.",
                group="training (2024-02-01)", estimate=0.4, lower=0.06, upper=1.7, unit="times",
                p_value=0.2,
            ),
            answer(
                RETURNS, "nothing found", "no more than by chance", "After cleaned: 2 of 40.",
                group="cleaned", estimate=5.0, lower=1.0, upper=17.0, unit="%", lives=40.0,
                failures=2.0, p_value=0.6,
            ),
        ]
    )  # fmt: skip


def _curves() -> pd.DataFrame:
    steps = pd.DataFrame(
        {
            "age": [100.0, 400.0] * 2, "survival": [0.9, 0.6, 0.98, 0.9],
            "lower": [0.7, 0.4, float("nan"), float("nan")],
            "upper": [0.97, 0.8, float("nan"), float("nan")], "at_risk": 5.0,
            "series": ["serial prefix M3"] * 2 + ["others at the same places"] * 2,
        }
    )  # fmt: skip
    return steps.assign(question=BATCH, component="camera", group="serial prefix M3")


@pytest.fixture
def shown(plan: Plan) -> Plan:
    items = pd.DataFrame(
        {
            "component": "camera", "label": "M3", "vehicle": ["SW-02"], "location": "rear high",
            "serial": "M3-1", "fitted_on": pd.Timestamp("2023-05-01"), "age": 1200.0,
            "opened_by": "log.csv:3",
        }
    )  # fmt: skip
    recurrence = pd.DataFrame(
        {
            "grouping": ["all vehicles", "depot", "depot"], "group": ["all", "north", "south"],
            "age": 900.0, "at_risk": 9, "events": 3, "mean_cumulative": [3.0, 4.0, 2.0],
            "lower": [2.0, 3.0, 1.0], "upper": [4.0, 5.0, 3.0],
        }
    )  # fmt: skip
    incidence = pd.DataFrame(
        {
            "component": "camera", "location": "kerb side",
            "mode": ["external damage", "own failure"], "age": [500.0, 700.0], "at_risk": 8,
            "failures": [4, 9], "cumulative_incidence": [0.1, 0.3], "lower": [0.05, 0.2],
            "upper": [0.2, 0.4],
        }
    )  # fmt: skip
    return replace(
        plan, noticed=_rows(), finding_curves=_curves(), batch_items=items,
        recurrence=recurrence, incidence=incidence,
    )  # fmt: skip


def test_found_things_and_judged_fixes_are_told_first(shown: Plan) -> None:
    # Source: the made rows above.
    cards = log_shows(shown)
    assert [card.heading for card in cards] == ["A bad batch", "A fix, before and after"]
    assert cards[0].figures == (("shows-0", "Share still working, against its like"),)
    assert cards[0].rows == "log.csv:7; log.csv:9"


def test_what_was_not_found_is_said_too(shown: Plan) -> None:
    # Source: the made rows above.
    told = noticed_context(shown)["shows_clear"]
    assert told.startswith("Looked for and not found: the effect of a fix, work after which")


def test_figures_say_their_numbers_in_words(shown: Plan) -> None:
    # Source: the made tables above.
    texts = {
        name: figure.layout.meta["alternative"] for name, figure in noticed_figures(shown).items()
    }
    assert "serial prefix M3: 60 % still work at 400 h" in texts["shows-0"]
    assert "camera M3 2 (1.1 to 3.3)" in texts["shows-ratios"]
    assert "training after over before 0.4 (0.06 to 1.7)" in texts["shows-ratios"]
    assert "after cleaned (n=40) 5 % (1 to 17)" in texts["shows-returns"]
    assert "north 4 (3 to 5); south 2 (1 to 3)" in texts["shows-per-depot"]
    assert texts["shows-modes"].startswith("Camera kerb side: share of items lost, by mode.")


def test_page_and_workbook_carry_it(shown: Plan, tmp_path: Path) -> None:
    # Source: the made rows above; signs of markup are shown as written.
    page = write_page(shown, tmp_path / "plan.html").read_text(encoding="utf-8")
    section = page.split('<section id="shows">')[1].split("</section>")[0]
    assert "serial prefix M3: fails &lt;more&gt; often." in section
    assert "SW-02" in section
    assert "serial prefix K1" in page.split('id="table-noticed"')[1]
    book = pd.read_excel(write_workbook(shown, tmp_path / "plan.xlsx"), sheet_name=None)
    assert book["What the log shows"]["In words"].tolist()[0].endswith("often.")
    assert book["Batch items"]["Vehicle"].tolist() == ["SW-02"]


def test_a_plan_without_it_has_no_such_section(plan: Plan, tmp_path: Path) -> None:
    # Source: an empty table: not made.
    bare = replace(plan, noticed=pd.DataFrame())
    page = write_page(bare, tmp_path / "plan.html").read_text(encoding="utf-8")
    assert 'id="shows"' not in page
    assert log_shows(bare) == ()
    assert noticed_figures(bare) == {}


def test_small_chances_are_told_in_words() -> None:
    # Source: own rule.
    table = with_luck(pd.DataFrame({"p_value": [1e-9, 0.0042, 0.7, float("nan")]}))
    assert table["p_value"].tolist() == ["below 0.001", "0.0042", "0.7", ""]


def test_notebook_shows_answers_and_says_what_there_is_not(shown: Plan) -> None:
    # Source: the made rows above.
    assert "A bad batch. Camera" in notebook_noticed.show_found(shown).text
    answers = notebook_noticed.show_answers(shown, BATCH).text
    assert "2 (1.1 to 3.3)" in answers
    assert "below 0.001" in answers
    assert "SW-02" in notebook_noticed.show_batch_items(shown).text
    bare = replace(shown, batch_items=pd.DataFrame(), candidates=pd.DataFrame())
    assert "No item" in notebook_noticed.show_batch_items(bare).text
    assert "No job" in notebook_noticed.show_candidates(bare).text
    with pytest.raises(ValueError, match="no question is called"):
        notebook_noticed.show_answers(shown, "who did it")


def test_notebook_has_a_picture_for_each_question_even_of_nothing(plan: Plan, shown: Plan) -> None:
    # Source: figures of the made tables, and of a plan that has none of them.
    nothing = replace(
        plan, noticed=_rows().iloc[:0], finding_curves=_curves().iloc[:0],
        recurrence=pd.DataFrame(), incidence=pd.DataFrame(),
    )  # fmt: skip
    for made in (shown, nothing):
        pictures = notebook_noticed.pictures(made)
        assert all(figure.layout.meta["alternative"] for figure in pictures.values())
        assert len(pictures) == 7
