"""Stages that keep rows or set them aside, and the account over them."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from relkit.logbook.kind_texts import read_texts
from relkit.logbook.kinds import accounted
from relkit.logbook.set_aside import Sifted, in_turn, set_aside_frame, sift, with_columns
from relkit.study.settings import Study


def rows() -> pd.DataFrame:
    return pd.DataFrame({"source": ["a:2", "a:3", "a:4"], "date": ["x", "y", "z"]})


def test_stages_pass_on_what_they_keep() -> None:
    def first(frame: pd.DataFrame) -> Sifted:
        return sift(frame, frame["date"] == "x", reason="one", column="date", value=frame["date"])

    def second(frame: pd.DataFrame) -> Sifted:
        return sift(frame, frame["date"] == "z", reason="two", column="date", mend="Do it")

    sifted = in_turn(rows(), [first, second])
    assert sifted.rows["source"].tolist() == ["a:3"]
    texts = rows().assign(note="n", finding="")
    frame = set_aside_frame("log", sifted.set_aside, texts, {"a": {"date": "Opened"}})
    assert frame.to_numpy().tolist() == [
        ["a:2", "log", "one", "Opened", "x", "", "date=x | note=n"],
        ["a:4", "log", "two", "Opened", "", "Do it", "date=z | note=n"],
    ]


def test_long_values_are_shortened() -> None:
    frame = rows().assign(date="x" * 500)
    aside = sift(frame, frame["date"] != "", reason="one", column="date", value=frame["date"])
    assert aside.set_aside[0]["value"].str.len().tolist() == [80] * 3


def test_with_columns_leaves_the_given_frame_alone() -> None:
    given = rows()
    changed = with_columns(given, {"date": ["q", "q", "q"], "more": 1})
    assert given["date"].tolist() == ["x", "y", "z"]
    assert changed["date"].tolist() == ["q"] * 3
    assert changed["more"].tolist() == [1] * 3


def test_a_lost_or_doubled_row_is_a_fault_of_the_program(
    study_of: Callable[..., Study], made_log: str
) -> None:
    study = study_of({"log.csv": made_log})
    read = read_texts("log", study.files.log, study)
    whole = read[0].texts
    with pytest.raises(RuntimeError, match="3 rows were read, but 2 kept and 0 set aside"):
        accounted("log", read, Sifted(whole.iloc[:2]))
    both = sift(whole, whole["job"] == "J1", reason="x", column="job").set_aside
    with pytest.raises(RuntimeError, match="3 kept and 1 set aside"):
        accounted("log", read, Sifted(whole, both))
    first_twice = sift(whole, whole["job"] == "J1", reason="x", column="job").set_aside
    with pytest.raises(RuntimeError, match="2 kept and 1 set aside"):
        accounted("log", read, Sifted(whole.iloc[:2], first_twice))
