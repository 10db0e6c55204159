"""Findings: a register of failures only, and what every build of lives tells."""

from __future__ import annotations

from typing import Any

import pytest

from relkit.lives.table import life_tables
from relkit.logbook.findings import COLUMNS


def fleet(make_log: Any, failures: list[int], *, places: tuple[str, ...] = ("rear",)) -> Any:
    """Return one vehicle for each number of failures, which all its places have."""
    jobs, fitments = [], []
    for number, count in enumerate(failures):
        for place in places:
            where = {"vehicle": f"V{number}", "component": "camera", "location": place}
            fitments.append({**where, "fitted_on": "2020-12-01"})
            jobs += [
                {"date": f"2021-{k + 2:02d}-01", "finding": "failed", "action": "replaced", **where}
                for k in range(count)
            ]
    return make_log(jobs=jobs, fitments=fitments)


@pytest.mark.parametrize(
    ("failures", "rule"),
    [
        ([1] * 20, "only failed vehicles"),  # (1 - exp(-1)) ** 20 = 1e-4
        ([1, 2] * 10, "only failed vehicles"),  # (1 - exp(-1.5)) ** 20 = 0.006
        ([8] * 20, None),  # 0.993: so many failures leave nobody out
        ([1] * 9, None),  # too few vehicles to tell
        ([1] * 19 + [0], None),  # one vehicle never failed
    ],
)
def test_register_of_failures_only_is_told(
    make_log: Any, make_study: Any, failures: list[int], rule: str | None
) -> None:
    # Source: own algebra, Poisson numbers of failures.
    warn = {"problems": {"only_failed": "warn"}}
    findings = life_tables(fleet(make_log, failures), make_study(treatments=warn)).findings
    limits = findings.loc[findings["severity"] == "limits", "rule"].tolist()
    assert limits == ([rule] if rule else [])
    if rule:
        assert findings["rule"].iloc[0] == rule  # what limits the answers stands first


def test_list_of_failed_positions_is_told(make_log: Any, make_study: Any) -> None:
    # Source: own algebra: 3 vehicles are too few, 12 positions each failed once are not.
    log = fleet(make_log, [1, 1, 1], places=("a", "b", "c", "d"))
    findings = life_tables(log, make_study()).findings
    assert findings.loc[findings["severity"] == "limits", "rule"].tolist() == [
        "only failed positions"
    ]


def test_findings_keep_those_of_the_log(make_log: Any, make_study: Any) -> None:
    # Source: the project's own rule.
    log = fleet(make_log, [1, 0])
    log.findings.loc[0] = ["spellings", "Words differ", 3, "a.csv:2", "Taken as one", "look"]
    findings = life_tables(log, make_study()).findings
    assert list(findings.columns) == list(COLUMNS)
    assert {"spellings", "late entry", "observation window"} <= set(findings["rule"])
    assert findings["severity"].isin(["limits", "look", "information"]).all()
    texts = findings[["what", "done"]].to_numpy().ravel()
    assert all(text and not text.endswith(".") for text in texts)


def test_progress_is_told(make_log: Any, make_study: Any) -> None:
    # Source: common practice.
    stages: list[str] = []
    life_tables(fleet(make_log, [1]), make_study(), progress=stages.append)
    assert stages == [
        "reading the register",
        "building histories of positions",
        "cleaning meter readings",
        "building lives",
    ]
