"""Quantities in text."""

from __future__ import annotations

import pytest

from relkit.units import Quantity, clock_symbol, parse_quantity


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("250 engine_hours", 250.0, "engine_hours"),
        ("13 weeks", 91.0, "days"),
        ("1 year", 365.25, "days"),
        (" 0.5 months ", 365.25 / 24, "days"),
        ("20000 km", 20000.0, "km"),
    ],
)
def test_quantities_are_read(text: str, value: float, unit: str) -> None:
    # Source: the calendar: 7 days a week, 365.25 days a mean (Julian) year.
    assert parse_quantity(text) == Quantity(pytest.approx(value), unit)


@pytest.mark.parametrize("text", ["", "250", "h 250", "-3 days", "0 km", "1,5 days", "3 days more"])
def test_what_is_no_quantity_is_refused(text: str) -> None:
    # Source: the project's own contract of the study file.
    with pytest.raises(ValueError, match="is not a quantity"):
        parse_quantity(text)


def test_quantities_are_written_with_their_symbol() -> None:
    # Source: SI symbols for hour, day and kilometre.
    assert str(Quantity(20000.0, "km")) == "20,000 km"
    assert str(Quantity(91.0, "days")) == "91 d"
    assert clock_symbol("blade_cycles") == "blade cycles"
