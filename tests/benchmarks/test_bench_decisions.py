"""Seconds for the decisions of 10,000 strata with 500 draws each, beside one by one with scipy.

Prints; no wall time is asserted, only that the two ways agree. The bar of the project is 20 s
on two cores for all of it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.special import gamma, gammainc

from relkit.decisions.replacement_uncertainty import (
    ReplacementUnderUncertainty,
    averaged_cost_rate,
    replacement_under_uncertainty,
)
from relkit.decisions.schedule import ScheduledInterval, interval_by_cost, interval_by_target
from relkit.decisions.tasks import triage
from relkit.survival.draws import DrawLaw, drawn_parameters

pytestmark = pytest.mark.slow

Floats = NDArray[np.float64]
T = TypeVar("T")
STRATA, DRAWS = 10_000, 500
#: Strata that are also worked one by one.
PEER = 20
COSTS = {"cost_planned": 300.0, "cost_failure": 900.0}


def timed(work: Callable[[], T]) -> tuple[T, float]:
    start = time.perf_counter()
    result = work()
    return result, time.perf_counter() - start


def one_by_one(scale: Floats, shape: Floats) -> float:
    """Best age of one stratum: a scalar search over the plain formula, as one would write it."""

    def cost(log_age: float) -> float:
        gained = (np.exp(log_age) / scale) ** shape
        use = scale * gamma(1 + 1 / shape) * gammainc(1 / shape, gained)
        return float(np.mean((300.0 - 600.0 * np.expm1(-gained)) / use))

    middle = float(np.log(np.median(scale)))
    found = minimize_scalar(cost, bounds=(middle - 4, middle + 4), method="bounded")
    return float(np.exp(found.x))


def test_plan_of_ten_thousand_strata(capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(1)
    log_shape = np.log(rng.uniform(1.3, 3.0, STRATA))
    law = DrawLaw(
        log_shape=log_shape,
        below=np.full(STRATA, 0.15),
        above=np.full(STRATA, 0.15),
        constant=np.log(rng.uniform(1000.0, 9000.0, STRATA)),
        per_shape=np.full(STRATA, np.log(8.0)),
        by_shape=np.zeros(STRATA),
        failures=np.full(STRATA, 8.0),
    )
    (shape, scale), drawing = timed(lambda: drawn_parameters(law, DRAWS, 1))
    best, choosing = timed(lambda: replacement_under_uncertainty(scale=scale, shape=shape, **COSTS))
    plan, fitting = timed(lambda: scheduled(best, scale, shape))
    _, sorting = timed(lambda: decided(best))
    peer_ages, peer = timed(lambda: np.array([one_by_one(scale[i], shape[i]) for i in range(PEER)]))
    whole = drawing + choosing + fitting + sorting
    peer_whole = peer * STRATA / PEER
    with capsys.disabled():
        sys.stdout.write(
            f"\n  {STRATA:,} strata x {DRAWS} draws: {whole:.1f} s (bar 20 s): "
            f"draws {drawing:.1f}, best ages {choosing:.1f}, services, rules {fitting:.1f}, tasks "
            f"{sorting:.2f}\n  best ages one by one with scipy: {peer_whole:.0f} s "
            f"(ratio {choosing / peer_whole:.2f})\n"
        )
    # both find an age whose average cost is the same within what the curve's steps leave
    ages = np.stack([best.age[:PEER], peer_ages], axis=1)
    cost = averaged_cost_rate(ages, scale=scale[:PEER], shape=shape[:PEER], **COSTS)
    np.testing.assert_allclose(cost[:, 0], cost[:, 1], rtol=1e-3)
    assert (plan.every_nth > 0).any()


def scheduled(best: ReplacementUnderUncertainty, scale: Floats, shape: Floats) -> ScheduledInterval:
    """Services every 250 h, a maximum for one stratum in ten."""
    maximum = np.where(np.arange(STRATA) % 10 == 0, 1000.0, np.inf)
    plan = interval_by_cost(
        best.age,
        spacing=250.0,
        cost_rate=lambda ages: averaged_cost_rate(ages, scale=scale, shape=shape, **COSTS),
        maximum=maximum,
    )
    interval_by_target(best.age, spacing=250.0, maximum=maximum)
    return plan


def decided(best: ReplacementUnderUncertainty) -> NDArray[np.str_]:
    return triage(
        evident=True,
        safety=False,
        failures=np.full(STRATA, 8.0),
        probability_of_wear=best.probability_of_wear,
        shape_upper=np.full(STRATA, 4.0),
        saving=best.saving,
        **COSTS,
    ).task
