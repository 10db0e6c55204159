"""Rules and services of the study that reach nothing: each is said, none is dropped in silence.

Layer: plan. A misspelt location or a counter without readings must not lose a maximum.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from relkit.plan.rule_checks import items_under
from relkit.plan.usage import ServiceGrid
from relkit.study.settings import MaintenanceRule, Study
from relkit.units import clock_symbol

__all__ = ["settings_without_effect"]


def settings_without_effect(
    items: pd.DataFrame,
    grids: Sequence[ServiceGrid],
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
) -> tuple[str, ...]:
    """Return a sentence for each rule and service that holds for nothing, or only in part.

    Parameters
    ----------
    items : DataFrame
        Positions in service with ``place``.
    grids : sequence of ServiceGrid
        The services that some vehicle gets.
    rates, fitments, study
        Use per day by vehicle, the register and the study.
    """
    words = []
    for rule in study.rules:
        if not items_under(rule, items, fitments, study).any():
            words.append(
                f'The rule "{rule.name}"{_place(rule)} holds for no item in service and is not in '
                "this plan: compare its component, location and vehicles with the register."
            )
        words += [
            f'The rule "{rule.name}" counts {unit}, of which there are no readings: that maximum '
            "is not in this plan."
            for unit in _unread(study, rule.maximum, rates)
        ]
    named = {grid.name for grid in grids}
    for service in study.services:
        words += [
            f'The service "{service.name}" counts {unit}, of which there are no readings: that '
            "limit is not in this plan."
            for unit in _unread(study, service.every, rates)
        ]
        if service.name not in named:
            words.append(f'The service "{service.name}" is used for no vehicle of the register.')
    return tuple(dict.fromkeys(words))


def _place(rule: MaintenanceRule) -> str:
    """Return the rule's component and location in brackets; blank where it names none."""
    named = ", ".join(name for name in (rule.component, rule.location) if name)
    return f" ({named})" if named else ""


def _unread(study: Study, texts: tuple[str, ...], rates: pd.DataFrame) -> list[str]:
    """Units of these limits that no vehicle has a rate of."""
    units = [quantity.unit for quantity in study.quantities(texts)]
    read = {str(name) for name in rates if np.isfinite(rates[name].to_numpy(dtype=float)).any()}
    return [clock_symbol(unit) for unit in units if unit not in read and unit != study.clock]
