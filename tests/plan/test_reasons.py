"""The sentences of the interval table, and the grade and warnings of the first page."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.plan.quality import data_grade, plan_warnings
from relkit.plan.reasons import (
    IntervalCase,
    evidence_words,
    rule_words,
    why_not_longer,
    why_not_shorter,
)
from relkit.study.read import study_from_mapping
from relkit.study.settings import Study

CASE = IntervalCase(
    task="planned replacement",
    interval=1000.0,
    spacing=250.0,
    binding="cost",
    rule="",
    target=np.nan,
    unavailability=np.nan,
    cost_here=0.50,
    cost_longer=0.55,
    cost_shorter=0.52,
    clock="engine_hours",
)


def study_with(**given: Any) -> Study:
    return study_from_mapping({"name": "s", "files": {"log": [{"path": "log.csv"}]}, **given})


@pytest.mark.parametrize(
    ("failures", "words"),
    [
        (45, "good: 45 failures in 60 lives"),
        (20, "good: 20 failures in 60 lives"),
        (19.9, "fair: 20 failures in 60 lives"),
        (5, "fair: 5 failures in 60 lives"),
        (1, "weak: 1 failure in 60 lives; shape borrowed from the same component type"),
        (0, "none: 0 failures in 60 lives; only a lower bound"),
    ],
)
def test_evidence_is_graded_by_its_failures(failures: float, words: str) -> None:
    # Source: the written rule: good from 20, fair from 5, weak from 1.
    assert evidence_words(failures, 60, "shared over component") == words


def test_costs_one_service_away_are_told_in_per_cent() -> None:
    # Source: own algebra: 0.55 / 0.50 is 10 % more, 0.52 / 0.50 is 4 %.
    assert why_not_longer(CASE).startswith("At 1,250 h the cost would be 10 % higher")
    assert why_not_shorter(CASE).startswith("At 750 h the cost would be 4.0 % higher")


def test_a_rule_is_named_and_never_exceeded() -> None:
    # Source: own algebra.
    case = replace(CASE, binding="rule", rule="view test")
    assert why_not_longer(case) == 'The rule "view test" sets the maximum; it is never exceeded.'
    assert "evidence alone would allow a longer interval" in why_not_shorter(case)


def test_a_target_is_told_with_what_is_reached() -> None:
    # Source: own algebra.
    case = replace(CASE, task="failure-finding", target=0.01, unavailability=0.0087)
    assert "more than 1.0 % of the time" in why_not_longer(case)
    assert "(0.9 % here)" in why_not_shorter(case)


@pytest.mark.parametrize("task", ["planned replacement", "failure-finding", "condition inspection"])
@pytest.mark.parametrize("binding", ["cost", "safety target", "rule", "service grid"])
@pytest.mark.parametrize("known", [True, False])
def test_every_interval_has_both_sentences(task: str, binding: str, known: bool) -> None:
    # Source: invariant.
    lost = {} if known else {"cost_longer": np.nan, "cost_shorter": np.nan, "spacing": np.nan}
    case = replace(CASE, task=task, binding=binding, rule="R", **lost)
    assert why_not_longer(case).endswith(".")
    assert why_not_shorter(case).endswith(".")
    none = replace(case, interval=np.nan)
    assert why_not_longer(none) == why_not_shorter(none) == ""


def test_rules_are_told_unless_the_interval_is_held_under_them() -> None:
    # Source: own algebra.
    rules = study_with(
        rules=[
            {"name": "A", "authority": "law", "maximum": ["13 weeks", "500 engine_hours"]},
            {"name": "B", "authority": "maker", "maximum": ["5 years"], "task": "replace"},
        ]
    ).rules
    test = "test at least every 13 weeks or 500 h (A; law)"
    new = "replace at least every 5 years (B; maker)"
    assert rule_words(rules, "run to failure") == f"{test}; {new}"
    assert rule_words(rules, "failure-finding") == new
    assert rule_words(rules, "planned replacement") == test


def graded(aside: int, estimated: int, masked: int, severity: str = "look") -> str:
    """Grade of 100 log rows and 100 lives with so many of each flaw."""
    reasons = ["bad date"] * aside + ["duplicate"] * 30
    classes = pd.DataFrame(
        {
            "kind": "log",
            "row_class": ["set aside"] * len(reasons) + ["failure"] * (100 - len(reasons)),
            "detail": reasons + [""] * (100 - len(reasons)),
        }
    )
    lives = pd.DataFrame(
        {
            "masked_job": ["job"] * masked + [""] * (100 - masked),
            "age_estimated": [True] * estimated + [False] * (100 - estimated),
        }
    )
    return data_grade(lives, classes, pd.DataFrame({"severity": [severity], "what": ["a gap"]}))


@pytest.mark.parametrize(
    ("grade", "flaws"),
    [
        ("good: at most 4.0 % of the log rows", (4, 1, 1)),
        ("usable with care: 5 % of the log rows", (5, 1, 1)),
        ("usable with care: 24 % of the lives rest on estimated", (5, 24, 1)),
        ("limited: 25 % of the lives ended on jobs", (5, 24, 25)),
        ("limited: a gap", (0, 0, 0, "limits")),
    ],
)
def test_the_grade_follows_the_worst_share(grade: str, flaws: tuple[Any, ...]) -> None:
    # Source: the written rule: care from 5 %, limited from 25 %; duplicates lose nothing.
    assert graded(*flaws).startswith(grade)


def test_what_was_not_entered_is_said() -> None:
    # Source: own algebra.
    intervals = pd.DataFrame({"failures": [4.0, 5.0, 0.0]})
    items = pd.DataFrame({"age": [1.0, np.nan]})
    words = " ".join(plan_warnings(study_with(), intervals, items))
    assert "No statutory, maker's or company maximum was entered" in words
    assert "No services were entered" in words
    assert "No costs were entered" in words
    assert "2 of 3 component-and-location groups have fewer than 5 failures" in words
    assert "1 of 2 items in service have no known age" in words


def test_nothing_is_said_of_what_is_there() -> None:
    # Source: own algebra.
    rule = {"name": "A", "authority": "law", "maximum": ["1 year"]}
    study = study_with(
        rules=[{**rule, "checked": "2025-01-01"}],
        services=[{"name": "S", "every": ["13 weeks"]}],
        costs={"items": [{"planned": 1}]},
    )
    full = pd.DataFrame({"failures": [5.0]}), pd.DataFrame({"age": [1.0]})
    assert plan_warnings(study, *full) == ()
    (word,) = plan_warnings(
        study_with(rules=[rule], services=[{"name": "S", "every": ["1 week"]}],
                   costs={"items": [{"planned": 1}]}), *full
    )  # fmt: skip
    assert word.startswith("Nobody has noted when these rules were last checked: A. Mend: ")
