"""Condition inspection by stratum: delay from the log or as stated, else the warning-time rule.

Layer: plan. The formulas are those of decisions.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.delay_time import DelayTime, stated_delay
from relkit.decisions.inspection_rules import warning_rule
from relkit.decisions.inspection_uncertainty import (
    InspectionUnderUncertainty,
    inspection_under_uncertainty,
)
from relkit.plan.evidence import Evidence
from relkit.plan.stratum_settings import StratumSettings
from relkit.plan.usage import in_clock
from relkit.plan.warning_times import draws_of
from relkit.study.settings import Study

__all__ = ["SHORTEST_SHARE", "delay_draws", "looking_intervals", "warning_in_clock"]

Floats = NDArray[np.float64]
Draws = tuple[Floats, Floats]

#: Draws of delays and defect rates behind an interval between looks.
DRAWS = 200
#: Where no range of the warning time is stated, its shortest credible value over the mean [1].
SHORTEST_SHARE = 0.5


def warning_in_clock(
    settings: StratumSettings, clock: str, mean_rates: pd.Series
) -> tuple[float, float, float]:
    """Return stated mean warning time and its range in the clock; NaN where none is stated."""
    if settings.warning_time is None:
        return (float("nan"),) * 3
    mean = in_clock(settings.warning_time, clock, mean_rates)
    if settings.warning_range is None:
        return mean, mean, mean
    low, high = (in_clock(q, clock, mean_rates) for q in settings.warning_range)
    return mean, low, high


def delay_draws(
    settings: tuple[StratumSettings, ...],
    fits: pd.DataFrame,
    study: Study,
    mean_rates: pd.Series,
    delays: Mapping[tuple[str, str], DelayTime],
) -> list[Draws | None]:
    """Draws of mean delay and detection by stratum; None where nothing is known of it."""
    blank = pd.Series("", index=fits.index)
    names = zip(fits.get("component", blank), fits.get("location", blank), strict=True)
    rng = np.random.default_rng([study.decision.seed, 5])
    found: list[Draws | None] = []
    for one, (component, place) in zip(settings, names, strict=True):
        from_log = draws_of(delays, str(component), str(place))
        mean, low, high = warning_in_clock(one, study.clock, mean_rates)
        if from_log is not None:
            found.append(from_log)
        elif np.isfinite(mean):
            stated = stated_delay(mean, min(low, mean), max(high, mean), draws=DRAWS, rng=rng)
            found.append((stated, np.full(DRAWS, one.detection)))
        else:
            found.append(None)
    return found


def looking_intervals(
    found: Evidence,
    settings: tuple[StratumSettings, ...],
    study: Study,
    mean_rates: pd.Series,
    drawn: NDArray[np.bool_],
    delays: Mapping[tuple[str, str], DelayTime],
) -> tuple[InspectionUnderUncertainty | None, NDArray[np.int64], Floats]:
    """Best interval between looks: result, its row by stratum, interval by the rule instead.

    The rule stands where the costs are not all known: half the shortest credible warning time,
    or less where looks miss much.
    """
    draws = delay_draws(settings, found.fits, study, mean_rates, delays)
    costs = np.array([[s.cost_check, s.cost_planned, s.cost_failure] for s in settings])
    has = np.array([d is not None for d in draws], dtype=np.bool_)
    priced = (costs > 0).all(axis=1)
    here = drawn & has & priced
    row = np.where(here, np.cumsum(here) - 1, -1).astype(np.int64)
    by_rule = np.full(len(settings), np.nan)
    for i in np.flatnonzero(has & ~priced):
        by_rule[i] = _by_rule(settings[i], draws[i], study.clock, mean_rates)
    if not here.any():
        return None, row, by_rule
    rng = np.random.default_rng([study.decision.seed, 6])
    exposure, failures = (found.fits[c].to_numpy(dtype=float) for c in ("exposure", "failures"))
    rate = rng.gamma(np.maximum(failures, 0.5)[here, None], size=(int(here.sum()), DRAWS))
    pairs = [pair for pair, wanted in zip(draws, here, strict=True) if wanted and pair is not None]
    result = inspection_under_uncertainty(
        defect_rate=np.maximum(rate, 1e-9) / exposure[here, None],
        mean_delay=np.stack([np.resize(means, DRAWS) for means, _ in pairs]),
        detection=np.stack([np.resize(seen, DRAWS) for _, seen in pairs]),
        cost_inspection=costs[here, 0],
        cost_mend=costs[here, 1],
        cost_failure=costs[here, 2],
    )
    return result, row, by_rule


def _by_rule(
    settings: StratumSettings, draws: Draws | None, clock: str, mean_rates: pd.Series
) -> float:
    """Interval within the shortest credible warning time, by the rule of looks that fit in it."""
    mean, low, _ = warning_in_clock(settings, clock, mean_rates)
    if np.isfinite(mean):
        shortest = low if settings.warning_range is not None else SHORTEST_SHARE * mean
    else:
        shortest = float(np.quantile(draws[0], 0.05)) if draws is not None else float("nan")
    return float(warning_rule(shortest, detection=settings.detection).interval)
