"""Plain words from numbers: meaningful digits, units, plurals, ranges, names of items and tasks.

Layer: present. Standard library and units only; nothing is estimated here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime

from relkit.units import clock_symbol

__all__ = [
    "UNKNOWN",
    "TaskWords",
    "amount",
    "amount_range",
    "day",
    "item_name",
    "listed",
    "money",
    "number",
    "number_range",
    "percent",
    "percent_range",
    "period",
    "plural",
    "rate_unit",
    "sentence",
    "step",
    "task_words",
]

#: Stands where a number does not exist; the reason is told beside it.
UNKNOWN = "–"  # noqa: RUF001 (a dash, as people write it in tables)

#: Clock -> (factor, words) of a rate that people can picture.
_RATE_UNITS = {
    "engine_hours": (1_000.0, "1,000 h"),
    "km": (10_000.0, "10,000 km"),
    "days": (365.25, "year"),
}


class TaskWords:
    """Words for a task: the order on a job card, the verb, and a letter that replaces colour."""

    __slots__ = ("mark", "order", "verb")

    def __init__(self, verb: str, mark: str, order: int) -> None:
        self.verb, self.mark, self.order = verb, mark, order


_TASKS = {
    "planned replacement": TaskWords("Replace", "R", 0),
    "failure-finding": TaskWords("Test", "T", 1),
    "condition inspection": TaskWords("Look", "L", 2),
    "rule replacement": TaskWords("Replace by rule", "P", 3),
    "rule check": TaskWords("Check by rule", "C", 4),
    "find the cause": TaskWords("Find the cause", "?", 5),
    "run to failure": TaskWords("Nothing until it fails", "N", 6),
    "too few failures to tell": TaskWords("Nothing yet: too few failures", "–", 7),  # noqa: RUF001
}


def task_words(task: str) -> TaskWords:
    """Return the words for a task; an unknown task speaks for itself."""
    return _TASKS.get(task, TaskWords(task[:1].upper() + task[1:], "*", len(_TASKS)))


def number(value: float, digits: int = 3) -> str:
    """Return a number rounded to so many meaningful digits, with commas between thousands.

    Examples
    --------
    >>> [number(x) for x in (1122.4, 0.03456, 985.0, 2.0, float("inf"))]
    ['1,120', '0.0346', '985', '2', 'without limit']
    """
    if value is None or math.isnan(value):
        return UNKNOWN
    if math.isinf(value):
        return "without limit" if value > 0 else UNKNOWN
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    text = f"{rounded:,.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def number_range(lower: float, upper: float, digits: int = 3) -> str:
    """Return ``930 to 1,350``; an open side is told in words, no side at all is a dash.

    >>> number_range(930, 1350), number_range(930, float("inf")), number_range(930, 930.2)
    ('930 to 1,350', 'at least 930', '930')
    """
    low, high = _known(lower), _known(upper)
    if not low and not high:
        return UNKNOWN
    if not high:
        return f"at least {number(lower, digits)}"
    if not low:
        return f"at most {number(upper, digits)}"
    first, second = number(lower, digits), number(upper, digits)
    return first if first == second else f"{first} to {second}"


def amount(value: float, clock: str, digits: int = 3) -> str:
    """Return a number with the short unit of its clock.

    >>> amount(1122.4, "engine_hours"), amount(23_456.0, "km")
    ('1,120 h', '23,500 km')
    """
    text = number(value, digits)
    return text if not _known(value) else f"{text} {clock_symbol(clock)}"


def step(value: float, clock: str = "") -> str:
    """Return an interval: a whole step as it was agreed, anything else to three digits.

    >>> step(1125.0, "engine_hours"), step(152.749985, "engine_hours")
    ('1,125 h', '153 h')
    """
    agreed = _known(value) and abs(value - round(value)) < 1e-6
    text = f"{value:,.0f}" if agreed else number(value)
    return f"{text} {clock_symbol(clock)}" if clock and _known(value) else text


def amount_range(lower: float, upper: float, clock: str, digits: int = 3) -> str:
    """Return ``930 to 1,350 h``."""
    text = number_range(lower, upper, digits)
    return text if text == UNKNOWN else f"{text} {clock_symbol(clock)}"


def percent(share: float) -> str:
    """Return a share as per cent: one decimal near 0 and 100 only, never a false 0 or 100.

    >>> [percent(x) for x in (0.352, 0.0123, 0.0004, 0.9997, 0.0, 1.0)]
    ['35 %', '1.2 %', 'under 0.1 %', 'over 99.9 %', '0 %', '100 %']
    """
    if share is None or math.isnan(share):
        return UNKNOWN
    if 0 < share < 0.001:
        return "under 0.1 %"
    if 0.9995 <= share < 1:
        return "over 99.9 %"
    return f"{_percent_number(share)} %"


def percent_range(lower: float, upper: float) -> str:
    """Return ``22 to 44 %``."""
    if math.isnan(lower) or math.isnan(upper):
        return UNKNOWN
    first, second = _percent_number(lower), _percent_number(upper)
    return f"{first} %" if first == second else f"{first} to {second} %"


def money(value: float, currency: str) -> str:
    """Return an amount of money to three meaningful digits, with its currency."""
    return UNKNOWN if math.isnan(value) else f"{number(value)} {currency}"


def plural(count: float, noun: str, many: str = "") -> str:
    """Return a counted noun.

    >>> plural(1, "failure"), plural(0, "failure"), plural(2400, "life", "lives")
    ('1 failure', 'no failures', '2,400 lives')
    """
    count = round(count)
    words = noun if count == 1 else many or f"{noun}s"
    return f"no {words}" if count == 0 else f"{count:,} {words}"


def day(value: date | datetime | None) -> str:
    """Return a date that cannot be misread: ``1 Oct 2025``; a dash where there is none.

    >>> day(datetime(2025, 10, 1))
    '1 Oct 2025'
    """
    if value is None or value != value:  # a missing date (NaT) is not equal to itself
        return UNKNOWN
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def period(start: datetime, end: datetime) -> str:
    """Return ``1 Jan 2021 to 30 Jun 2025``; an end at midnight belongs to the day before."""
    last = end
    if end > start and (end.hour, end.minute, end.second) == (0, 0, 0):
        last = end.fromordinal(end.toordinal() - 1)
    return f"{day(start)} to {day(last)}"


def item_name(component: str, location: str = "") -> str:
    """Return the name of a component at its mounting location.

    >>> item_name("camera", "spreader chute"), item_name("display")
    ('camera, spreader chute', 'display')
    """
    return f"{component}, {location}" if location else component


def listed(words: Sequence[str], most: int = 4) -> str:
    """Return words as people list them, the rest counted.

    >>> listed(["a", "b", "c"]), listed(["a", "b", "c", "d"], most=2)
    ('a, b and c', 'a, b and 2 more')
    """
    words = list(words)
    if len(words) > most:
        words = [*words[:most], f"{len(words) - most} more"]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def sentence(text: str) -> str:
    """Return text with a capital first letter and an end stop; empty text stays empty."""
    text = text.strip()
    if not text:
        return ""
    end = "" if text[-1] in ".!?" else "."
    return f"{text[0].upper()}{text[1:]}{end}"


def rate_unit(clock: str) -> tuple[float, str]:
    """Return how much of the clock a rate is given over: a factor and its words.

    >>> rate_unit("engine_hours")
    (1000.0, '1,000 h')
    """
    return _RATE_UNITS.get(clock, (1_000.0, f"1,000 {clock_symbol(clock)}"))


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _known(value: float) -> bool:
    return value is not None and math.isfinite(value)


def _percent_number(share: float) -> str:
    scaled = share * 100
    if 0 < abs(scaled) < 9.95 or 99.5 <= scaled < 100:
        return f"{scaled:.1f}".removesuffix(".0")
    return f"{scaled:.0f}"
