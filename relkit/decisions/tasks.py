"""Which task suits which item: the triage of reliability-centred maintenance.

Layer: decisions. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import share
from relkit.decisions.task_reasons import (
    ALTERNATIVES,
    RuleTask,
    Task,
    TriageCase,
    refusals,
    replacement_refusals,
    task_reasons,
)

__all__ = ["ALTERNATIVES", "RuleTask", "Task", "Triage", "triage"]

Floats = NDArray[np.float64]
Texts = NDArray[np.str_]


@dataclass(frozen=True, slots=True, eq=False)
class Triage:
    """Task per stratum, and why not the others; fields have one row per stratum."""

    task: Texts  #: one of ``Task``
    reason: Texts  #: why this task, one sentence
    refusals: Texts  #: (n_strata, 4): why not each of ALTERNATIVES; blank for the chosen one
    least_probability_of_wear: float  #: threshold used [1]
    least_saving: float  #: threshold used [1]


def triage(
    *,
    evident: ArrayLike,
    safety: ArrayLike,
    failures: ArrayLike,
    probability_of_wear: ArrayLike,
    shape_upper: ArrayLike,
    saving: ArrayLike,
    cost_planned: ArrayLike,
    cost_failure: ArrayLike,
    has_warning: ArrayLike = False,
    inspection_saving: ArrayLike = np.nan,
    rule_task: ArrayLike = "",
    least_probability_of_wear: float = 0.8,
    least_saving: float = 0.05,
) -> Triage:
    """Task for each stratum by fixed questions, asked before any interval is chosen.

    In this order: would anybody notice the failure; does a rule ask for replacement; can the
    failures tell anything; do early failures prevail; is planned replacement certain enough
    to pay; can a coming failure be seen. What is left is run to failure.

    Parameters
    ----------
    evident : array_like of bool
        The driver notices a failure at once.
    safety : array_like of bool
        The function protects people: running to failure carries a condition.
    failures : array_like
        Number of failures behind the estimates, 0 or more.
    probability_of_wear : array_like
        Probability that the Weibull shape is above 1; NaN where nothing is known of it. [1]
    shape_upper : array_like
        Upper confidence limit of the shape; NaN where none. [1]
    saving : array_like
        Share of the cost of running to failure that the best replacement age saves; NaN where
        it could not be computed. [1]
    cost_planned, cost_failure : array_like
        Cost of a planned replacement and of a failure; NaN where not given. [money]
    has_warning : array_like of bool
        A technician can see a warning state before failure.
    inspection_saving : array_like
        Share of the cost of running to failure that looking saves; NaN where not known. [1]
    rule_task : array_like of str
        "test" or "replace" where a rule of the user asks for it at a maximum; else blank.
    least_probability_of_wear, least_saving : float
        Guard rails of planned replacement, strictly between 0 and 1. [1]

    Returns
    -------
    Triage
        All inputs broadcast to one row per stratum.

    Raises
    ------
    ValueError
        A number is negative where it cannot be, a share is above 1, a rule task is not one of
        the choices, or the arrays do not broadcast.

    References
    ----------
    Order of the questions: reliability-centred maintenance (F. S. Nowlan and H. F. Heap 1978,
    from memory). Guard rails: common practice.

    Examples
    --------
    >>> chosen = triage(
    ...     evident=[True, True, False], safety=False, failures=[45, 25, 33],
    ...     probability_of_wear=[1.0, 0.93, 0.98], shape_upper=[3.7, 1.7, 1.9],
    ...     saving=[0.35, 0.01, np.nan],
    ...     cost_planned=[355, 300, 95], cost_failure=[1290, 760, 240],
    ... )
    >>> chosen.task.tolist()
    ['planned replacement', 'run to failure', 'failure-finding']
    >>> print(chosen.refusals[1, 2])
    planned replacement refused: saving of 1 % is under the 5 % asked for
    """
    rules = np.asarray(rule_task, dtype=np.str_)
    strange = rules[~np.isin(rules, get_args(RuleTask))]
    if strange.size:
        raise ValueError(f'rule_task holds "{strange.flat[0]}": must be "test", "replace" or blank')
    rows = np.broadcast_arrays(
        np.asarray(evident, dtype=np.bool_),
        np.asarray(safety, dtype=np.bool_),
        np.asarray(has_warning, dtype=np.bool_),
        rules,
        _number("failures", failures, 0.0, known=True),
        _number("probability_of_wear", probability_of_wear, 0.0, 1.0),
        _number("shape_upper", shape_upper, 0.0),
        _number("saving", saving, -np.inf, 1.0),
        _number("inspection_saving", inspection_saving, -np.inf, 1.0),
        _number("cost_planned", cost_planned, 0.0),
        _number("cost_failure", cost_failure, 0.0),
    )
    least = (
        share("least_probability_of_wear", least_probability_of_wear),
        share("least_saving", least_saving),
    )
    case = TriageCase(*least, *(np.atleast_1d(row) for row in rows))
    refused = replacement_refusals(case)
    task = _tasks(case, refused == "")
    return Triage(
        task=task,
        reason=task_reasons(case, task),
        refusals=refusals(case, task, refused),
        least_probability_of_wear=case.least_wear,
        least_saving=case.least_saving,
    )


def _tasks(case: TriageCase, replacement_pays: NDArray[np.bool_]) -> Texts:
    early = case.shape_upper < 1
    untold = (case.failures == 0) | np.isnan(case.wear)
    looking = case.has_warning & ~(case.inspection_saving < case.least_saving)
    return np.select(
        [
            ~case.evident,
            case.rule_task == "replace",
            untold & (case.rule_task == "test"),
            untold & ~case.has_warning,
            early & ~untold,
            replacement_pays & ~untold,
            looking,
            untold,
        ],
        [
            "failure-finding",
            "planned replacement",
            "failure-finding",
            "too few failures to tell",
            "find the cause",
            "planned replacement",
            "condition inspection",
            "too few failures to tell",
        ],
        "run to failure",
    )


def _number(
    name: str, values: ArrayLike, least: float, most: float = np.inf, *, known: bool = False
) -> Floats:
    """Numbers within bounds; NaN stands for not known unless it must be known."""
    array = np.asarray(values, dtype=np.float64)
    bad = np.argwhere((array < least) | (array > most) | (np.isnan(array) & known))
    if len(bad):
        place = tuple(int(i) for i in bad[0])
        bounds = f"at least {least:g}" if most == np.inf else f"from {least:g} to {most:g}"
        raise ValueError(f"{name} at position {place} is {array[place]:g}: must be {bounds}")
    return array
