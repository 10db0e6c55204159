"""Which settings of a study hold for which stratum."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from relkit.plan.stratum_settings import base_component, place_of, stratum_settings
from relkit.study.read import study_from_mapping
from relkit.study.settings import LocationGroup, Study
from relkit.units import Quantity

GROUPS = [
    {"name": "low mounts", "component": "cable", "locations": ["blade", "chute"]},
    {"name": "everywhere", "locations": ["blade", "chute", "roof"]},
]


def study_with(**settings: Any) -> Study:
    return study_from_mapping({"name": "s", "files": {"log": [{"path": "log.csv"}]}, **settings})


def test_the_type_of_item_stands_after_the_comma() -> None:
    # Source: the contract of the lives table: "component, type".
    assert base_component("switcher, old type") == "switcher"
    assert base_component("switcher") == "switcher"


@pytest.mark.parametrize(
    ("component", "location", "place"),
    [
        ("cable", "blade", "low mounts"),
        ("cable, re-made joint", "chute", "low mounts"),
        ("cable", "roof", "everywhere"),
        ("camera", "blade", "everywhere"),
        ("camera", "cab", "cab"),
    ],
)
def test_the_first_group_that_fits_names_the_place(
    component: str, location: str, place: str
) -> None:
    # Source: own algebra, read off GROUPS.
    groups = [
        LocationGroup(g["name"], tuple(g["locations"]), g.get("component"))  # type: ignore[arg-type]
        for g in GROUPS
    ]
    assert place_of(component, location, groups) == place


def test_without_settings_a_failure_is_evident_and_nothing_is_guessed() -> None:
    # Source: the defaults written beside the settings; a cost that is not given is never guessed.
    found = stratum_settings(study_with(), "camera", "front")
    assert found.evident
    assert not found.safety
    assert np.isnan(
        [found.target_unavailability, found.cost_planned, found.cost_failure, found.cost_check]
    ).all()
    assert found.warning_time is None
    assert found.rules == ()
    assert (found.lead_time_days, found.service_level) == (14.0, 0.95)


@pytest.mark.parametrize("turned", [False, True])
def test_the_most_specific_setting_wins_whatever_the_order(turned: bool) -> None:
    # Source: own algebra: location beats type of item, which beats component, which beats all.
    items = [
        {"planned": 1, "failure": 10, "check": 100},
        {"component": "switcher", "planned": 2, "failure": 20},
        {"component": "switcher, old type", "planned": 3},
    ]
    study = study_with(costs={"items": items[::-1] if turned else items})
    old = stratum_settings(study, "switcher, old type", "cab")
    assert (old.cost_planned, old.cost_failure, old.cost_check) == (3, 20, 100)
    new = stratum_settings(study, "switcher, new type", "cab")
    assert (new.cost_planned, new.cost_failure, new.cost_check) == (2, 20, 100)
    other = stratum_settings(study, "display", "cab")
    assert (other.cost_planned, other.cost_failure, other.cost_check) == (1, 10, 100)


@pytest.mark.parametrize("turned", [False, True])
def test_a_place_is_more_specific_than_a_component(turned: bool) -> None:
    # Source: own algebra.
    functions = [
        {"component": "camera", "safety": False, "evident": False},
        {"component": "camera", "location": "rear", "safety": True},
    ]
    study = study_with(functions=functions[::-1] if turned else functions)
    rear = stratum_settings(study, "camera", "rear")
    assert rear.safety
    assert not rear.evident  # said for all cameras, and not taken back
    assert not stratum_settings(study, "camera", "front").safety


def test_a_group_takes_settings_under_its_own_name_and_under_its_locations() -> None:
    # Source: own algebra.
    rules = [
        {"name": "A", "authority": "law", "maximum": ["1 year"], "location": "chute"},
        {"name": "B", "authority": "law", "maximum": ["1 year"], "location": "low mounts"},
        {"name": "C", "authority": "law", "maximum": ["1 year"], "location": "roof"},
    ]
    study = study_with(location_groups=GROUPS, rules=rules)
    cable = stratum_settings(study, "cable", "low mounts")
    assert {rule.name for rule in cable.rules} == {"A", "B"}
    everything = stratum_settings(study, "camera", "everywhere")
    assert {rule.name for rule in everything.rules} == {"A", "C"}


def test_all_rules_that_fit_are_kept() -> None:
    # Source: a maximum is never lost to a more specific one.
    rules = [
        {"name": "wide", "authority": "law", "maximum": ["1 year"]},
        {"name": "narrow", "authority": "law", "maximum": ["2 years"], "component": "camera"},
    ]
    found = stratum_settings(study_with(rules=rules), "camera", "front")
    assert {rule.name for rule in found.rules} == {"wide", "narrow"}


@pytest.mark.parametrize("turned", [False, True])
def test_spares_take_the_type_of_item_then_the_component_then_all(turned: bool) -> None:
    # Source: own algebra.
    spares = [
        {"lead_time_days": 10, "service_level": 0.9},
        {"component": "camera", "lead_time_days": 20},
        {"component": "camera, new type", "lead_time_days": 30},
    ]
    study = study_with(spares=spares[::-1] if turned else spares)
    assert stratum_settings(study, "camera, new type", "").lead_time_days == 30
    assert stratum_settings(study, "camera", "").lead_time_days == 20
    assert stratum_settings(study, "camera, old type", "").lead_time_days == 20
    assert stratum_settings(study, "lead", "").lead_time_days == 10
    assert stratum_settings(study, "lead", "").service_level == 0.9


def test_a_warning_time_keeps_its_unit() -> None:
    # Source: closed form, 2 weeks = 14 days.
    study = study_with(functions=[{"component": "cable", "warning_time": "2 weeks"}])
    assert stratum_settings(study, "cable", "roof").warning_time == Quantity(14.0, "days")
