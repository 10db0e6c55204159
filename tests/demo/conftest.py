"""One clean fleet and one dirty history, shared by the tests of the demo."""

from __future__ import annotations

import pytest

from relkit.demo.frames import DemoFleet, DemoHistory, demo_fleet, demo_history
from relkit.demo.histories import Scenario


@pytest.fixture(scope="session")
def clean_fleet() -> DemoFleet:
    return demo_fleet(1)


@pytest.fixture(scope="session")
def shared_history() -> DemoHistory:
    """History with two parts on one job, guess chains and failures found at service."""
    return demo_history(1, scenario=Scenario(shared_jobs=True))


@pytest.fixture(scope="session")
def large_history() -> DemoHistory:
    """Twenty fleets' worth of the same."""
    return demo_history(2, size=20, scenario=Scenario(shared_jobs=True))
