"""The triage asks its questions in order and gives its reasons in words."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.decisions.tasks import ALTERNATIVES, Task, Triage, triage


def choose(**change: object) -> Triage:
    """One evident item that wears out, with costs: planned replacement unless changed."""
    usual: dict[str, object] = {
        "evident": True,
        "safety": False,
        "failures": 40,
        "probability_of_wear": 0.99,
        "shape_upper": 3.5,
        "saving": 0.3,
        "cost_planned": 300.0,
        "cost_failure": 900.0,
    }
    return triage(**(usual | change))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "task"),
    [
        ({}, "planned replacement"),
        ({"evident": False}, "failure-finding"),
        ({"evident": False, "failures": 0, "probability_of_wear": np.nan}, "failure-finding"),
        ({"saving": 0.03}, "run to failure"),
        ({"probability_of_wear": 0.7}, "run to failure"),
        ({"cost_failure": 300.0}, "run to failure"),
        ({"cost_failure": np.nan, "saving": np.nan}, "run to failure"),
        ({"saving": 0.03, "has_warning": True}, "condition inspection"),
        ({"saving": 0.03, "has_warning": True, "inspection_saving": 0.01}, "run to failure"),
        ({"has_warning": True}, "planned replacement"),
        ({"shape_upper": 0.9, "probability_of_wear": 0.01}, "find the cause"),
        ({"failures": 0}, "too few failures to tell"),
        ({"probability_of_wear": np.nan, "failures": 2}, "too few failures to tell"),
        ({"failures": 0, "has_warning": True}, "condition inspection"),
        ({"failures": 0, "rule_task": "test"}, "failure-finding"),
        ({"failures": 0, "rule_task": "replace"}, "planned replacement"),
        ({"saving": 0.0, "rule_task": "replace"}, "planned replacement"),
        ({"saving": 0.0, "rule_task": "test"}, "run to failure"),
    ],
)
def test_each_question_decides(change: dict[str, object], task: str) -> None:
    # Source: the project's order of questions (reliability-centred maintenance, from memory).
    assert choose(**change).task.tolist() == [task]


def test_thresholds_are_the_callers() -> None:
    lenient = choose(
        saving=0.03, probability_of_wear=0.7, least_saving=0.02, least_probability_of_wear=0.6
    )
    assert lenient.task.tolist() == ["planned replacement"]
    assert (lenient.least_saving, lenient.least_probability_of_wear) == (0.02, 0.6)


@settings(deadline=None, max_examples=200)
@given(
    evident=st.booleans(),
    failures=st.integers(0, 50),
    probability_of_wear=st.one_of(st.just(float("nan")), st.floats(0, 1)),
    shape_upper=st.floats(0.3, 5),
    saving=st.one_of(st.just(float("nan")), st.floats(-1, 1)),
    cost_failure=st.one_of(st.just(float("nan")), st.floats(0, 2000)),
    has_warning=st.booleans(),
    rule_task=st.sampled_from(["", "test", "replace"]),
)
def test_guard_rails_hold_for_any_input(**change: object) -> None:
    # Invariants: one task; each alternative is the task or refused with a reason; planned
    # replacement only within the guard rails or by a rule; hidden items are tested.
    chosen = choose(**change)
    task = str(chosen.task[0])
    assert task in get_args(Task)
    for name, refusal in zip(ALTERNATIVES, chosen.refusals[0], strict=True):
        assert (refusal == "") == (name == task)
        assert "nan" not in refusal
    if not change["evident"]:
        assert task == "failure-finding"
    if task == "planned replacement" and change["rule_task"] != "replace":
        assert change["probability_of_wear"] >= 0.8  # type: ignore[operator]
        assert change["saving"] >= 0.05  # type: ignore[operator]
        assert change["cost_failure"] > 300.0  # type: ignore[operator]


def test_batches_are_rows() -> None:
    # Common practice: one stratum alone equals the same in a batch.
    batch = choose(saving=[0.3, 0.01], evident=[True, False])
    assert batch.task.tolist() == ["planned replacement", "failure-finding"]
    assert batch.refusals.shape == (2, 4)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rule_task": "paint"}, 'rule_task holds "paint": must be "test", "replace" or blank'),
        ({"failures": -1}, r"failures at position \(\) is -1"),
        ({"failures": np.nan}, r"failures at position \(\) is nan"),
        ({"probability_of_wear": 1.2}, "probability_of_wear at position"),
        ({"cost_planned": -5.0}, "cost_planned at position"),
        ({"least_saving": 0.0}, "least_saving is 0"),
    ],
)
def test_bad_values_are_named(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        choose(**change)
