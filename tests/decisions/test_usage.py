"""Several limits brought to one clock: the first that is reached counts."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.usage import days_of_the_year_gap, first_limit


def test_tanker_service_in_hours_or_weeks() -> None:
    # Own algebra: 500 h or 13 weeks at 1250 h a year is 91 days x 3.42 h a day.
    rate = 1250 / 365.25
    first = first_limit([500.0, 91.0], use_per_day=[rate, 1.0], clock_per_day=rate)
    assert first.place.tolist() == [1]
    assert first.in_clock[0] == pytest.approx(91 * rate)
    assert first.days[0] == 91.0


def test_tipper_service_in_km_for_a_clock_in_hours() -> None:
    # Own algebra: 20,000 km at 23 km an hour is 870 h; 26 weeks at 1300 h a year is 648 h.
    hours = 1300 / 365.25
    first = first_limit([20_000.0, 182.0], use_per_day=[23 * hours, 1.0], clock_per_day=hours)
    assert first.in_clock[0] == pytest.approx(182 * hours)
    busy = first_limit([20_000.0, 182.0], use_per_day=[23 * 8.0, 1.0], clock_per_day=8.0)
    assert busy.in_clock[0] == pytest.approx(20_000 / 23)
    assert busy.place.tolist() == [0]


def test_a_vehicle_that_stands_still_meets_the_calendar() -> None:
    first = first_limit([500.0, 91.0], use_per_day=[0.0, 1.0], clock_per_day=1e-9)
    assert first.days.tolist() == [91.0]


def test_no_limit_that_is_ever_reached() -> None:
    first = first_limit([[500.0, np.nan]], use_per_day=[0.0, 1.0], clock_per_day=1.0)
    assert first.place.tolist() == [-1]
    assert np.isinf(first.in_clock[0])


def test_rows_may_have_fewer_limits() -> None:
    first = first_limit(
        [[250.0, np.nan], [500.0, 91.0]], use_per_day=[[2.0, 1.0], [2.0, 1.0]], clock_per_day=2.0
    )
    assert first.in_clock.tolist() == [250.0, 182.0]


def test_gap_between_days_of_the_year() -> None:
    # Own algebra: one day a year comes round after a year; the longer gap of two counts.
    assert days_of_the_year_gap([274]) == 365.25
    assert days_of_the_year_gap([274, 91]) == pytest.approx(183.0)
    assert days_of_the_year_gap([1, 92, 183, 274]) == pytest.approx(92.25)


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match=r"limits at position \(0, 1\) is -1"):
        first_limit([500.0, -1.0], use_per_day=1.0, clock_per_day=1.0)
    with pytest.raises(ValueError, match="clock_per_day at position"):
        first_limit([500.0], use_per_day=1.0, clock_per_day=0.0)
    with pytest.raises(ValueError, match="days_of_year at position"):
        days_of_the_year_gap([400])
