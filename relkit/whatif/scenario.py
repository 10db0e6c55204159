"""A scenario: a small, named, saved change to a study, as frozen settings.

Layer: whatif. The TOML file mirrors these names; scenario_files.py turns one into the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Annotated, Any, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass

from relkit.study.values import CONFIG, Money, MonthDay, Positive, QuantityText

__all__ = [
    "BatchChange",
    "Changes",
    "CostChange",
    "DataChange",
    "FleetChange",
    "GroupChange",
    "IntervalChange",
    "LifeChange",
    "RepairChange",
    "Scenario",
    "StockChange",
    "UseChange",
    "VisitChange",
]

Where = Mapping[str, tuple[str, ...]]
Factor = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]
Fraction = Annotated[float, Field(ge=0, le=1)]

#: Fields of the data that can be left out or made perfect.
Datum = Literal["serials", "fitted dates", "pass results", "causes", "meter readings"]


@dataclass(config=CONFIG, frozen=True)
class LifeChange:
    """How long items last; blank names fit all."""

    component: str | None = None
    location: str | None = None
    scale_factor: Factor = 1.0  #: lives become so many times as long [1]
    shape: Factor | None = None  #: another shape, the mean life staying as it is [1]
    as_location: str | None = None  #: lives of the same component at this place instead
    #: failures before ``early_age`` that remain [1]
    early_share: Fraction = 1.0
    early_age: Positive = 250.0  #: age up to which a failure is early [clock]


@dataclass(config=CONFIG, frozen=True)
class CostChange:
    """What work costs; blank names fit all. Factors first, then what is added."""

    component: str | None = None
    location: str | None = None
    planned_factor: Factor = 1.0
    failure_factor: Factor = 1.0
    check_factor: Factor = 1.0
    part_added: float = 0.0  #: on each planned replacement and each failure [money]
    failure_added: float = 0.0  #: on each failure [money]
    #: factor on the downtime of failures in these months; downtime: what a failure costs above a
    #: planned replacement [1]
    downtime_factor: Factor = 1.0
    months: tuple[Annotated[int, Field(ge=1, le=12)], ...] = ()


@dataclass(config=CONFIG, frozen=True)
class IntervalChange:
    """A task and interval other than the plan's; blank names fit all items with a like task."""

    component: str | None = None
    location: str | None = None
    where: Where = field(default_factory=dict)  #: covariate -> values
    task: (
        Literal["failure-finding", "condition inspection", "planned replacement", "run to failure"]
        | None
    ) = None  #: default: the task that the plan has
    every: QuantityText | None = None  #: default: at each service of the vehicle
    factor: Factor | None = None  #: of the interval that the plan has, instead of ``every`` [1]


@dataclass(config=CONFIG, frozen=True)
class UseChange:
    """How vehicles and hidden functions are used."""

    factor: Factor = 1.0  #: of the use a day [1]
    where: Where = field(default_factory=dict)  #: vehicles that the factor holds for
    demands_per_day: Positive | None = None  #: times a day that a hidden function is needed
    reported_share: Fraction | None = None  #: of the demands on a fault that nobody knew of


@dataclass(config=CONFIG, frozen=True)
class FleetChange:
    """Vehicles that come, and how long the fleet is looked at."""

    added: Annotated[int, Field(ge=0, le=100_000)] = 0  #: vehicles like those of ``where``, new
    where: Where = field(default_factory=dict)
    months: Positive | None = None  #: time ahead; default: the study's horizon
    replaced_by_new: bool = False  #: the vehicles of ``where`` are exchanged for new ones today


@dataclass(config=CONFIG, frozen=True)
class StockChange:
    """Spares on the shelf; a blank component fits all."""

    component: str | None = None
    added: int = 0  #: items more (or fewer) than the plan proposes, in each store
    lead_time_days: Positive | None = None
    stores: str = ""  #: covariate whose values each keep a store: "depot"; blank: one store
    pooled: bool = False  #: the items of all stores lie together


@dataclass(config=CONFIG, frozen=True)
class BatchChange:
    """A bad batch, known by its serial numbers: a life of its own, and when it is replaced."""

    serial_prefix: str
    component: str | None = None
    replaced: Literal["now", "next service", "on failure", "as planned"] = "as planned"


@dataclass(config=CONFIG, frozen=True)
class RepairChange:
    """Failed items that are repaired rather than replaced: the share, and what it saves."""

    component: str  #: component without its type
    type: str  #: item type that a repair makes: "re-made joint"
    share: Fraction | None = None  #: of the failures; default: as in the log
    saved: Money = 0.0  #: by a repair against a new item [money]


@dataclass(config=CONFIG, frozen=True)
class VisitChange:
    """A visit more or fewer than the services."""

    skipped: str | None = None  #: service whose next visit is skipped
    extra_on: MonthDay | None = None  #: or a day of the year with an extra visit, "10-01"
    where: Where = field(default_factory=dict)  #: vehicles of the extra visit
    months: tuple[Annotated[int, Field(ge=1, le=12)], ...] = ()  #: failures of these count


@dataclass(config=CONFIG, frozen=True)
class GroupChange:
    """Planned replacements of several components at a location made in one go."""

    components: Annotated[tuple[str, ...], Field(min_length=2)]
    location: str
    every: QuantityText
    set_up: Money | None = None  #: saved for each item but one; default: the study's visit


@dataclass(config=CONFIG, frozen=True)
class DataChange:
    """What if the data were other than they are; each is tried several times where it is random."""

    masked: str | None = None  #: component that failed on every job of unknown cause
    no_fault_found_real: Fraction = 0.0  #: share of such jobs that were failures [1]
    fitted_date_error_months: Annotated[float, Field(ge=0, le=60)] = 0.0  #: at most, either way
    without: tuple[Datum, ...] = ()  #: fields that the log would not have
    perfect: tuple[Datum, ...] = ()  #: fields that the log would have in full
    repeats: Annotated[int, Field(ge=1, le=100)] = 8


@dataclass(config=CONFIG, frozen=True)
class Changes:
    """All that one side of a comparison has other than the study."""

    study: Mapping[str, Any] = field(default_factory=dict)  #: keys of the study file
    lives: tuple[LifeChange, ...] = ()
    costs: tuple[CostChange, ...] = ()
    intervals: tuple[IntervalChange, ...] = ()
    use: tuple[UseChange, ...] = ()
    fleet: tuple[FleetChange, ...] = ()
    stock: tuple[StockChange, ...] = ()
    batches: tuple[BatchChange, ...] = ()
    repairs: tuple[RepairChange, ...] = ()
    visits: tuple[VisitChange, ...] = ()
    groups: tuple[GroupChange, ...] = ()
    data: DataChange | None = None
    plan: Literal["made afresh", "kept"] = "made afresh"  #: kept: today's tasks and intervals


@dataclass(config=CONFIG, frozen=True)
class Scenario:
    """One what-if: its name, its question in words, what changes, and against what."""

    name: str
    question: str = ""
    component: str | None = None  #: only these items are compared; default: all
    location: str | None = None
    where: Where = field(default_factory=dict)  #: only on these vehicles: covariate -> values
    changes: Changes = field(default_factory=Changes)
    today: Changes = field(default_factory=Changes)  #: what today has other than the study
    measures: tuple[str, ...] = ()  #: the ones that answer the question; default: all
