"""Decimal and thousands signs, and what meters count."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.logbook.proposal_numbers import meter_evidence, number_share, number_signs


@pytest.mark.parametrize(
    ("cells", "decimal", "thousands", "plain"),
    [
        (["12", "1500"], ".", "", True),
        (["12.5", "1500.25"], ".", "", True),
        (["12,5", "1500,25"], ",", "", False),
        (["1.234,50", "12,5"], ",", ".", False),
        (["1,234.50", "12.5"], ".", ",", False),
        (["1 234", "12 500"], ".", " ", False),
        (["1.250,5", "1.250"], ",", ".", False),
    ],
)
def test_signs(cells: list[str], decimal: str, thousands: str, plain: bool) -> None:
    found = number_signs([np.array(cells, dtype=object)])
    assert (found.decimal, found.thousands, found.plain) == (decimal, thousands, plain)
    assert found.decided


def test_thousands_or_decimals_is_asked() -> None:
    found = number_signs([np.array(["1.250", "3.500"], dtype=object)])
    assert not found.decided
    assert not found.plain
    assert "three decimals" in found.reasons[0]


def test_many_numbers_with_three_digits_behind_each_comma_are_thousands() -> None:
    cells = np.array([f"{82 + n},{100 + 7 * n}" for n in range(40)], dtype=object)
    found = number_signs([cells])
    assert (found.decimal, found.thousands, found.plain) == (".", ",", False)


def test_typed_cells_ask_nothing() -> None:
    assert number_signs([np.array(["1.250"], dtype=object)], typed=True).plain


def test_shares_of_numbers() -> None:
    assert number_share(np.array(["1", "2,5", "x", ""], dtype=object)) == pytest.approx(2 / 3)


def meters(rate: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    dates = pd.date_range("2021-01-01", periods=24, freq="30D").to_numpy()
    vehicles = np.repeat(np.array(["A", "B"], dtype=object), 24)
    return np.tile(np.arange(24) * 30.0 * rate, 2), vehicles, np.tile(dates, 2)


@pytest.mark.parametrize(
    ("header", "rate", "counter", "sure"),
    [
        ("Engine hours", 4.0, "engine_hours", True),
        ("Hours", 120.0, "", False),  # more than 24 a day
        ("Odometer km", 120.0, "km", True),
        ("Miles", 75.0, "miles", True),
        ("Meter", 6.0, "engine_hours", False),
        ("Meter", 90.0, "km", False),
    ],
)
def test_what_a_meter_counts(header: str, rate: float, counter: str, sure: bool) -> None:
    found = meter_evidence(header, *meters(rate))
    assert (found.counter, found.sure) == (counter, sure)


def test_a_column_that_falls_is_no_meter() -> None:
    readings, vehicles, dates = meters(4.0)
    noise = np.random.default_rng(2).normal(170.0, 5.0, len(readings))
    assert meter_evidence("Hours", noise, vehicles, dates).counter == ""
    assert meter_evidence("Hours", readings, None, None).reasons[0].startswith("too few")
