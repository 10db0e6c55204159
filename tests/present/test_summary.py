"""The manager's first screen: right words, right order, right counts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from relkit.plan.result import Plan
from relkit.present.summary import (
    about,
    due_counts,
    hurts,
    left_alone,
    service_cards,
    short_answers,
)
from relkit.present.unknown import item_names, unknowns


def test_each_service_has_its_jobs_replacements_first(plan: Plan) -> None:
    # Source: the made plan.
    cards = service_cards(plan)
    assert [(c.vehicles, c.service) for c in cards] == [
        ("gritters", "250 h service"),
        ("sweepers", "500 h service"),
        ("drain tankers", "500 h service"),
    ]
    verbs = [job.verb for job in cards[0].jobs]
    assert verbs == ["Replace", "Replace", "Replace", "Test"]
    chute = next(job for job in cards[0].jobs if job.item == "camera, spreader chute")
    assert chute.when == "every 4th service"
    assert chute.interval == "1,000 h, about 16 months"
    assert chute.binding == "cost"
    assert cards[1].jobs[-1].binding == "safety target; view test of reversing views"
    assert chute.why.startswith("It wears out at about 1,500 h")
    assert cards[2].jobs[0].when == "every service"


def test_what_needs_no_work_is_told_with_its_reason(plan: Plan) -> None:
    # Source: the made plan.
    assert [(group.verb, group.items) for group in left_alone(plan)] == [
        ("Find the cause", ("cable, re-made joint, low mounts",)),
        ("Nothing until it fails", ("camera, rear high",)),
        ("Nothing until it fails", ("display, in cab",)),
        ("Nothing yet: too few failures", ("main video lead, chassis to cab",)),
    ]


def test_items_with_one_reason_stand_together(plan: Plan) -> None:
    # Source: own algebra: 58 and 72 positions.
    same = plan.intervals.assign(why="chance")
    group = left_alone(replace(plan, intervals=same))[1]
    assert group.items == ("camera, rear high", "display, in cab")
    assert group.count == "130 positions"


def test_work_that_no_service_comes_often_enough_for_says_so(plan: Plan) -> None:
    # Source: the made plan.
    job = service_cards(plan)[2].jobs[-1]
    assert (job.when, job.interval) == ("between services", "153 h, about 6 weeks")
    assert job.mend == (
        "The longest safe interval is shorter than one service. "
        "Let the driver check daily and report, or make a special visit."
    )


def test_rates_are_per_thousand_hours_worst_first(plan: Plan) -> None:
    # Source: own algebra, 45 failures in 74,800 h are 0.60 per 1,000 h.
    ranked = hurts(plan)
    chute = next(hurt for hurt in ranked if hurt.item == "camera, spreader chute")
    assert (chute.rate, chute.failures, chute.positions) == ("0.6", "45", "24")
    assert [hurt.bar for hurt in ranked] == sorted((h.bar for h in ranked), reverse=True)
    assert ranked[0].bar == 100


def test_limits_of_rates_are_shown_beside_them(plan: Plan) -> None:
    # Source: own algebra.
    limits = {"rate_lower": 0.00044, "rate_upper": 0.00081}
    ranked = hurts(replace(plan, intervals=plan.intervals.assign(**limits)))
    assert ranked[0].range == "0.44 to 0.81"


def test_unknowns_name_the_cure_and_leave_out_what_costs_nothing(plan: Plan) -> None:
    # Source: the made plan: duplicates lose no knowledge.
    found = unknowns(plan)
    text = " ".join(f"{item.what} {item.cure}" for item in found)
    assert found[0].what.startswith("61 items have no date of fitting")
    assert "main video lead, chassis to cab wears out: too few failures" in text
    assert "4 rows set aside: unknown date. Correct the date in the log." in text
    assert "dropped. The date on which each item was fitted, in the register." in text
    assert "rows set aside: unknown start" not in text
    assert "duplicate" not in text


def test_findings_for_information_only_leave_nothing_unknown(plan: Plan) -> None:
    # Source: common practice.
    quiet = plan.findings[plan.findings["severity"] == "information"]
    found = unknowns(replace(plan, findings=quiet, set_aside=plan.set_aside[:0], warnings=()))
    assert [item.what[:7] for item in found] == ["Whether"]


def test_the_due_list_is_counted_by_state(plan: Plan) -> None:
    # Source: the made plan.
    assert due_counts(plan) == (
        ("overdue", 9),
        ("never tested", 6),
        ("age unknown", 5),
        ("due", 14),
        ("later", 60),
    )


def test_four_answers_in_plain_words(plan: Plan) -> None:
    # Source: the made plan; no Greek, no code.
    answers = short_answers(plan)
    assert [answer.anchor for answer in answers] == ["do", "hurts", "unknown", "due"]
    headlines = [answer.headline for answer in answers]
    assert headlines[0] == (
        "10 kinds of item: 4 to replace in time, 2 to test and 4 without regular work."
    )
    assert headlines[2] == "64 of 1,492 rows set aside, 54 of them without loss."
    assert headlines[3] == "9 overdue, 6 never tested and 5 age unknown: start there."
    text = " ".join([*headlines, *(line for answer in answers for line in answer.lines)])
    assert "Camera, spreader chute: replace every 1,000 h; saves 35 % (24 to 44 %)" in text
    assert text.isascii()
    assert "_" not in text


def test_an_empty_plan_still_answers(empty: Plan) -> None:
    # Source: common practice.
    answers = short_answers(empty)
    assert answers[0].headline == "10 kinds of item: 10 without regular work."
    assert answers[1].headline == "No failure was seen."
    assert answers[2].headline == "All 1,492 rows were used."
    assert answers[3].headline == "The due list is empty."
    assert service_cards(empty) == ()


def test_names_leave_out_what_is_blank(plan: Plan) -> None:
    # Source: common practice.
    blank = plan.intervals.assign(location="")
    assert item_names(blank, ("component", "location"))[0] == "camera"
    assert item_names(blank, ("component",))[0] == "camera"


@pytest.mark.parametrize(
    ("days", "words"),
    [(1, "1 day"), (12, "12 days"), (91, "13 weeks"), (487, "16 months"), (1461, "4 years")],
)
def test_calendar_time_as_people_say_it(days: float, words: str) -> None:
    # Source: common practice; a month is a twelfth of 365.25 days.
    assert about(days) == words
