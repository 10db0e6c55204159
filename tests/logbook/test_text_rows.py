"""Blank cells of jobs filled from their notes: only when asked, never silently, never wrongly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.errors import StudyError
from relkit.logbook.read import RepairLog
from relkit.logbook.text_rows import notes_of_jobs

HEAD = "job,date,vehicle,component,location,finding,action,hours,cost,note\n"
ROWS = (
    "J1,2023-01-05,GR-01,camera,rear high,,,1000,300,cam full of water. renewed",
    "J2,2023-02-07,GR-02,cable,rear high,failed,,1500,120,tested ok nff",
    "J3,2023-03-09,GR-01,camera,front,,,1100,30,plug loose pushed back in ok",
    "J4,2023-04-09,GR-01,camera,front,,,1150,30,zorb flanged",
    "J5,2023-05-09,GR-01,camera,front,,,1190,30,\"needs replacing, leak and nff\"",
    "J6,2023-06-09,GR-02,,,,,1900,30,rear high cam dead new cam ftd",
    "J7,2023-07-09,GR-02,,,,,1990,30,front cam dead new cam ftd",
)  # fmt: skip
ON = {"treatments": {"read_notes": True}, "words": {"component": {"camera": ["cam"]}}}


@pytest.fixture
def read_rows(log_of: Callable[..., RepairLog]) -> Callable[[dict[str, Any]], RepairLog]:
    def read(settings: dict[str, Any]) -> RepairLog:
        return log_of({"log.csv": HEAD + "\n".join(ROWS) + "\n"}, settings)

    return read


def cells(log: RepairLog, *names: str) -> dict[str, tuple[str, ...]]:
    rows = log.jobs.set_index("job")[list(names)]
    return {
        str(job): tuple(map(str, row)) for job, row in zip(rows.index, rows.to_numpy(), strict=True)
    }


def finding_of(log: RepairLog, rule: str) -> Any:
    return log.findings.set_index("rule").loc[rule]


def test_without_being_asked_nothing_is_read_and_a_finding_says_so(read_rows: Any) -> None:
    log = read_rows({})
    assert set(cells(log, "finding")["J1"]) == {""}
    found = finding_of(log, "notes not read")
    assert found["rows"] == 7
    assert "read_notes = true" in found["done"]


def test_blank_cells_are_filled_and_stated_ones_are_kept(read_rows: Any) -> None:
    filled = cells(read_rows(ON), "finding", "action")
    assert filled["J1"] == ("failed", "replaced")
    assert filled["J2"] == ("failed", "tested")  # the stated finding stays against the note
    assert filled["J3"] == ("loose connection", "reseated")


def test_what_is_doubtful_or_not_understood_stays_blank_and_is_listed(read_rows: Any) -> None:
    log = read_rows(ON)
    filled = cells(log, "finding", "action")
    assert filled["J4"] == ("", "")
    assert filled["J5"] == ("", "")
    assert finding_of(log, "notes for a person")["where"] == "log.csv:6"
    mute = finding_of(log, "notes not understood")
    assert mute["where"] == "log.csv:5"
    assert "zorb (1), flanged (1)" in mute["what"]
    assert finding_of(log, "notes read")["rows"] == 5


def test_the_threshold_is_a_setting(read_rows: Any) -> None:
    settings = {**ON, "treatments": {"read_notes": True, "least_note_confidence": 0.2}}
    assert cells(read_rows(settings), "action")["J5"] == ("replaced",)


def test_a_position_is_taken_from_a_note_only_where_the_vehicle_has_it(read_rows: Any) -> None:
    filled = cells(read_rows(ON), "component", "location")
    assert filled["J6"] == ("camera", "rear high")
    assert filled["J7"] == ("", "")  # GR-02 has no camera in front


def test_no_row_is_lost_by_reading_notes(read_rows: Any) -> None:
    for settings in ({}, ON):
        log = read_rows(settings)
        read = int(log.files.set_index("kind").loc["log", "rows"])
        assert len(log.jobs) + int((log.set_aside["kind"] == "log").sum()) == read == len(ROWS)


def test_the_study_adds_its_own_phrases(read_rows: Any) -> None:
    own = {"findings": {"zorbed": {"counts_as": "external damage", "phrases": ["zorb"]}}}
    log = read_rows({**ON, "lexicon": own})
    assert cells(log, "finding")["J4"] == ("external damage",)


def test_a_phrase_that_counts_as_nothing_known_is_refused(read_rows: Any) -> None:
    own = {"findings": {"zorbed": {"counts_as": "zorb", "phrases": ["zorb"]}}}
    with pytest.raises(StudyError, match=r'"zorbed" counts as "zorb".*treatments.findings'):
        read_rows({**ON, "lexicon": own})


def test_a_finding_that_the_study_knows_by_name_keeps_it(read_rows: Any) -> None:
    meaning = {"read_notes": True, "findings": {"water in": "failure"}}
    filled = cells(read_rows({**ON, "treatments": meaning}), "finding")
    assert filled["J1"] == ("water in",)


def test_notes_stand_beside_their_reading(read_rows: Any, study_of: Any) -> None:
    log = read_rows({})
    notes = notes_of_jobs(log, study_of(settings={})).set_index("source")
    assert len(notes) == 7
    row = notes.loc["log.csv:2"]
    assert (row["text"], row["finding"]) == ("cam full of water. renewed", "water in")
    assert (row["counts_as_finding"], row["counts_as_action"]) == ("failed", "replaced")
    assert notes.loc["log.csv:3", "row_finding"] == "failed"
