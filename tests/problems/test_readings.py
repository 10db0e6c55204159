"""Problems of meter readings, one planted in each test, and under the switch.

Source of every expected value: own algebra; the treatments are those that the project states for
each problem (relkit/lives/problems.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from relkit.lives.problems import settings_without as switched

Cases = Callable[..., Any]
REGISTER = "vehicle,component,location,fitted_on\nA,camera,rear,2021-01-01\n"
LOG = (
    "job,date,vehicle,component,location,finding,action\n"
    "J1,2022-11-01,A,camera,rear,failed,replaced\n"
)
MONTHS = pd.date_range("2021-01-01", "2022-12-01", freq="MS")
HOURS = [100.0 * k for k in range(len(MONTHS))]  # 0 h on 2021-01-01, 2,200 h on 2022-11-01
CLOCK = {
    "clock": "engine_hours",
    "files": {
        "readings": [{"path": "readings.csv", "counters": {"engine_hours": "hours", "km": "km"}}]
    },
}


def readings(hours: list[float], km: list[float] | None = None) -> str:
    distance = km or [20.0 * value for value in HOURS]
    lines = [
        f"A,{day:%Y-%m-%d},{one:g},{other:g}"
        for day, one, other in zip(MONTHS, hours, distance, strict=True)
    ]
    return "vehicle,date,hours,km\n" + "\n".join(lines) + "\n"


def age(found: Any) -> float:
    return float(found.lives(ended_by="failure")["age"].iloc[0])


def test_clean_readings_give_the_age(case: Cases) -> None:
    found = case(LOG, CLOCK, register=REGISTER, readings=readings(HOURS))
    assert age(found) == pytest.approx(2200.0)
    assert len(found.tables.changes) == 0


def test_meter_exchanged(case: Cases) -> None:
    exchanged = [*HOURS[:12], *(value - 1150.0 for value in HOURS[12:])]
    found = case(LOG, CLOCK, register=REGISTER, readings=readings(exchanged))
    # across the exchange the vehicle's mean rate, 100 h in 30.4 days on average
    assert age(found) == pytest.approx(2200.0, abs=5.0)
    assert len(found.changed("meter exchanged")) == 1
    refused = case(LOG, CLOCK, switched("meter exchanged"), register=REGISTER, readings=readings(exchanged))  # fmt: skip  # noqa: E501
    assert refused.reasons == {2: "no usable meter reading"}


def test_meter_typing_error(case: Cases) -> None:
    wrong = [*HOURS]
    wrong[21] = 21003.0  # a digit too many, a month before the job
    found = case(LOG, CLOCK, register=REGISTER, readings=readings(wrong))
    assert age(found) == pytest.approx(2200.0)
    ((column, old, new),) = found.changed("meter typing error")
    assert (column, old) == ("engine_hours", "21003")
    assert float(new) == pytest.approx(2100.0, abs=2.0)
    kept = case(LOG, CLOCK, switched("meter typing error"), register=REGISTER, readings=readings(wrong))  # fmt: skip  # noqa: E501
    assert kept.changed("meter typing error") == []
    assert "meter exchanged" in kept.rules  # what then remains for a value that falls again


def test_meter_stood_still(case: Cases) -> None:
    stood = [value if k < 6 or k > 10 else HOURS[6] for k, value in enumerate(HOURS)]
    early = LOG.replace("2022-11-01", "2021-10-01")  # in the flat stretch: 900 h in truth
    found = case(early, CLOCK, register=REGISTER, readings=readings(stood))
    assert age(found) == pytest.approx(900.0, abs=5.0)
    assert len(found.changed("meter stood still")) == 4
    kept = case(early, CLOCK, switched("meter stood still"), register=REGISTER, readings=readings(stood))  # fmt: skip  # noqa: E501
    assert age(kept) == pytest.approx(600.0, abs=1.0)
    longer = {"treatments": {"problems": {"frozen_days": 200}}}
    assert age(case(early, CLOCK, longer, register=REGISTER, readings=readings(stood))) == (
        pytest.approx(600.0, abs=1.0)
    )


def test_kilometres_as_hours(case: Cases) -> None:
    wrong = [*HOURS]
    wrong[15] = 20.0 * HOURS[15]  # what the other counter shows that day
    found = case(LOG, CLOCK, register=REGISTER, readings=readings(wrong))
    assert age(found) == pytest.approx(2200.0)
    assert found.changed("reading of another counter")[0][1] == "30000"
    assert found.changed("meter typing error") == []
    plain = case(LOG, CLOCK, switched("kilometres as hours"), register=REGISTER, readings=readings(wrong))  # fmt: skip  # noqa: E501
    assert plain.changed("meter typing error")[0][1] == "30000"


def test_miles_among_kilometres(case: Cases) -> None:
    km = [5000.0 + 20.0 * value for value in HOURS]
    miles = [one if k < 12 else one / 1.609344 for k, one in enumerate(km)]
    clock = {**CLOCK, "clock": "km"}
    found = case(LOG, clock, register=REGISTER, readings=readings(HOURS, miles))
    assert age(found) == pytest.approx(44_000.0, rel=1e-3)
    assert len(found.changed("miles among kilometres")) == 12
    assert "meter exchanged" not in found.rules
    kept = case(LOG, clock, switched("miles among kilometres"), register=REGISTER, readings=readings(HOURS, miles))  # fmt: skip  # noqa: E501
    assert kept.changed("miles among kilometres") == []
    assert "meter exchanged" in kept.rules


def test_no_meter_at_job(case: Cases) -> None:
    sparse = "vehicle,date,hours,km\nA,2021-01-01,0,0\nA,2022-12-01,2300,46000\n"
    found = case(LOG, CLOCK, register=REGISTER, readings=sparse)
    assert age(found) == pytest.approx(2200.0, abs=5.0)
    assert "age estimated" not in found.rules  # the job is 30 days from the last reading
    middle = LOG.replace("2022-11-01", "2022-01-01")
    assert "age estimated" in case(middle, CLOCK, register=REGISTER, readings=sparse).rules
    wide = case(middle, CLOCK, switched("no meter at job"), register=REGISTER, readings=sparse)
    assert "age estimated" not in wide.rules
