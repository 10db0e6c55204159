"""Numbers by the declared signs, and refusal where other signs fit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.errors import InputError
from relkit.logbook.numbers import parse_numbers
from relkit.logbook.read import RepairLog


def number(text: str, decimal: str = ".", thousands: str = "", unit: str = "") -> float:
    texts = np.array([text], dtype=object)
    return float(parse_numbers(texts, decimal=decimal, thousands=thousands, unit=unit).numbers[0])


@pytest.mark.parametrize(
    ("text", "decimal", "thousands", "unit", "expected"),
    [
        # Common practice: how the numbers are written in different countries.
        ("1250.5", ".", "", "", 1250.5),
        ("1250,5", ",", "", "", 1250.5),
        ("1.250,5", ",", ".", "", 1250.5),
        ("1,250.5", ".", ",", "", 1250.5),
        ("1 250 000", ".", " ", "", 1250000.0),
        ("-3", ".", "", "", -3.0),
        ("+3", ".", "", "", 3.0),
        (".5", ".", "", "", 0.5),
        ("12.", ".", "", "", 12.0),
        ("1.2e3", ".", "", "", 1200.0),
        ("1250 h", ".", "", "hours", 1250.0),
        ("1250 Hrs.", ".", "", "hours", 1250.0),
        ("20000 km", ".", "", "km", 20000.0),
        ("€ 12.50", ".", "", "money", 12.5),
        ("12.50 €", ".", "", "money", 12.5),
        ("2:30", ".", "", "hours", 2.5),
        ("02:30:36", ".", "", "hours", 2.51),
    ],
)
def test_each_form_is_read(
    text: str, decimal: str, thousands: str, unit: str, expected: float
) -> None:
    assert number(text, decimal, thousands, unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "decimal", "thousands", "unit"),
    [
        ("1250,5", ".", "", ""),
        ("1.250,5", ",", "", ""),
        ("12.50,5", ",", ".", ""),
        ("1250 km", ".", "", "hours"),
        ("n/a", ".", "", ""),
        ("1e999", ".", "", ""),
        ("nan", ".", "", ""),
        ("inf", ".", "", ""),
        ("1 250", ".", "", ""),
        ("2:30", ".", "", "km"),
        ("--5", ".", "", ""),
    ],
)
def test_what_is_no_number_is_marked(text: str, decimal: str, thousands: str, unit: str) -> None:
    texts = np.array([text, ""], dtype=object)
    parsed = parse_numbers(texts, decimal=decimal, thousands=thousands, unit=unit)
    assert np.isnan(parsed.numbers).all()
    assert parsed.unusable.tolist() == [True, False]


@given(value=st.integers(0, 10**9), signs=st.sampled_from([(".", ","), (",", "."), (",", " ")]))
def test_grouped_numbers_are_read_back(value: int, signs: tuple[str, str]) -> None:
    decimal, thousands = signs
    text = f"{value:,}".replace(",", thousands) + decimal + "25"
    assert number(text, decimal, thousands) == value + 0.25


@given(text=st.text(max_size=15))
def test_any_text_is_a_number_or_marked(text: str) -> None:
    parsed = parse_numbers(np.array([text], dtype=object), unit="hours")
    assert bool(parsed.unusable[0]) is (bool(text) and bool(np.isnan(parsed.numbers[0])))


Reader = Callable[..., RepairLog]
FilesWith = Callable[..., dict[str, Any]]
HEADER = "date;vehicle;component;location;finding;action;hours\n"


def log_with(hours: list[str]) -> str:
    rows = (
        f"2023-01-{n + 1:02};GR-01;camera;front;failed;replaced;{text}"
        for n, text in enumerate(hours)
    )
    return HEADER + "\n".join(rows) + "\n"


def test_wrong_decimal_sign_is_refused_with_the_right_one(log_of: Reader) -> None:
    with pytest.raises(
        InputError,
        match=r'log\.csv, row 2, column "hours": "10,5" is no number.*4 of 4.*decimal = ","',
    ):
        log_of({"log.csv": log_with(["10,5", "20,5", "30,5", "40,5"])})


def test_a_slip_becomes_blank_and_is_told(log_of: Reader) -> None:
    log = log_of({"log.csv": log_with(["10", "2o", "30"])})
    assert np.isnan(log.jobs["reading"].iloc[1])
    told = log.findings[log.findings["rule"] == "unusable number"]
    assert told["where"].tolist() == ["log.csv:3"]
    assert '"2o"' in told["what"].iloc[0]
    assert len(log.jobs) == 3


def test_points_that_all_part_three_digits_are_pointed_out(log_of: Reader) -> None:
    log = log_of({"log.csv": log_with(["1.250", "2.300", "3.100", "4.000", "5.500"])})
    assert "thousands or decimals" in set(log.findings["rule"])
    log = log_of({"log.csv": log_with(["1.25", "2.300", "3.100", "4.000", "5.500"])})
    assert "thousands or decimals" not in set(log.findings["rule"])


def test_readings_below_zero_become_blank(log_of: Reader) -> None:
    log = log_of({"log.csv": log_with(["-10", "20"])})
    assert log.jobs["reading"].isna().tolist() == [True, False]
    assert "negative number" in set(log.findings["rule"])


def test_declared_signs_hold(log_of: Reader, files_with: FilesWith) -> None:
    files = files_with(decimal=",", thousands=".")
    log = log_of({"log.csv": log_with(["1.250,5", "2.300"])}, {"files": files})
    assert log.jobs["reading"].tolist() == [1250.5, 2300.0]
