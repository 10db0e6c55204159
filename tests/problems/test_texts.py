"""Problems of words, dates and cells, one planted in each test, and under the switch.

Source of every expected value: own algebra; the treatments are those that the project states for
each problem (relkit/lives/problems.py).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from relkit.errors import InputError, RelkitError
from relkit.lives.problems import settings_without as switched

Cases = Callable[..., Any]
HEADER = "job,date,vehicle,component,location,finding,action"


def log(*rows: str, header: str = HEADER) -> str:
    return "\n".join([header, *rows]) + "\n"


def test_position_renamed(case: Cases) -> None:
    rows = log(
        "J1,2021-05-01,V1,camera,back,failed,replaced",
        "J2,2022-05-01,V1,camera,back,failed,replaced",
    )
    renamed = {
        "words": {
            "location": {"rear": [], "front": []},
            "renamed": [
                {"column": "location", "old": "Back", "new": "rear", "until": date(2021, 12, 31)},
                {"column": "location", "old": "back", "new": "front", "since": date(2022, 1, 1)},
            ],
        }
    }
    found = case(rows, renamed)
    assert found.classes == {2: "failure", 3: "failure"}
    assert found.changed("renamed") == [("location", "back", "rear"), ("location", "back", "front")]
    assert set(case(rows, {"words": {"location": {"rear": [], "front": []}}}).classes.values()) == {
        "set aside"
    }


SIDES = (
    "vehicle,component,location,fitted_on\n"
    "V1,camera,kerb side,2020-07-01\nV1,camera,road side,2020-07-01\n"
)


def test_left_right_and_kerb(case: Cases) -> None:
    rows = log(
        "J1,2021-05-01,V1,camera,nearside,failed,replaced",
        "J2,2021-06-01,V1,camera,Off Side,failed,replaced",
        "J3,2021-07-01,V1,camera,left,failed,replaced",
    )
    found = case(rows, register=SIDES)
    assert found.classes == {2: "failure", 3: "failure", 4: "set aside"}
    assert found.reasons == {4: "side not clear"}
    assert [new for _, _, new in found.changed("side words")] == ["kerb side", "road side"]
    left = {"treatments": {"problems": {"side_words": "left-hand traffic"}}}
    assert case(rows, left, register=SIDES).changed("side words")[2][2] == "kerb side"
    right = case(rows, switched("left, right and kerb"), register=SIDES)
    assert right.changed("side words")[2][2] == "road side"


def test_side_words_are_left_alone_where_no_side_is_known(case: Cases) -> None:
    rows = log("J1,2021-05-01,V1,camera,nearside,failed,replaced")
    assert case(rows).reasons == {2: "position not fitted"}
    assert case(rows).changed("side words") == []


def test_unknown_word(case: Cases) -> None:
    rows = log("J1,2021-05-01,V1,camera,rear,gone,replaced")
    assert case(rows).reasons == {2: "unknown finding"}
    assert case(rows, switched("unknown word")).classes == {2: "failure"}


def test_date_order(case: Cases) -> None:
    rows = log(
        *(f"J{k},{k + 12}/05/2021,V1,camera,rear,no fault found,tested" for k in range(1, 9))
    )
    with pytest.raises(InputError, match="month first"):
        case(rows, switched("date order"))
    day_first = {"files": {"log": [{"path": "log.csv", "date_format": "day first"}]}}
    assert set(case(rows, day_first).classes.values()) == {"recurrence"}
    mixed = rows + "J9,05/25/2021,V1,camera,rear,failed,replaced\n"
    assert case(mixed, day_first).reasons == {10: "unusable date"}


def test_forms_of_dates(case: Cases) -> None:
    rows = log(
        "J1,01.05.21,V1,camera,rear,failed,replaced",
        "J2,44348,V1,camera,front,failed,replaced",  # 2021-06-01 counted from 1899-12-30
        "J3,0/1/00,V2,camera,rear,failed,replaced",
        "J4,soon,V2,camera,front,failed,replaced",
    )
    day_first = {"files": {"log": [{"path": "log.csv", "date_format": "day first"}]}}
    found = case(rows, day_first)
    assert found.classes == {2: "failure", 3: "failure", 4: "set aside", 5: "set aside"}
    assert set(found.reasons.values()) == {"unusable date"}
    assert {"dates: two-digit year", "dates: spreadsheet serial number"} <= found.rules
    days = found.lives(ended_by="failure")["ended_on"].dt.strftime("%Y-%m-%d")
    assert sorted(days) == ["2021-05-01", "2021-06-01"]
    assert 2 in case(rows, switched("forms of dates")).reasons  # no year of two digits there


def test_time_zones(case: Cases) -> None:
    rows = log(
        "J1,2021-07-01T23:30:00+00:00,V1,camera,rear,failed,replaced",
        "J2,2021-07-01T23:30:00,V2,camera,rear,failed,replaced",
        "J3,2021-07-01,V2,camera,front,failed,replaced",
    )
    found = case(rows)
    assert found.log.jobs["date"].dt.strftime("%d %H:%M").tolist() == [
        "01 00:00", "01 23:30", "01 23:30",
    ]  # fmt: skip
    assert "dates: time zone" in found.rules
    zoned = case(rows, switched("time zones"))
    dates = zoned.log.jobs.set_index("job")["date"].dt.strftime("%d %H:%M").to_dict()
    # Dublin is an hour ahead of UTC in July; a day without a time does not move
    assert dates == {"J1": "02 00:30", "J2": "01 23:30", "J3": "01 00:00"}
    assert zoned.changed("time zone") == [("date", "2021-07-01T23:30:00+00:00", "2021-07-02 00:30")]
    source = {"files": {"log": [{"path": "log.csv", "time_zone": "America/New_York"}]}}
    other = case(rows, switched("time zones"), source)
    dates = other.log.jobs.set_index("job")["date"].dt.strftime("%d %H:%M").to_dict()
    assert dates == {"J1": "02 00:30", "J2": "02 04:30", "J3": "01 00:00"}
    with pytest.raises(RelkitError, match="Atlantis"):
        case(rows, {"time_zone": "Atlantis/North"})


def test_decimal_comma(case: Cases) -> None:
    rows = "job;date;vehicle;component;location;finding;action;cost\n" + "".join(
        f"J{k};2021-05-0{k};V1;camera;rear;no fault found;tested;1{k},5\n" for k in range(1, 9)
    )
    with pytest.raises(InputError, match='decimal = ","'):
        case(rows)
    comma = case(rows, switched("decimal comma"))
    assert comma.log.jobs["cost"].tolist() == [10.0 + k + 0.5 for k in range(1, 9)]


def test_merged_cells(case: Cases) -> None:
    rows = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced",
        "J2,2021-06-01,,camera,front,failed,replaced",
    )
    assert case(rows).reasons == {3: "no vehicle"}
    filled = case(rows, switched("merged cells"))
    assert filled.classes == {2: "failure", 3: "failure"}
    assert filled.changed("filled down") == [("vehicle", "", "V1")]


def test_totals_and_footers(case: Cases) -> None:
    rows = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced",
        "Total May,,,,,,",
        "J2,2021-06-01,V1,camera,front,failed,replaced",
        "Page 1,,,,,,",
    )
    found = case(rows)
    assert found.reasons == {3: "not a job", 5: "not a job"}
    assert found.classes[2] == found.classes[4] == "failure"


def test_odd_characters(case: Cases) -> None:
    rows = log("J1,2021-05-01,V1,camera,\u00a0Rear\u2009,failed,re\u2010placed")
    found = case(rows, {"words": {"action": {"replaced": ["re-placed"]}}})
    assert found.classes == {2: "failure"}
    legacy = log("J1,2021-05-01,V1,camera,Caf\u00e9,failed,replaced").encode("cp1252")
    register = "vehicle,component,location,fitted_on\nV1,camera,caf\u00e9,2020-07-01\n"
    found = case(legacy, switched("odd characters"), register=register)
    assert found.classes == {2: "failure"}
    assert ("location", "Caf\u00e9", "caf\u00e9") in found.changed("words")


def test_names_of_persons(case: Cases) -> None:
    rows = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced,Wilma Vardle", header=HEADER + ",Operator"
    )
    found = case(rows)
    assert "names of persons" in found.rules
    assert found.log.files["columns_dropped"].tolist()[0] == "Operator"
    free = case(rows, switched("names of persons"))
    assert "names of persons" not in free.rules
    named = {"files": {"log": [{"path": "log.csv", "columns": {"note": "Operator"}}]}}
    with pytest.raises(RelkitError, match="not_persons"):
        case(rows, named)
    assert case(rows, switched("names of persons"), named).log.jobs["note"].tolist() == [
        "Wilma Vardle"
    ]
