"""Looks under uncertainty: one known delay gives the known optimum, doubt is averaged."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.condition_inspection import best_inspection_interval, inspection_cost_rate
from relkit.decisions.inspection_uncertainty import inspection_under_uncertainty

COSTS = {"cost_inspection": 6.0, "cost_mend": 180.0, "cost_failure": 700.0}


@pytest.mark.parametrize(("delay", "detection"), [(400.0, 0.7), (400.0, 1.0), (1500.0, 0.5)])
def test_a_known_delay_gives_the_known_optimum(delay: float, detection: float) -> None:
    # Source: the optimum for known parameters, itself checked on the delay-time references.
    known = {"defect_rate": 1 / 4870, "mean_delay": delay, "detection": detection}
    best = best_inspection_interval(**known, **COSTS)
    found = inspection_under_uncertainty(**{k: [[v]] for k, v in known.items()}, **COSTS)
    assert found.interval[0] == pytest.approx(float(best.interval), rel=0.016)
    assert found.cost_rate[0] == pytest.approx(float(best.cost_rate), rel=1e-3)
    assert found.saving[0] == pytest.approx(float(best.saving), abs=1e-3)
    assert found.lower[0] == found.upper[0] == found.interval[0]


def test_the_interval_costs_least_on_average_over_the_draws() -> None:
    # Source: brute force over other intervals with the same draws.
    rng = np.random.default_rng(4)
    draws = {
        "defect_rate": rng.gamma(20, 1 / 1e5, (1, 100)),
        "mean_delay": 400 * rng.lognormal(0, 0.6, (1, 100)),
        "detection": rng.uniform(0.4, 0.9, (1, 100)),
    }
    found = inspection_under_uncertainty(**draws, **COSTS)

    def average(interval: float) -> float:
        rates = inspection_cost_rate(interval, **{k: v[0] for k, v in draws.items()}, **COSTS)
        return float(rates.mean())

    assert found.cost_rate[0] == pytest.approx(average(float(found.interval[0])), rel=1e-9)
    for other in np.geomspace(20, 5000, 60):
        assert found.cost_rate[0] <= average(float(other)) * (1 + 1e-4)
    assert found.lower[0] < found.interval[0] < found.upper[0]
    assert found.saving_lower[0] < found.saving[0] < found.saving_upper[0]


def test_looks_that_cost_more_than_failures_are_refused() -> None:
    found = inspection_under_uncertainty(
        defect_rate=[[1e-6]], mean_delay=[[100.0]], detection=[[0.5]], cost_inspection=50.0,
        cost_mend=600.0, cost_failure=700.0,
    )  # fmt: skip
    assert np.isinf(found.interval[0])
    assert found.status[0] == "looking costs more than it saves"
    assert found.saving[0] == 0


def test_bad_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="mean_delay"):
        inspection_under_uncertainty(
            defect_rate=[[1e-4]], mean_delay=[[0.0]], detection=[[0.5]], **COSTS
        )
