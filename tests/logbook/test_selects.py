"""Queries of a study: one SELECT in a stable order; all else is refused before it is sent."""

from __future__ import annotations

import pytest

from relkit.errors import StudyError
from relkit.logbook.selects import checked_select


@pytest.mark.parametrize(
    "query",
    [
        "select a, b from jobs order by id",
        "SELECT a FROM jobs WHERE note = 'drop it' ORDER BY id;\n",
        "with x as (select 1 as a) select a from x order by a",
        "(select a from t) union all (select a from u) order by 1",
        "select \"update\", t.set, replace(note, 'a', 'b') from t -- insert later\norder by id",
        "select $q$delete from jobs$q$ as a order by 1",
        r"select E'it\'s' as a order by 1",
    ],
)
def test_one_select_with_an_order_is_taken(query: str) -> None:
    # Source: common practice.
    assert checked_select(query, path="s", label="jobs") == query.strip().rstrip(";")


@pytest.mark.parametrize(
    ("query", "message"),
    [
        ("", "is blank"),
        ("-- only a comment", "is blank"),
        ("delete from jobs", 'begins with "delete", not with SELECT'),
        ("copy jobs to program 'sh'", 'begins with "copy"'),
        ("attach 'other.db' as o", 'begins with "attach"'),
        ("explain analyze delete from jobs", 'begins with "explain"'),
        ("select 1; drop table jobs", "holds a semicolon within"),
        ("select ';' from jobs order by 1", "holds a semicolon within"),
        ("with x as (delete from jobs returning *) select * from x order by 1", '"delete"'),
        ("select * into copy_of from jobs order by 1", '"into"'),
        ("select * from jobs order by 1 for update", '"update"'),
        ("select * from jobs", "does not say in which order"),
        ("select row_number() over (order by id) from jobs", "does not say in which order"),
        ("select 'order by id' from jobs", "does not say in which order"),
    ],
)
def test_anything_else_is_refused_with_the_mend(query: str, message: str) -> None:
    # Source: common practice: what reads a log must not be able to change it.
    with pytest.raises(StudyError, match=message) as caught:
        checked_select(query, path="study.toml", label="jobs")
    assert caught.value.mend
