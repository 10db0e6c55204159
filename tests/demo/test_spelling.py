"""How the words of the log are written, and the notes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.demo.dirt import dirty_rows
from relkit.demo.frames import DemoHistory
from relkit.demo.notes import mistyped, plain_notes, shorthand_notes
from relkit.demo.spelling import VARIANTS, misspelt


@pytest.fixture(scope="module")
def pair(large_history: DemoHistory) -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = dirty_rows(large_history, np.random.default_rng(1), size=20)
    return rows.copy(), misspelt(rows, np.random.default_rng(2))


def test_words_are_ours_or_one_of_their_variants(
    pair: tuple[pd.DataFrame, pd.DataFrame],
) -> None:
    # Source: the table of variants, which also goes into the study file.
    before, after = pair
    for column, variants in VARIANTS.items():
        for word, written in zip(before[column], after[column], strict=True):
            assert written in (word, *variants.get(word, ()), *([""] if "ing" in column else []),
                               *([""] if column == "action" else []))  # fmt: skip


def test_three_spellings_of_a_vehicle(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    # Source: own scenario: vehicle ids in three spellings. Bound: 4 binomial standard errors.
    before, after = pair
    digits = after["vehicle"].str.extract(r"(\d+)")[0].astype(int)
    assert digits.equals(before["vehicle"].str.extract(r"(\d+)")[0].astype(int))
    letters = after["vehicle"].str[:2].str.upper()
    assert letters.equals(before["vehicle"].str[:2])
    plain = after["vehicle"].str.contains("-").mean()
    small = after["vehicle"].str.contains(" ").mean()
    bound = 4 * np.sqrt(0.25 / len(after))
    assert plain == pytest.approx(0.6, abs=bound)
    assert small == pytest.approx(0.2, abs=bound)


def test_a_place_was_renamed(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    # Source: own scenario: "rear" renamed "rear high" on 2022-05-01.
    _, after = pair
    rear = after["location"].eq("rear")
    assert after.loc[rear, "file_day"].max() < 19113  # 2022-05-01
    assert after.loc[after["location"].eq("rear high"), "file_day"].min() >= 19113
    assert after["planted"].str.contains("renamed location").equals(rear)


def test_one_technician_writes_near_and_off(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    # Source: own scenario: near and off side words by one technician.
    before, after = pair
    other = after["location"].str.contains("nearside|offside")
    writer = after.loc[other, "technician"].iloc[0]
    own = after["technician"].eq(writer)
    side = before["location"].isin(VARIANTS["location"]) & before["location"].ne("rear high")
    assert other.equals(own & side)
    assert after["technician"].nunique() == 5


def test_one_row_in_ten_has_no_code(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    # Source: own scenario: 10 % with no code. Bound: 4 binomial standard errors; some codes
    # are always written. Where no life ended the action is still coded.
    before, after = pair
    bare = after["planted"].str.contains("no code")
    able = ~before["finding"].isin(
        ["campaign", "external damage", "planned", "found failed at check", "not fitted",
         "power feed", ""]
    )  # fmt: skip
    assert bare[able].mean() == pytest.approx(0.10, abs=4 * np.sqrt(0.09 / able.sum()))
    assert not bare[~able].any()
    assert after.loc[bare, "finding"].eq("").all()
    minor = bare & after["row_class"].eq("recurrence")
    assert after.loc[minor, "action"].ne("").all()
    assert after.loc[bare & before["action"].eq("replaced"), "action"].eq("").all()


def test_typing_errors_change_one_place() -> None:
    # Source: definition: two letters swapped or one left out.
    texts = ["plough blade camera dead, new camera fitted"] * 400
    written = mistyped(np.random.default_rng(1), texts, share=0.3)
    changed = [text for text in written if text != texts[0]]
    assert 0.15 < len(changed) / len(texts) < 0.35
    assert {len(texts[0]) - len(text) for text in changed} == {0, 1}
    for text in changed:
        if len(text) == len(texts[0]):
            assert sorted(text) == sorted(texts[0])
    assert mistyped(np.random.default_rng(1), texts, share=0.0) == texts


def test_notes_name_the_place() -> None:
    # Source: definition of the phrases.
    args = (["failed", "failed", "cleaned"], ["camera", "trigger wire", "camera"],
            ["rear high", "reverse", "boom arm"])  # fmt: skip
    for notes in (plain_notes, shorthand_notes):
        written = notes(np.random.default_rng(3), *args)
        assert [place in text for place, text in zip(args[2], written, strict=True)] == [True] * 3
    with pytest.raises(KeyError):
        plain_notes(np.random.default_rng(3), ["unheard of"], ["camera"], ["rear high"])


def test_no_note_starts_like_a_formula(pair: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    # Source: common practice: the demo's own cells are harmless in a spreadsheet.
    _, after = pair
    assert not after["note"].str.match(r"[=+\-@\t]").any()
