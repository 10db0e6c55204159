"""What the study says of each stratum: function, costs, rules and spares, most specific first.

Layer: plan. A setting fits a component with or without its item type, and a location group by
its own name or by one of its locations.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from relkit.decisions.hidden_function import tolerable_unavailability
from relkit.study.settings import FunctionSettings, LocationGroup, MaintenanceRule, Study
from relkit.study.work_settings import Practice
from relkit.units import Quantity, parse_quantity

__all__ = ["StratumSettings", "base_component", "place_of", "stratum_settings"]


class _Placed(Protocol):
    @property
    def component(self) -> str | None: ...
    @property
    def location(self) -> str | None: ...


_Entry = TypeVar("_Entry", bound=_Placed)


@dataclass(frozen=True, slots=True)
class StratumSettings:
    """Settings of one component type at one place."""

    evident: bool  #: the driver notices a failure at once
    safety: bool  #: intervals are rounded down
    target_unavailability: float  #: largest mean share of time failed [1]; NaN: none given
    target_source: str  #: what sets it: "stated", "harm", or blank
    warning_time: Quantity | None  #: mean time from a visible defect to failure
    warning_range: tuple[Quantity, Quantity] | None  #: credible means, 90 %
    detection: float  #: probability that a look finds the defect [1]
    test_detection: float  #: probability that a test finds a fault [1]
    test_harm: float  #: probability that a test spoils a good item [1]
    demands_per_day: float  #: times that the function is needed [1/d]; NaN: not given
    reported_per_day: float  #: demands that show a fault and are reported [1/d]
    daily_check: float  #: probability that a driver's check finds and reports [1]; NaN: none
    harm_probability: float  #: of harm at a demand on an unnoticed fault [1]; NaN: not given
    test: str  #: the functional test in words
    cost_planned: float  #: one planned replacement [money]; NaN: not given
    cost_failure: float  #: one failure [money]; NaN: not given
    cost_check: float  #: one test or look [money]; NaN: not given
    cost_repair: float  #: one minimal repair [money]; NaN: not given
    cost_undetected: float  #: one clock unit in an unknown fault [money]; NaN: not given
    planned_hours: float  #: bay hours of a planned replacement [h]
    check_hours: float  #: bay hours of one test or look [h]
    practice: Practice | None  #: what is done today; None: not stated
    rules: tuple[MaintenanceRule, ...]  #: rules that the user entered for this stratum
    lead_time_days: float  #: of a spare [d]
    service_level: float  #: probability of no stock-out during a lead time [1]


def base_component(component: str) -> str:
    """Component type without the type of item: ``switcher, old type`` gives ``switcher``."""
    return component.split(",", 1)[0].strip()


def place_of(component: str, location: str, groups: Iterable[LocationGroup]) -> str:
    """Place that a location is planned as: the name of its first fitting group, or itself."""
    for group in groups:
        fits = group.component in (None, component, base_component(component))
        if fits and location in group.locations:
            return group.name
    return location


def stratum_settings(study: Study, component: str, place: str) -> StratumSettings:
    """Return the settings that apply to a component at a place, the most specific one winning."""
    names = _names_of(study, component, place)
    functions = _fitting(study.functions, component, names)
    costs = _fitting(study.costs.items, component, names)
    names_of_spares = (None, base_component(component), component)
    fitting = [item for item in study.spares if item.component in names_of_spares]
    spare = max(fitting, key=lambda item: names_of_spares.index(item.component), default=None)
    warning = _last(item.warning_time for item in functions)
    span = _last(item.warning_time_range for item in functions)
    target, target_source = _target(functions)
    demands = _last((item.demands_per_day for item in functions), float("nan"))
    reported = _last((item.reported_share for item in functions), 0.0)
    return StratumSettings(
        evident=_last((item.evident for item in functions), True),
        safety=_last((item.safety for item in functions), False),
        target_unavailability=target,
        target_source=target_source,
        warning_time=parse_quantity(warning) if warning else None,
        warning_range=(parse_quantity(span[0]), parse_quantity(span[1])) if span else None,
        detection=_last((item.detection for item in functions), 0.7),
        test_detection=_last((item.test_detection for item in functions), 1.0),
        test_harm=_last((item.test_harm for item in functions), 0.0),
        demands_per_day=demands,
        reported_per_day=demands * reported if demands > 0 else 0.0,
        daily_check=_last((item.daily_check for item in functions), float("nan")),
        harm_probability=_last((item.harm_probability for item in functions), float("nan")),
        test=_last((item.test for item in functions), ""),
        cost_planned=_last((item.planned for item in costs), float("nan")),
        cost_failure=_last((item.failure for item in costs), float("nan")),
        cost_check=_last((item.check for item in costs), float("nan")),
        cost_repair=_last((item.repair for item in costs), float("nan")),
        cost_undetected=_last((item.undetected_hour for item in costs), float("nan")),
        planned_hours=_last((item.planned_hours for item in costs), 0.0),
        check_hours=_last((item.check_hours for item in costs), 0.0),
        practice=next(reversed(_fitting(study.practice, component, names)), None),
        rules=tuple(_fitting(study.rules, component, names)),
        lead_time_days=spare.lead_time_days if spare else 14.0,
        service_level=spare.service_level if spare else 0.95,
    )


def _target(functions: Sequence[FunctionSettings]) -> tuple[float, str]:
    """Return the tightest of the stated target and the one from tolerable harm, and which it is.

    Harmful events a year = demands a year x unavailability x probability of harm.
    """
    stated = _last((item.target_unavailability for item in functions), float("nan"))
    harm = _last((item.harm_probability for item in functions), float("nan"))
    demands = _last((item.demands_per_day for item in functions), float("nan"))
    events = _last((item.tolerable_events for item in functions), float("nan"))
    if not (harm > 0 and demands > 0 and events > 0):
        return stated, "stated" if stated > 0 else ""
    from_harm = float(
        tolerable_unavailability(
            tolerable_events=events, demands=demands * _DAYS_A_YEAR, harm_probability=harm
        )
    )
    if from_harm >= 1 or stated <= from_harm:  # any unavailability would do by these figures
        return stated, "stated" if stated > 0 else ""
    return from_harm, "harm"


#: Days in a mean year [d].
_DAYS_A_YEAR = 365.25


def _names_of(study: Study, component: str, place: str) -> frozenset[str]:
    """Return the place's own name and, where it is a group, the names of its locations."""
    own = (None, component, base_component(component))
    groups = [g for g in study.location_groups if g.name == place and g.component in own]
    return frozenset({place, *(name for group in groups for name in group.locations)})


def _fitting(entries: Sequence[_Entry], component: str, names: frozenset[str]) -> list[_Entry]:
    """Entries that fit, the least specific first and in the order of the study within a rank."""
    ranked = []
    for entry in entries:
        if entry.component not in (None, component, base_component(component)):
            continue
        if entry.location is not None and entry.location not in names:
            continue
        rank = 2 * (entry.component is not None) + (entry.component == component)
        ranked.append((rank + 2 * (entry.location is not None), entry))
    return [entry for _, entry in sorted(ranked, key=lambda pair: pair[0])]


_Value = TypeVar("_Value")


def _last(values: Iterable[_Value | None], default: _Value | None = None) -> _Value:
    """Last value that is given, else the default."""
    given = [value for value in values if value is not None]
    return given[-1] if given else default  # type: ignore[return-value]
