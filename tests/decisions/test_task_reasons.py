"""Refusals and reasons in words: the share, the threshold it missed, and no jargon."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.tasks import ALTERNATIVES, Triage, triage


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
    ("change", "reason"),
    [
        ({"saving": 0.03}, "saving of 3 % is under the 5 % asked for"),
        ({"saving": 0.0496}, "saving of 4.96 % is under the 5 % asked for"),
        ({"saving": -0.02}, "saving of -2 % is under the 5 % asked for"),
        (
            {"probability_of_wear": 0.62},
            "chance of 62 % that it wears out with age is under the 80 % asked for",
        ),
        ({"cost_failure": 300.0}, "a failure costs no more than a planned replacement"),
        (
            {"cost_planned": np.nan},
            "the costs of a planned replacement and of a failure are not both given",
        ),
        ({"failures": 0}, "too few failures to tell whether it wears out with age"),
        (
            {"shape_upper": 0.8},
            "new items fail more often than old ones, so that more of them make it worse",
        ),
    ],
)
def test_replacement_is_refused_in_words(change: dict[str, object], reason: str) -> None:
    refusal = choose(**change).refusals[0, ALTERNATIVES.index("planned replacement")]
    assert refusal == f"planned replacement refused: {reason}"


def test_reason_names_the_saving_and_the_safety_condition() -> None:
    assert choose().reason[0] == "planned replacement saves 30 % of the cost of running to failure"
    unsafe = choose(safety=True, saving=0.01).reason[0]
    assert "not sent out with it" in unsafe


def test_without_costs_nobody_claims_to_have_compared_them() -> None:
    chosen = choose(cost_planned=np.nan, saving=np.nan)
    assert chosen.task[0] == "run to failure"
    assert "without the costs" in chosen.reason[0]


def test_a_warning_beside_a_better_task_is_not_forgotten() -> None:
    looking = choose(has_warning=True).refusals[0, ALTERNATIVES.index("condition inspection")]
    assert "look for the warning state at the same visit" in looking


def test_no_sentence_speaks_greek() -> None:
    # Common practice: a manager reads these.
    for change in ({}, {"evident": False}, {"shape_upper": 0.5}, {"failures": 0}, {"saving": 0.0}):
        chosen = choose(**change)
        for text in (*chosen.reason, *chosen.refusals[0]):
            assert not {"beta", "eta", "shape", "Weibull"} & set(str(text).split())
