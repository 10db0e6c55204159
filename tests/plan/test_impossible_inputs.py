"""Inputs that cannot be: an error that names the key, or a stated conflict with its mend.

Source of every expected text: the rule of the project that nothing is clamped in silence.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

import relkit
from relkit.cli.commands import main
from relkit.errors import StudyError
from relkit.plan.result import Plan
from relkit.study.settings import Study

SERVICE = '[[services]]\nname = "250 h service"\nevery = ["250 engine_hours"]\n'
COSTS = "[[costs.items]]\nplanned = 100\nfailure = 300\ncheck = 5\n"


RunPlan = Callable[[Study], tuple[int, str]]


@pytest.fixture
def run_plan(capsys: pytest.CaptureFixture[str]) -> RunPlan:
    """Return a function that plans a study by the command line: exit code and what it told."""

    def run(study: Study) -> tuple[int, str]:
        out = study.path.parent / "out"
        with pytest.raises(SystemExit) as left:
            main(["plan", str(study.path), "--out", str(out), "--quick"])
        seen = capsys.readouterr()
        return int(left.value.code or 0), " ".join((seen.out + seen.err).split())

    return run


@pytest.mark.parametrize(
    ("settings", "key", "said"),
    [
        ("[[costs.items]]\nplanned = -1\n", "costs.items.1.planned", "greater than or equal to 0"),
        ("[costs]\nvisit = -45\n", "costs.visit", "greater than or equal to 0"),
        ("[[functions]]\ntarget_unavailability = 0\n", "target_unavailability", "greater than 0"),
        ("[[functions]]\ntarget_unavailability = 1\n", "target_unavailability", "less than 1"),
        ("[[functions]]\ntest_harm = 1\n", "test_harm", "less than 1"),
        ("[[functions]]\nreported_share = 1.2\n", "reported_share", "less than or equal to 1"),
        ("[[bays]]\nhours_per_week = 0\n", "hours_per_week", "greater than 0"),
        ('[[warranty]]\ncomponent = "camera"\nmonths = 0\n', "months", "greater than 0"),
        ('[[practice]]\ntask = "wait"\n', "practice.1.task", "run to failure"),
        ("[[costs.downtime]]\nper_hour = 5\nmonths = [13]\n", "months", "less than or equal to 12"),
        ("[decision]\nleast_saving = 1\n", "least_saving", "less than 1"),
    ],
)
def test_a_value_that_cannot_be_is_an_error_that_names_its_key(
    settings: str, key: str, said: str, made_study: Callable[..., Study], run_plan: RunPlan
) -> None:
    study = made_study()
    text = study.path.read_text(encoding="utf-8")
    study.path.write_text(text + "\n" + settings, encoding="utf-8")
    with pytest.raises(StudyError, match=said) as error:
        relkit.read_study(study.path)
    assert key in str(error.value)
    code, told = run_plan(study)
    assert code == 2
    assert said in told


def warnings_of(plan: Plan) -> str:
    return " ".join(plan.warnings)


def test_without_services_the_interval_stands_and_the_page_says_so(
    made_plan: Callable[..., Plan],
) -> None:
    hidden = "[[functions]]\nevident = false\ntarget_unavailability = 0.05\n"
    plan = made_plan(COSTS + hidden)
    assert "No services were entered" in warnings_of(plan)
    tested = plan.visits[plan.visits["task"] == "failure-finding"]
    assert len(tested)
    assert tested["status"].eq("no service is given for these vehicles").all()
    assert tested["mend"].str.contains("state the services").all()


def test_a_maximum_under_the_shortest_service_is_a_conflict_not_a_stretch(
    made_plan: Callable[..., Plan],
) -> None:
    hidden = "[[functions]]\nevident = false\ntarget_unavailability = 0.5\n"
    rule = '[[rules]]\nname = "monthly"\nauthority = "company"\nmaximum = ["40 engine_hours"]\n'
    plan = made_plan(SERVICE + COSTS + hidden + rule)
    tested = plan.visits[(plan.visits["task"] == "failure-finding")]
    assert (tested["interval"] <= 40.0).all()
    assert tested["status"].eq("the maximum of a rule is shorter than one service").all()
    assert tested["mend"].str.contains("special visit").all()
    assert plan.intervals["conflict"].str.contains("shorter than one service").any()


def test_a_failure_that_costs_less_than_a_planned_replacement_is_told(
    made_plan: Callable[..., Plan], made_study: Callable[..., Study], run_plan: RunPlan
) -> None:
    costs = "[[costs.items]]\nplanned = 300\nfailure = 100\n"
    plan = made_plan(SERVICE + costs)
    assert "A failure costs no more than a planned replacement" in warnings_of(plan)
    assert "Mend: enter all that a failure costs" in warnings_of(plan)
    assert not plan.intervals["task"].eq("planned replacement").any()
    code, told = run_plan(made_study(SERVICE + costs))
    assert code == 0
    assert "A failure costs no more than a planned replacement" in told


def test_a_target_that_no_interval_satisfies_is_said_plainly(
    made_plan: Callable[..., Plan], made_study: Callable[..., Study], run_plan: RunPlan
) -> None:
    # One test in ten spoils the item: however short the interval, a tenth of 1 % cannot be had.
    hidden = (
        "[[functions]]\nevident = false\ntarget_unavailability = 0.001\n"
        "test_detection = 0.9\ntest_harm = 0.1\n"
    )
    plan = made_plan(SERVICE + COSTS + hidden)
    assert "no interval satisfies the target" in warnings_of(plan)
    tested = plan.visits[plan.visits["task"] == "failure-finding"]
    assert tested["interval"].isna().all()
    assert tested["status"].str.startswith("no interval satisfies the target").all()
    assert tested["mend"].str.contains("driver's daily check").all()
    code, told = run_plan(made_study(SERVICE + COSTS + hidden))
    assert code == 0
    assert "no interval satisfies the target" in told


def test_a_target_shorter_than_a_days_use_is_said_plainly(made_plan: Callable[..., Plan]) -> None:
    hidden = "[[functions]]\nevident = false\ntarget_unavailability = 0.00001\n"
    plan = made_plan(SERVICE + COSTS + hidden)
    assert "no interval of a day's use or more satisfies the target" in warnings_of(plan)


def test_a_hidden_function_without_a_target_is_told(made_plan: Callable[..., Plan]) -> None:
    plan = made_plan(SERVICE + COSTS + "[[functions]]\nevident = false\n")
    assert "No target was entered for the hidden function" in warnings_of(plan)


def test_settings_that_reach_nothing_are_told(made_plan: Callable[..., Plan]) -> None:
    settings = (
        SERVICE
        + COSTS
        + '[[bays]]\nhours_per_week = 38\nwhere = { class = ["none"] }\n'
        + '[[warranty]]\ncomponent = "gearbox"\nmonths = 12\n'
        + '[[practice]]\ncomponent = "gearbox"\n'
        + '[[stock]]\nname = "boxes"\ncomponents = ["gearbox"]\n'
        + '[[fleet_changes]]\non = 2024-03-01\nvehicles = 2\nwhere = { class = ["none"] }\n'
    )
    told = warnings_of(made_plan(settings))
    for part in ("bays", "fleet_changes"):
        assert f"[[{part}]] holds for no vehicle" in told
    for part in ("warranty", "practice", "stock"):
        assert f'[[{part}]] names "gearbox"' in told
    assert "no job has hours" in told


def test_half_a_harm_target_and_reports_without_demands_are_told(
    made_plan: Callable[..., Plan],
) -> None:
    hidden = "[[functions]]\nevident = false\ntarget_unavailability = 0.05\n"
    told = warnings_of(
        made_plan(SERVICE + COSTS + hidden + "tolerable_events = 0.001\nreported_share = 0.5\n")
    )
    assert "missing: demands_per_day, harm_probability" in told
    assert "reported_share changes nothing without demands_per_day" in told
