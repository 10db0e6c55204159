"""The register as positions: double entries, import dates, and where job rows belong."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from relkit.errors import InputError
from relkit.lives.table import build_lives, life_tables


def job(**parts: Any) -> dict[str, Any]:
    usual = {"date": "2021-06-01", "vehicle": "A", "component": "camera", "location": "rear"}
    return {**usual, "finding": "failed", "action": "replaced", **parts}


def fitment(**parts: Any) -> dict[str, Any]:
    usual = {"vehicle": "A", "component": "camera", "location": "rear", "fitted_on": "2020-01-01"}
    return {**usual, **parts}


def reasons(tables: Any) -> dict[str, str]:
    return dict(zip(tables.set_aside["source"], tables.set_aside["reason"], strict=True))


def test_without_a_register_no_life_is_built(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: gaps between rows are not lives.
    with pytest.raises(InputError, match=r"no register of fitted items.*gaps between the rows"):
        build_lives(make_log(jobs=[job()]), make_study())


def test_rows_at_places_that_nobody_listed_are_set_aside(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: positions come from the list of what is fitted.
    jobs = [
        job(source="a", vehicle="Z"),
        job(source="b", component="display"),
        job(source="c", location=""),
        job(source="d", component="", location=""),
        job(source="e", component="", action="", finding="view dark"),
        job(source="f", component="display", location=""),
    ]
    fitments = [fitment(), fitment(location="front"), fitment(component="cable")]
    tables = life_tables(make_log(jobs=jobs, fitments=fitments), make_study())
    assert reasons(tables) == {
        "a": "unknown vehicle",
        "b": "position not fitted",
        "c": "location not named",
        "d": "component not named",
        "f": "position not fitted",
    }
    classes = tables.row_classes.set_index("source")["row_class"]
    assert classes["e"] == "recurrence"
    assert tables.set_aside["mend"].ne("").all()
    assert "vehicle=Z | component=camera" in tables.set_aside["original"].iloc[0]


@pytest.mark.parametrize(("in_log", "in_register"), [("", "in cab"), ("in cab", "")])
def test_blank_location_is_the_only_place(
    make_log: Any, make_study: Any, in_log: str, in_register: str
) -> None:
    # Source: the project's own rule.
    log = make_log(
        jobs=[job(component="display", location=in_log)],
        fitments=[fitment(component="display", location=in_register), fitment()],
    )
    tables = life_tables(log, make_study())
    assert tables.lives["failed"].sum() == 1
    assert tables.lives.loc[tables.lives["failed"], "location"].tolist() == [in_register]
    assert "location filled" in set(tables.findings["rule"])


def test_two_named_places_are_never_taken_for_each_other(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: only a blank is filled.
    log = make_log(jobs=[job(location="front")], fitments=[fitment()])
    tables = life_tables(log, make_study())
    assert reasons(tables) == {"jobs.csv:2": "position not fitted"}


def test_double_entries_are_set_aside(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule; two items cannot have come to one place on one day.
    fitments = [fitment(serial="S1"), fitment(serial="S1"), fitment(serial="S2")]
    tables = life_tables(make_log(jobs=[job()], fitments=fitments), make_study())
    assert reasons(tables) == {
        "register.csv:3": "duplicate",
        "register.csv:4": "same position twice",
    }
    classes = tables.row_classes.set_index("source")["row_class"]
    assert classes["register.csv:2"] == "register"
    assert classes["register.csv:3"] == "set aside"
    assert len(tables.lives) == 2


def test_date_of_the_import_is_no_date_of_fitting(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule; common practice: a pile of rows on the log's first day.
    fitments = []
    for number in range(12):
        name = f"V{number}"
        fitments.append(fitment(vehicle=name, fitted_on="2018-03-04"))
        fitments.append(fitment(vehicle=name, component="cable", fitted_on="2021-01-01"))
    jobs = [job(vehicle="V1", component="cable"), job(vehicle="V2")]
    tables = life_tables(make_log(jobs=jobs, fitments=fitments), make_study())
    assert set(tables.lives.loc[tables.lives["component"] == "cable", "vehicle"]) == {"V1"}
    found = tables.findings.set_index("rule")
    assert found.loc["import date", "rows"] == 12
    assert found.loc["unknown start", "rows"] == 12
    # four such vehicles are too few to doubt them
    few = life_tables(make_log(jobs=jobs, fitments=fitments[:8]), make_study())
    assert "import date" not in set(few.findings["rule"])


def test_new_fleet_on_the_first_day_keeps_its_dates(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: no vehicle carries an older item.
    fitments = [fitment(vehicle=f"V{k}", fitted_on="2021-01-01") for k in range(20)]
    lives = build_lives(make_log(jobs=[job(vehicle="V3")], fitments=fitments), make_study())
    assert len(lives) == 21
    assert (lives["entry"] == 0).all()


def test_place_that_a_job_fits_is_a_place_from_then_on(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule; days counted in a calendar.
    jobs = [
        job(date="2021-03-01", location="boom", finding="", action="fitted"),
        job(date="2021-03-31", location="boom"),
    ]
    log = make_log(jobs=jobs, fitments=[fitment(depot="north")])
    tables = life_tables(log, make_study())
    boom = tables.lives[tables.lives["location"] == "boom"]
    assert boom["age"].tolist() == [30.0, 641.0]
    assert boom["failed"].tolist() == [True, False]
    assert boom["depot"].tolist() == ["north", "north"]
    assert "position fitted later" in set(tables.findings["rule"])


def test_contradictions_in_dates_are_told(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    fitments = [
        fitment(vehicle_left_on="2022-03-01", removed_on="2019-01-01"),
        fitment(component="cable", vehicle_left_on="2022-02-01"),
    ]
    tables = life_tables(make_log(jobs=[job()], fitments=fitments), make_study())
    assert {"several leaving dates", "removed before fitted"} <= set(tables.findings["rule"])
    left = tables.lives[tables.lives["ended_by"] == "vehicle left fleet"]
    assert set(left["ended_on"].dt.date) == {date(2022, 2, 1)}


def test_covariates_come_along_and_never_replace_a_column(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    log = make_log(jobs=[job()], fitments=[fitment(model="M1", age=18)])
    tables = life_tables(log, make_study())
    assert tables.lives["model"].tolist() == ["M1", "M1"]
    assert tables.lives["register_age"].tolist() == [18, 18]
    assert tables.lives["age"].max() > 500
    assert "covariate renamed" in set(tables.findings["rule"])
