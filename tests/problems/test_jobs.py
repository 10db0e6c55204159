"""Problems of the rows of the log, one planted in each test, and the same log under the switch.

Source of every expected value: own algebra; the treatments are those that the project states for
each problem (relkit/lives/problems.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from relkit.errors import InputError
from relkit.lives.problems import settings_without as switched

Cases = Callable[..., Any]
HEADER = "job,date,vehicle,component,location,finding,action"


def log(*rows: str, header: str = HEADER) -> str:
    return "\n".join([header, *rows]) + "\n"


def test_same_job_entered_twice(case: Cases) -> None:
    twice = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced,dead after rain",
        "J9,2021-05-03,V1,camera,rear,failed,replaced,dead after rain!",
        header=HEADER + ",note",
    )
    assert case(twice).classes == {2: "failure", 3: "set aside"}
    assert case(twice).reasons == {3: "duplicate"}
    assert case(twice, switched("same job entered twice")).classes[3] == "failure"


def test_job_split_over_rows(case: Cases) -> None:
    split = log("J1,2021-05-01,V1,camera,rear,failed,replaced", "J1,2021-05-04,V1,camera,rear,,")
    assert case(split).classes == {2: "failure", 3: "merged"}
    assert "split jobs" in case(split).rules
    assert len(case(split).lives(component="camera", location="rear", vehicle="V1")) == 2
    apart = case(split, switched("job split over rows"))
    assert len(apart.lives(component="camera", location="rear", vehicle="V1")) == 3


def test_repeat_visit(case: Cases) -> None:
    again = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced",
        "J2,2021-05-11,V1,camera,rear,failed,replaced",
    )
    assert case(again).classes == {2: "failure", 3: "failure"}
    assert "not fixed the first time" in case(again).rules
    counted = case(again, switched("repeat visit"))
    assert counted.classes == {2: "failure", 3: "recurrence"}
    assert counted.changed("not fixed the first time") == [("effect", "new item", "continues")]
    rare = {"treatments": {"problems": {"repeat_days": 9}}}
    assert "not fixed the first time" not in case(again, rare).rules


def test_closing_date(case: Cases) -> None:
    both = log("J1,2021-05-01,V1,camera,rear,failed,replaced,2021-05-09", header=HEADER + ",closed")
    found = case(both)
    lives = found.lives(component="camera", location="rear", vehicle="V1")
    assert lives["ended_on"].dt.strftime("%m-%d").tolist()[0] == "05-01"
    assert lives["fitted_on"].dt.strftime("%m-%d").tolist()[1] == "05-09"
    assert "opening and closing dates" in found.rules
    by_closing = case(both, switched("closing date"))
    lives = by_closing.lives(component="camera", location="rear", vehicle="V1")
    assert lives["ended_on"].dt.strftime("%m-%d").tolist()[0] == "05-09"
    assert by_closing.changed("opening and closing dates") == [("date", "2021-05-01", "2021-05-09")]


def test_closing_date_before_the_opening_is_not_used(case: Cases) -> None:
    wrong = log(
        "J1,2021-05-09,V1,camera,rear,failed,replaced,2021-05-01", header=HEADER + ",closed"
    )
    found = case(wrong)
    assert "closed before opened" in found.rules
    assert found.changed("closed before opened") == [("closed", "2021-05-01", "")]


def test_deferred_job(case: Cases) -> None:
    late = log("J1,2021-05-01,V1,camera,rear,failed,replaced,2021-08-09", header=HEADER + ",closed")
    found = case(late)
    assert "deferred jobs" in found.rules
    first, second = found.lives(component="camera", location="rear", vehicle="V1").itertuples()
    assert (first.ended_by, f"{first.ended_on:%m-%d}") == ("failure", "05-01")
    assert f"{second.fitted_on:%m-%d}" == "08-09"  # nobody was in service from May to August
    later = case(late, switched("deferred job"))
    first, second = later.lives(component="camera", location="rear", vehicle="V1").itertuples()
    assert f"{first.ended_on:%m-%d}" == f"{second.fitted_on:%m-%d}" == "08-09"


def test_scrapped_while_dark(case: Cases) -> None:
    register = (
        "vehicle,component,location,fitted_on,vehicle_left_on\n"
        "V1,camera,rear,2020-07-01,2022-03-01\nV2,camera,rear,2020-07-01,\n"
    )
    dark = log("J1,2022-02-10,V1,camera,rear,failed,none")
    found = case(dark, register=register)
    assert found.classes == {2: "failure"}
    assert found.lives(vehicle="V1")["ended_by"].tolist() == ["failure"]
    assert found.changed("dark at disposal") == [("effect", "continues", "removed")]
    as_written = case(dark, switched("scrapped while dark"), register=register)
    assert as_written.lives(vehicle="V1")["ended_by"].tolist() == ["vehicle left fleet"]


def test_two_parts_on_one_job(case: Cases) -> None:
    both = log(
        "J1,2021-05-01,V1,camera,rear,view dark,replaced",
        "J1,2021-05-01,V1,cable,rear,view dark,replaced",
    )
    found = case(both)
    assert found.classes == {2: "masked", 3: "masked"}
    assert set(found.lives(ended_by="cause unknown")["causes"]) == {"cable; camera"}
    assert case(both, switched("two parts on one job")).classes == {2: "failure", 3: "failure"}


GUESS = (
    "J1,2021-05-01,V1,camera,rear,view dark,replaced",
    "J2,2021-05-06,V1,cable,rear,view dark,replaced",
)


def test_guess_chain(case: Cases) -> None:
    found = case(log(*GUESS))
    assert found.classes == {2: "censored", 3: "failure"}
    assert sorted(found.changed("guess chain")) == [
        ("outcome", "cause unknown", "failure"), ("outcome", "cause unknown", "unfailed"),
    ]  # fmt: skip
    assert case(log(*GUESS), switched("guess chain")).classes == {2: "failure", 3: "failure"}
    shared = {"treatments": {"problems": {"guess_chains": "masked"}}}
    assert case(log(*GUESS), shared).classes == {2: "masked", 3: "masked"}


@pytest.mark.parametrize(
    "second",
    [
        "J2,2021-05-16,V1,cable,rear,view dark,replaced",  # later than chain_days
        "J2,2021-05-06,V1,camera,front,view dark,replaced",  # another view
        "J2,2021-05-06,V2,cable,rear,view dark,replaced",  # another vehicle
        "J2,2021-05-06,V1,cable,rear,view dark,tested",  # nothing was replaced
    ],
)
def test_guess_chain_needs_the_same_view_and_a_second_part(case: Cases, second: str) -> None:
    assert case(log(GUESS[0], second)).classes[2] == "failure"


def test_guess_chain_of_three_parts(case: Cases) -> None:
    register = "vehicle,component,location,fitted_on\n" + "".join(
        f"V1,{part},rear,2020-07-01\n" for part in ("camera", "cable", "connector")
    )
    third = "J3,2021-05-12,V1,connector,rear,view dark,replaced"
    found = case(log(*GUESS, third), register=register)
    assert found.classes == {2: "censored", 3: "censored", 4: "failure"}


NOTED = HEADER + ",note"


@pytest.mark.parametrize(
    ("note", "camera", "cable"),
    [
        ("cams swapped, fault followed the camera", "failure", "censored"),
        ("swapped cams to test: flt moved with it", "failure", "censored"),
        ("swapped cams, fault stayed", "censored", "failure"),
        ("swapped cams, fault did not follow", "censored", "failure"),
    ],
)
def test_swapped_to_test(case: Cases, note: str, camera: str, cable: str) -> None:
    swap = log(
        f'J1,2021-05-01,V1,camera,rear,view dark,replaced,"{note}"',
        "J1,2021-05-01,V1,cable,rear,view dark,replaced,",
        header=NOTED,
    )
    found = case(swap)
    assert found.classes == {2: camera, 3: cable}
    assert len(found.changed("test swap")) == 1
    assert case(swap, switched("swapped to test")).classes == {2: "masked", 3: "masked"}


def test_no_fault_found(case: Cases) -> None:
    rows = log(
        "J1,2021-03-01,V1,camera,rear,no fault found,tested",
        "J2,2021-08-01,V1,camera,rear,no fault found,tested",
        "J3,2021-08-09,V1,camera,rear,found failed at check,replaced",
    )
    found = case(rows)
    assert found.classes == {2: "recurrence", 3: "recurrence", 4: "interval"}
    life = found.lives(vehicle="V1", component="camera", location="rear").iloc[0]
    assert life["age_lower"] == 243  # 2020-07-01 to 2021-03-01: the look of August tells nothing
    as_written = case(rows, switched("no fault found"))
    life = as_written.lives(vehicle="V1", component="camera", location="rear").iloc[0]
    assert life["age_lower"] == 396  # to 2021-08-01
    late = log(
        "J1,2021-08-01,V1,camera,rear,no fault found,tested",
        "J2,2021-08-09,V1,camera,rear,failed,replaced",
    )
    assert case(late).classes == {2: "recurrence", 3: "failure"}
    interval = {"treatments": {"problems": {"undiagnosed": "interval"}}}
    assert case(late, interval).classes == {2: "recurrence", 3: "interval"}


def one_row(finding: str, action: str) -> str:
    return log(f"J1,2021-05-01,V1,camera,rear,{finding},{action}")


@pytest.mark.parametrize(
    ("name", "finding", "action", "usual", "other"),
    [
        ("reconnected or dried", "loose connection", "replaced", "censored", "failure"),
        ("cleaned", "dirty", "replaced", "censored", "failure"),
        ("view not fitted", "not fitted", "none", "set aside", "recurrence"),
        ("planned replacement", "planned", "replaced", "censored", "failure"),
        ("campaign", "campaign", "retrofitted", "censored", "failure"),
        ("impact and vandalism", "external damage", "replaced", "censored", "failure"),
        ("damaged at work", "damaged at work", "replaced", "censored", "failure"),
        ("power feed", "power feed", "replaced", "set aside", "failure"),
        ("found at a check", "found failed at check", "replaced", "interval", "failure"),
    ],
)
def test_findings(
    case: Cases, name: str, finding: str, action: str, usual: str, other: str
) -> None:
    """Each of: reconnected, cleaned, not fitted, planned, campaign, damage, power, check."""
    assert case(one_row(finding, action)).classes == {2: usual}
    assert case(one_row(finding, action), switched(name)).classes == {2: other}


def test_reconnected_or_dried(case: Cases) -> None:
    assert case(one_row("loose connection", "reseated")).classes == {2: "recurrence"}


def test_cleaned(case: Cases) -> None:
    assert case(one_row("dirty", "cleaned")).classes == {2: "recurrence"}


def test_view_not_fitted(case: Cases) -> None:
    never = log("J1,2021-05-01,V1,camera,side,view dark,replaced")
    assert case(never).reasons == {2: "position not fitted"}


def test_campaign(case: Cases) -> None:
    found = case(one_row("campaign", "retrofitted"))
    assert "camera, new type" in set(found.tables.lives["component"])


def test_shorted_cable(case: Cases) -> None:
    rows = log(
        "J1,2021-05-01,V1,cable,rear,view dark,replaced",
        "J1,2021-05-01,V1,camera,front,view dark,tested",
        "J1,2021-05-01,V1,camera,rear,view dark,tested",
    )
    assert case(rows).classes == {2: "failure", 3: "recurrence", 4: "recurrence"}
    blank = rows.replace("tested", "")
    assert case(blank, switched("shorted cable")).classes[4] == "recurrence"
    assert case(blank).classes[4] == "masked"


def test_hidden_failure(case: Cases) -> None:
    hidden = {"functions": [{"component": "camera", "location": "rear", "evident": False}]}
    row = one_row("failed", "replaced")
    assert case(row, hidden).classes == {2: "failure"}
    found = case(row, hidden, switched("hidden failure"))
    assert found.classes == {2: "interval"}
    assert "hidden failure" in found.rules


def test_several_items_in_one_row(case: Cases) -> None:
    two = log("J1,2021-05-01,V1,camera,,failed,replaced,2", header=HEADER + ",quantity")
    found = case(two)
    assert found.classes == {2: "failure"}
    assert len(found.lives(ended_by="failure")) == 2
    assert sorted(new for _, _, new in found.changed("quantity")) == ["front", "rear"]
    one = case(two, switched("several items in one row"))
    assert one.reasons == {2: "location not named"}
    three = log("J1,2021-05-01,V1,camera,rear,failed,replaced,3", header=HEADER + ",quantity")
    assert len(case(three).lives(ended_by="failure")) == 1


def test_suppliers_verdict(case: Cases) -> None:
    returned = log(
        "J1,2021-05-01,V1,camera,rear,view dark,replaced,tested good",
        "J2,2021-07-01,V2,camera,rear,view dark,replaced,defect confirmed",
        "J3,2021-09-01,V1,camera,front,planned,replaced,waiting",
        "J4,2021-10-01,V2,camera,front,failed,replaced,perhaps",
        header=HEADER + ",verdict",
    )
    found = case(returned)
    assert found.classes == {2: "censored", 3: "failure", 4: "failure", 5: "failure"}
    assert {"supplier's verdict", "waiting for the supplier", "unknown verdict"} <= found.rules
    ignored = case(returned, switched("supplier's verdict"))
    assert ignored.classes == {2: "failure", 3: "failure", 4: "censored", 5: "failure"}


def test_impossible_lives(case: Cases) -> None:
    register = (
        "vehicle,component,location,fitted_on,vehicle_left_on\n"
        "V1,camera,rear,2021-06-01,2022-06-01\nV2,camera,rear,2020-01-01,\n"
    )
    rows = log(
        "J1,2021-05-01,V1,camera,rear,failed,replaced",
        "J2,2022-07-01,V1,camera,rear,failed,replaced",
        "J3,2021-05-01,V2,camera,rear,failed,replaced",
        "J4,2021-05-05,V2,camera,rear,failed,replaced",
    )
    found = case(rows, register=register)
    assert found.reasons == {2: "before the item was fitted", 3: "after the vehicle left"}
    assert found.classes[5] == "failure"
    arrival = case(rows, switched("impossible lives"), register=register)
    assert arrival.reasons[5] == "dead on arrival"


def test_free_text_only(case: Cases) -> None:
    rows = log("J1,2021-05-01,V1,camera,rear,,,lens filthy wiped clean", header=NOTED)
    assert case(rows).classes == {2: "failure"}  # a blank finding and action, as the study says
    assert case(rows, switched("free text only")).classes == {2: "recurrence"}


def test_only_failed_vehicles(case: Cases) -> None:
    register = "vehicle,component,location,fitted_on\n" + "".join(
        f"V{k},camera,rear,2020-{k % 12 + 1:02}-{k % 28 + 1:02}\n" for k in range(30)
    )
    rows = log(*(f"J{k},2021-05-01,V{k},camera,rear,failed,replaced" for k in range(30)))
    # 30 vehicles, 1 failure each: (1 - exp(-1)) ** 30 = 1e-6
    with pytest.raises(InputError, match="every one of the 30 vehicles"):
        case(rows, register=register)
    warned = case(rows, switched("only failed vehicles"), register=register)
    assert "only failed vehicles" in warned.rules
