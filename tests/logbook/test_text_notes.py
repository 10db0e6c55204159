"""Notes to findings and actions: denial, precedence, candidates, and measured precision."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from relkit.logbook.lexicon import compiled_lexicon
from relkit.logbook.text_notes import read_notes, words_not_understood

REFERENCES = Path(__file__).parent.parent / "references"

LEXICON = compiled_lexicon()


def read(text: str, **names: dict[str, tuple[str, ...]]) -> pd.Series:
    return read_notes([text], LEXICON, **names).iloc[0]


@pytest.mark.parametrize(
    ("text", "finding", "action"),
    [
        # the modes of the trade, plain and as a workshop writes them
        ("no pic rear, cam ftd new", "one view dark", "replaced"),
        ("several views dark", "several views dark", ""),
        ("nothing on any view", "all views dark", ""),
        ("screen dead", "display dead", ""),
        ("picture intermittent, lead chafed through", "wire fatigue", ""),
        ("lens filthy, wiped clean", "dirty picture", "cleaned"),
        ("wrong pic comes up", "wrong view", ""),
        ("view does not come up on reverse", "no view on trigger", ""),
        ("driver says front blk, no cam on this one", "view not fitted", ""),
        ("View front reported dark: never fitted.", "view not fitted", ""),
        ("cam full of water", "water in", ""),
        ("pins green at plug, plug chngd", "corrosion", "replaced"),
        ("cam knocked off by tree", "hit or damaged from outside", ""),
        ("plug loose, pushed back in", "loose connection", "reseated"),
        ("tested ok nff", "no fault found", "tested"),
        ("cut back lead + re-made joint", "", "joint re-made"),
        ("bk ok when lead unplugd", "came back when a cable was unplugged", ""),
        ("blown fuse", "power feed", ""),
        ("chngd this 1st, still blk", "fault stayed when this was changed", "replaced"),
        # an item that was taken out and put back goes on
        ("sensor cleaned and refitted", "", "cleaned"),
        ("cam removed and tested", "", "tested"),
        ("cam removed", "", "removed"),
        ("kerb side cam robbed for T12", "", "taken for another vehicle"),
        ("mirror smashed by lorry, new mirror fitted", "hit or damaged from outside", "replaced"),
    ],
)
def test_what_notes_say(text: str, finding: str, action: str) -> None:
    note = read(text)
    assert (note["finding"], note["action"]) == (finding, action)


@pytest.mark.parametrize(
    ("text", "finding", "action"),
    [
        ("no leak found", "no fault found", ""),
        ("no oil leaks", "", ""),
        ("hose not leaking", "", ""),
        ("valve not replaced", "", "nothing done yet"),
        ("no cracks, pump worn", "worn", ""),
        ("not working, leak at plug", "leak", ""),  # the denial belongs to "working" only
        ("did not move, seized", "stuck", ""),
        ("quote to repair main pump", "", "nothing done yet"),
    ],
)
def test_what_a_note_denies_is_not_read_into_it(text: str, finding: str, action: str) -> None:
    note = read(text)
    assert (note["finding"], note["action"]) == (finding, action)


def test_what_speaks_second_is_listed_beside() -> None:
    note = read("no pic rear, cam full of water, tested and replaced")
    assert note["finding"] == "water in"
    assert note["also"] == "one view dark, tested"
    assert note["words"] == "full of water; replaced"


def test_a_slip_lowers_confidence_and_a_contradiction_more() -> None:
    plain = read("hose leaking")["finding_confidence"]
    mistyped = read("hose leakingg")["finding_confidence"]
    disputed = read("hose leaking, no fault found on test, tested ok")["finding_confidence"]
    unsure = read("needs replacing")["action_confidence"]
    assert plain > mistyped > disputed
    assert plain > mistyped > unsure > 0


def test_fitted_alone_may_be_an_addition_and_is_left_for_a_person() -> None:
    assert read("camera fitted")["action_confidence"] < 0.6
    assert read("new camera fitted")["action_confidence"] >= 0.6


def test_components_and_locations_are_named_or_left_as_candidates() -> None:
    components = {"camera": ("cam",), "cable": ("lead",), "main video lead": ("main lead",)}
    locations = {"rear high": ("rear",), "kerb side": ()}
    one = read("rear cam dead", components=components, locations=locations)
    assert (one["component"], one["location"]) == ("camera", "rear high")
    two = read("ch'd both cam + lead kerb side", components=components, locations=locations)
    assert (two["component"], two["location"]) == ("camera; cable", "kerb side")
    longest = read("main lead broken", components=components, locations=locations)
    assert longest["component"] == "main video lead"


def test_each_distinct_text_is_one_row() -> None:
    notes = read_notes(["leak", "worn", "leak"], LEXICON)
    assert notes["text"].tolist() == ["leak", "worn"]


def test_words_not_understood_are_counted_by_rows() -> None:
    notes = read_notes(["zorb flanged", "zorb leaking"], LEXICON)
    counts = pd.Series({"zorb flanged": 5, "zorb leaking": 2})
    words = words_not_understood(notes, counts)
    assert words[["word", "rows"]].to_numpy().tolist() == [["zorb", 7], ["flanged", 5]]


def test_a_note_that_says_nothing_is_blank() -> None:
    note = read("inv. 4711 / parts")
    assert note[["finding", "action", "confidence"]].tolist() == ["", "", 0.0]


@pytest.fixture(scope="module")
def labelled() -> pd.DataFrame:
    """Work orders labelled by hand (source in work_order_labels.md) beside their reading."""
    path = REFERENCES / "work_order_labels.csv"
    labels = pd.read_csv(path, keep_default_na=False)
    notes = read_notes(labels["text"], LEXICON).set_index("text")
    # a label of "does not work" covers u/s and faulty; nothing done is no action
    same = {"found defective": "does not work", "nothing done yet": "", "refitted": "fitted"}
    for kind in ("finding", "action"):
        labels["read_" + kind] = notes.loc[labels["text"], kind].replace(same).to_numpy()
    return labels


def precision_and_recall(labels: pd.DataFrame, kind: str) -> tuple[float, float]:
    wanted = [set(words.split(";")) - {""} for words in labels[kind]]
    read_words = labels["read_" + kind].tolist()
    right = sum(word in want for word, want in zip(read_words, wanted, strict=True))
    return right / sum(map(bool, read_words)), right / sum(map(bool, wanted))


# measured on the held-out part: findings 56 right of 58 read and 62 labelled, actions 54 of 56
# and 55; the floors lie a little below (before any change after the first measurement: 56 of 59
# and 62, 54 of 55 and 55)
@pytest.mark.parametrize(
    ("kind", "least_precision", "least_recall"), [("finding", 0.94, 0.89), ("action", 0.94, 0.96)]
)
def test_precision_and_recall_on_work_orders_held_out(
    labelled: pd.DataFrame, kind: str, least_precision: float, least_recall: float
) -> None:
    held_out = labelled[labelled["part"] == "held out"]
    assert len(held_out) == 114
    precision, recall = precision_and_recall(held_out, kind)
    assert precision >= least_precision
    assert recall >= least_recall


def test_labels_are_many_and_their_parts_are_apart(labelled: pd.DataFrame) -> None:
    assert len(labelled) >= 150
    assert labelled["row"].is_unique
    assert set(labelled["part"]) == {"build", "held out"}
