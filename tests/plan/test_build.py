"""The whole way: what holds for every plan, on small studies and on the demo as committed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import fields
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.plan.result import Plan
from relkit.study.settings import Study

MadePlan = Callable[..., Plan]

DEMO = Path(__file__).parents[2] / "data_demo"
COSTS = "\n[[costs.items]]\nplanned = 100\nfailure = 500\ncheck = 5\n"
SERVICE = '\n[[services]]\nname = "S"\nevery = ["250 engine_hours"]\nwhere = {class = ["small"]}\n'
HIDDEN = """
[[functions]]
component = "camera"
location = "rear"
evident = false
safety = true
target_unavailability = 0.02
"""
RULES = """
[[rules]]
name = "view test"
authority = "law"
maximum = ["13 weeks"]
component = "camera"

[[rules]]
name = "leads"
authority = "maker"
maximum = ["2 years"]
task = "replace"
component = "lead"
"""
GROUP = '\n[[location_groups]]\nname = "ends"\nlocations = ["front", "rear"]\n'
ALL = COSTS + SERVICE + HIDDEN + RULES


@pytest.fixture(scope="module")
def demo_plans() -> dict[str, Plan]:
    return {
        name: relkit.build_plan(relkit.read_study(DEMO / name / "study.toml"))
        for name in ("clean", "dirty")
    }


def check_plan(plan: Plan) -> None:
    """Check what holds for every plan."""
    table = plan.intervals
    assert (table["why"] != "").all()
    given = table["interval"].notna()
    for name in ("why_not_longer", "why_not_shorter"):
        assert (table.loc[given, name] != "").all()
        assert (table.loc[~given, name] == "").all()
    assert (table.loc[given, "schedule"] != "").all()
    assert not table[list(plan.study.by)].duplicated().any()
    assert table["positions"].sum() == plan.spares["positions"].sum()
    assert (
        plan.due["due_on_earliest"]
        .le(plan.due["due_on_latest"])
        .where(plan.due["due_on_latest"].notna(), True)
        .all()
    )
    assert plan.visits["vehicle_count"].gt(0).all()
    assert plan.visits["task"].ne("").all()
    assert plan.spares["stock"].ge(0).all()
    assert plan.data_grade.split(":")[0] in ("good", "usable with care", "limited")


@pytest.mark.parametrize(
    "by", [["component"], ["location"], ["component", "class"], ["component", "location"]]
)
@pytest.mark.parametrize("clock", ["days", "engine_hours"])
@pytest.mark.parametrize("settings", ["", ALL, ALL + GROUP, COSTS, RULES], ids=range(5))
def test_any_study_gives_a_whole_plan(
    made_plan: MadePlan, by: list[str], clock: str, settings: str
) -> None:
    # Source: invariants of check_plan.
    check_plan(made_plan(settings, by=by, clock=clock))


@pytest.mark.parametrize(
    "log",
    [
        ["2022-03-04,V1,camera,front,planned,replaced"],
        ["2022-03-04,V1,camera,front,failed,replaced"],
        ["2022-03-04,V9,camera,front,failed,replaced"],
        [
            "2022-03-04,V1,camera,front,failed,replaced",
            "2022-03-04,V1,lead,chassis,failed,replaced",
        ],
    ],
)
def test_a_handful_of_rows_gives_a_whole_plan(made_plan: MadePlan, log: list[str]) -> None:
    # Source: invariants of check_plan.
    plan = made_plan(ALL, log=log)
    check_plan(plan)
    assert len(plan.row_classes[plan.row_classes["kind"] == "log"]) == len(log)


def test_without_settings_the_plan_says_what_is_missing(made_plan: MadePlan) -> None:
    # Source: own algebra.
    words = " ".join(made_plan().warnings)
    for missing in ("maximum was entered", "No services were entered", "No costs were entered"):
        assert missing in words


def test_one_study_gives_one_plan(made_plan: MadePlan) -> None:
    # Source: invariant: same study and files, same plan.
    check_equal(made_plan(ALL, folder="one"), made_plan(ALL, folder="two"))


def check_equal(one: Plan, other: Plan) -> None:
    for name in (item.name for item in fields(Plan)):
        mine, theirs = getattr(one, name), getattr(other, name)
        if isinstance(mine, pd.DataFrame):
            pd.testing.assert_frame_equal(mine, theirs, obj=name)
        elif not isinstance(mine, Study):
            assert mine == theirs, name


def test_the_demo_plans_alike_twice(demo_plans: dict[str, Plan]) -> None:
    # Source: invariant.
    study = relkit.read_study(DEMO / "clean" / "study.toml")
    said: list[str] = []
    check_equal(relkit.build_plan(study, progress=said.append), demo_plans["clean"])
    assert said[0] == "reading the log"
    assert len(said) >= 5


@pytest.mark.parametrize("name", ["clean", "dirty"])
def test_the_demo_gives_a_whole_plan(name: str, demo_plans: dict[str, Plan]) -> None:
    # Source: invariants of check_plan; 13 weeks are 91 days.
    plan = demo_plans[name]
    check_plan(plan)
    held = plan.visits[plan.visits["rule"] == "view test of reversing views"]
    assert len(held) > 3
    assert (held["interval_days"] <= 91 * (1 + 1e-9)).all()
    reverse = plan.due[(plan.due["location"] == "reverse") & plan.due["last_test"].notna()]
    latest = reverse["last_test"] + pd.Timedelta(weeks=13)
    assert len(reverse) > 20
    assert (reverse["due_on"] <= latest).all()


def rows_in(path: Path) -> int:
    """Rows below the header that are not blank, counted without relkit."""
    if path.suffix == ".xlsx":  # a title, a blank row and two header rows
        return int(pd.read_excel(path, header=None, dtype=str).iloc[4:].notna().any(axis=1).sum())
    lines = path.read_bytes().decode("latin-1").splitlines()
    return sum(bool(line.strip(" ;,")) for line in lines) - 1


@pytest.mark.parametrize("name", ["clean", "dirty"])
def test_rows_read_are_rows_used_and_rows_set_aside(name: str, demo_plans: dict[str, Plan]) -> None:
    # Source: rows counted from the files in this test.
    plan = demo_plans[name]
    logs = [path for path in (DEMO / name).iterdir() if path.name.startswith("log")]
    classes = plan.row_classes
    log = classes[classes["kind"] == "log"]
    assert len(log) == sum(rows_in(path) for path in logs)
    assert classes["source"].is_unique
    used = classes["row_class"] != "set aside"
    assert used.sum() + len(plan.set_aside) == len(classes)
    assert set(plan.set_aside["source"]) == set(classes.loc[~used, "source"])


def sources(texts: Iterable[str]) -> set[str]:
    return {source for text in texts for source in text.split("; ") if source}


@pytest.mark.parametrize("name", ["clean", "dirty"])
def test_each_life_leads_back_to_rows_of_the_files(name: str, demo_plans: dict[str, Plan]) -> None:
    # Source: row numbers as a person counts them, header row 1.
    plan = demo_plans[name]
    known = set(plan.row_classes["source"])
    opened, closed = (sources(plan.lives[column]) for column in ("opened_by", "closed_by"))
    assert opened
    assert closed
    assert opened | closed <= known
    failed = plan.lives[plan.lives["failed"]]
    assert (failed["closed_by"] != "").all()
    assert (plan.lives["opened_by"] != "").all()
    for source in opened | closed:
        file, row = source.rsplit(":", 1)
        assert (DEMO / name / file).is_file()
        assert int(row) >= 2


def test_vehicles_that_left_are_in_no_list_of_the_demo(demo_plans: dict[str, Plan]) -> None:
    # Source: the register of the demo, read here.
    plan = demo_plans["clean"]
    register = pd.read_csv(DEMO / "clean" / "register.csv")
    left = set(register.loc[register["vehicle_left_on"].notna(), "vehicle"])
    assert left
    assert not left & set(plan.due["vehicle"])
    fitted = plan.lives[plan.lives["ended_by"] == "still in service"]
    still = fitted[~fitted["vehicle"].isin(left)].groupby(["vehicle", "component", "location"])
    assert plan.spares["positions"].sum() >= still.ngroups
    assert plan.spares["positions"].sum() == plan.intervals["positions"].sum()


def test_intervals_are_positive_and_the_range_holds_the_best(demo_plans: dict[str, Plan]) -> None:
    # Source: own algebra.
    table = demo_plans["clean"].intervals
    best = table[table["best_interval"].notna() & table["interval_upper"].notna()]
    assert len(best) >= 5
    assert (best["best_interval"] >= best["interval_lower"] * (1 - 1e-9)).all()
    assert (best["best_interval"] <= best["interval_upper"] * (1 + 1e-9)).all()
    assert (table["interval"].dropna() > 0).all()
    assert np.isfinite(table["interval"].dropna()).all()
