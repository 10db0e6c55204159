"""Headers of columns that hold persons, and headers that only look so."""

from __future__ import annotations

import pytest

from relkit.logbook.persons import holds_persons, is_plain_name


@pytest.mark.parametrize(
    "name",
    [
        *("Driver", "driver_name", "Technician", "Mechanic no.", "Reported by", "DONE BY"),
        *("Name", "First name", "surname", "Employee ID", "Fitter", "Assigned to", "E-mail"),
        *("Operator", "signed  by", "User name", "Inspector"),
    ],
)
def test_persons_are_known_by_the_header(name: str) -> None:
    # Common practice: headers of workshop and fleet records.
    assert holds_persons(name)


@pytest.mark.parametrize(
    "name",
    [
        *("Vehicle", "Component", "Site name", "Driver remarks", "Technician hours", "Note"),
        *("Vehicle name", "Date reported", "Driver's cab side", "Fitted on", "Part name", "Depot"),
    ],
)
def test_other_headers_are_left(name: str) -> None:
    assert not holds_persons(name)


def test_plain_name_may_be_a_vehicles() -> None:
    assert is_plain_name("Name")
    assert not is_plain_name("Driver name")
