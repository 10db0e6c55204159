"""Every row that was read ends in exactly one class."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from relkit.lives.table import life_tables

PLACE = {"vehicle": "A", "component": "camera", "location": "rear"}


def test_rows_of_every_kind_are_classed_once(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: rows in = rows classed.
    aside = {
        "source": "jobs.csv:99", "kind": "log", "reason": "duplicate", "column": "job",
        "value": "jobs.csv:2", "mend": "", "original": "",
    }  # fmt: skip
    log = make_log(
        jobs=[{"date": "2021-06-01", "finding": "failed", "action": "replaced", "reading": 600.0,
               **PLACE}],
        fitments=[
            {**PLACE, "fitted_on": "2021-01-01", "source": "machines.csv:2"},
            {**PLACE, "component": "cable", "fitted_on": "2021-01-01", "source": "machines.csv:2"},
        ],
        readings=[
            *({"vehicle": "A", "date": f"2021-{m:02d}-01", "reading": 120.0 * m,
               "source": f"readings.csv:{m}"} for m in range(1, 10) if m != 4),
            {"vehicle": "A", "date": "2021-04-01", "reading": 4800.0, "source": "readings.csv:4"},
            {"vehicle": "A", "date": "2021-04-01", "reading": 9.0, "counter": "km",
             "source": "readings.csv:4"},
            {"vehicle": "A", "date": "2021-06-01", "reading": 600.0, "source": "jobs.csv:2"},
        ],
        inspections=[{"vehicle": "A", "date": "2021-05-01"}],
        set_aside=[aside],
    )  # fmt: skip
    classes = life_tables(log, make_study()).row_classes
    assert list(classes.columns) == ["source", "kind", "row_class", "detail"]
    assert not classes.duplicated(["source", "kind"]).any()
    counts = classes.groupby(["kind", "row_class"]).size().to_dict()
    assert counts == {
        ("inspections", "inspection"): 1,
        ("log", "failure"): 1,
        ("log", "set aside"): 1,
        ("readings", "reading"): 9,
        ("register", "register"): 1,
    }
    detail = classes.set_index(["kind", "source"])["detail"]
    assert detail["log", "jobs.csv:99"] == "duplicate"
    assert detail["readings", "readings.csv:4"] == "meter typing error"


def test_file_read_as_log_and_as_readings_counts_for_both(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    log = make_log(
        jobs=[{"date": "2021-06-01", "finding": "failed", "action": "replaced", **PLACE}],
        fitments=[{**PLACE, "fitted_on": "2021-01-01"}],
        readings=[{"vehicle": "A", "date": "2021-06-01", "reading": 1.0, "source": "jobs.csv:2"}],
    )
    alone = life_tables(log, make_study()).row_classes
    assert (alone["source"] == "jobs.csv:2").sum() == 1
    log.files = pd.DataFrame({"file": ["jobs.csv"] * 2, "kind": ["log", "readings"]})
    both = life_tables(log, make_study()).row_classes
    assert both.loc[both["source"] == "jobs.csv:2", "kind"].tolist() == ["log", "readings"]


def test_row_counted_twice_is_a_fault_of_the_program(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    job = {"date": "2021-06-01", "finding": "failed", "action": "replaced", **PLACE}
    log = make_log(
        jobs=[{**job, "source": "jobs.csv:2"}, {**job, "source": "jobs.csv:2"}],
        fitments=[{**PLACE, "fitted_on": "2021-01-01"}],
    )
    with pytest.raises(RuntimeError, match="2 rows of the log were read and 1 have one class"):
        life_tables(log, make_study())


def test_rows_set_aside_can_be_read_back(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule: each with reason, mend and original text.
    job = {
        "date": "2023-02-01 10:30", "finding": "failed", "action": "replaced", "note": "so dark",
        "reading": 812.5, **PLACE,
    }  # fmt: skip
    log = make_log(jobs=[job], fitments=[{**PLACE, "fitted_on": "2021-01-01"}])
    tables = life_tables(log, make_study())
    line = tables.set_aside.iloc[0]
    assert (line["kind"], line["reason"]) == ("log", "after the window")
    assert line["original"] == (
        "date=2023-02-01 10:30:00 | vehicle=A | component=camera | location=rear | "
        "finding=failed | action=replaced | reading=812.5 | note=so dark"
    )
    found = tables.findings.set_index("rule").loc["after the window"]
    assert (found["rows"], found["severity"]) == (1, "information")
