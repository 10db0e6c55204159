"""The trail on the demo: counts that must agree, single failures against refits, rows back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullFitter

import relkit
from relkit.errors import StudyError
from relkit.logbook.read import RepairLog
from relkit.plan.build import plan_of
from relkit.plan.influence import influence_of_failures
from relkit.plan.parts import PlanParts, parts_of
from relkit.plan.result import Plan
from relkit.plan.trail import interval_trail, row_trail, stratum_key

STUDY = Path(__file__).parents[2] / "data_demo" / "dirty" / "study.toml"


@pytest.fixture(scope="module")
def parts() -> PlanParts:
    study = relkit.read_study(STUDY)
    return parts_of(relkit.read_log(study), study)


@pytest.fixture(scope="module")
def plan(parts: PlanParts) -> Plan:
    return plan_of(parts)


@pytest.fixture(scope="module")
def log(parts: PlanParts) -> RepairLog:
    return parts.log


def test_every_life_of_the_interval_and_every_row_behind_it(plan: Plan, log: RepairLog) -> None:
    # own algebra: counts of the plan's own tables
    for key in plan.intervals[["component", "location"]].to_dict("records"):
        found = interval_trail(plan, log, key)
        row = found.interval.iloc[0]
        assert len(found.interval) == len(found.fit) == 1
        assert len(found.lives) == row["lives"]
        behind = set(";".join([*found.lives["opened_by"], *found.lives["closed_by"]]).split(";"))
        named = {source.strip() for source in behind if source.strip()}
        assert named <= set(found.rows["source"])
        assert (found.rows.loc[found.rows["kind"] == "log", "text"] != "").all()
        failed = found.rows["role"].str.contains("failure")
        assert failed.any() == found.lives["failed"].any()


def test_a_failure_leads_back_to_its_interval(plan: Plan, log: RepairLog) -> None:
    lives = plan.lives[plan.lives["failed"].astype(bool)]
    life = lives.iloc[len(lives) // 2]
    source = life["closed_by"].split("; ")[0]
    found = row_trail(plan, log, source)
    assert found.row["row_class"].iloc[0] in ("failure", "interval")
    assert life.name in found.lives.index[found.lives["role"] == "ended it"]
    named = found.intervals[["component", "location"]].to_records(index=False).tolist()
    assert (life["component"], life["stratum_location"]) in named


def test_rows_of_every_kind_can_be_followed(plan: Plan, log: RepairLog) -> None:
    for kind, rows in plan.row_classes.groupby("kind"):
        found = row_trail(plan, log, rows["source"].iloc[len(rows) // 2])
        assert found.row["kind"].iloc[0] == kind
    reading = plan.row_classes.loc[plan.row_classes["row_class"] == "reading", "source"].iloc[0]
    lives = row_trail(plan, log, reading).lives
    assert set(lives["role"]) == {"gives its age"}
    assert len(set(lives["vehicle"])) == 1


def test_merged_rows_lead_to_the_life_of_their_job(plan: Plan, log: RepairLog) -> None:
    merged = plan.row_classes[plan.row_classes["row_class"] == "merged"]
    with_lives = [len(row_trail(plan, log, source).lives) for source in merged["source"].head(20)]
    assert sum(with_lives) > 0


def test_unknown_rows_and_groups_are_refused_with_what_there_is(plan: Plan, log: RepairLog) -> None:
    with pytest.raises(StudyError, match="FILE:ROW"):
        row_trail(plan, log, "nowhere.csv:7")
    with pytest.raises(StudyError, match=r"several groups have component.*rear high"):
        stratum_key(plan, {"component": "camera"})
    with pytest.raises(StudyError, match=r"no group has component"):
        stratum_key(plan, {"component": "periscope"})
    with pytest.raises(StudyError, match="no group has colour"):
        stratum_key(plan, {"colour": "red"})
    assert stratum_key(plan, {"component": "CAMERA", "location": " rear high "}) == {
        "component": "camera",
        "location": "rear high",
    }


def test_weight_of_a_failure_is_an_exact_refit() -> None:
    # Reference library: lifelines, refitted with each failure in turn censored.
    rng = np.random.default_rng(4)
    age = np.round(900 * rng.weibull(1.8, 24), 1)
    failed = rng.random(24) < 0.6
    lives = pd.DataFrame({"age": age, "failed": failed, "entry": 0.3 * age})
    table = influence_of_failures(lives)
    assert list(table.index) == list(np.flatnonzero(failed))
    for row in table.index[:6]:
        other = failed.copy()
        other[row] = False
        fit = WeibullFitter().fit(age, other, entry=0.3 * age)
        assert table.loc[row, "scale_without"] == pytest.approx(fit.lambda_, rel=1e-4)
        assert table.loc[row, "shape_without"] == pytest.approx(fit.rho_, rel=1e-4)


def test_weight_of_an_only_failure_is_not_worked_out() -> None:
    lives = pd.DataFrame({"age": [100.0, 200.0], "failed": [True, False]})
    assert influence_of_failures(lives)["b10_change"].isna().all()
    assert influence_of_failures(lives.assign(failed=False)).empty
