"""Vehicle ids in their spellings against the register."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.logbook.read import RepairLog
from relkit.logbook.vehicles import vehicle_key

Reader = Callable[..., RepairLog]
HEADER = "date,vehicle,component,location,finding,action\n"


def log_with(*vehicles: str) -> str:
    rows = (
        f"2023-0{n}-01,{vehicle},camera,rear high,failed,replaced\n"
        for n, vehicle in enumerate(vehicles, start=1)
    )
    return HEADER + "".join(rows)


FILES: dict[str, Any] = {"log": [{"path": "log.csv"}], "register": [{"path": "register.csv"}]}


@pytest.mark.parametrize("text", ["GR-01", "GR1", "gr 01", "Gr.001", "GR\u00a01", "GR\u20111"])
def test_spellings_of_one_vehicle_are_the_registers(log_of: Reader, text: str) -> None:
    log = log_of({"log.csv": log_with(text)}, {"files": FILES})
    assert log.jobs["vehicle"].tolist() == ["GR-01"]
    told = log.findings[log.findings["rule"] == "vehicle spellings"]
    assert told["rows"].tolist() == ([] if text == "GR-01" else [1])


@given(letters=st.text("abcXYZ", min_size=1, max_size=3), number=st.integers(0, 9999))
def test_any_way_to_write_an_id_has_one_key(letters: str, number: int) -> None:
    forms = (f"{letters}-{number:04}", f"{letters.upper()}{number}", f" {letters} {number:02} ")
    assert len({vehicle_key(form) for form in forms}) == 1
    assert vehicle_key(f"{letters}{number}") != vehicle_key(f"{letters}{number + 1}")


def test_unknown_vehicle_is_set_aside_with_the_nearest(log_of: Reader) -> None:
    log = log_of({"log.csv": log_with("GR-01", "GX-01")}, {"files": FILES})
    aside = log.set_aside.iloc[0]
    assert (aside["source"], aside["reason"], aside["value"]) == (
        "log.csv:3",
        "unknown vehicle",
        "GX-01",
    )
    assert 'nearest id in the register is "GR-01"' in aside["mend"]


def test_alias_of_the_study_is_followed(log_of: Reader) -> None:
    words = {"vehicle": {"GR-02": ["the old one", "plate 7"]}}
    log = log_of({"log.csv": log_with("The  old one", "GR2")}, {"files": FILES, "words": words})
    assert log.jobs["vehicle"].tolist() == ["GR-02", "GR-02"]
    told = log.findings[log.findings["rule"] == "vehicle spellings"]
    assert told["where"].tolist() == ["log.csv:3"]


def test_without_a_register_the_commonest_spelling_wins(log_of: Reader) -> None:
    log = log_of({"log.csv": log_with("M 1", "M-01", "M-01")}, {"files": {"log": FILES["log"]}})
    assert log.jobs["vehicle"].tolist() == ["M-01"] * 3
