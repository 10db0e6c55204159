"""The 24 questions: each in words, how it is answered, and its answer for a plan.

Layer: whatif. A notebook and the command line list these; each answer is a comparison or a table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from relkit.checks import generator
from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.whatif import (
    questions_data,
    questions_fleet,
    questions_future,
    questions_hindsight,
    questions_items,
    questions_work,
)
from relkit.whatif.break_even import BreakEven, break_even
from relkit.whatif.comparison import DRAWS, Comparison, compare
from relkit.whatif.scenario import Scenario

__all__ = ["QUESTIONS", "Answer", "Question", "answer", "question_scenarios"]


@dataclass(frozen=True, slots=True)
class Question:
    """One what-if question."""

    number: int
    words: str  #: as people ask it
    how: str  #: how it is answered, in a sentence
    scenarios: Callable[[PlanParts], tuple[Scenario, ...]] | None = None  #: its scenarios
    table: Callable[[PlanParts, np.random.Generator], pd.DataFrame] | None = None  #: its table
    #: number of the first scenario whose break-even value is asked: path, from, to
    even: tuple[str, float, float] | None = None
    notes: Callable[[PlanParts], tuple[str, ...]] | None = None  #: what else bears on it
    kind: str = ""  #: of the table: "months", "hindsight", "records"


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What a plan answers to a question."""

    question: Question
    comparison: Comparison | None = None  #: differences from today, with ranges
    table: pd.DataFrame | None = None  #: of a question that looks along the log
    even: BreakEven | None = None  #: value at which the first scenario neither gains nor loses
    notes: tuple[str, ...] = ()  #: what else bears on it, in words
    reason: str = ""  #: why this study cannot be asked; blank: it was


QUESTIONS: tuple[Question, ...] = (
    Question(
        1,
        "Inspect every 250 instead of 500 h?",
        "Time failed and unknown of each hidden function at its present ages, tests and their "
        "cost, at each service and at half its spacing.",
        questions_work.more_frequent_tests,
    ),
    Question(
        2,
        "Downtime costs twice as much in winter?",
        "What a failure costs above a planned replacement is doubled for the share of use that "
        "falls into November to March; then the plan is made afresh.",
        questions_work.winter_downtime,
    ),
    Question(
        3,
        "Drivers report only 30 % or 90 % of dark triggered views?",
        "Faults end at a report or at the next test, whichever comes first.",
        questions_work.drivers_report,
    ),
    Question(
        4,
        "Better-sealed camera, 60 % more life, 80 money units dearer?",
        "Scale of the life times 1.6, price added, the plan made afresh; and the life gain at "
        "which it pays.",
        questions_items.better_item,
        even=("changes.lives.1.scale_factor", 0.8, 3.0),
    ),
    Question(
        5,
        "Move the rear-low camera up?",
        "The item takes the life of another place: an assumption, not something the log shows.",
        questions_items.moved_item,
    ),
    Question(
        6,
        "Replace the whole bad batch now, at the next service, or on failure?",
        "The batch has a life of its own, fitted to its serial numbers; items put in later have "
        "that of their place.",
        questions_items.batch_replaced,
    ),
    Question(
        7,
        "Skip one service (strike, snow)?",
        "Tests and replacements due at it wait for the next one.",
        questions_work.service_skipped,
    ),
    Question(
        8,
        "Fleet grows by 12 sweepers, or works 20 % more?",
        "New vehicles like those of the kind, with new items; or more use a day.",
        questions_fleet.larger_fleet,
    ),
    Question(
        9,
        "Vehicle kept 3 more years?",
        "Items at their present ages against new ones in their place, over the same years. Only "
        "what the study's items do is counted, not the rest of the vehicle.",
        questions_fleet.kept_longer,
        notes=questions_fleet.trend_notes,
    ),
    Question(
        10,
        "What if every job of unknown cause was the cable? Or the camera?",
        "Lives fitted and the plan made again at both extremes.",
        questions_data.causes_put_down,
    ),
    Question(
        11,
        "What if half the no-fault-found jobs were real?",
        "Drawn at random several times; lives built and fitted again each time.",
        questions_data.no_fault_real,
    ),
    Question(
        12,
        "What if dates of fitting are wrong by up to 6 months?",
        "Moved at random several times; lives built and fitted again each time.",
        questions_data.dates_wrong,
    ),
    Question(
        13,
        "What if the shape is really 1?",
        "The plan's replacements priced under random failures with the same mean life, and "
        "under wear as fitted, each against running to failure.",
        questions_items.random_failures,
    ),
    Question(
        14,
        "How many more failures or months until the range of an interval halves?",
        "The log is carried on with draws of the life parameters taken for true, and fitted.",
        table=questions_future.months_until_known,
        kind="months",
    ),
    Question(
        15,
        "Pre-winter check of all salt vehicles: worth it?",
        "One visit more: faults found, visible defects mended that would have failed in winter.",
        questions_work.extra_visit,
    ),
    Question(
        16,
        "One spare more or fewer per depot, or pooled stock?",
        "Poisson demand in a lead time, spread evenly over the year, one item ordered for each one "
        "used; simulated histories show what bunched work adds.",
        questions_fleet.spares_by_store,
    ),
    Question(
        17,
        "Lead time goes from 5 to 30 days?",
        "The same shelves, more demand before an order arrives.",
        questions_fleet.longer_lead_time,
    ),
    Question(
        18,
        "Technician training halves early failures of re-made joints?",
        "Half of the failures before 250 h do not happen; those items live on like the others.",
        questions_items.fewer_early_failures,
    ),
    Question(
        19,
        "Ban re-made joints, fit new cables only?",
        "Later items are new ones instead of the mixture that the log shows; the part's price "
        "that a repair saves counts as nothing unless it is given.",
        questions_items.no_repairs,
        even=("changes.repairs.1.saved", -500.0, 500.0),
    ),
    Question(
        20,
        "Group camera and cable change at the 1,000 h service?",
        "Both items replaced at one interval: set-up saved, life thrown away; and the set-up at "
        "which it pays.",
        questions_work.grouped_replacement,
        even=("changes.groups.1.set_up", 0.0, 500.0),
    ),
    Question(
        21,
        "Safety target tightened from 2 % to 1 % dark when needed?",
        "Each target halved and the plan made afresh.",
        questions_work.tighter_target,
    ),
    Question(
        22,
        "Legal maximum shortened to 6 weeks?",
        "Each rule's longer calendar maximum replaced; what the extra tests cost and buy.",
        questions_work.shorter_legal_maximum,
    ),
    Question(
        23,
        "Had we used this tool a year ago?",
        "The plan as the log of a year ago gives it, held against what has failed since.",
        table=lambda parts, _: questions_hindsight.hindsight(parts),
        kind="hindsight",
    ),
    Question(
        24,
        "Which single datum would help most?",
        "The plan without each kind of record, and with it in full where the log lets that be "
        "estimated.",
        table=questions_data.record_values,
        kind="records",
    ),
)


