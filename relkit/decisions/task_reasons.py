"""Why a task was chosen and the others were not, in plain sentences.

Layer: decisions. Arrays in, arrays of text out; numpy only. The choice itself is in tasks.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ALTERNATIVES",
    "RuleTask",
    "Task",
    "TriageCase",
    "refusals",
    "replacement_refusals",
    "task_reasons",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Texts = NDArray[np.str_]

#: What can be decided for a stratum.
Task = Literal[
    "failure-finding",
    "condition inspection",
    "planned replacement",
    "run to failure",
    "find the cause",
    "too few failures to tell",
]
#: What a rule of the user's own asks for, blank where there is none.
RuleTask = Literal["", "test", "replace"]
#: The alternatives that the refusals speak of, in the order of their columns.
ALTERNATIVES: tuple[Task, ...] = (
    "failure-finding",
    "condition inspection",
    "planned replacement",
    "run to failure",
)


@dataclass(frozen=True, slots=True, eq=False)
class TriageCase:
    """What the triage asks about, checked; one row per stratum."""

    least_wear: float  #: guard rail [1]
    least_saving: float  #: guard rail [1]
    evident: Flags  #: the driver notices a failure at once
    safety: Flags  #: the function protects people
    has_warning: Flags  #: a coming failure can be seen
    rule_task: Texts  #: one of ``RuleTask``
    failures: Floats  #: number behind the estimates
    wear: Floats  #: probability that the shape is above 1, NaN: not known [1]
    shape_upper: Floats  #: upper limit of the shape, NaN: none [1]
    saving: Floats  #: of planned replacement, NaN: not computed [1]
    inspection_saving: Floats  #: of condition inspection, NaN: not computed [1]
    cost_planned: Floats  #: NaN: not given [money]
    cost_failure: Floats  #: NaN: not given [money]


def replacement_refusals(case: TriageCase) -> Texts:
    """Return why planned replacement is refused, per stratum; blank where it is not."""
    no_costs = np.isnan(case.cost_planned) | np.isnan(case.cost_failure)
    wear = _percents("chance of {} that it wears out with age", case.wear, case.least_wear)
    saving = _percents("saving of {}", case.saving, case.least_saving)
    return np.select(
        [
            (case.failures == 0) | np.isnan(case.wear),
            case.shape_upper < 1,
            case.wear < case.least_wear,
            no_costs,
            case.cost_failure <= case.cost_planned,
            np.isnan(case.saving),
            case.saving < case.least_saving,
        ],
        [
            "too few failures to tell whether it wears out with age",
            "new items fail more often than old ones, so that more of them make it worse",
            wear,
            "the costs of a planned replacement and of a failure are not both given",
            "a failure costs no more than a planned replacement",
            "its saving could not be computed",
            saving,
        ],
        "",
    )


def task_reasons(case: TriageCase, task: Texts) -> Texts:
    """Return why each task was chosen: one sentence per stratum."""
    saving = _shares("planned replacement saves {} of the cost of running to failure", case.saving)
    ruled = case.rule_task
    return np.select(
        [
            (task == "failure-finding") & ~case.evident,
            task == "failure-finding",
            (task == "planned replacement") & (ruled == "replace"),
            task == "planned replacement",
            task == "condition inspection",
            task == "find the cause",
            task == "too few failures to tell",
            np.isnan(case.cost_planned) | np.isnan(case.cost_failure),
        ],
        [
            "nobody notices the failure until the function is needed or tested",
            "a rule asks for tests, and there are too few failures to tell more",
            "a rule sets a maximum age",
            saving,
            "a coming failure can be seen, and replacement by age is not called for",
            "items fail soon after fitting: workmanship, fitting or parts are at fault, not age",
            "there are too few failures to tell how it fails",
            "a failure shows at once; without the costs of a planned replacement and of a failure "
            "nobody can say whether replacing by age would save",
        ],
        np.where(
            case.safety,
            "a failure shows at once, and the vehicle is not sent out with it; neither age nor a "
            "look would save enough",
            "a failure shows at once, and neither age nor a look would save enough",
        ),
    )


def refusals(case: TriageCase, task: Texts, replacement_refused: Texts) -> Texts:
    """Return why not each of the alternatives, (n_strata, 4); blank for the chosen one."""
    columns = (
        _finding_refusals(case),
        _looking_refusals(case, task),
        _replacement_sentences(case, replacement_refused),
        _running_refusals(case, task),
    )
    return np.stack(
        [
            np.where(task == name, "", _sentence(name, column))
            for name, column in zip(ALTERNATIVES, columns, strict=True)
        ],
        axis=1,
    )


def _sentence(name: str, reasons: Texts) -> Texts:
    return np.asarray([f"{name} refused: {reason}" for reason in reasons], dtype=np.str_)


def _finding_refusals(case: TriageCase) -> Texts:
    return np.full(case.evident.shape, "a failure shows at once, there is nothing to find")


def _looking_refusals(case: TriageCase, task: Texts) -> Texts:
    saving = _percents("saving of {}", case.inspection_saving, case.least_saving)
    return np.select(
        [
            ~case.has_warning,
            ~case.evident,
            case.inspection_saving < case.least_saving,
            task == "planned replacement",
            task == "find the cause",
        ],
        [
            "no warning state that can be seen before failure is stated",
            "the function is hidden and is tested; look for the warning state at the same visit",
            saving,
            "planned replacement comes first; look for the warning state at the same visit",
            "early failures come before any warning",
        ],
        "a rule asks for tests",
    )


def _replacement_sentences(case: TriageCase, refused: Texts) -> Texts:
    hidden = "the function is hidden, so that tests come first; replacing by age may pay besides"
    instead = np.where(case.evident, "another task comes first", hidden)
    return np.where(refused == "", instead, refused)


def _running_refusals(case: TriageCase, task: Texts) -> Texts:
    saving = _shares("planned replacement saves {}", case.saving)
    return np.select(
        [
            ~case.evident,
            (task == "planned replacement") & (case.rule_task != "replace"),
            task == "condition inspection",
            task == "find the cause",
            task == "too few failures to tell",
        ],
        [
            "nobody would notice the failure",
            saving,
            "a coming failure can be seen",
            "early failures go on until their cause is found",
            "not decided, though nothing else is done meanwhile",
        ],
        "a rule sets a maximum",
    )


def _shares(sentence: str, values: Floats) -> Texts:
    return np.asarray([sentence.format(f"{100 * value:.0f} %") for value in values], dtype=np.str_)


def _percents(sentence: str, values: Floats, threshold: float) -> Texts:
    """Sentences that name a share and the threshold it missed, with digits that tell them apart."""
    return np.asarray([_percent(sentence, float(v), threshold) for v in values], dtype=np.str_)


def _percent(sentence: str, value: float, threshold: float) -> str:
    for digits in range(6):
        said = f"{100 * value:.{digits}f}"
        if float(said) < 100 * threshold:
            break
    return f"{sentence.format(said + ' %')} is under the {100 * threshold:.3g} % asked for"
