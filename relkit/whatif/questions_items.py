"""Questions about items: better ones, other places, bad batches, repairs, random failures.

Layer: whatif. Each function makes the scenarios of one question from a plan and a few numbers.
"""

from __future__ import annotations

from relkit.plan.parts import PlanParts
from relkit.whatif.questions_defaults import (
    best_place,
    costliest_item,
    item_named,
    repaired_type,
    suspect_batch,
    worst_place,
)
from relkit.whatif.scenario import (
    BatchChange,
    Changes,
    CostChange,
    FleetChange,
    IntervalChange,
    LifeChange,
    RepairChange,
    Scenario,
)

__all__ = [
    "batch_replaced",
    "better_item",
    "fewer_early_failures",
    "moved_item",
    "no_repairs",
    "random_failures",
]


def better_item(
    parts: PlanParts,
    *,
    component: str | None = None,
    location: str | None = None,
    life_factor: float = 1.6,
    part_added: float = 80.0,
    years: float | None = None,
) -> tuple[Scenario, ...]:
    """4: an item that lasts longer and costs more; all are fitted today, on both sides new."""
    if component is None:
        component, location = costliest_item(parts)
    ahead = FleetChange(replaced_by_new=True, months=None if years is None else 12 * years)
    lives = LifeChange(component=component, location=location, scale_factor=life_factor)
    dearer = CostChange(component=component, location=location, part_added=part_added)
    return (
        Scenario(
            name=f"Better {component}, {location}: life x {life_factor:g}, {part_added:+g} each",
            question="Better-sealed camera, 60 % longer life, 80 money units more?",
            component=component,
            location=location,
            today=Changes(fleet=(ahead,)),
            changes=Changes(lives=(lives,), costs=(dearer,), fleet=(ahead,)),
            measures=("failures", "planned", "cost", "yearly_cost", "spares"),
        ),
    )


def moved_item(
    parts: PlanParts,
    *,
    component: str | None = None,
    location: str | None = None,
    to: str | None = None,
) -> tuple[Scenario, ...]:
    """5: items at one place last as long as those at another: an assumption."""
    if component is None or location is None:
        component, location = worst_place(parts)
    target = to or best_place(parts, component)
    lives = LifeChange(component=component, location=location, as_location=target)
    return (
        Scenario(
            name=f"{component} from {location} to {target}",
            question="Move the rear-low camera up?",
            component=component,
            location=location,
            changes=Changes(lives=(lives,)),
            measures=("failures", "planned", "cost", "yearly_cost", "spares"),
        ),
    )


def batch_replaced(
    parts: PlanParts, *, serial_prefix: str | None = None, component: str | None = None
) -> tuple[Scenario, ...]:
    """6: all items of a bad batch replaced now, at their next service, or when they fail."""
    if serial_prefix is None:
        serial_prefix, component = suspect_batch(parts)
    today = Changes(batches=(BatchChange(serial_prefix, component),))
    return tuple(
        Scenario(
            name=f"Batch {serial_prefix} replaced {when}",
            question="Replace the whole bad batch now, at the next service, or on failure?",
            component=component,
            today=today,
            changes=Changes(batches=(BatchChange(serial_prefix, component, when),)),
            measures=("failures", "planned", "cost", "late_spares", "waiting_days"),
        )
        for when in ("now", "next service", "on failure")
    )


def random_failures(parts: PlanParts) -> tuple[Scenario, ...]:
    """13: what the plan costs if its items do not wear at all, against running to failure."""
    replaced = [
        item_named(parts, row)
        for row, task in enumerate(parts.chosen.triage.task.tolist())
        if task == "planned replacement"
    ]
    lives = tuple(LifeChange(component, place, shape=1.0) for component, place in replaced)
    left = tuple(
        IntervalChange(component, place, task="run to failure") for component, place in replaced
    )
    question = "What if the shape is really 1?"
    measures = ("failures", "planned", "cost", "yearly_cost")
    return (
        Scenario(
            name="Plan kept although failures are random",
            question=question,
            today=Changes(lives=lives, intervals=left, plan="kept"),
            changes=Changes(lives=lives, plan="kept"),
            measures=measures,
        ),
        Scenario(
            name="Plan kept and failures are wear as fitted",
            question=question,
            today=Changes(intervals=left, plan="kept"),
            changes=Changes(plan="kept"),
            measures=measures,
        ),
    )


def fewer_early_failures(
    parts: PlanParts,
    *,
    component: str | None = None,
    type: str | None = None,
    share: float = 0.5,
    early_age: float = 250.0,
) -> tuple[Scenario, ...]:
    """18: training leaves a share of the early failures of repaired items."""
    if component is None or type is None:
        component, type = repaired_type(parts)
    repairs = (RepairChange(component=component, type=type),)
    lives = LifeChange(f"{component}, {type}", early_share=share, early_age=early_age)
    return (
        Scenario(
            name=f"Early failures of {type}s x {share:g}",
            question="Technician training halves early failures of re-made joints?",
            component=component,
            today=Changes(repairs=repairs),
            changes=Changes(repairs=repairs, lives=(lives,), plan="kept"),
            measures=("failures", "planned", "cost", "yearly_cost"),
        ),
    )


def no_repairs(
    parts: PlanParts,
    *,
    component: str | None = None,
    type: str | None = None,
    saved: float = 0.0,
) -> tuple[Scenario, ...]:
    """19: failed items are always replaced by new ones; ``saved``: by a repair, of a new part."""
    if component is None or type is None:
        component, type = repaired_type(parts)
    today = RepairChange(component=component, type=type, saved=saved)
    then = RepairChange(component=component, type=type, share=0.0, saved=saved)
    return (
        Scenario(
            name=f"No {type}s: new {component}s only",
            question="Ban re-made joints, fit new cables only?",
            component=component,
            today=Changes(repairs=(today,)),
            changes=Changes(repairs=(then,)),
            measures=("failures", "planned", "cost", "yearly_cost"),
        ),
    )
