"""A fleet whose arrays do not fit together is refused with the field and the place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from relkit.whatif.fleet_model import check_fleet
from relkit.whatif.simulation import simulate_fleet
from tests.whatif.simulated_fleets import plain_fleet


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"key": np.array([1, 1, 2])}, "key has repeated values"),
        ({"age": np.zeros(2)}, "age has 2 values for 3 positions"),
        ({"age": np.array([0.0, -1.0, 0.0])}, "age at place 1 is -1"),
        ({"report_share": np.array([0.0, 0.0, 1.5])}, "report_share at place 2"),
        ({"detection": np.full(3, np.nan)}, "detection at place 0 is nan"),
        ({"stratum": np.array([0, 0, 1])}, "stratum must lie from 0 to 0"),
        ({"pool": np.array([0, -1, -1])}, "pool must lie from -1 to -1"),
        ({"depot": np.zeros(3)}, "depot holds float64"),
        ({"scale": np.ones((1, 2))}, "shape and scale"),
        ({"use_by_month": np.full((1, 12), 2.0)}, "mean 1"),
        ({"use_by_month": np.ones((1, 11))}, "12 months"),
        ({"start_month": 12.0}, "start_month is 12"),
    ],
)
def test_what_does_not_fit_is_named(changed: dict[str, Any], message: str) -> None:
    # Source: the message's own promise.
    fleet = replace(plain_fleet(3), **changed)
    with pytest.raises(ValueError, match=message):
        check_fleet(fleet)


def test_an_empty_fleet_is_refused() -> None:
    # Source: the message's own promise.
    with pytest.raises(ValueError, match="no position"):
        check_fleet(plain_fleet(0))


def test_checks_that_fill_the_bay_are_refused() -> None:
    # Source: by hand: 3 positions, one check of 1 h a day each, and 2 bay hours a day.
    fleet = plain_fleet(3, check_interval=1.0, check_hours=1.0, bay_hours_per_day=np.array([2.0]))
    with pytest.raises(ValueError, match="checks alone take all bay hours"):
        simulate_fleet(fleet, years=1.0, histories=2)
