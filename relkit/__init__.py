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
    from relkit.logbook.text_rows import notes_of_jobs
    from relkit.plan.build import build_plan
    from relkit.plan.trail import interval_trail, row_trail
    from relkit.plan.treatments_tried import with_treatments_tried
    from relkit.present.page import write_page
    from relkit.present.workbook import write_workbook
    from relkit.study.read import read_study
    from relkit.survival.campaign_tables import campaign_screen, common_cause_screen
    from relkit.survival.choice_tables import adjusted_shapes, family_choice, family_ratio_tests
    from relkit.survival.clock_tables import clock_comparison
    from relkit.survival.covariate_spans import split_at_changes
    from relkit.survival.curve_tables import (
        cause_specific_lives,
        cumulative_incidence,
        group_comparison,
        interval_survival,
        pair_comparison,
    )
    from relkit.survival.effect_tables import fix_effect, treated_past
    from relkit.survival.event_tables import (
        mean_cumulative,
        mean_cumulative_comparison,
        power_law_fits,
        trend_tests,
    )
    from relkit.survival.family_tables import family_fits
    from relkit.survival.finding_tables import failure_verdicts
    from relkit.survival.goodness_tables import goodness_of_fit
    from relkit.survival.life_quantity_tables import curve_quantities, life_quantities
    from relkit.survival.masked_tables import candidate_probabilities, masked_weibull_fits
    from relkit.survival.mixture_tables import mixture_fits
    from relkit.survival.pooling_tables import partially_pooled_draws, partially_pooled_fits
    from relkit.survival.regression import hazard_ratios, life_ratios
    from relkit.survival.restoration_tables import restoration_factors, restoration_profiles
    from relkit.survival.return_tables import return_screen
    from relkit.survival.screen_tables import batch_screen, repair_screen, repeat_failure_screen
    from relkit.survival.tables import (
        cumulative_hazards,
        pooled_weibull_fits,
        scale_bounds,
        survival_curves,
        weibull_fits,
    )
    from relkit.whatif.backtest import backtest
    from relkit.whatif.fleet_from_plan import fleet_model
    from relkit.whatif.simulation import simulate_fleet
    from relkit.whatif.simulation_result import fleet_totals

__version__ = VERSION

_HOMES = {
    "read_study": "relkit.study.read",
    "read_log": "relkit.logbook.read",
    "notes_of_jobs": "relkit.logbook.text_rows",
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
    "adjusted_shapes": "relkit.survival.choice_tables",
    "family_choice": "relkit.survival.choice_tables",
    "family_ratio_tests": "relkit.survival.choice_tables",
    "cause_specific_lives": "relkit.survival.curve_tables",
    "curve_quantities": "relkit.survival.life_quantity_tables",
    "life_quantities": "relkit.survival.life_quantity_tables",
    "hazard_ratios": "relkit.survival.regression",
    "life_ratios": "relkit.survival.regression",
    "split_at_changes": "relkit.survival.covariate_spans",
    "mixture_fits": "relkit.survival.mixture_tables",
    "partially_pooled_draws": "relkit.survival.pooling_tables",
    "restoration_factors": "relkit.survival.restoration_tables",
    "restoration_profiles": "relkit.survival.restoration_tables",
    "scale_bounds": "relkit.survival.tables",
    "mean_cumulative": "relkit.survival.event_tables",
    "power_law_fits": "relkit.survival.event_tables",
    "trend_tests": "relkit.survival.event_tables",
    "batch_screen": "relkit.survival.screen_tables",
    "repair_screen": "relkit.survival.screen_tables",
    "repeat_failure_screen": "relkit.survival.screen_tables",
    "return_screen": "relkit.survival.return_tables",
    "fix_effect": "relkit.survival.effect_tables",
    "treated_past": "relkit.survival.effect_tables",
    "clock_comparison": "relkit.survival.clock_tables",
    "campaign_screen": "relkit.survival.campaign_tables",
    "common_cause_screen": "relkit.survival.campaign_tables",
    "failure_verdicts": "relkit.survival.finding_tables",
    "pair_comparison": "relkit.survival.curve_tables",
    "mean_cumulative_comparison": "relkit.survival.event_tables",
    "mean_unavailability": "relkit.decisions.failure_finding",
    "failure_finding_interval": "relkit.decisions.failure_finding",
    "replacement_age": "relkit.decisions.age_replacement",
    "renewals": "relkit.decisions.renewal",
    "spares_needed": "relkit.decisions.spares",
    "build_plan": "relkit.plan.build",
    "interval_trail": "relkit.plan.trail",
    "row_trail": "relkit.plan.trail",
    "with_treatments_tried": "relkit.plan.treatments_tried",
    "backtest": "relkit.whatif.backtest",
    "fleet_model": "relkit.whatif.fleet_from_plan",
    "simulate_fleet": "relkit.whatif.simulation",
    "fleet_totals": "relkit.whatif.simulation_result",
    "write_page": "relkit.present.page",
    "write_workbook": "relkit.present.workbook",
}

__all__ = [
    "adjusted_shapes",
    "backtest",
    "batch_screen",
    "build_lives",
    "build_plan",
    "campaign_screen",
    "candidate_probabilities",
    "cause_specific_lives",
    "clock_comparison",
    "common_cause_screen",
    "cumulative_hazards",
    "cumulative_incidence",
    "curve_quantities",
    "failure_finding_interval",
    "failure_verdicts",
    "family_choice",
    "family_fits",
    "family_ratio_tests",
    "fix_effect",
    "fleet_model",
    "fleet_totals",
    "goodness_of_fit",
    "group_comparison",
    "hazard_ratios",
    "interval_survival",
    "interval_trail",
    "life_quantities",
    "life_ratios",
    "masked_weibull_fits",
    "mean_cumulative",
    "mean_cumulative_comparison",
    "mean_unavailability",
    "mixture_fits",
    "notes_of_jobs",
    "pair_comparison",
    "partially_pooled_draws",
    "partially_pooled_fits",
    "pooled_weibull_fits",
    "power_law_fits",
    "read_log",
    "read_study",
    "renewals",
    "repair_screen",
    "repeat_failure_screen",
    "replacement_age",
    "restoration_factors",
    "restoration_profiles",
    "return_screen",
    "row_trail",
    "scale_bounds",
    "simulate_fleet",
    "spares_needed",
    "split_at_changes",
    "survival_curves",
    "treated_past",
    "trend_tests",
    "weibull_fits",
    "with_treatments_tried",
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
