"""Numbers and names in plain words: examples that a reader can judge."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.present.wording import (
    UNKNOWN,
    amount,
    amount_range,
    day,
    listed,
    money,
    number,
    number_range,
    percent,
    percent_range,
    period,
    plural,
    rate_unit,
    sentence,
    task_words,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1122.4, "1,120"),
        (985.0, "985"),
        (0.034567, "0.0346"),
        (12.0, "12"),
        (9.996, "10"),
        (-145.7, "-146"),
        (0.0, "0"),
        (float("nan"), UNKNOWN),
        (float("inf"), "without limit"),
        (1_234_567.0, "1,230,000"),
    ],
)
def test_numbers_keep_three_meaningful_digits(value: float, text: str) -> None:
    # Source: common practice; rounding by hand.
    assert number(value) == text


@given(st.floats(1e-9, 1e12))
def test_rounding_stays_within_half_a_step_of_the_third_digit(value: float) -> None:
    # Source: own algebra, three digits leave a relative error of at most 0.5 %.
    assert float(number(value).replace(",", "")) == pytest.approx(value, rel=0.0051)


def test_exact_amounts_are_not_rounded() -> None:
    # Source: common practice, an agreed step such as 1,125 h is not an estimate.
    assert amount(1125.0, "engine_hours", digits=7) == "1,125 h"
    assert amount(1125.0, "engine_hours") == "1,120 h"
    assert amount(float("nan"), "engine_hours") == UNKNOWN
    assert amount(float("inf"), "engine_hours") == "without limit"


def test_ranges_say_which_side_is_open() -> None:
    # Source: common practice.
    nan, inf = float("nan"), float("inf")
    assert number_range(930, 1350) == "930 to 1,350"
    assert number_range(930, inf) == "at least 930"
    assert number_range(nan, 12) == "at most 12"
    assert number_range(nan, nan) == UNKNOWN
    assert number_range(930.0, 930.1) == "930"
    assert amount_range(930, 1350, "km") == "930 to 1,350 km"
    assert amount_range(nan, nan, "km") == UNKNOWN
    assert percent_range(0.22, 0.44) == "22 to 44 %"
    assert percent_range(0.221, 0.2212) == "22 %"
    assert percent_range(nan, 0.4) == UNKNOWN


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "0 %"),
        (0.0004, "under 0.1 %"),
        (0.0123, "1.2 %"),
        (0.352, "35 %"),
        (0.997, "99.7 %"),
        (0.99951, "over 99.9 %"),
        (1.0, "100 %"),
        (-0.12, "-12 %"),
        (float("nan"), UNKNOWN),
    ],
)
def test_shares_are_never_a_false_nought_or_hundred(share: float, text: str) -> None:
    # Source: common practice.
    assert percent(share) == text


def test_counts_dates_and_lists() -> None:
    # Source: common practice.
    assert [plural(n, "failure") for n in (0, 1, 1200)] == [
        "no failures",
        "1 failure",
        "1,200 failures",
    ]
    assert plural(2, "life", "lives") == "2 lives"
    assert day(date(2025, 10, 1)) == "1 Oct 2025"
    assert day(pd.NaT) == UNKNOWN
    assert day(None) == UNKNOWN
    assert period(datetime(2021, 1, 1), datetime(2025, 7, 1)) == "1 Jan 2021 to 30 Jun 2025"
    assert period(datetime(2021, 1, 1), datetime(2025, 6, 30, 12)) == "1 Jan 2021 to 30 Jun 2025"
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(["a", "b", "c", "d"], most=2) == "a, b and 2 more"
    assert sentence("it fails ") == "It fails."
    assert sentence("Why?") == "Why?"
    assert sentence("") == ""
    assert money(1234.0, "money units") == "1,230 money units"


def test_every_clock_has_a_rate_that_people_can_picture() -> None:
    # Source: common practice; a mean year has 365.25 days.
    assert rate_unit("engine_hours") == (1000.0, "1,000 h")
    assert rate_unit("days") == (365.25, "year")
    assert rate_unit("trigger_cycles") == (1000.0, "1,000 trigger cycles")


def test_tasks_are_ordered_as_on_a_job_card() -> None:
    # Source: own algebra.
    tasks = ["run to failure", "failure-finding", "planned replacement", "condition inspection"]
    assert [task_words(t).verb for t in sorted(tasks, key=lambda t: task_words(t).order)] == [
        "Replace",
        "Test",
        "Look",
        "Nothing until it fails",
    ]
    assert task_words("something new").verb == "Something new"
