"""The column map against the header: nearest names, names twice, persons' columns."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.errors import InputError, StudyError
from relkit.logbook.read import RepairLog

Reader = Callable[..., RepairLog]
FilesWith = Callable[..., dict[str, Any]]


def test_missing_column_names_file_column_and_nearest(
    log_of: Reader, files_with: FilesWith
) -> None:
    with pytest.raises(
        InputError,
        match=r'log\.csv, row 1, column "Findng": there is no such column in the header \(the '
        r'study takes finding from it\)\. The nearest name is "finding"',
    ):
        log_of({}, {"files": files_with(columns={"finding": "Findng"})})


def test_unknown_name_of_ours_names_the_nearest(log_of: Reader, files_with: FilesWith) -> None:
    with pytest.raises(StudyError, match=r'columns of "log\.csv" names "vehicel".*"vehicle"'):
        log_of({}, {"files": files_with(columns={"vehicel": "vehicle"})})
    with pytest.raises(StudyError, match=r'fixed of "log.csv" names "findings".*"finding"'):
        log_of({}, {"files": files_with(fixed={"findings": "failed"})})


def test_column_and_fixed_value_exclude_each_other(log_of: Reader, files_with: FilesWith) -> None:
    files = files_with(columns={"finding": "finding"}, fixed={"finding": "failed"})
    with pytest.raises(StudyError, match="has a column and a fixed value"):
        log_of({}, {"files": files})


def test_names_match_whatever_case_and_blanks(log_of: Reader, files_with: FilesWith) -> None:
    text = '"Date  \nopened",VEHICLE\u00a0NO.,x\n2023-01-05,GR-01,1\n'
    files = files_with(columns={"date": "date opened", "vehicle": "Vehicle no."}, counters={})
    assert len(log_of({"log.csv": text}, {"files": files}).jobs) == 1


def test_name_that_stands_twice_is_refused(log_of: Reader, files_with: FilesWith) -> None:
    text = "date,vehicle,state,state\n2023-01-05,GR-01,a,b\n"
    with pytest.raises(InputError, match="stands twice in the header, in columns 3 and 4"):
        log_of({"log.csv": text}, {"files": files_with(columns={"finding": "state"}, counters={})})


def test_required_column_is_asked_for(log_of: Reader, files_with: FilesWith) -> None:
    text = "Day,vehicle\n2023-01-05,GR-01\n"
    with pytest.raises(
        InputError, match=r'names no column for "date".*columns.date; the file has: Day, vehicle'
    ):
        log_of({"log.csv": text}, {"files": files_with(counters={})})


def test_wrong_delimiter_shows_the_whole_header(log_of: Reader, files_with: FilesWith) -> None:
    with pytest.raises(InputError, match="give the delimiter"):
        log_of({}, {"files": files_with(delimiter="|", columns={"date": "date"})})


def test_own_names_need_no_entry_and_can_be_left_out(log_of: Reader, files_with: FilesWith) -> None:
    log = log_of()
    told = log.findings[log.findings["rule"] == "columns by their own names"]
    assert "finding" in told["what"].iloc[0]
    log = log_of({}, {"files": files_with(columns={"note": "", "cost": ""})})
    assert set(log.jobs["note"]) == {""}
    assert log.jobs["cost"].isna().all()
    assert "cost, note" in log.files["columns_ignored"].iloc[0]


def test_names_of_persons_are_never_read(log_of: Reader, files_with: FilesWith) -> None:
    text = (
        "date,vehicle,component,location,finding,action,Technician,Reported by,Site\n"
        "2023-01-05,GR-01,camera,front,odd word,replaced,Wilma Vardle,Ned Ostrow,Mill Lane\n"
    )
    log = log_of({"log.csv": text}, {"files": files_with(counters={})})
    assert log.files["columns_dropped"].iloc[0] == "Technician, Reported by"
    assert log.files["columns_ignored"].iloc[0] == "Site"
    everything = "".join(
        frame.to_csv() for frame in (log.jobs, log.set_aside, log.findings, log.files)
    )
    assert "Vardle" not in everything
    assert "Ostrow" not in everything
    assert "names of persons" in set(log.findings["rule"])


def test_mapping_a_column_of_persons_is_refused(log_of: Reader, files_with: FilesWith) -> None:
    text = "date,vehicle,Technician\n2023-01-05,GR-01,Wilma Vardle\n"
    files = files_with(columns={"note": "Technician"}, counters={})
    with pytest.raises(StudyError, match='"Technician", which holds names of persons'):
        log_of({"log.csv": text}, {"files": files})


def test_a_vehicle_may_be_called_by_its_name(log_of: Reader, files_with: FilesWith) -> None:
    text = "date,Name\n2023-01-05,GR-01\n"
    files = files_with(columns={"vehicle": "Name"}, counters={})
    assert log_of({"log.csv": text}, {"files": files}).jobs["vehicle"].tolist() == ["GR-01"]


def test_covariate_may_not_take_a_name_of_ours(log_of: Reader) -> None:
    files = {
        "log": [{"path": "log.csv"}],
        "register": [{"path": "register.csv", "covariates": {"serial": "depot"}}],
    }
    with pytest.raises(StudyError, match='covariate "serial"'):
        log_of({}, {"files": files})