def question_scenarios(parts: PlanParts, number: int) -> tuple[Scenario, ...]:
    """Return the scenarios of a question, about this plan's own items.

    Raises
    ------
    StudyError
        There is no such question, it has no scenario (14, 23, 24), or this study has nothing
        that it could be asked of.
    """
    question = _numbered(number)
    if question.scenarios is None:
        raise StudyError(f"question {number} has no scenario: it has a table of its own")
    return question.scenarios(parts)


def answer(
    parts: PlanParts, number: int, rng: np.random.Generator | int = 1, *, draws: int = DRAWS
) -> Answer:
    """Return what a plan answers to one of the 24 questions.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    number : int
        Of the question, 1 to 24.
    rng : numpy.random.Generator or int
        Source of what is drawn at random.
    draws : int
        Draws of the life parameters.

    Returns
    -------
    Answer
        ``reason`` says why a study has nothing to ask the question of.

    Raises
    ------
    StudyError
        There is no such question.
    """
    question = _numbered(number)
    source = generator(rng)
    try:
        if question.table is not None:
            return Answer(question, table=question.table(parts, source))
        scenarios = question_scenarios(parts, number)
        comparison = compare(parts, scenarios, source, draws=draws)
        even = None
        if question.even is not None:
            path, lower, upper = question.even
            even = break_even(parts, scenarios[0], path, lower, upper, draws=draws)
    except StudyError as error:
        return Answer(question, reason=str(error))
    notes = () if question.notes is None else question.notes(parts)
    return Answer(question, comparison=comparison, even=even, notes=notes)


def _numbered(number: int) -> Question:
    found = [question for question in QUESTIONS if question.number == number]
    if not found:
        raise StudyError(f"there is no question {number}: they go from 1 to {len(QUESTIONS)}")
    return found[0]
