"""Which task each stratum gets and its best interval, before services and rules are fitted.

Layer: plan. All strata at once; the formulas are those of decisions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.condition_inspection import ConditionInspection, best_inspection_interval
from relkit.decisions.failure_finding_fleet import (
    FleetIntervalRange,
    failure_finding_interval_over_draws,
)
from relkit.decisions.replacement_uncertainty import (
    ReplacementUnderUncertainty,
    replacement_under_uncertainty,
)
from relkit.decisions.tasks import Triage, triage
from relkit.plan.evidence import Evidence
from relkit.plan.stratum_settings import StratumSettings, stratum_settings
from relkit.plan.usage import in_clock
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
    inspection: ConditionInspection | None  #: None where no stratum has a warning time
    inspection_row: NDArray[np.int64]
    best: Floats  #: best interval of the chosen task [clock]; NaN: none
    lower: Floats  #: range of it from parameter uncertainty [clock]
    upper: Floats


def settings_of(fits: pd.DataFrame, study: Study) -> tuple[StratumSettings, ...]:
    """Return the study's settings for each row of the fits."""
    blank = pd.Series("", index=fits.index)
    pairs = zip(fits.get("component", blank), fits.get("location", blank), strict=True)
    return tuple(stratum_settings(study, component, place) for component, place in pairs)


def choices(found: Evidence, items: pd.DataFrame, study: Study, mean_rates: pd.Series) -> Choices:
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
    """
    settings = settings_of(found.fits, study)
    drawn = np.asarray(np.isfinite(found.shape + found.scale).all(axis=1), dtype=np.bool_)
    planned, failure = (_column(settings, name) for name in ("cost_planned", "cost_failure"))
    replacement, replacement_row = _replacement(found, drawn, planned, failure)
    evident = np.array([s.evident for s in settings])
    target = _column(settings, "target_unavailability")
    finding, finding_row = _finding(found, items, drawn & ~evident & np.isfinite(target), target)
    inspection, inspection_row = _inspection(found, settings, study.clock, mean_rates, drawn)
    chosen = triage(
        evident=evident,
        safety=[s.safety for s in settings],
        failures=found.fits["failures"].to_numpy(dtype=float),
        probability_of_wear=found.fits["probability_of_wear"].to_numpy(dtype=float),
        shape_upper=found.fits["shape_upper"].to_numpy(dtype=float),
        saving=_rows(None if replacement is None else replacement.saving, replacement_row),
        cost_planned=planned,
        cost_failure=failure,
        has_warning=inspection_row >= 0,
        inspection_saving=_rows(None if inspection is None else inspection.saving, inspection_row),
        rule_task=[_rule_task(s) for s in settings],
        least_probability_of_wear=study.decision.least_probability_of_wear,
        least_saving=study.decision.least_saving,
    )
    best, lower, upper = (np.full(len(settings), np.nan) for _ in range(3))
    for task, result, row, names in (
        ("planned replacement", replacement, replacement_row, ("age", "age_lower", "age_upper")),
        ("failure-finding", finding, finding_row, ("interval", "lower", "upper")),
        ("condition inspection", inspection, inspection_row, ("interval", "interval", "interval")),
    ):
        here = (chosen.task == task) & (row >= 0)
        for values, name in zip((best, lower, upper), names, strict=True):
            if result is not None:
                values[here] = getattr(result, name)[row[here]]
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


def _finding(
    found: Evidence, items: pd.DataFrame, here: NDArray[np.bool_], target: Floats
) -> tuple[FleetIntervalRange | None, NDArray[np.int64]]:
    known = items[items["age"].notna() & (items["stratum"] >= 0)]
    stratum = known["stratum"].to_numpy(dtype=np.int64)
    here = here & np.isin(np.arange(len(here)), stratum)
    row = _numbered(here)
    if not here.any():
        return None, row
    chosen = here[stratum]
    result = failure_finding_interval_over_draws(
        target[here],
        known["age"].to_numpy(dtype=float)[chosen],
        row[stratum[chosen]],
        scale=found.scale[here],
        shape=found.shape[here],
        confidence_level=RANGE_LEVEL,
    )
    return result, row


def _inspection(
    found: Evidence,
    settings: tuple[StratumSettings, ...],
    clock: str,
    mean_rates: pd.Series,
    drawn: NDArray[np.bool_],
) -> tuple[ConditionInspection | None, NDArray[np.int64]]:
    delay = np.array(
        [
            np.nan if s.warning_time is None else in_clock(s.warning_time, clock, mean_rates)
            for s in settings
        ]
    )
    costs = [_column(settings, name) for name in ("cost_check", "cost_planned", "cost_failure")]
    here = drawn & np.isfinite(delay) & np.all([cost > 0 for cost in costs], axis=0)
    row = _numbered(here)
    if not here.any():
        return None, row
    exposure, failures = (found.fits[c].to_numpy(dtype=float) for c in ("exposure", "failures"))
    result = best_inspection_interval(
        defect_rate=(np.maximum(failures, 0.5) / exposure)[here],
        mean_delay=delay[here],
        cost_inspection=costs[0][here],
        cost_mend=costs[1][here],
        cost_failure=costs[2][here],
        detection=_column(settings, "detection")[here],
    )
    return result, row
