"""The order of day and month, decided over a whole source or not at all."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from relkit.logbook.proposal_dates import date_order, date_share


def days(count: int = 120, *, seed: int = 3, most: int = 28) -> pd.Series:
    """Days over two years in order, each at most the given day of its month."""
    rng = np.random.default_rng(seed)
    offsets = np.sort(rng.integers(0, 700, count))
    made = pd.Series(pd.Timestamp("2021-02-01") + pd.to_timedelta(offsets, "D"))
    return made.map(lambda day: day.replace(day=min(day.day, most)))


def texts(dates: pd.Series, form: str) -> NDArray[np.object_]:
    return dates.dt.strftime(form).to_numpy(dtype=object)


def ambiguous(dates: pd.Series) -> pd.Series:
    """Days whose day and month are both up to 12, and not the same."""
    days_of = dates.map(lambda day: day.replace(day=1 + (day.day * 5) % 12)).sort_values()
    return days_of[days_of.dt.day != days_of.dt.month].reset_index(drop=True)


@pytest.mark.parametrize(
    ("form", "order"),
    [("%d/%m/%Y", "day first"), ("%m/%d/%Y", "month first")],
)
def test_parts_above_12_decide(form: str, order: str) -> None:
    found = date_order([texts(days(), form)])
    assert found.order == order
    assert "can only be" in found.reasons[0]
    assert not found.plain


def test_years_of_two_digits_are_those_that_make_few_years() -> None:
    mixed = days().sample(frac=1.0, random_state=6)
    found = date_order([texts(mixed, "%d.%m.%y")])
    assert found.order == "day first"
    assert any("3 years" in reason or "2 years" in reason for reason in found.reasons)


def test_a_year_in_front_needs_no_question() -> None:
    found = date_order([texts(days(), "%Y-%m-%d")])
    assert (found.order, found.plain) == ("year first", True)


def test_names_of_months_need_no_question() -> None:
    assert date_order([texts(days(), "%d %b %Y")]).plain


def test_a_slip_of_the_pen_does_not_decide_against_the_rest() -> None:
    cells = texts(days(300), "%d/%m/%Y")
    cells[7] = "12/31/2021"
    assert date_order([cells]).order == "day first"


def test_two_exports_pasted_together_are_not_decided() -> None:
    cells = np.concatenate([texts(days(), "%d/%m/%Y"), texts(days(), "%m/%d/%Y")])
    found = date_order([cells])
    assert found.order == ""
    assert "contradict" in found.reasons[-1]
    assert set(found.candidates) >= {"day first", "month first"}


@pytest.mark.parametrize(
    ("form", "order"), [("%d/%m/%Y", "day first"), ("%m/%d/%Y", "month first")]
)
def test_job_numbers_decide_where_parts_do_not(form: str, order: str) -> None:
    dates = ambiguous(days(200))
    jobs = np.array([f"J{n:04d}" for n in range(len(dates))], dtype=object)
    mixed = np.random.default_rng(1).permutation(len(dates))
    found = date_order([texts(dates, form)[mixed]], jobs=jobs[mixed])
    assert found.order == order
    assert any("job numbers" in reason for reason in found.reasons)


@pytest.mark.parametrize(
    ("form", "order"), [("%d/%m/%Y", "day first"), ("%m/%d/%Y", "month first")]
)
def test_meters_decide_where_parts_do_not(form: str, order: str) -> None:
    dates = ambiguous(days(200))
    meters = (dates - dates.min()).dt.days.to_numpy() * 4.0
    vehicles = np.array([f"V{n % 3}" for n in range(len(dates))], dtype=object)
    mixed = np.random.default_rng(1).permutation(len(dates))
    found = date_order([texts(dates, form)[mixed]], vehicles=vehicles[mixed], meters=meters[mixed])
    assert found.order == order
    assert any("meter readings" in reason for reason in found.reasons)


def test_monthly_lists_are_decided_by_their_one_day() -> None:
    dates = pd.Series(pd.date_range("2021-01-01", periods=12, freq="MS").repeat(4))
    mixed = dates.sample(frac=1.0, random_state=4)
    assert date_order([texts(mixed, "%m/%d/%Y")]).order == "month first"


def test_without_any_evidence_nothing_is_decided() -> None:
    mixed = ambiguous(days(200)).sample(frac=1.0, random_state=5)
    found = date_order([texts(mixed, "%d/%m/%Y")])
    assert found.order == ""
    assert found.candidates == ("day first", "month first")


def test_evidence_that_disagrees_decides_nothing() -> None:
    dates = ambiguous(days(200))
    jobs = np.array([f"J{n:04d}" for n in range(len(dates))], dtype=object)
    meters = (dates.dt.month * 28.0 + dates.dt.day).to_numpy()  # rise with the other order
    swapped = dates.map(lambda day: day.replace(month=day.day, day=day.month))
    meters = (swapped - swapped.min()).dt.days.to_numpy() * 1.0
    vehicles = np.array(["V1"] * len(dates), dtype=object)
    found = date_order([texts(dates, "%d/%m/%Y")], jobs=jobs, vehicles=vehicles, meters=meters)
    assert found.order == ""
    assert "contradict" in found.reasons[-1]


def test_whole_numbers_are_no_dates() -> None:
    assert date_share(np.array(["44562", "44563", "12"], dtype=object)) == 0.0
    assert date_share(np.array(["4/5/2023", "n/a", ""], dtype=object)) == 0.5


def test_a_blank_column_asks_nothing() -> None:
    found = date_order([np.array(["", ""], dtype=object)])
    assert found.plain
