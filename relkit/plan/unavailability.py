"""Time that a hidden function is failed unnoticed at an interval, over present ages and draws.

Layer: plan. Perfect tests exactly; tests that miss, harm or are helped by reports step by step.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.checks_in_use import settling_checks, unavailability_in_use_over_checks
from relkit.decisions.failure_finding import mean_unavailability
from relkit.plan.evidence import Evidence
from relkit.plan.stratum_settings import StratumSettings

__all__ = ["age_groups", "ages_of", "unavailability_draws"]

Floats = NDArray[np.float64]

#: Groups of like age that stand for the items of a stratum.
AGE_GROUPS = 12
#: Draws that are followed from check to check.
MOST_DRAWS = 80


def ages_of(items: pd.DataFrame, stratum: int) -> Floats:
    """Known ages of a stratum's items in service."""
    return items.loc[items["stratum"] == stratum, "age"].dropna().to_numpy(dtype=float)


def age_groups(ages: Floats, most: int = AGE_GROUPS) -> tuple[Floats, Floats]:
    """Mean age of groups of like age, and the share of the items in each."""
    known = np.sort(ages)
    groups = np.array_split(known, min(len(known), most))
    return (
        np.array([group.mean() for group in groups]),
        np.array([len(group) for group in groups]) / len(known),
    )


def unavailability_draws(
    found: Evidence,
    settings: StratumSettings,
    ages: Floats,
    stratum: int,
    interval: float,
    *,
    report_rate: float = 0.0,
    detection: float | None = None,
    harm: float | None = None,
) -> Floats | None:
    """Mean share of time failed unnoticed by draw; None where no item's age is known.

    Parameters
    ----------
    found : Evidence
        Draws of the parameters.
    settings : StratumSettings
        Of this stratum.
    ages : ndarray
        Known ages of its items in service. [clock]
    stratum : int
        Row of the fits.
    interval : float
        Time between checks. [clock]
    report_rate : float
        Reports of a fault per clock unit.
    detection, harm : float, optional
        Of a check; default: the study's, for its tests.
    """
    if not len(ages):
        return None
    seen = settings.test_detection if detection is None else detection
    spoilt = settings.test_harm if harm is None else harm
    age, weight = age_groups(ages)
    scale, shape = found.scale[stratum], found.shape[stratum]
    if seen == 1 and spoilt == 0 and report_rate == 0:
        exact = mean_unavailability(interval, scale=scale[:, None], shape=shape[:, None], age=age)
        return np.asarray(exact.exact @ weight)
    chosen = np.linspace(0, len(scale) - 1, min(MOST_DRAWS, len(scale))).astype(int)
    each = unavailability_in_use_over_checks(
        interval,
        scale=scale[chosen, None],
        shape=shape[chosen, None],
        age=age,
        detection=seen,
        harm=spoilt,
        report_rate=report_rate,
        checks=int(settling_checks(seen)),
    )
    by_check = (each * weight[:, None]).sum(axis=1)  # (draws, checks)
    worst = by_check[:, int(np.argmax(by_check.mean(axis=0)))]
    return np.resize(worst, len(scale))
