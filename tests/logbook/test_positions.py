"""Rows against the positions of the register."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.logbook.positions import group_codes, known_positions, sift_unfitted
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
FILES: dict[str, Any] = {"log": [{"path": "log.csv"}], "register": [{"path": "register.csv"}]}
HEADER = "date,vehicle,component,location,finding,action\n"


def placed(log_of: Reader, *rows: str) -> RepairLog:
    lines = (f"2023-01-{n:02},{row}\n" for n, row in enumerate(rows, start=1))
    return log_of({"log.csv": HEADER + "".join(lines)}, {"files": FILES})


@pytest.mark.parametrize(
    ("row", "kept"),
    [
        ("GR-01,camera,front,failed,replaced", True),
        ("GR-02,camera,front,failed,replaced", False),
        ("GR-01,cable,front,failed,replaced", False),
        ("GR-01,,front,view dark,tested", True),
        ("GR-02,,front,view dark,tested", False),
        ("GR-01,camera,,view dark,tested", True),
        ("GR-01,cable,,view dark,tested", False),
        ("GR-01,,,view dark,tested", True),
        ("GR-02,camera,front,,fitted", True),
    ],
)
def test_position_must_be_fitted_a_blank_fits_any(log_of: Reader, row: str, kept: bool) -> None:
    log = placed(log_of, row)
    assert len(log.jobs) == int(kept)
    assert log.set_aside["reason"].tolist() == ([] if kept else ["position not fitted"])


def test_position_once_fitted_is_known_from_then_on(log_of: Reader) -> None:
    log = placed(log_of, "GR-02,camera,front,,fitted", "GR-02,camera,front,failed,replaced")
    assert len(log.jobs) == 2


def test_only_location_is_taken_from_the_register(log_of: Reader) -> None:
    log = placed(log_of, "GR-02,camera,,failed,replaced", "GR-01,camera,,failed,replaced")
    assert log.jobs["location"].tolist() == ["rear high", ""]
    told = log.findings[log.findings["rule"] == "location from the register"]
    assert told["where"].tolist() == ["log.csv:2"]


def test_location_that_the_register_leaves_blank(log_of: Reader) -> None:
    register = "vehicle,component,fitted_on\nGR-01,display,2020-01-01\n"
    row = "2023-01-01,GR-01,display,in cab,failed,replaced\n"
    log = log_of({"log.csv": HEADER + row, "register.csv": register}, {"files": FILES})
    assert log.jobs["location"].tolist() == [""]


def test_without_a_register_rows_are_kept() -> None:
    rows = pd.DataFrame(
        {"source": ["a:1"], "vehicle": ["x"], "component": ["y"], "location": ["z"]}
    )
    assert len(sift_unfitted(rows, None).rows) == 1


def test_group_codes_agree_with_a_plain_grouping() -> None:
    # Source: independent reference, tuples in a dictionary.
    rng = np.random.default_rng(3)
    frame = pd.DataFrame(
        {"a": rng.choice(["x", "y", ""], 500), "b": rng.choice([1.0, 2.0, np.nan], 500)}
    )
    codes = group_codes(frame, ("a", "b"))
    seen: dict[tuple[str, str], int] = {}
    keys = list(zip(frame["a"], frame["b"].astype(str), strict=True))
    for key, code in zip(keys, codes, strict=True):
        assert seen.setdefault(key, int(code)) == code
    assert len(set(seen.values())) == len(seen) == len(set(codes.tolist()))


def test_known_positions_are_distinct() -> None:
    fitments = pd.DataFrame(
        {"vehicle": ["a", "a"], "component": ["c", "c"], "location": ["l", "l"], "serial": [1, 2]}
    )
    assert len(known_positions(fitments).table) == 1
