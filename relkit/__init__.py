"""relkit: from a fleet's repair log to failure curves and inspection intervals.

Public names are loaded when first used, so that ``import relkit`` stays light.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from relkit.version import VERSION

if TYPE_CHECKING:
    from relkit.decisions.age_replacement import replacement_age
    from relkit.decisions.failure_finding import failure_finding_interval, mean_unavailability
    from relkit.decisions.renewal import renewals
    from relkit.decisions.spares import spares_needed
    from relkit.lives.table import build_lives
    from relkit.logbook.read import read_log
    from relkit.plan.build import build_plan
    from relkit.present.page import write_page
    from relkit.present.workbook import write_workbook
    from relkit.study.read import read_study
    from relkit.survival.curve_tables import (
        cumulative_incidence,
        group_comparison,
        interval_survival,
    )
    from relkit.survival.event_tables import mean_cumulative, power_law_fits, trend_tests
    from relkit.survival.family_tables import family_fits
    from relkit.survival.goodness_tables import goodness_of_fit
    from relkit.survival.masked_tables import candidate_probabilities, masked_weibull_fits
    from relkit.survival.pooling_tables import partially_pooled_fits
    from relkit.survival.tables import (
        cumulative_hazards,
        pooled_weibull_fits,
        survival_curves,
        weibull_fits,
    )

__version__ = VERSION

_HOMES = {
    "read_study": "relkit.study.read",
    "read_log": "relkit.logbook.read",
    "build_lives": "relkit.lives.table",
    "survival_curves": "relkit.survival.tables",
    "cumulative_hazards": "relkit.survival.tables",
    "weibull_fits": "relkit.survival.tables",
    "pooled_weibull_fits": "relkit.survival.tables",
    "interval_survival": "relkit.survival.curve_tables",
    "cumulative_incidence": "relkit.survival.curve_tables",
    "group_comparison": "relkit.survival.curve_tables",
    "family_fits": "relkit.survival.family_tables",
    "goodness_of_fit": "relkit.survival.goodness_tables",
    "masked_weibull_fits": "relkit.survival.masked_tables",
    "candidate_probabilities": "relkit.survival.masked_tables",
    "partially_pooled_fits": "relkit.survival.pooling_tables",
    "mean_cumulative": "relkit.survival.event_tables",
    "power_law_fits": "relkit.survival.event_tables",
    "trend_tests": "relkit.survival.event_tables",
    "mean_unavailability": "relkit.decisions.failure_finding",
    "failure_finding_interval": "relkit.decisions.failure_finding",
    "replacement_age": "relkit.decisions.age_replacement",
    "renewals": "relkit.decisions.renewal",
    "spares_needed": "relkit.decisions.spares",
    "build_plan": "relkit.plan.build",
    "write_page": "relkit.present.page",
    "write_workbook": "relkit.present.workbook",
}

__all__ = [
    "build_lives",
    "build_plan",
    "candidate_probabilities",
    "cumulative_hazards",
    "cumulative_incidence",
    "failure_finding_interval",
    "family_fits",
    "goodness_of_fit",
    "group_comparison",
    "interval_survival",
    "masked_weibull_fits",
    "mean_cumulative",
    "mean_unavailability",
    "partially_pooled_fits",
    "pooled_weibull_fits",
    "power_law_fits",
    "read_log",
    "read_study",
    "renewals",
    "replacement_age",
    "spares_needed",
    "survival_curves",
    "trend_tests",
    "weibull_fits",
    "write_page",
    "write_workbook",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"relkit has no public name {name!r}")
    value = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
