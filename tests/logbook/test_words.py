"""Words of the log to words of the study: variants, spellings, nearest words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.errors import StudyError
from relkit.logbook.read import RepairLog
from relkit.logbook.words import known_words, match_words, merge_spellings, word_key

Reader = Callable[..., RepairLog]
HEADER = "date,vehicle,component,location,finding,action\n"


def log_with(*rows: str) -> str:
    return HEADER + "".join(f"2023-01-{n:02},{row}\n" for n, row in enumerate(rows, start=1))


def settings(**more: Any) -> dict[str, Any]:
    files = {"log": [{"path": "log.csv"}], "register": [{"path": "register.csv"}]}
    return {"files": files, **more}


@pytest.mark.parametrize(
    "other",
    ["REAR HIGH", " rear  high", "rear\u00a0high", "rear-high", "rear\u2011high", "Rear_High"],
)
def test_case_blanks_and_dashes_never_matter(other: str) -> None:
    assert word_key(other) == word_key("rear high")


@given(st.text(max_size=30))
def test_key_of_a_key_is_the_key(text: str) -> None:
    assert word_key(word_key(text)) == word_key(text)


@given(st.lists(st.sampled_from(["Cam", "cam", "CAM", "cable", "Cable", ""]), min_size=1))
def test_merging_gives_one_spelling_per_word(words: list[str]) -> None:
    merged, changed = merge_spellings(np.array(words, dtype=object))
    assert len({word for word in merged}) == len({word_key(word) for word in words})
    assert [word_key(word) for word in merged] == [word_key(word) for word in words]
    assert changed.tolist() == [a != b for a, b in zip(words, merged, strict=True)]


def test_variants_stand_for_our_words(log_of: Reader) -> None:
    words = {"component": {"camera": ["cam", "view camera"], "cable": ["lead"]}}
    log = log_of(
        {
            "log.csv": log_with(
                "GR-01,Cam,front,failed,replaced",
                "GR-02,lead,Rear High,failed,replaced",
                "GR-01,camera,front,failed,replaced",
            )
        },
        settings(words=words),
    )
    assert log.jobs["component"].tolist() == ["camera", "cable", "camera"]
    assert log.jobs["location"].tolist() == ["front", "rear high", "front"]


@pytest.mark.parametrize(
    ("column", "row", "mend"),
    [
        (
            "component",
            "GR-01,camrea,front,failed,replaced",
            'If it means "camera", add "camrea" to words.component."camera"',
        ),
        (
            "location",
            "GR-01,camera,frnt,failed,replaced",
            'If it means "front", add "frnt" to words.location."front"',
        ),
        (
            "finding",
            "GR-01,camera,front,fialed,replaced",
            'If it means "failed", add "fialed" to words.finding."failed"',
        ),
        (
            "action",
            "GR-01,camera,front,failed,relpaced",
            'If it means "replaced", add "relpaced" to words.action."replaced"',
        ),
    ],
)
def test_unknown_word_is_set_aside_with_the_nearest(
    log_of: Reader, column: str, row: str, mend: str
) -> None:
    words = {"component": {"camera": []}, "location": {"front": ["fwd"]}}
    log = log_of({"log.csv": log_with(row)}, settings(words=words))
    assert log.set_aside["reason"].tolist() == [f"unknown {column}"]
    place = ["vehicle", "component", "location", "finding", "action"].index(column)
    assert log.set_aside["value"].tolist() == [row.split(",")[place]]
    assert mend in log.set_aside["mend"].iloc[0]
    assert len(log.jobs) == 0


def test_words_of_the_register_count_as_known(log_of: Reader) -> None:
    words = {"component": {"camera": ["cam"]}}
    log = log_of(
        {"log.csv": log_with("GR-02,cable,rear high,failed,replaced")}, settings(words=words)
    )
    assert log.jobs["component"].tolist() == ["cable"]


def test_without_words_values_are_taken_as_written(log_of: Reader) -> None:
    files = {"log": [{"path": "log.csv"}]}
    log = log_of(
        {
            "log.csv": log_with(
                "M1,Comp-A,,failed,replaced",
                "M2,Comp-A,,failed,replaced",
                "M3,comp a,,failed,replaced",
                "M4,comp_b,,failed,replaced",
            )
        },
        {"files": files},
    )
    assert log.jobs["component"].tolist() == ["Comp-A", "Comp-A", "Comp-A", "comp_b"]
    assert log.findings.loc[log.findings["rule"] == "spellings", "where"].tolist() == ["log.csv:4"]


def test_blank_finding_and_action_stay_blank(log_of: Reader) -> None:
    text = log_with("GR-01,camera,front,,", "GR-01,camera,front,-,replaced")
    log = log_of({"log.csv": text}, settings())
    assert log.jobs["finding"].tolist() == ["", ""]
    assert log.jobs["action"].tolist() == ["", "replaced"]


def test_a_spelling_stands_for_one_word_only(log_of: Reader) -> None:
    words = {"component": {"camera": ["eye"], "display": ["Eye"]}}
    with pytest.raises(
        StudyError, match=r'words.component: "Eye" stands for "display" and for "camera"'
    ):
        log_of({}, settings(words=words))


def test_word_without_a_treatment_is_refused(log_of: Reader) -> None:
    words = {"finding": {"gone dark": ["dark"]}}
    with pytest.raises(StudyError, match='"gone dark", which no treatment says the meaning of'):
        log_of({}, settings(words=words))


def test_nearest_is_blank_where_nothing_is_like_it() -> None:
    known = known_words({"camera": ()}, (), kind="component", path="study.toml")
    matched = match_words(np.array(["xyz"], dtype=object), known)
    assert matched.nearest.tolist() == [""]
