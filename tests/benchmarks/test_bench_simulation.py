"""Processor seconds for histories of 500 vehicles over 5 years, with and without queues.

Prints; no time is asserted. The bar of the project is 10 s on two cores.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np
import pytest

from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.simulation import simulate_fleet
from tests.whatif.simulated_fleets import plain_fleet

pytestmark = pytest.mark.slow

VEHICLES, PLACES, HISTORIES = 500, 7, 1_000


def large_fleet(*, queues: bool) -> FleetModel:
    """Return 3,500 positions: hidden and evident ones, checks, looks, replacements, seasons."""
    count = VEHICLES * PLACES
    source = np.random.default_rng(3)
    kind, vehicle = np.arange(count) % PLACES, np.arange(count) // PLACES
    changed: dict[str, Any] = {
        "shape": np.array([[1.4], [2.4], [2.2], [1.0], [1.3], [2.0], [1.1]]),
        "scale": np.array([[9e3], [3e3], [5.5e3], [11e3], [9.5e3], [15e3], [12e3]]),
        "vehicle": vehicle,
        "depot": vehicle % 2,
        "stratum": kind,
        "renewal_stratum": kind,
        "age": source.uniform(0, 4000, count),
        "use_per_day": source.uniform(2, 4, VEHICLES)[vehicle],
        "season": vehicle % 2,
        "use_by_month": np.array([np.ones(12), [2, 2, 2, 1, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 1, 1]]),
        "hidden": kind == 0,
        "replacement_age": np.where(kind == 1, 2000.0, np.inf),
        "service_spacing": 250.0,
        "check_interval": np.where(np.isin(kind, (0, 2)), 500.0, np.inf),
        "detection": 0.8,
        "warning_time": np.where(kind == 2, 400.0, 0.0),
        "demand_rate": 1.0,
        "report_share": 0.001,
        "repair_hours": 1.5,
        "check_hours": 0.1,
        "bay_hours_per_day": np.array([8.0, np.inf]) if queues else np.full(2, np.inf),
        "depots": ("north", "south"),
    }
    if queues:
        changed |= {
            "pool": kind % 3,
            "stock": np.array([20, 20, 10]),
            "lead_time_days": np.array([21.0, 14.0, 14.0]),
            "pools": ("p", "q", "r"),
        }
    return plain_fleet(count, **changed)


@pytest.mark.parametrize("queues", [False, True])
def test_histories_of_a_large_fleet(queues: bool) -> None:
    # Source: own bar. Failures a history: within 1 % of 1,907, the mean of 257 histories.
    fleet = large_fleet(queues=queues)
    wall, used = time.perf_counter(), time.process_time()
    run = simulate_fleet(fleet, years=5.0, histories=HISTORIES, rng=1)
    wall, used = time.perf_counter() - wall, time.process_time() - used
    sys.stdout.write(
        f"\n{HISTORIES:,} histories of {VEHICLES} vehicles over 5 years{', with queues' * queues}: "
        f"{used:.1f} processor seconds ({wall:.1f} s here)\n"
    )
    assert run.failures.sum(axis=(1, 2)).mean() == pytest.approx(1907, rel=0.01)
