"""Spares: expected use, planned use and the stock that covers a lead time."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, factorial
from typing import Any

import numpy as np
import pandas as pd
import pytest

from relkit.plan.evidence import Evidence
from relkit.plan.spares import FORECAST_DRAWS, spares_table
from relkit.study.read import study_from_mapping

UNTIL = pd.Timestamp("2024-01-01")
YEAR = 365.25
STRATA = pd.DataFrame(
    {"component": ["camera", "camera", "lead"], "location": ["front", "rear", ""]}
).assign(shape=1.0, scale=[1000.0, 4000.0, 2000.0])


def items(*rows: tuple[str, int, float]) -> pd.DataFrame:
    """Positions from (vehicle, stratum, age), each used 2 h a day."""
    return pd.DataFrame(rows, columns=["vehicle", "stratum", "age"]).assign(rate=2.0)


def tasks(*rows: tuple[str, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["task", "interval"])


RUN = ("run to failure", np.nan)
FOUR = items(("A", 0, 500.0), ("B", 0, 10.0), ("A", 1, 50.0), ("A", 2, 9000.0))


def table_of(found: Evidence, here: pd.DataFrame, plan: pd.DataFrame, **given: Any) -> pd.DataFrame:
    study = study_from_mapping({"name": "s", "files": {"log": [{"path": "log.csv"}]}, **given})
    return spares_table(found, here, plan, study, UNTIL).set_index("component")


def mixture_stock(means: np.ndarray, level: float) -> tuple[int, float]:
    """Smallest stock of a mixture of Poisson demands, term by term."""
    stock, reached = -1, 0.0
    while reached < level:
        stock += 1
        reached += sum(exp(-m) * m**stock / factorial(stock) for m in means) / len(means)
    return stock, 1 - reached


def test_random_failures_come_at_their_rate_whatever_the_age(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: closed form: shape 1, failures in time t are t / scale (Poisson process).
    table = table_of(known_evidence(STRATA), FOUR, tasks(RUN, RUN, RUN))
    use = 2 * YEAR
    assert table.loc["camera", "expected"] == pytest.approx(use * (2 / 1000 + 1 / 4000), rel=1e-4)
    assert table.loc["lead", "expected"] == pytest.approx(use / 2000, rel=1e-4)
    assert table["positions"].to_dict() == {"camera": 3, "lead": 1}
    assert (table["planned"] == 0).all()


def test_many_items_fail_as_often_as_their_number_and_ages_say(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: closed form: shape 3, horizon so short that no item fails twice: the sum over items
    # of 1 - R(age + t) / R(age), within the cost of eight age groups.
    ages = np.linspace(0.0, 2000.0, 40)
    here = items(*((f"V{n}", 0, age) for n, age in enumerate(ages)))
    found = known_evidence(STRATA.assign(shape=3.0, scale=2000.0))
    table = table_of(found, here, tasks(RUN, RUN, RUN), decision={"horizon_months": 0.1})
    use = 2 * 0.1 * YEAR / 12
    exact = (1 - np.exp((ages / 2000) ** 3 - ((ages + use) / 2000) ** 3)).sum()
    assert table.loc["camera", "expected"] == pytest.approx(exact, rel=0.01)


def test_the_stock_equals_a_poisson_mixture_summed_term_by_term(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: second implementation above; demand in the lead time by closed form, shape 1.
    rng = np.random.default_rng(3)
    found = known_evidence(STRATA, draws=FORECAST_DRAWS)
    scale = found.scale * rng.lognormal(0, 0.6, found.scale.shape)
    found = Evidence(found.lives, found.fits, found.curves, found.shape, scale)
    given: dict[str, Any] = {
        "spares": [
            {"lead_time_days": 60, "service_level": 0.9},
            {"component": "camera", "lead_time_days": 100, "service_level": 0.99},
        ]
    }
    table = table_of(found, FOUR, tasks(RUN, RUN, RUN), **given)
    camera = 2 * 100 * (2 / scale[0] + 1 / scale[1])
    lead = 2 * 60 / scale[2]
    for name, means, level in (("camera", camera, 0.99), ("lead", lead, 0.9)):
        stock, missed = mixture_stock(means, level)
        assert table.loc[name, "stock"] == stock
        assert table.loc[name, "stock_out_probability"] == pytest.approx(missed, rel=1e-3)
        assert table.loc[name, "demand_in_lead_time"] == pytest.approx(means.mean(), rel=1e-4)


def test_planned_replacements_are_counted_by_hand(known_evidence: Callable[..., Evidence]) -> None:
    # Source: own algebra, items that never fail: 730.5 h of use a year at every 250 h: from age
    # 500 (overdue) at 0, 250 and 500 h, from age 10 at 240 and 490 h, and 730.5 / 1000 none. In a
    # lead time of 28 h of use the one that is overdue is needed.
    plan = tasks(("planned replacement", 250.0), ("planned replacement", 1000.0), RUN)
    table = table_of(known_evidence(STRATA.assign(scale=1e9)), FOUR, plan)
    assert table.loc["camera", "planned"] == pytest.approx(5, rel=1e-6)
    assert table.loc["camera", "demand_in_lead_time"] == pytest.approx(1.0, rel=1e-4)


def test_items_replaced_in_time_fail_less_often(known_evidence: Callable[..., Evidence]) -> None:
    # Source: closed form: at shape 3, scale 1000 and replacement at 250 h an item fails with
    # chance 1 - exp(-1/64) per cycle of 250 h at most; run to failure fails far more often.
    found = known_evidence(STRATA.assign(shape=3.0, scale=1000.0))
    new = items(*((f"V{n}", 0, 0.0) for n in range(20)))
    use = 2 * YEAR
    replaced = table_of(found, new, tasks(("planned replacement", 250.0), RUN, RUN))
    most = 20 * (use / 250 + 1) * (1 - exp(-1 / 64))
    least = 20 * (use // 250) * (1 - exp(-1 / 64))
    assert least < replaced.loc["camera", "expected"] < most
    run = table_of(found, new, tasks(RUN, RUN, RUN))
    assert run.loc["camera", "expected"] > 5 * replaced.loc["camera", "expected"]


def test_one_spare_for_several_types_is_stocked_once(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: own algebra: the group needs what its members need together, at the longest lead.
    stock = [{"name": "any camera or lead", "components": ["camera", "lead"]}]
    spares = [{"component": "lead", "lead_time_days": 50}, {"lead_time_days": 20}]
    apart = table_of(known_evidence(STRATA), FOUR, tasks(RUN, RUN, RUN), spares=spares)
    joined = table_of(
        known_evidence(STRATA), FOUR, tasks(RUN, RUN, RUN), stock=stock, spares=spares
    )
    assert joined.index.tolist() == ["any camera or lead"]
    assert joined["expected"].sum() == pytest.approx(apart["expected"].sum(), rel=1e-9)
    assert joined["lead_time_days"].tolist() == [50.0]


def test_vehicles_that_come_need_spares_and_those_that_go_need_none(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: closed form, shape 1: failures are use over scale. Three more vehicles like A and B
    # from the start: camera at front 5/2 as often; one of two gone half way: three quarters.
    register = pd.DataFrame({"vehicle": ["A", "B"], "class": "x"})
    here = items(("A", 0, 500.0), ("B", 0, 10.0))
    found = known_evidence(STRATA)

    def expected(changes: list[dict[str, object]]) -> float:
        given = {"fleet_changes": changes}
        study = study_from_mapping({"name": "s", "files": {"log": [{"path": "l.csv"}]}, **given})
        table = spares_table(found, here, tasks(RUN, RUN, RUN), study, UNTIL, fitments=register)
        return float(table["expected"].sum())

    now = expected([])
    assert expected([{"on": "2024-01-01", "vehicles": 3}]) == pytest.approx(2.5 * now, rel=1e-3)
    half = [{"on": "2024-07-01", "vehicles": -1}]
    assert expected(half) == pytest.approx(0.75 * now, rel=0.01)
    later = [{"on": "2024-07-01", "vehicles": 2}]
    assert expected(later) == pytest.approx(1.5 * now, rel=0.03)


def test_items_of_unknown_age_are_counted_and_named(
    known_evidence: Callable[..., Evidence],
) -> None:
    # Source: own algebra; items without a stratum have nothing to forecast from.
    here = items(("A", 0, np.nan), ("B", 0, 100.0), ("C", -1, 100.0))
    table = table_of(known_evidence(STRATA), here, tasks(RUN, RUN, RUN))
    assert table.index.tolist() == ["camera"]
    assert table.loc["camera", "positions"] == 2
    assert "1 of 2 items have no known age" in table.loc["camera", "note"]


def test_use_last_year_counts_what_was_taken_out(known_evidence: Callable[..., Evidence]) -> None:
    # Source: own algebra: two of the six lives ended by an item taken out within 365 days.
    found = known_evidence(STRATA)
    lives = pd.DataFrame(
        [
            ("camera", "2023-06-01", "failure"),
            ("camera", "2023-07-01", "removed unfailed"),
            ("camera", "2022-12-01", "failure"),
            ("camera", "2023-08-01", "vehicle left fleet"),
            ("camera", "2024-01-01", "still in service"),
            ("lead", "2022-01-01", "failure"),
        ],
        columns=["component", "ended_on", "ended_by"],
    ).assign(ended_on=lambda frame: pd.to_datetime(frame["ended_on"]))
    found = Evidence(lives, found.fits, found.curves, found.shape, found.scale)
    table = table_of(found, FOUR, tasks(RUN, RUN, RUN))
    assert table["used_last_year"].to_dict() == {"camera": 2, "lead": 0}
    by_place = Evidence(
        lives, found.fits.drop(columns="component"), found.curves, found.shape, found.scale
    )
    table = table_of(by_place, FOUR, tasks(RUN, RUN, RUN))
    assert table["used_last_year"].to_dict() == {"item": 2}


def test_without_items_there_is_an_empty_table(known_evidence: Callable[..., Evidence]) -> None:
    # Source: own algebra.
    table = table_of(known_evidence(STRATA), FOUR.iloc[:0], tasks(RUN, RUN, RUN))
    assert table.empty
    assert "stock" in table
