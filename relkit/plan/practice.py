"""The plan beside what is done today: cost, time failed unnoticed, regret, chance to be better.

Layer: plan. Only strata whose practice the study states are compared.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.age_replacement import cost_rate
from relkit.decisions.condition_inspection import inspection_cost_rate
from relkit.plan.choices import RANGE_LEVEL
from relkit.plan.hidden import report_rates
from relkit.plan.looking import delay_draws
from relkit.plan.parts import PlanParts
from relkit.plan.unavailability import ages_of, unavailability_draws
from relkit.plan.usage import in_clock
from relkit.study.work_settings import Practice
from relkit.units import parse_quantity

__all__ = ["PRACTICE_COLUMNS", "practice_columns"]

Floats = NDArray[np.float64]

PRACTICE_COLUMNS = (
    "practice",
    "practice_interval",
    "practice_cost_rate",
    "practice_unavailability",
    "practice_regret",
    "practice_extra",
    "practice_extra_lower",
    "practice_extra_upper",
    "probability_of_improvement",
)
_TAILS = ((1 - RANGE_LEVEL) / 2, (1 + RANGE_LEVEL) / 2)


def practice_columns(intervals: pd.DataFrame, parts: PlanParts) -> pd.DataFrame:
    """Return how today's practice compares, one row per stratum; NaN where none is stated.

    Returns
    -------
    DataFrame
        ``practice`` in words, ``practice_interval`` [clock], ``practice_cost_rate`` and
        ``practice_extra`` with its range (over the plan's cost) [money per clock unit],
        ``practice_unavailability`` [1], ``practice_regret`` (average extra cost over the best
        that could be known, as a share of it), ``probability_of_improvement`` [1].
    """
    table = pd.DataFrame(np.nan, index=intervals.index, columns=list(PRACTICE_COLUMNS))
    table["practice"] = pd.Series("", index=intervals.index, dtype=object)
    costs = _Costs(parts)
    spacing = _spacings(parts, len(intervals))
    for i, settings in enumerate(parts.chosen.settings):
        practice = settings.practice
        drawn = np.isfinite(parts.found.shape[i]).all() and np.isfinite(parts.found.scale[i]).all()
        if practice is None or not drawn:
            continue
        every = _every(practice, spacing[i], parts)
        table.loc[table.index[i], "practice"] = _words(practice)
        table.loc[table.index[i], "practice_interval"] = every
        row = intervals.iloc[i]
        today, dark = costs.of(i, practice.task, every)
        plan, _ = costs.of(i, str(row["task"]), float(row["interval"]))
        table.loc[table.index[i], "practice_unavailability"] = dark
        if today is None or plan is None:
            continue
        extra = today - plan
        low, high = np.quantile(extra, _TAILS)
        values = {
            "practice_cost_rate": today.mean(),
            "practice_extra": extra.mean(),
            "practice_extra_lower": low,
            "practice_extra_upper": high,
            "practice_regret": _regret(parts, i, today),
            "probability_of_improvement": (extra > 0).mean(),
        }
        for name, value in values.items():
            table.loc[table.index[i], name] = value
    return table


class _Costs:
    """Cost per clock unit of a task at an interval, by draw; and the time failed unnoticed."""

    __slots__ = ("delays", "parts", "reports")

    def __init__(self, parts: PlanParts) -> None:
        self.parts = parts
        self.reports = report_rates(parts.chosen.settings, parts.items)
        self.delays = delay_draws(
            parts.chosen.settings, parts.found.fits, parts.study, parts.rates.mean(), parts.delays
        )

    def of(self, i: int, task: str, every: float) -> tuple[Floats | None, float]:
        """Return costs by draw, None where a cost is not known, and unavailability."""
        settings = self.parts.chosen.settings[i]
        scale, shape = self.parts.found.scale[i], self.parts.found.shape[i]
        if not settings.evident:
            return self._hidden(i, task, every)
        if not (settings.cost_planned > 0 and settings.cost_failure > 0):
            return None, float("nan")
        if task == "condition inspection" and every > 0:
            return self._looking(i, every), float("nan")
        age = every if task == "planned replacement" and every > 0 else np.inf
        return (
            cost_rate(
                age,
                scale=scale,
                shape=shape,
                cost_planned=settings.cost_planned,
                cost_failure=settings.cost_failure,
            ),
            float("nan"),
        )

    def _hidden(self, i: int, task: str, every: float) -> tuple[Floats | None, float]:
        """Return cost of checks and unnoticed time of a hidden function; none without tests."""
        settings = self.parts.chosen.settings[i]
        tested = task == "failure-finding" and every > 0
        if not tested:
            return None, float("nan")
        dark = unavailability_draws(
            self.parts.found,
            settings,
            ages_of(self.parts.items, i),
            i,
            every,
            report_rate=float(self.reports[i]),
        )
        if dark is None or not settings.cost_check >= 0:
            return None, float("nan") if dark is None else float(dark.mean())
        blind = settings.cost_undetected if settings.cost_undetected > 0 else 0.0
        return settings.cost_check / every + blind * dark, float(dark.mean())

    def _looking(self, i: int, every: float) -> Floats | None:
        settings, pair = self.parts.chosen.settings[i], self.delays[i]
        if pair is None or not settings.cost_check > 0:
            return None
        fits = self.parts.found.fits.iloc[i]
        draws = self.parts.found.scale.shape[1]
        return inspection_cost_rate(
            every,
            defect_rate=max(float(fits["failures"]), 0.5) / float(fits["exposure"]),
            mean_delay=np.resize(pair[0], draws),
            detection=np.resize(pair[1], draws),
            cost_inspection=settings.cost_check,
            cost_mend=settings.cost_planned,
            cost_failure=settings.cost_failure,
        )


def _regret(parts: PlanParts, i: int, today: Floats) -> float:
    """Average extra cost over each draw's own best replacement age, as a share of that."""
    result, row = parts.chosen.replacement, parts.chosen.replacement_row[i]
    if result is None or row < 0 or not parts.chosen.settings[i].evident:
        return float("nan")
    best = result.run_to_failure_cost_rate[row] / (1 + result.regret_run_to_failure[row])
    return float(today.mean() / best - 1)


def _spacings(parts: PlanParts, count: int) -> Floats:
    """Mean time between the services of each stratum's vehicles [clock]; NaN: none."""
    spacing = np.full(count, np.nan)
    here = parts.items[parts.items["stratum"] >= 0]
    for grid in parts.grids:
        got = here.loc[here["vehicle"].isin(grid.vehicles), "stratum"].unique()
        spacing[got] = np.fmin(spacing[got], grid.spacing)
    return spacing


def _every(practice: Practice, spacing: float, parts: PlanParts) -> float:
    """Return today's interval in the clock; tests and looks without one: each service."""
    if practice.every is not None:
        return in_clock(parse_quantity(practice.every), parts.study.clock, parts.rates.mean())
    return spacing if practice.task in ("failure-finding", "condition inspection") else np.nan


def _words(practice: Practice) -> str:
    if practice.every is not None:
        return f"{practice.task} every {parse_quantity(practice.every)}"
    if practice.task in ("failure-finding", "condition inspection"):
        return f"{practice.task} at each service"
    return practice.task
