"""Best intervals on the services, under the rules."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from relkit.plan.choices import Choices
from relkit.plan.evidence import Evidence
from relkit.plan.scheduling import rule_maximum, scheduled_visits
from relkit.plan.usage import service_grids
from relkit.study.read import study_from_mapping
from relkit.study.settings import Study

KnownEvidence = Callable[..., Evidence]
GivenTasks = Callable[..., Choices]

VEHICLES = ["A", "B", "C", "D"]
FITMENTS = pd.DataFrame({"vehicle": VEHICLES, "class": ["small", "small", "large", "large"]})
RATES = pd.DataFrame(
    {"engine_hours": [2.0, 4.0, 5.0, 10.0], "km": [20.0, 40.0, 100.0, 200.0], "days": 1.0},
    index=pd.Index(VEHICLES, name="vehicle"),
)
COSTS = {"items": [{"planned": 355, "failure": 1290}]}
#: Best age of these parameters and costs is 985 h: W. B. Nelson's form of the cost rate, own
#: algebra, tested in tests/decisions/test_age_replacement.py.
ONE = pd.DataFrame({"component": ["camera"], "location": ["front"], "shape": 3.0, "scale": 1700.0})
SERVICES = [
    {"name": "S", "every": ["250 engine_hours"], "where": {"class": ["small"]}},
    {"name": "L", "every": ["400 engine_hours", "13 weeks"], "where": {"class": ["large"]}},
]


def study_with(**changed: Any) -> Study:
    given_keys = {"clock": "engine_hours", "files": {"log": [{"path": "log.csv"}]}, **changed}
    return study_from_mapping({"name": "s", **given_keys})


def items_of(stratum: int = 0, vehicles: list[str] = VEHICLES) -> pd.DataFrame:
    rates = RATES.loc[vehicles, "engine_hours"].to_numpy()
    return pd.DataFrame({"vehicle": vehicles, "stratum": stratum, "age": 100.0, "rate": rates})


@pytest.fixture
def schedule(known_evidence: KnownEvidence, given_tasks: GivenTasks) -> Callable[..., pd.DataFrame]:
    """Return a function that schedules strata with stated tasks and best intervals."""

    def make(
        study: Study, task: str, best: float, items: pd.DataFrame | None = None
    ) -> pd.DataFrame:
        found = known_evidence(ONE)
        chosen = given_tasks(found, study, [task], [best])
        grids = service_grids(study, FITMENTS, RATES)
        table = items_of() if items is None else items
        return scheduled_visits(found, chosen, table, grids, RATES, FITMENTS, study)

    return make


def test_each_service_gets_its_own_step(schedule: Callable[..., pd.DataFrame]) -> None:
    # Source: own algebra: 985 h is nearest in cost to 4 x 250 h and to 2 x 400 or 3 x 400 h;
    # 13 weeks at 7.5 h a day are 682.5 h, so the large ones come at 400 h. Cost decides between
    # 800 and 1200 h: g(t) = (355 R + 1290 F) / integral of R, by the trapezoidal rule below.
    visits = schedule(study_with(services=SERVICES, costs=COSTS), "planned replacement", 985.0)

    def cost(age: float) -> float:
        times = np.linspace(0, age, 20_001)
        alive = np.exp(-((times / 1700) ** 3))
        return (355 * alive[-1] + 1290 * (1 - alive[-1])) / np.trapezoid(alive, times)

    assert cost(1000) < cost(750)
    best = 800.0 if cost(800) < cost(1200) else 1200.0
    assert visits["service"].tolist() == ["S", "L"]
    assert visits["interval"].tolist() == [1000.0, best]
    assert visits["every_nth"].tolist() == [4, round(best / 400)]
    assert visits["interval_days"].tolist() == pytest.approx([1000 / 3, best / 7.5])
    assert visits["vehicle_count"].tolist() == [2, 2]
    assert (visits["status"] == "ok").all()


@pytest.mark.parametrize("task", ["failure-finding", "condition inspection", "safety"])
def test_tests_and_safety_items_are_rounded_down(
    schedule: Callable[..., pd.DataFrame], task: str
) -> None:
    # Source: closed form: floor(740 / 250) = 2, though 3 x 250 is nearer.
    functions = [{"safety": task == "safety"}]
    study = study_with(services=SERVICES, costs=COSTS, functions=functions)
    task = "planned replacement" if task == "safety" else task
    small = schedule(study, task, 740.0).set_index("service").loc["S"]
    assert (small["interval"], small["every_nth"]) == (500.0, 2)


def test_a_service_too_rare_is_a_conflict_and_nothing_is_stretched(
    schedule: Callable[..., pd.DataFrame],
) -> None:
    # Source: own algebra: 152 h is shorter than any service.
    visits = schedule(study_with(services=SERVICES), "failure-finding", 152.0)
    assert visits["interval"].tolist() == [152.0, 152.0]
    assert visits["every_nth"].tolist() == [0, 0]
    assert visits["status"].str.contains("shorter than one service").all()
    assert (visits["mend"] != "").all()


def test_vehicles_without_a_service_stand_in_a_row_of_their_own(
    schedule: Callable[..., pd.DataFrame],
) -> None:
    # Source: own algebra.
    visits = schedule(study_with(services=SERVICES[:1], costs=COSTS), "planned replacement", 985.0)
    assert visits["vehicles"].tolist() == ["small", "vehicles without a service"]
    assert visits["vehicle_names"].tolist() == [{"A", "B"}, {"C", "D"}]
    assert visits["interval"].tolist() == pytest.approx([1000.0, 985.0])
    assert visits["status"].str.contains("no service").tolist() == [False, True]


def test_without_services_or_without_a_task_there_is_no_step(
    schedule: Callable[..., pd.DataFrame],
) -> None:
    # Source: own algebra.
    alone = schedule(study_with(costs=COSTS), "planned replacement", 985.0)
    assert alone["every_nth"].tolist() == [0]
    assert alone["interval"].tolist() == pytest.approx([985.0])
    assert schedule(study_with(services=SERVICES), "run to failure", np.nan).empty


def test_a_rule_to_replace_holds_without_costs(schedule: Callable[..., pd.DataFrame]) -> None:
    # Source: own algebra: 600 h under 250 h services is 500 h; under 400 h services, 400 h.
    rule = {"name": "R", "authority": "maker", "maximum": ["600 engine_hours"], "task": "replace"}
    visits = schedule(study_with(services=SERVICES, rules=[rule]), "planned replacement", np.nan)
    assert visits["interval"].tolist() == [500.0, 400.0]
    assert (visits["binding"] == "rule").all()
    assert (visits["rule"] == "R").all()


def test_the_least_of_several_maxima_holds_and_is_named() -> None:
    # Source: own algebra: A and B run 3 h and 30 km a day on average.
    rules = [
        {"name": "weeks", "authority": "law", "maximum": ["10 weeks", "1 year"]},
        {"name": "km", "authority": "maker", "maximum": ["1500 km"]},
        {"name": "large", "authority": "law", "maximum": ["1 day"], "where": {"class": ["large"]}},
    ]
    given_rules = study_with(rules=rules).rules
    small = frozenset({"A", "B"})
    assert rule_maximum(given_rules, small, RATES, FITMENTS, "engine_hours") == (
        pytest.approx(150.0),
        "km",
    )
    assert rule_maximum(given_rules, small, RATES, FITMENTS, "days") == (pytest.approx(50.0), "km")
    largest, name = rule_maximum(given_rules[2:], small, RATES, FITMENTS, "days")
    assert (largest, name) == (np.inf, "")


LENGTHS = st.sampled_from(
    ["40 engine_hours", "300 engine_hours", "2000 engine_hours", "3 weeks", "13 weeks", "1 year",
     "900 km", "20000 km"]
)  # fmt: skip


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    maxima=st.lists(LENGTHS, min_size=1, max_size=3),
    every=st.lists(LENGTHS, min_size=1, max_size=2),
    task=st.sampled_from(["failure-finding", "condition inspection", "planned replacement"]),
    best=st.floats(20.0, 20_000.0),
    safety=st.booleans(),
)
def test_no_scheduled_interval_exceeds_a_rule(
    schedule: Callable[..., pd.DataFrame],
    maxima: list[str],
    every: list[str],
    task: str,
    best: float,
    safety: bool,
) -> None:
    # Source: invariant; the maximum in hours is computed here from the classes' mean rates.
    kind = "replace" if task == "planned replacement" else "test"
    study = study_with(
        services=[{"name": "S", "every": every, "where": {"class": ["small"]}}],
        rules=[{"name": "R", "authority": "law", "maximum": maxima, "task": kind}],
        costs=COSTS,
        functions=[{"safety": safety}],
    )
    visits = schedule(study, task, best)
    hours = {"engine_hours": lambda v, _: v, "weeks": lambda v, r: 7 * v * r[0]}
    hours |= {"year": lambda v, r: 365.25 * v * r[0], "km": lambda v, r: v * r[0] / r[1]}
    for names, interval in zip(visits["vehicle_names"], visits["interval"], strict=True):
        rate = RATES.loc[sorted(names)].mean().to_numpy()
        limits = [hours[text.split()[1]](float(text.split()[0]), rate) for text in maxima]
        assert interval <= min(limits) * (1 + 1e-9)
        if safety or kind == "test":
            assert interval <= best * (1 + 1e-9)
