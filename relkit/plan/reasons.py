"""Why an interval is what it is, why not longer and why not shorter: one plain sentence each.

Layer: plan. Words for numbers that were computed elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from relkit.plan.scheduling import TESTS
from relkit.study.settings import MaintenanceRule
from relkit.units import Quantity, clock_symbol, parse_quantity

__all__ = ["IntervalCase", "evidence_words", "rule_words", "why_not_longer", "why_not_shorter"]

#: Failures from which the evidence of a stratum is called good, fair, weak.
GOOD, FAIR = 20, 5


@dataclass(frozen=True, slots=True)
class IntervalCase:
    """The numbers behind one stratum's interval."""

    task: str
    interval: float  #: as scheduled [clock]; NaN: none
    spacing: float  #: between services [clock]; NaN: none
    binding: str  #: what sets the interval
    rule: str  #: the rule's name where a rule sets it
    target: float  #: largest mean share of time failed [1]
    unavailability: float  #: at the interval [1]
    cost_here: float  #: cost rate at the interval [money per clock unit]
    cost_longer: float  #: one service later
    cost_shorter: float  #: one service earlier
    clock: str


def evidence_words(failures: float, lives: float, shape_source: str) -> str:
    """Return how much the log tells of a stratum, by a written rule on its failures.

    From 20 failures: good. From 5: fair. From 1: weak, with the shape borrowed. None: a bound.
    """
    counts = f"{failures:.0f} failure{'s' * (round(failures) != 1)} in {lives:.0f} lives"
    if failures >= GOOD:
        return f"good: {counts}"
    if failures >= FAIR:
        return f"fair: {counts}"
    if failures > 0:
        return f"weak: {counts}; shape {_borrowed(shape_source)}"
    return f"none: {counts}; only a lower bound"


def _borrowed(source: str) -> str:
    return "from a stated prior" if "prior" in source else "borrowed from the same component type"


def why_not_longer(case: IntervalCase) -> str:
    """Return what a longer interval would cost."""
    if not np.isfinite(case.interval):
        return ""
    if case.binding.startswith("rule"):
        return f'The rule "{case.rule}" sets the maximum; it is never exceeded.'
    if case.task in TESTS and np.isfinite(case.target):
        return (
            "At a longer interval the view would be dark unnoticed for more than "
            f"{_percent(case.target)} of the time."
        )
    if np.isfinite(case.cost_longer) and case.cost_longer > case.cost_here:
        more = case.cost_longer / case.cost_here - 1
        return (
            f"At {_length(case.interval + case.spacing, case.clock)} the cost would be "
            f"{_percent(more)} higher: more items would fail first."
        )
    if case.task == "condition inspection":
        return "At a longer interval more defects would become failures before a look."
    return "A longer interval would save next to nothing and let more items fail first."


def why_not_shorter(case: IntervalCase) -> str:
    """Return what a shorter interval would cost."""
    if not np.isfinite(case.interval):
        return ""
    if case.binding.startswith("rule"):
        return "The evidence alone would allow a longer interval; shorter is not called for."
    if case.task in TESTS and np.isfinite(case.target):
        here = f" ({_percent(case.unavailability)} here)" if case.unavailability >= 0 else ""
        return f"The target is met at this interval{here}; shorter means more checks."
    if np.isfinite(case.cost_shorter) and case.cost_shorter > case.cost_here:
        more = case.cost_shorter / case.cost_here - 1
        return (
            f"At {_length(case.interval - case.spacing, case.clock)} the cost would be "
            f"{_percent(more)} higher: good items would be thrown away."
        )
    if case.task == "condition inspection":
        return "More looks would cost more than the failures they prevent."
    return "This is the shortest interval that the services allow."


def rule_words(rules: tuple[MaintenanceRule, ...], task: str) -> str:
    """Return the rules' tests that apply besides the task, in words; blank where none do."""
    parts = []
    for rule in rules:
        if rule.task == "test" and task in TESTS:
            continue  # the interval is held under it already
        if rule.task == "replace" and task == "planned replacement":
            continue
        verb = "test" if rule.task == "test" else "replace"
        most = " or ".join(_quantity(parse_quantity(text), text) for text in rule.maximum)
        parts.append(f"{verb} at least every {most} ({rule.name}; {rule.authority})")
    return "; ".join(parts)


def _quantity(quantity: Quantity, text: str) -> str:
    return text if quantity.unit == "days" else str(quantity)


def _length(value: float, clock: str) -> str:
    return f"{value:,.0f} {clock_symbol(clock)}"


def _percent(share: float) -> str:
    digits = 0 if share >= 0.1 else 1 if share >= 0.001 else 2
    return f"{100 * share:.{digits}f} %"
