"""Settings of the work itself: bays, views, today's practice, warranties, stock, fleet changes.

Layer: study. Each is optional; a study that gives none of them is planned as before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import date
from typing import Literal

from pydantic import Field
from pydantic.dataclasses import dataclass

from relkit.study.values import CONFIG, Money, Month, Positive, QuantityText, Share

__all__ = [
    "BayHours",
    "DowntimeCost",
    "FleetChange",
    "Practice",
    "StockGroup",
    "View",
    "ViewItem",
    "Warranty",
]


@dataclass(config=CONFIG, frozen=True)
class DowntimeCost:
    """What an hour costs in which a vehicle cannot work; the last entry that fits counts."""

    per_hour: Money
    where: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  #: covariate -> values
    months: tuple[Month, ...] = ()  #: only in these months, 1 to 12; default: all year


@dataclass(config=CONFIG, frozen=True)
class BayHours:
    """Hours of bay work that a workshop can give to planned work each week."""

    hours_per_week: Positive
    where: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  #: vehicles it serves


@dataclass(config=CONFIG, frozen=True)
class ViewItem:
    """One item of a view's chain; the first of its component at that location is meant."""

    component: str
    location: str | None = None  #: default: wherever the vehicle has it
    shared: bool = False  #: other views of the vehicle need it too


@dataclass(config=CONFIG, frozen=True)
class View:
    """A view that works only while all its items do."""

    name: str
    items: tuple[ViewItem, ...] = Field(min_length=1)
    where: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    target_unavailability: float | None = Field(default=None, gt=0, lt=1)  #: of the whole chain


@dataclass(config=CONFIG, frozen=True)
class Practice:
    """What is done today, to compare the plan with; blank names fit all."""

    task: Literal[
        "run to failure", "planned replacement", "failure-finding", "condition inspection"
    ] = "run to failure"
    component: str | None = None
    location: str | None = None
    every: QuantityText | None = None  #: interval; default for tests and looks: each service


@dataclass(config=CONFIG, frozen=True)
class Warranty:
    """Warranty of new items from the day of fitting; the first limit that is reached ends it."""

    component: str
    months: Positive
    location: str | None = None
    most_use: QuantityText | None = None  #: use that ends it, in a counter: "2000 engine_hours"
    value: Money | None = None  #: what one claim brings; default: the planned cost
    claimed: tuple[str, ...] = ()  #: words in a job's note that say that a claim was made


@dataclass(config=CONFIG, frozen=True)
class StockGroup:
    """Component types that one spare serves."""

    name: str
    components: tuple[str, ...] = Field(min_length=1)
    locations: tuple[str, ...] = ()  #: only of items mounted there; default: everywhere


@dataclass(config=CONFIG, frozen=True)
class FleetChange:
    """Vehicles that come or go on a day; new ones are fitted like the present mean of theirs."""

    on: date
    vehicles: int  #: how many come; below 0: how many go
    where: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    share_of_use: Share | None = None  #: of the present mean use of such vehicles; default: all
