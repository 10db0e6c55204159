"""Clocks (calendar time, operating time, distance run), quantities in text, unit words.

Layer: units. Standard library only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["CALENDAR_DAYS", "Quantity", "clock_symbol", "parse_quantity"]

#: Length of each calendar unit [days]; a month is a twelfth of a mean year.
CALENDAR_DAYS = {"days": 1.0, "weeks": 7.0, "months": 365.25 / 12, "years": 365.25}

_SINGULAR = {"day": "days", "week": "weeks", "month": "months", "year": "years"}
_SYMBOLS = {"engine_hours": "h", "km": "km", "days": "d"}
_FORM = re.compile(r"^\s*([0-9]+(?:\.[0-9]+)?)\s+([A-Za-z][A-Za-z0-9_]*)\s*$")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit: a calendar unit, or the name of a counter in the readings."""

    value: float  #: above 0, in ``unit``
    unit: str  #: "days", or a counter such as "engine_hours" or "km"

    def __str__(self) -> str:
        """Return the number with its symbol, as people write it: ``1,000 h``."""
        return f"{self.value:,.10g} {clock_symbol(self.unit)}"


def parse_quantity(text: str) -> Quantity:
    """Quantity written as a number, a blank and a unit; calendar units become days.

    Raises
    ------
    ValueError
        The text is not a number above 0 followed by a unit.

    Examples
    --------
    >>> parse_quantity("250 engine_hours")
    Quantity(value=250.0, unit='engine_hours')
    >>> parse_quantity("13 weeks")
    Quantity(value=91.0, unit='days')
    """
    match = _FORM.match(text)
    if match is None or float(match[1]) <= 0:
        raise ValueError(
            f'"{text}" is not a quantity: write a number above 0, a blank and a unit, '
            'such as "250 engine_hours", "20000 km" or "13 weeks"'
        )
    unit = _SINGULAR.get(match[2], match[2])
    if unit in CALENDAR_DAYS:
        return Quantity(float(match[1]) * CALENDAR_DAYS[unit], "days")
    return Quantity(float(match[1]), unit)


def clock_symbol(clock: str) -> str:
    """Return the short unit of a clock for tables and axes: h, km, d, or the counter's own name.

    >>> clock_symbol("engine_hours")
    'h'
    """
    return _SYMBOLS.get(clock, clock.replace("_", " "))
