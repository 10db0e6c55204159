"""Choices, the interval table and the curves behind it, from parameters known exactly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.plan.choices import Choices, choices
from relkit.plan.decision_curves import cost_curves, unavailability_curves
from relkit.plan.evidence import Evidence
from relkit.plan.intervals import _how_far_off, interval_table
from relkit.plan.scheduling import scheduled_visits
from relkit.plan.usage import service_grids
from relkit.study.read import study_from_mapping

FITMENTS = pd.DataFrame({"vehicle": ["A", "B"], "class": ["small", "large"]})
RATES = pd.DataFrame({"engine_hours": [4.0, 4.0], "days": 1.0}, index=["A", "B"])
#: A wearing part, a hidden random one, a random one, and one with a visible warning.
STRATA = pd.DataFrame(
    {
        "component": ["camera", "wire", "display", "cable"],
        "location": ["front", "reverse", "cab", "low"],
        "shape": [3.0, 1.0, 1.0, 1.0],
        "scale": [1700.0, 9000.0, 9000.0, 2000.0],
        "probability_of_wear": [0.99, 0.4, 0.5, 0.5],
    }
)
SETTINGS: dict[str, Any] = {
    "name": "s",
    "clock": "engine_hours",
    "files": {"log": [{"path": "log.csv"}]},
    "functions": [
        {"component": "wire", "evident": False, "safety": True, "target_unavailability": 0.01},
        {"component": "cable", "warning_time": "400 engine_hours", "detection": 0.8},
    ],
    "services": [
        {"name": "S", "every": ["250 engine_hours"], "where": {"class": ["small"]}},
        {"name": "L", "every": ["125 engine_hours"], "where": {"class": ["large"]}},
    ],
    "costs": {"items": [{"planned": 355, "failure": 1290, "check": 6}]},
}
ITEMS = pd.DataFrame(
    [(v, s, age) for v in "AB" for s, age in ((0, 300.0), (1, 4000.0), (2, 50.0), (3, 10.0))],
    columns=["vehicle", "stratum", "age"],
).assign(rate=4.0)

Planned = tuple[Evidence, Choices, pd.DataFrame]


@pytest.fixture
def planned(known_evidence: Callable[..., Evidence]) -> Planned:
    study = study_from_mapping(SETTINGS)
    found = known_evidence(STRATA)
    chosen = choices(found, ITEMS, study, RATES.mean())
    grids = service_grids(study, FITMENTS, RATES)
    visits = scheduled_visits(found, chosen, ITEMS, grids, RATES, FITMENTS, study)
    table = interval_table(found, chosen, ITEMS, visits, FITMENTS, study)
    return found, chosen, table.set_index("component")


def unavailability(interval: float, scale: float) -> float:
    """Mean share of time failed, constant rate: 1 - (1 - exp(-t / s)) / (t / s)."""
    return 1 - (1 - np.exp(-interval / scale)) / (interval / scale)


def test_each_item_gets_the_task_that_suits_it(planned: Planned) -> None:
    # Source: reliability-centred maintenance: hidden failures are looked for, wear is replaced,
    # warnings are looked at, random evident failures are left (common practice).
    table = planned[2]
    assert table["task"].to_dict() == {
        "camera": "planned replacement",
        "wire": "failure-finding",
        "display": "run to failure",
        "cable": "condition inspection",
    }
    assert (table["why"] != "").all()
    assert (table["refused"] != "").all()


def test_best_intervals_equal_closed_forms_and_a_search(planned: Planned) -> None:
    # Source: the age of least cost by a search over trapezoidal integrals in this test (Barlow
    # and Proschan 1965, chapter 4); the hidden item's by its closed form for a constant rate.
    table = planned[2]
    ages = np.arange(900.0, 1100.0)
    times = np.linspace(0, 1, 4001)[:, None] * ages
    alive = np.exp(-((times / 1700) ** 3))
    integral = np.trapezoid(alive, times, axis=0)
    cost = (355 * alive[-1] + 1290 * (1 - alive[-1])) / integral
    assert table.loc["camera", "best_interval"] == pytest.approx(ages[np.argmin(cost)], abs=1.0)
    assert table.loc["camera", "cost_rate"] == pytest.approx(cost.min(), rel=1e-4)
    best = table.loc["wire", "best_interval"]
    assert unavailability(best, 9000.0) == pytest.approx(0.01, rel=1e-6)


def test_the_unavailability_shown_is_that_of_the_scheduled_interval(planned: Planned) -> None:
    # Source: closed form, constant rate; 181 h come down to one visit of 125 h, and for the
    # vehicles with services of 250 h there is none: the first of two equal rows is shown.
    row = planned[2].loc["wire"]
    assert row["unavailability"] == pytest.approx(unavailability(row["interval"], 9000.0), rel=1e-6)
    assert row["unavailability"] <= 0.01 * (1 + 1e-6)
    assert "small: the longest safe interval is shorter than one service" in row["conflict"]
    assert "every L (125 h)" in row["schedule"]


def test_known_parameters_have_a_range_of_one_point(planned: Planned) -> None:
    # Source: own algebra: all draws are equal.
    table = planned[2].loc[["camera", "wire"]]
    for end in ("interval_lower", "interval_upper"):
        np.testing.assert_allclose(table[end], table["best_interval"], rtol=2e-3)


def test_every_service_stands_in_the_schedule(planned: Planned) -> None:
    # Source: own algebra: 985 h is near 4 x 250 h and 8 x 125 h.
    assert planned[2].loc["camera", "schedule"] == "every 4th S (1,000 h); every 8th L (1,000 h)"


def test_items_of_unknown_age_are_in_the_warnings(known_evidence: Callable[..., Evidence]) -> None:
    # Source: own algebra.
    study = study_from_mapping(SETTINGS)
    found = known_evidence(STRATA)
    items = ITEMS.assign(age=ITEMS["age"].where((ITEMS["vehicle"] == "A") | (ITEMS["stratum"] > 0)))
    chosen = choices(found, items, study, RATES.mean())
    visits = scheduled_visits(found, chosen, items, (), RATES, FITMENTS, study)
    table = interval_table(found, chosen, items, visits, FITMENTS, study)
    unknown = table["warnings"].str.contains("1 of 2 items have no known age")
    assert unknown.tolist() == [True, False, False, False]
    assert not table["warnings"].str.contains("2 of 2").any()


def test_a_wearing_hidden_item_is_judged_at_its_present_ages(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: mean of 1 - R(age + t) / R(age) over the interval and the items, by trapezia; the
    # items are tested and not renewed.
    strata = STRATA.assign(shape=[3.0, 2.0, 1.0, 1.0])
    items = ITEMS.assign(age=ITEMS["age"].where(ITEMS["vehicle"] == "A", 7000.0))
    study = study_from_mapping(SETTINGS)
    found = known_evidence(strata)
    chosen = choices(found, items, study, RATES.mean())
    visits = scheduled_visits(found, chosen, items, (), RATES, FITMENTS, study)
    row = interval_table(found, chosen, items, visits, FITMENTS, study).iloc[1]
    times = np.linspace(0, row["interval"], 4001)
    shares = [
        np.trapezoid(1 - np.exp((a / 9000) ** 2 - ((a + times) / 9000) ** 2), times) / times[-1]
        for a in (4000.0, 7000.0)
    ]
    assert row["unavailability"] == pytest.approx(np.mean(shares), rel=1e-6)
    assert row["unavailability"] == pytest.approx(0.01, rel=1e-6)


def test_a_hidden_item_without_any_known_age_has_no_guessed_interval(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: own algebra: its present ages are what the interval rests on.
    found = known_evidence(STRATA)
    items = ITEMS.assign(age=ITEMS["age"].where(ITEMS["stratum"] != 1))
    chosen = choices(found, items, study_from_mapping(SETTINGS), RATES.mean())
    assert chosen.triage.task[1] == "failure-finding"
    assert np.isnan(chosen.best[1])


def test_cost_curves_are_the_cost_rate_with_limits(planned: Planned) -> None:
    # Source: R. E. Barlow and F. Proschan 1965, chapter 4, integrated here by trapezia.
    found, chosen, _ = planned
    curve = cost_curves(found, chosen, STRATA[["component", "location"]])
    assert set(curve["component"]) == {"camera"}
    for _, row in curve.iloc[::9].iterrows():
        times = np.linspace(0, row["age"], 20_001)
        alive = np.exp(-((times / 1700) ** 3))
        cost = (355 * alive[-1] + 1290 * (1 - alive[-1])) / np.trapezoid(alive, times)
        assert row["cost_rate"] == pytest.approx(cost, rel=2e-3)
        assert row["cost_rate_lower"] <= row["cost_rate"] * (1 + 2e-3)
        assert row["cost_rate_upper"] >= row["cost_rate"] * (1 - 2e-3)


def test_unavailability_curves_rise_from_nothing_through_the_target(planned: Planned) -> None:
    # Source: closed form, constant rate.
    found, chosen, _ = planned
    curve = unavailability_curves(found, chosen, ITEMS, STRATA[["component", "location"]])
    assert set(curve["component"]) == {"wire"}
    for _, row in curve.iloc[::8].iterrows():
        exact = unavailability(row["interval"], 9000.0)
        assert row["unavailability"] == pytest.approx(exact, rel=1e-6)
    assert curve["unavailability"].is_monotonic_increasing
    reach = curve["interval"] / chosen.best[1]
    assert (reach.min(), reach.max()) == pytest.approx((0.05, 3.0))


def test_without_any_interval_the_curves_are_empty_tables(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: own algebra.
    found = known_evidence(STRATA)
    study = study_from_mapping({key: SETTINGS[key] for key in ("name", "clock", "files")})
    chosen = choices(found, ITEMS, study, RATES.mean())
    keys = STRATA[["component", "location"]]
    assert set(chosen.triage.task) == {"run to failure"}
    assert cost_curves(found, chosen, keys).empty
    assert "cost_rate" in cost_curves(found, chosen, keys)
    assert unavailability_curves(found, chosen, ITEMS, keys).empty


def test_wide_limits_are_said_in_words() -> None:
    # own algebra: limits as multiples of the fitted scale
    table = pd.DataFrame(
        {
            "scale": [1000.0, 1000.0, 1000.0, float("nan")],
            "scale_lower": [830.0, 900.0, 100.0, 500.0],
            "scale_upper": [1230.0, 1100.0, 25_000.0, float("nan")],
        }
    )
    assert _how_far_off(table) == [
        "the true life may be 0.83 to 1.23 times the fitted one",
        "",
        "the true life may be 0.10 to 25 times the fitted one",
        "",
    ]
