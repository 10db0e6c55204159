"""Dates as people write them: each form, each order, and what is no date."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.logbook.dates import FORMS, ORDERS, ParsedDates, parse_dates


def read(text: str, order: str) -> ParsedDates:
    return parse_dates(np.array([text], dtype=object), order)


@pytest.mark.parametrize(
    ("text", "order", "expected", "is_day"),
    [
        # Common practice: what each text means to a person under the declared order.
        ("1/2/2023", "day first", "2023-02-01T00:00:00", True),
        ("1/2/2023", "month first", "2023-01-02T00:00:00", True),
        ("01.02.2023 14:30", "day first", "2023-02-01T14:30:00", False),
        ("1-Feb-23", "day first", "2023-02-01T00:00:00", True),
        ("1-Feb-23", "year first", "2023-02-01T00:00:00", True),
        ("1 February 2023, 14.30", "day first", "2023-02-01T14:30:00", False),
        ("Feb 1, 2023 2:30 PM", "month first", "2023-02-01T14:30:00", False),
        ("Mon 2 Jan 2023", "day first", "2023-01-02T00:00:00", True),
        ("12/31/2023 12:15 AM", "month first", "2023-12-31T00:15:00", False),
        ("2023-02-01", "year first", "2023-02-01T00:00:00", True),
        ("2023-02-01T08:05", "year first", "2023-02-01T08:05:00", False),
        ("2023-02-01 08:05:09", "year first", "2023-02-01T08:05:09", False),
        ("2023-2-1 8:05", "year first", "2023-02-01T08:05:00", False),
        ("20230201T1430", "year first", "2023-02-01T14:30:00", False),
        ("23-02-01", "year first", "2023-02-01T00:00:00", True),
        ("2023-02-01", "month first", "2023-02-01T00:00:00", True),
        ("2023-02-01T08:00:00Z", "year first", "2023-02-01T08:00:00", False),
        ("01/02/2023 08:00:00+01:00", "day first", "2023-02-01T08:00:00", False),
        ("01/02/2023 08:00 CET", "day first", "2023-02-01T08:00:00", False),
        ("01.02.2023 14:30", "%d.%m.%Y %H:%M", "2023-02-01T14:30:00", False),
        ("2023/02/01 14:30:00+0100", "%Y/%m/%d %H:%M:%S%z", "2023-02-01T14:30:00", False),
        ("2023-02-01", "%d.%m.%Y", "2023-02-01T00:00:00", True),
    ],
)
def test_each_form_is_read_under_its_order(
    text: str, order: str, expected: str, is_day: bool
) -> None:
    parsed = read(text, order)
    assert str(parsed.dates[0])[:19] == expected
    assert bool(parsed.is_day[0]) is is_day
    assert not parsed.unusable[0]


@pytest.mark.parametrize(
    ("text", "order"),
    [
        ("0/1/00", "day first"),
        ("31/04/2023", "day first"),
        ("29/02/2023", "day first"),
        ("2/13/2023", "day first"),
        ("13/2/2023", "month first"),
        ("13/09/2001", "year first"),
        ("2023-02-30", "year first"),
        ("1/2/203", "day first"),
        ("1/2/2023 25:00", "day first"),
        ("1/2/2023 13:00 PM", "day first"),
        ("2023", "year first"),
        ("2023-02", "year first"),
        ("1/2/1989", "day first"),
        ("1/2/2150", "day first"),
        ("1-Fex-23", "day first"),
        ("soon", "year first"),
        ("1/2/2023", "%d.%m.%Y"),
        ("9999999", "year first"),
    ],
)
def test_what_is_no_date_is_marked_not_guessed(text: str, order: str) -> None:
    parsed = read(text, order)
    assert np.isnat(parsed.dates[0])
    assert parsed.unusable[0]


def test_spreadsheet_serial_numbers() -> None:
    # Source: the 1900 date system; 44197 is 1 January 2021 (common practice, and openpyxl's
    # utils.datetime.from_excel agrees).
    parsed = parse_dates(np.array(["44197", "44197.75", "44197,5"], dtype=object), "day first")
    expected = ["2021-01-01T00:00", "2021-01-01T18:00", "2021-01-01T12:00"]
    assert parsed.dates.astype("datetime64[m]").astype(str).tolist() == expected
    assert parsed.is_day.tolist() == [True, False, False]
    assert set(parsed.forms.tolist()) == {FORMS["spreadsheet serial number"]}


def test_blank_is_neither_a_date_nor_unusable() -> None:
    parsed = read("", "day first")
    assert np.isnat(parsed.dates[0])
    assert not parsed.unusable[0]


def test_two_digit_years_turn_over_at_70() -> None:
    # Source: POSIX strptime, %y: 69 to 99 are 1969 to 1999; here from 70 on, and years before
    # 1990 are unusable anyway.
    parsed = parse_dates(np.array(["1/2/69", "1/2/91"], dtype=object), "day first")
    assert parsed.dates.astype("datetime64[Y]").astype(str).tolist() == ["2069", "1991"]
    assert set(parsed.forms.tolist()) == {FORMS["two-digit year"]}


def test_first_year_may_lie_earlier() -> None:
    dates = parse_dates(np.array(["1/2/1985"], dtype=object), "day first", first_year=1980).dates
    assert str(dates[0])[:10] == "1985-02-01"


FORMATS = {
    "day first": ("{d}/{m}/{y}", "{d:02}.{m:02}.{y}", "{d}-{m}-{y}"),
    "month first": ("{m}/{d}/{y}", "{m:02}-{d:02}-{y}"),
    "year first": ("{y}-{m:02}-{d:02}", "{y}/{m}/{d}", "{y}{m:02}{d:02}"),
}


@given(
    moment=st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2099, 12, 31)),
    order=st.sampled_from(sorted(ORDERS)),
    form=st.integers(0, 2),
    time=st.sampled_from(("", " {h:02}:{n:02}", "T{h:02}:{n:02}:{s:02}")),
)
def test_a_written_date_is_read_back(moment: dt.datetime, order: str, form: int, time: str) -> None:
    forms = FORMATS[order]
    text = (forms[form % len(forms)] + time).format(
        y=moment.year, m=moment.month, d=moment.day, h=moment.hour, n=moment.minute, s=moment.second
    )
    expected = np.datetime64(moment.date(), "s")
    if time:
        seconds = moment.second if "{s" in time else 0
        expected += np.timedelta64(moment.hour * 3600 + moment.minute * 60 + seconds, "s")
    parsed = read(text, order)
    assert parsed.dates[0].astype("datetime64[s]") == expected
    assert bool(parsed.is_day[0]) is (time == "")


@given(text=st.text(max_size=20), order=st.sampled_from([*sorted(ORDERS), "%d.%m.%Y %H:%M"]))
def test_any_text_is_a_date_or_marked(text: str, order: str) -> None:
    parsed = read(text, order)
    assert bool(parsed.unusable[0]) is (bool(text) and bool(np.isnat(parsed.dates[0])))
