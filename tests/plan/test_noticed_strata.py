"""Verdicts, modes, clocks, families and places of a plan: counted by hand and by other code."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import AalenJohansenFitter

import relkit
from relkit.lives.meters import cleaned_meters
from relkit.plan.noticed_strata import (
    clock_rows,
    clocks,
    families,
    family_rows,
    incidence,
    incidence_rows,
    place_pairs,
    place_rows,
    verdict_rows,
)
from relkit.study.settings import Study

START = pd.Timestamp("2021-01-01")


@pytest.fixture(scope="module")
def study() -> Study:
    path = Path(__file__).parents[2] / "data_demo" / "clean" / "study.toml"
    return replace(relkit.read_study(path), clock="days", location_groups=())


def made_lives(seed: int, n: int = 120) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    life = 600 * rng.weibull(1.5, n)
    end = rng.uniform(200, 1200, n)
    failed = life <= end
    age = np.minimum(life, end)
    fitted = START + pd.to_timedelta(rng.integers(0, 300, n), unit="D")
    return pd.DataFrame(
        {
            "component": "camera", "location": rng.choice(["rear", "side"], n),
            "vehicle": [f"V{i % 12}" for i in range(n)], "fitted_on": fitted,
            "ended_on": fitted + pd.to_timedelta(age, unit="D"), "entry": 0.0, "age": age,
            "failed": failed, "masked_job": "", "age_estimated": False,
            "ended_by": np.where(failed, "failure", "still in service"),
        }
    ).assign(stratum_location=lambda t: t["location"])  # fmt: skip


def test_share_lost_to_damage_is_that_of_lifelines(study: Study) -> None:
    # Source: lifelines' AalenJohansenFitter on the same lives (no ties).
    lives = made_lives(1)
    struck = lives["failed"] & (np.arange(len(lives)) % 4 == 0)
    lives = lives.assign(
        ended_by=lives["ended_by"].mask(struck, "external damage"), failed=lives["failed"] & ~struck
    )
    table = incidence(lives, study)
    own = lives[lives["location"].eq("rear")]
    code = np.select([own["ended_by"].eq("external damage"), own["failed"]], [1, 2], 0)
    fitted = AalenJohansenFitter(calculate_variance=False).fit(
        own["age"], code, event_of_interest=1
    )
    ours = table[table["location"].eq("rear") & table["mode"].eq("external damage")]
    assert ours["cumulative_incidence"].iloc[-1] == pytest.approx(
        float(fitted.cumulative_density_.iloc[-1, 0]), rel=1e-9
    )
    rows = incidence_rows(table, study)
    assert {row["location"] for row in rows} == {"rear", "side"}
    assert rows[0]["unit"] == "%"


def test_one_loss_from_outside_is_not_worth_a_sentence(study: Study) -> None:
    # Own construction: two losses at one place.
    lives = made_lives(2)
    lives.loc[lives.index[:2], ["ended_by", "failed"]] = ["external damage", False]
    lives["location"] = lives["stratum_location"] = "rear"
    rows = incidence_rows(incidence(lives, study), study)
    assert [row["verdict"] for row in rows] == ["no damage seen"]
    none = incidence_rows(incidence(made_lives(2), study), study)
    assert [row["verdict"] for row in none] == ["no damage seen"]


def test_failures_that_follow_kilometres_are_told_so(study: Study) -> None:
    # Own construction: vehicles that drive 20 to 400 km a day; every item fails near 30,000 km.
    rng = np.random.default_rng(3)
    use = {f"V{i}": 20 * 20 ** (i / 11) for i in range(12)}
    rows = []
    for vehicle, per_day in use.items():
        for _ in range(3):
            days = float(30_000 * rng.uniform(0.93, 1.07) / per_day)
            rows.append((vehicle, days, days <= 1500))
    lives = made_lives(3, len(rows)).assign(
        vehicle=[r[0] for r in rows], age=[min(r[1], 1500.0) for r in rows],
        failed=[r[2] for r in rows], fitted_on=START, location="rear",
    )  # fmt: skip
    lives["ended_on"] = START + pd.to_timedelta(lives["age"], unit="D")
    readings = pd.DataFrame(
        [
            (f"km.csv:{i}", vehicle, START + pd.Timedelta(days=30 * k), "km", per_day * 30 * k)
            for i, (vehicle, per_day) in enumerate(use.items())
            for k in range(60)
        ],
        columns=["source", "vehicle", "date", "counter", "reading"],
    )
    meters = cleaned_meters(readings, study)
    table = clocks(lives, meters, study, START)
    assert set(table["clock"]) == {"days", "km"}
    rows_told = clock_rows(table, study)
    assert rows_told[0]["verdict"] == "kilometres, decisively"
    assert "plan it in kilometres" in rows_told[0]["note"]
    assert table["p_value_adjusted"].min() >= table["p_value"].min()
    few = clocks(lives.head(4), meters, study, START)
    assert clock_rows(few, study)[0]["verdict"] == "too few failures to tell"


def test_places_that_differ_are_told_and_like_ones_may_be_pooled() -> None:
    # Own construction: lives of one law; then one place with a third of the life.
    like = made_lives(4, 400)
    told = place_rows(place_pairs(like), like, 0.95)
    assert [row["verdict"] for row in told] == ["no difference shown"]
    harsh = like["location"].eq("rear")
    worse = like.assign(age=like["age"].where(~harsh, like["age"] / 3))
    assert place_rows(place_pairs(worse), worse, 0.95)[0]["verdict"] == "places differ"


def test_too_many_places_are_not_compared_in_pairs_and_it_is_said() -> None:
    # Source: the limit of 16 places.
    lives = made_lives(5, 400)
    many = lives.assign(location=[f"place {i % 20}" for i in range(len(lives))])
    rows = place_rows(place_pairs(many), many, 0.95)
    assert [row["verdict"] for row in rows] == ["too many places"]
    assert "camera" in rows[0]["note"]


def test_families_that_fit_alike_and_disagree_are_told(study: Study) -> None:
    # Own construction: a table of three families of one stratum; two fit alike, far apart.
    by = ["component", "location"]
    table = pd.DataFrame(
        {
            "component": "camera", "location": "rear", "family": ["Weibull", "lognormal", "gamma"],
            "aicc_difference": [0.0, 1.2, 9.0], "b10": [200.0, 400.0, 90.0], "lives": 40.0,
            "failures": 12.0,
        }
    )  # fmt: skip
    rows = family_rows(table, by, study)
    assert rows[0]["estimate"] == pytest.approx(2.0)
    assert "10 % have failed by 200 or by 400 d" in rows[0]["note"]
    alike = family_rows(table.assign(b10=[200.0, 210.0, 90.0]), by, study)
    assert [row["verdict"] for row in alike] == ["families agree"]


def test_families_are_fitted_where_failures_suffice(study: Study) -> None:
    # Source: ten failures are asked for.
    lives = made_lives(6).assign(age_lower=np.nan)
    fits = lives.groupby(["component", "location"])["failed"].sum().reset_index(name="failures")
    assert set(families(lives, fits, study)["family"]) == {
        "Weibull", "lognormal", "loglogistic", "gamma",
    }  # fmt: skip
    few = families(lives, fits.assign(failures=3), study)
    assert family_rows(few, ["component", "location"], study)[0]["finding"] == "not looked for"


def test_verdicts_are_told_by_kind_of_failure() -> None:
    # Own construction: weak evidence is named, except where nothing is claimed.
    table = pd.DataFrame(
        {
            "component": ["a", "b", "c"],
            "verdict": ["wearing out", "wearing out", "too few to tell"],
            "grade": ["strong", "weak", "weak"], "failures": [30.0, 6.0, 1.0],
        }
    )  # fmt: skip
    notes = {row["verdict"]: row["note"] for row in verdict_rows(table, ["component"])}
    assert notes["wearing out"].endswith(": a; b (weak evidence).")
    assert notes["too few to tell"].endswith(": c.")


def test_dates_of_fixes_are_read_as_dates(study: Study) -> None:
    # Source: the study file of the demo.
    assert study.fixes[0].date == date(2024, 2, 1)
    assert study.fixes[0].scope == "items fitted since"
