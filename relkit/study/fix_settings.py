"""Settings of fixes whose effect is to be judged: a training, a new part, another way of work.

Layer: study. Optional: without them no effect of a fix is looked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import date as Date
from typing import Literal

from pydantic.dataclasses import dataclass

from relkit.study.values import CONFIG

__all__ = ["FixSettings"]


@dataclass(config=CONFIG, frozen=True)
class FixSettings:
    """A fix on a day; blank names fit all."""

    name: str  #: "training on cable joints"
    date: Date  #: day from which it worked
    component: str | None = None  #: with the item's type where it has one: "cable, re-made joint"
    location: str | None = None
    where: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  #: the rest are controls
    #: what it changed: items fitted from that day on, or every item from that day on
    scope: Literal["items fitted since", "all items"] = "all items"
