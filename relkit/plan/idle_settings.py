"""Rules and services of the study that reach nothing: each is said, none is dropped in silence.

Layer: plan. A misspelt location or a counter without readings must not lose a maximum.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from relkit.plan.rule_checks import items_under
from relkit.plan.stratum_settings import base_component
from relkit.plan.usage import ServiceGrid, matching_vehicles
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
    words += [*_of_two_services(grids), *_idle_costs(study, fitments), *_idle_functions(study)]
    return tuple(dict.fromkeys(words))


def _of_two_services(grids: Sequence[ServiceGrid]) -> list[str]:
    """Pairs of services that some vehicles both get."""
    return [
        f'{len(both)} vehicles get both "{one.name}" and "{other.name}": each job is planned at '
        "the one of the two that suits it better."
        for i, one in enumerate(grids)
        for other in grids[i + 1 :]
        if (both := one.vehicles & other.vehicles)
    ]


def _idle_functions(study: Study) -> list[str]:
    """Return settings of hidden functions that lack what they need, over all entries together."""
    given = {
        name
        for entry in study.functions
        for name in ("demands_per_day", "harm_probability", "tolerable_events", "reported_share")
        if getattr(entry, name) is not None
    }
    words = []
    harm = {"demands_per_day", "harm_probability", "tolerable_events"}
    if given & {"harm_probability", "tolerable_events"} and not harm <= given:
        words.append(
            "A target from tolerable harm needs demands_per_day, harm_probability and "
            f"tolerable_events under [[functions]]; missing: {', '.join(sorted(harm - given))}. It "
            "changes nothing until all three are given."
        )
    if "reported_share" in given and "demands_per_day" not in given:
        words.append(
            "reported_share changes nothing without demands_per_day under [[functions]]: how often "
            "a driver could notice is not known."
        )
    return words


def _idle_costs(study: Study, fitments: pd.DataFrame) -> list[str]:
    """Return settings of visits, bays, warranties and stock that change nothing, and why."""
    words = []
    timed = any(item.planned_hours or item.check_hours for item in study.costs.items)
    if (study.bays or study.costs.downtime) and not timed:
        words.append(
            "Bay hours or downtime were entered, but no job has hours: they change nothing. "
            "Mend: enter planned_hours and check_hours under [[costs.items]]."
        )
    for name, entries in (
        ("bays", study.bays),
        ("costs.downtime", study.costs.downtime),
        ("fleet_changes", study.fleet_changes),
        ("views", study.views),
    ):
        words += [
            f"An entry of [[{name}]] holds for no vehicle of the register and changes nothing."
            for entry in entries
            if not matching_vehicles(fitments, entry.where)
        ]
    components = {base_component(name) for name in fitments["component"]}
    named = [(w.component, "warranty") for w in study.warranty]
    named += [(p.component, "practice") for p in study.practice if p.component]
    named += [(c, "stock") for group in study.stock for c in group.components]
    named += [(item.component, "views") for view in study.views for item in view.items]
    words += [
        f'[[{part}]] names "{name}", which the register does not have: that entry changes nothing.'
        for name, part in named
        if base_component(name) not in components
    ]
    return words


def _place(rule: MaintenanceRule) -> str:
    """Return the rule's component and location in brackets; blank where it names none."""
    named = ", ".join(name for name in (rule.component, rule.location) if name)
    return f" ({named})" if named else ""


def _unread(study: Study, texts: tuple[str, ...], rates: pd.DataFrame) -> list[str]:
    """Units of these limits that no vehicle has a rate of."""
    units = [quantity.unit for quantity in study.quantities(texts)]
    read = {str(name) for name in rates if np.isfinite(rates[name].to_numpy(dtype=float)).any()}
    return [clock_symbol(unit) for unit in units if unit not in read and unit != study.clock]
