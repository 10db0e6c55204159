"""Days and use: each is the other's inverse; a year's use does not hang on its spread."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.whatif.simulation_calendar import (
    DAYS_A_MONTH,
    DAYS_A_YEAR,
    calendar_of,
    days_run,
    reached_on,
)

WINTER = np.array([[3.0, 3, 3, 0, 0, 0, 0, 0, 0, 0, 1.5, 1.5], np.ones(12)])


@pytest.mark.parametrize("start_month", [0.0, 3.4, 11.9])
def test_use_and_day_are_inverse(start_month: float) -> None:
    # Source: own algebra.
    calendar = calendar_of(WINTER, start_month, 3 * DAYS_A_YEAR)
    run = np.linspace(0.01, 3 * DAYS_A_YEAR - 0.01, 400)
    season = np.arange(400) % 2
    day = reached_on(calendar, season, run)
    inside = np.isfinite(day) & (day < calendar.horizon)
    assert inside.mean() > 0.8
    back = days_run(calendar, season[inside], day[inside])
    assert back == pytest.approx(run[inside], abs=1e-9)
    assert (np.diff(day[0::2]) > 0).all()


@pytest.mark.parametrize("start_month", [0.0, 7.25])
def test_a_whole_year_runs_a_whole_year(start_month: float) -> None:
    # Source: the mean of the months is 1.
    calendar = calendar_of(WINTER, start_month, 2 * DAYS_A_YEAR)
    both = np.array([0, 1])
    year = np.full(2, DAYS_A_YEAR)
    assert days_run(calendar, both, year) == pytest.approx([DAYS_A_YEAR] * 2)


def test_months_without_use_are_stepped_over() -> None:
    # Source: by hand: from 1 April the next use comes on 1 November, seven months later.
    calendar = calendar_of(WINTER[:1], 3.0, DAYS_A_YEAR)
    day = reached_on(calendar, np.array([0]), np.array([1e-9]))
    assert day == pytest.approx([7 * DAYS_A_MONTH], abs=1e-6)


def test_use_beyond_the_horizon_is_never_reached() -> None:
    # Source: the promise of reached_on.
    calendar = calendar_of(WINTER, 0.0, DAYS_A_YEAR)
    assert np.isinf(reached_on(calendar, np.array([0]), np.array([1e6]))).all()
