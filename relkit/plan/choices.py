"""Which task each stratum gets and its best interval, before services and rules are fitted.

Layer: plan. All strata at once; the formulas are those of decisions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.delay_time import DelayTime
from relkit.decisions.failure_finding_fleet import FleetIntervalRange
from relkit.decisions.inspection_uncertainty import InspectionUnderUncertainty
from relkit.decisions.replacement_uncertainty import (
    ReplacementUnderUncertainty,
    replacement_under_uncertainty,
)
from relkit.decisions.tasks import Triage, triage
from relkit.plan.evidence import Evidence
from relkit.plan.hidden import finding_intervals, intervals_by_cost
from relkit.plan.looking import looking_intervals
from relkit.plan.stratum_settings import StratumSettings, stratum_settings
from relkit.study.settings import Study

__all__ = ["RANGE_LEVEL", "Choices", "choices", "settings_of"]

Floats = NDArray[np.float64]

#: Central share of the parameter draws that the range of an interval encloses [1].
RANGE_LEVEL = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Choices:
    """Tasks and best intervals; arrays have one value per stratum, in the order of the fits."""

    settings: tuple[StratumSettings, ...]
    triage: Triage
    replacement: ReplacementUnderUncertainty | None  #: None where no stratum has both costs
    replacement_row: NDArray[np.int64]  #: its row for each stratum; -1: none
    finding: FleetIntervalRange | None  #: None where no stratum is hidden with a target
    finding_row: NDArray[np.int64]
    inspection: InspectionUnderUncertainty | None  #: None where none has warning and costs
    inspection_row: NDArray[np.int64]
    best: Floats  #: best interval of the chosen task [clock]; NaN: none
    lower: Floats  #: range of it from parameter uncertainty [clock]
    upper: Floats


def settings_of(fits: pd.DataFrame, study: Study) -> tuple[StratumSettings, ...]:
    """Return the study's settings for each row of the fits."""
    blank = pd.Series("", index=fits.index)
    pairs = zip(fits.get("component", blank), fits.get("location", blank), strict=True)
    return tuple(stratum_settings(study, component, place) for component, place in pairs)


def choices(
    found: Evidence,
    items: pd.DataFrame,
    study: Study,
    mean_rates: pd.Series,
    delays: Mapping[tuple[str, str], DelayTime] = MappingProxyType({}),
) -> Choices:
    """Task and best interval of every stratum.

    Parameters
    ----------
    found : Evidence
        Fits and draws.
    items : DataFrame
        Positions in service, with ``stratum`` and ``age``.
    study : Study
        Settings and thresholds.
    mean_rates : Series
        Mean use of each counter per day over the fleet, to turn warning times into the clock.
    delays : mapping, optional
        (component, place) -> delay from visible defect to failure that the log tells.
    """
    settings = settings_of(found.fits, study)
    drawn = np.asarray(np.isfinite(found.shape + found.scale).all(axis=1), dtype=np.bool_)
    planned, failure = (_column(settings, name) for name in ("cost_planned", "cost_failure"))
    replacement, replacement_row = _replacement(found, drawn, planned, failure)
    evident = np.array([s.evident for s in settings])
    target = _column(settings, "target_unavailability")
    hidden = drawn & ~evident & np.isfinite(target)
    finding, finding_row = finding_intervals(
        found, items, settings, hidden, confidence_level=RANGE_LEVEL
    )
    inspection, inspection_row, by_rule = looking_intervals(
        found, settings, study, mean_rates, drawn, delays
    )
    chosen = triage(
        evident=evident,
        safety=[s.safety for s in settings],
        failures=found.fits["failures"].to_numpy(dtype=float),
        probability_of_wear=found.fits["probability_of_wear"].to_numpy(dtype=float),
        shape_upper=found.fits["shape_upper"].to_numpy(dtype=float),
        saving=_rows(None if replacement is None else replacement.saving, replacement_row),
        cost_planned=planned,
        cost_failure=failure,
        has_warning=(inspection_row >= 0) | np.isfinite(by_rule),
        inspection_saving=_rows(None if inspection is None else inspection.saving, inspection_row),
        rule_task=[_rule_task(s) for s in settings],
        least_probability_of_wear=study.decision.least_probability_of_wear,
        least_saving=study.decision.least_saving,
    )
    best, lower, upper = (np.full(len(settings), np.nan) for _ in range(3))
    for task, result, row, names in (
        ("planned replacement", replacement, replacement_row, ("age", "age_lower", "age_upper")),
        ("failure-finding", finding, finding_row, ("interval", "lower", "upper")),
        ("condition inspection", inspection, inspection_row, ("interval", "lower", "upper")),
    ):
        here = (chosen.task == task) & (row >= 0)
        for values, name in zip((best, lower, upper), names, strict=True):
            if result is not None:
                values[here] = getattr(result, name)[row[here]]
    by_cost = intervals_by_cost(found, settings, drawn)
    tested = (chosen.task == "failure-finding") & np.isfinite(by_cost[0])
    for values, own in zip((best, lower, upper), by_cost, strict=True):
        values[tested] = own[tested]
    looked = (chosen.task == "condition inspection") & np.isfinite(by_rule)
    best[looked] = lower[looked] = upper[looked] = by_rule[looked]
    return Choices(
        settings=settings,
        triage=chosen,
        replacement=replacement,
        replacement_row=replacement_row,
        finding=finding,
        finding_row=finding_row,
        inspection=inspection,
        inspection_row=inspection_row,
        best=best,
        lower=lower,
        upper=upper,
    )


def _column(settings: tuple[StratumSettings, ...], name: str) -> Floats:
    return np.array([getattr(s, name) for s in settings], dtype=np.float64)


def _rule_task(settings: StratumSettings) -> str:
    return "replace" if any(rule.task == "replace" for rule in settings.rules) else ""


def _rows(values: Floats | None, row: NDArray[np.int64]) -> Floats:
    """Values by stratum; NaN where a stratum has no row."""
    if values is None:
        return np.full(len(row), np.nan)
    return np.where(row >= 0, values[row], np.nan)


def _numbered(here: NDArray[np.bool_]) -> NDArray[np.int64]:
    return np.where(here, np.cumsum(here) - 1, -1).astype(np.int64)


def _replacement(
    found: Evidence, drawn: NDArray[np.bool_], planned: Floats, failure: Floats
) -> tuple[ReplacementUnderUncertainty | None, NDArray[np.int64]]:
    here = drawn & (planned > 0) & (failure > 0)
    if not here.any():
        return None, _numbered(here)
    result = replacement_under_uncertainty(
        scale=found.scale[here],
        shape=found.shape[here],
        cost_planned=planned[here],
        cost_failure=failure[here],
        confidence_level=RANGE_LEVEL,
    )
    return result, _numbered(here)
