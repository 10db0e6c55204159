"""Problems of the items and of the register, one planted in each test, and under the switch.

Source of every expected value: own algebra; the treatments are those that the project states for
each problem (relkit/lives/problems.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from relkit.errors import InputError
from relkit.lives.problems import settings_without as switched

Cases = Callable[..., Any]
SERIALS = "job,date,vehicle,component,location,finding,action,serial_out,serial_in"


def log(*rows: str, header: str = SERIALS) -> str:
    return "\n".join([header, *rows]) + "\n"


MOVED = log(
    "J1,2021-05-01,V1,camera,rear,planned,replaced,C1,C9",
    "J2,2021-06-10,V2,camera,rear,failed,replaced,C3,C1",
    "J3,2021-09-10,V2,camera,rear,failed,replaced,C1,C8",
)


def test_item_moved_between_vehicles(case: Cases) -> None:
    found = case(MOVED)
    assert found.classes == {2: "censored", 3: "failure", 4: "failure"}
    first, second = found.lives(serial="C1").itertuples()
    assert (first.vehicle, first.failed, first.age) == ("V1", False, 304.0)  # from 2020-07-01
    assert (second.vehicle, second.failed) == ("V2", True)
    assert (second.entry, second.age) == (304.0, 304.0 + 92)  # it brings its age along
    assert "item moved" in found.rules
    anew = case(MOVED, switched("item moved between vehicles")).lives(serial="C1")
    assert anew["entry"].tolist() == [184.0, 0.0]
    assert anew["age"].tolist() == [304.0, 92.0]


def test_item_moved_from_a_place_of_unknown_start_has_no_known_age(case: Cases) -> None:
    register = (
        "vehicle,component,location,fitted_on,serial\n"
        "V1,camera,rear,,C1\nV2,camera,rear,2020-07-01,C3\n"
    )
    found = case(MOVED, register=register)
    assert "C1" not in set(found.tables.lives["serial"])
    assert found.classes[4] == "opens life"


def test_item_taken_without_a_row_leaves_its_place(case: Cases) -> None:
    robbed = log("J1,2021-06-10,V2,camera,rear,failed,replaced,C3,C1")
    found = case(robbed)
    assert "taken without a row" in found.rules
    donor = found.lives(vehicle="V1", component="camera", location="rear")
    assert donor["ended_by"].tolist() == ["removed unfailed", "still in service"]
    assert donor["age"].iloc[0] == 344.0  # 2020-07-01 to 2021-06-10
    assert found.lives(vehicle="V2", serial="C1")["entry"].tolist() == [344.0]


def test_repaired_and_put_back(case: Cases) -> None:
    back = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced,C1,C9",
        "J2,2021-09-10,V2,camera,front,failed,replaced,C4,C1",
    )
    found = case(back)
    assert "camera, repaired" in set(found.lives(vehicle="V2")["component"])
    assert "repaired and put back" in found.rules
    anew = case(back, switched("repaired and put back"))
    assert set(anew.lives(vehicle="V2")["component"]) == {"camera", "cable"}


@pytest.mark.parametrize("number", ["N/A", "12345", "0000", "unknown", "none"])
def test_useless_serial_numbers(case: Cases, number: str) -> None:
    rows = log(
        f"J1,2021-05-01,V1,camera,rear,planned,replaced,{number},C9",
        f"J2,2021-06-10,V2,camera,rear,failed,replaced,C3,{number}",
    )
    register = (
        "vehicle,component,location,fitted_on\nV1,camera,rear,2020-07-01\n"
        "V2,camera,rear,2020-07-01\n"
    )
    found = case(rows, register=register)
    last = found.lives(vehicle="V2").iloc[-1]
    assert last["entry"] == 0.0
    if number not in ("N/A",):  # a mark for a blank cell already
        assert "serial says nothing" in found.rules
    if number == "12345":
        followed = case(rows, switched("useless serial numbers"), register=register)
        assert followed.lives(vehicle="V2").iloc[-1]["entry"] == 304.0


def test_serial_number_at_three_places_is_not_followed(case: Cases) -> None:
    rows = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced,,K7",
        "J2,2021-06-10,V2,camera,rear,failed,replaced,,K7",
        "J3,2021-07-10,V1,camera,front,failed,replaced,,K7",
    )
    found = case(rows)
    assert "serial at two places" in found.rules
    assert (found.lives(serial="K7")["entry"] == 0.0).all()


def test_batch(case: Cases) -> None:
    rows = log("J1,2021-05-01,V1,camera,rear,failed,replaced,C1,M3-77")
    assert set(case(rows).tables.lives["component"]) == {"camera", "cable"}
    apart = case(rows, switched("batch"))
    assert "camera, batch M3" in set(apart.tables.lives["component"])
    assert "batch" in apart.rules


def register_of(dates: list[str], *, component: str = "camera") -> str:
    head = "vehicle,component,location,fitted_on,depot\n"
    return head + "".join(
        f"V{k},{component},rear,{day},North\n" for k, day in enumerate(dates, start=1)
    )


FAILURE = log("J1,2021-05-01,V1,camera,rear,failed,replaced,,", "J2,2022-05-01,V1,camera,rear,failed,replaced,,")  # fmt: skip  # noqa: E501


def test_unknown_date_fitted(case: Cases) -> None:
    register = register_of(["", "2020-07-01"])
    found = case(FAILURE, register=register)
    assert found.classes == {2: "opens life", 3: "failure"}
    assert "unknown start" in found.rules
    assumed = case(FAILURE, switched("unknown date fitted"), register=register)
    assert assumed.classes == {2: "failure", 3: "failure"}
    assert assumed.changed("start assumed") == [("fitted_on", "", "2021-01-01")]
    earliest = {"treatments": {"problems": {"unknown_start": "earliest on the vehicle"}}}
    register = register + "V1,cable,rear,2019-03-01,North\n"
    assert case(FAILURE, earliest, register=register).changed("start assumed") == [
        ("fitted_on", "", "2019-03-01")
    ]


@pytest.mark.parametrize("day", ["1900-01-01", "1970-01-01"])
def test_default_date_fitted(case: Cases, day: str) -> None:
    register = register_of([day, "2020-07-01"])
    found = case(FAILURE, register=register)
    assert found.classes[2] == "opens life"
    assert found.changed("default date") == [("fitted_on", day, "")]
    if day == "1970-01-01":  # an unusable year without the list of defaults: never a date fitted
        assert case(FAILURE, switched("default date fitted"), register=register).changed(
            "unusable date"
        ) == [("fitted_on", day, "")]


def test_date_of_a_whole_depot(case: Cases) -> None:
    register = register_of(["2020-07-01"] * 25)
    found = case(FAILURE, register=register)
    assert found.classes[2] == "opens life"
    assert len(found.changed("common date")) == 25
    kept = case(FAILURE, switched("date of a whole depot"), register=register)
    assert kept.classes[2] == "failure"


def test_fitted_before_the_log(case: Cases) -> None:
    found = case(FAILURE)
    life = found.lives(vehicle="V1", component="camera", location="rear").iloc[0]
    assert (life["entry"], life["age"]) == (184.0, 304.0)  # from 2020-07-01
    assert "late entry" in found.rules
    ignored = case(FAILURE, switched("fitted before the log"))
    assert (ignored.tables.lives["entry"] == 0.0).all()


def test_data_migration(case: Cases) -> None:
    dates = [f"2020-{k % 12 + 1:02}-03" for k in range(30)]
    old = [f"O{k},2021-03-01,V{k},camera,rear,failed,replaced,," for k in range(1, 31)]
    rows = [f"J{k},2021-{k % 9 + 4:02}-{k + 1:02},V{k},camera,rear,failed,replaced,," for k in range(1, 8)]  # fmt: skip  # noqa: E501
    text, register = log(*old, *rows), register_of(dates)
    open_start = {"window": {"start": None}, "treatments": {"problems": {"only_failed": "warn"}}}
    found = case(text, open_start, register=register)
    assert set(found.reasons.values()) == {"data migration"}
    assert len(found.reasons) == 30
    assert f"{found.tables.observed_from:%Y-%m-%d}" > "2021-03-01"
    kept = case(text, open_start, switched("data migration"), register=register)
    assert kept.reasons == {}
    assert f"{kept.tables.observed_from:%Y-%m-%d}" == "2021-03-01"


def test_date_of_the_import(case: Cases) -> None:
    cables = register_of(["2021-01-01"] * 12, component="cable").split("\n", 1)[1]
    register = register_of([f"2018-{k % 12 + 1:02}-04" for k in range(12)]) + cables
    rows = log("J1,2021-05-01,V1,cable,rear,failed,replaced,,")
    found = case(rows, {"treatments": {"common_date_share": 1.0}}, register=register)
    assert found.classes == {2: "opens life"}
    assert len(found.changed("import date")) == 12
    keep = {
        "treatments": {"common_date_share": 1.0, **switched("date of the import")["treatments"]}
    }
    assert case(rows, keep, register=register).classes == {2: "failure"}


def test_spellings_of_vehicles(case: Cases) -> None:
    rows = log("J1,2021-05-01,v-01,camera,rear,failed,replaced,,", "J2,2021-06-01,the old one,camera,rear,failed,replaced,,")  # fmt: skip  # noqa: E501
    found = case(rows)
    assert found.changed("vehicle spellings") == [("vehicle", "v-01", "V1")]
    assert found.reasons == {3: "unknown vehicle"}
    named = {"words": {"vehicle": {"V1": ["the old one"]}}}
    assert case(rows, named).classes == {2: "failure", 3: "failure"}


def test_register_of_one_row_is_enough(case: Cases) -> None:
    with pytest.raises(InputError, match="no register"):
        case(FAILURE, register="vehicle,component,location,fitted_on\n")


def test_a_moved_item_is_used_once_in_every_chain(case: Cases) -> None:
    chain = log(
        "J1,2021-02-01,V1,camera,rear,planned,replaced,C1,A1",
        "J2,2021-03-01,V1,camera,front,planned,replaced,C2,C1",
        "J3,2021-04-01,V1,camera,front,planned,replaced,C1,A2",
        "J4,2021-05-01,V2,camera,front,failed,replaced,C4,C1",
    )
    lives = case(chain).lives(serial="C1")
    # 2020-07-01 to 2021-02-01; then from 2021-03-01, a month on the shelf does not count
    assert lives["entry"].tolist() == [184.0, 215.0, 246.0]
    assert lives["age"].tolist()[:2] == [215.0, 246.0]
    assert pd.Timestamp(lives["fitted_on"].iloc[2]) == pd.Timestamp("2021-05-01")
