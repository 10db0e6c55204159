"""Proposed studies: kinds of tables, columns, and a text that reads back as it was meant."""

from __future__ import annotations

import contextlib
import csv
import tempfile
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from relkit.errors import InputError, StudyError
from relkit.logbook.proposal import proposed_study
from relkit.logbook.proposal_columns import guessed_columns
from relkit.logbook.proposal_files import found_tables, header_place
from relkit.logbook.proposal_text import comment, quoted
from relkit.study.read import read_study, study_from_mapping


def write(folder: Path, name: str, *lines: str) -> Path:
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / name


@pytest.mark.parametrize(
    ("header", "row", "kind"),
    [
        ("Date,Truck,Part,Done", "2023-01-05,T1,pump,replaced", "log"),
        ("Truck,Date,Hours", "T1,2023-01-05,100", "readings"),
        ("Truck,Date,Result", "T1,2023-01-05,pass", "inspections"),
        ("Truck,Part,Installed", "T1,pump,2020-01-05", "register"),
        ("Truck,Model", "T1,A", "register"),
        ("hours,event", "100,Failed", "ages"),
        ("what,ever", "a,b", "not used"),
    ],
)
def test_kinds_of_tables(tmp_path: Path, header: str, row: str, kind: str) -> None:
    path = write(tmp_path, "t.csv", header, row)
    assert guessed_columns(found_tables(path, tmp_path)[0]).kind == kind


def test_better_filled_columns_win_and_names_of_persons_are_left_out(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "t.csv",
        "Start Date,Actual Start Date,Unit No,Driver,Item,Repaired by",
        *[f"{n:02d}/03/2023,0/1/00,U1,A. Nother,pump,B. Other" for n in range(1, 25)],
    )
    guess = guessed_columns(found_tables(path, tmp_path)[0])
    assert guess.columns["date"] == "Start Date"
    assert guess.columns["vehicle"] == "Unit No"
    assert guess.persons == ("Driver", "Repaired by")


def test_the_date_of_a_vehicle_is_not_taken_for_its_items(tmp_path: Path) -> None:
    log = write(
        tmp_path, "log.csv", "Date,Truck,Part", *[f"2023-01-{n:02d},T1,pump" for n in (5, 9)]
    )
    fleet = write(tmp_path, "fleet.csv", "Truck,In service", "T1,2020-01-01", "T2,2021-01-01")
    given = tomllib.loads(proposed_study([log, fleet], tmp_path).text)
    register = given["files"]["register"][0]
    assert register["columns"] == {"vehicle": "Truck"}
    assert register["carries"] == [{"component": "pump"}]


def test_header_places() -> None:
    above = [["Fleet list", "", ""], ["", "", ""]]
    assert header_place([*above, ["Truck", "Part", "Since"], ["1", "a", "2"]]) == (3, 1)
    two = [["Truck", "Meter", ""], ["number", "hours", "km"], ["1", "5", "6"]]
    assert header_place(two) == (1, 2)
    assert header_place([["Truck", "Part"], ["T", "pump"]]) == (1, 1)


def test_no_log_is_refused(tmp_path: Path) -> None:
    fleet = write(tmp_path, "fleet.csv", "Truck,Model", "T1,A", "T2,B")
    with pytest.raises(InputError, match="no file is a repair log"):
        proposed_study([fleet], tmp_path)
    with pytest.raises(InputError, match="there is no such file"):
        proposed_study([tmp_path / "none.csv"], tmp_path)


@pytest.mark.parametrize("text", ['a"b\\c', "tab\there", "line\nbreak", "del\x7f", "ünï", "]\n[x]"])
def test_any_text_comes_back_from_the_study(text: str) -> None:
    assert tomllib.loads(f"x = {quoted(text)}") == {"x": text}
    assert tomllib.loads(comment(text) + "\ny = 1") == {"y": 1}


def test_a_study_waits_until_every_statement_is_confirmed() -> None:
    given = {
        "name": "waiting",
        "files": {"log": [{"path": "log.csv"}]},
        "confirm": {"dates are day first": False, "hours are hours": True},
    }
    with pytest.raises(StudyError, match=r"1 of the statements.*\n  - dates are day first"):
        study_from_mapping(given)
    given["confirm"] = {"dates are day first": True}
    assert study_from_mapping(given).confirm == {"dates are day first": True}


def test_a_proposed_study_is_refused_as_it_is_written(tmp_path: Path) -> None:
    log = write(tmp_path, "log.csv", "Date,Truck,Part", "25/01/2023,T1,pump", "26/01/2023,T2,fan")
    (tmp_path / "study.toml").write_text(proposed_study([log], tmp_path).text, encoding="utf-8")
    with pytest.raises(StudyError, match=r"the dates of log\.csv are day first"):
        read_study(tmp_path / "study.toml")


@pytest.mark.parametrize(
    "content",
    [
        "",
        "\n\n\n",
        "one cell",
        "Date,Truck,Part\n",
        'Date,Truck,Part\n2023-01-05,"T1,pump\n2023-01-06,T2,fan\n',
        ",,\n,,\n,,\n",
        "Date,Date,Date\n2023-01-05,2023-01-05,2023-01-05\n",
        "x" * 140_000,
        "Date;Truck,Part|Done\n2023-01-05;T1,pump|x\n",
        "\x00\x01\x02",
        "Date,Truck,Part\n31/12/2023,T1,=1+1\n12/31/2023,T2,@x\n",
    ],
)
def test_odd_files_are_refused_or_read_but_never_fail(tmp_path: Path, content: str) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(content, encoding="utf-8")
    text = ""
    with contextlib.suppress(InputError):
        text = proposed_study([path], tmp_path).text
    assert not text or tomllib.loads(text)["files"]["log"]


CELLS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["31/12/2023", "1.250,5", "pump", "T-07", "leaking", "", "total", "=1+1"]),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(CELLS, CELLS, CELLS, CELLS), min_size=1, max_size=12))
def test_any_cells_make_a_study_that_can_be_parsed(rows: list[tuple[str, ...]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["Date", "Truck", "Part", "Remarks"])
            writer.writerow(["2023-01-05", "T1", "pump", "leaking"])
            writer.writerows(rows)
        try:
            text = proposed_study([path], Path(folder)).text
        except InputError:
            return
        assert tomllib.loads(text)["files"]["log"][0]["path"] == "log.csv"
