"""CSV files: all of the plan, safe in a spreadsheet, exact for programs."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.plan.result import Plan
from relkit.present.cautions import CAUTIONS
from relkit.present.csv_files import TABLES, safe_text, write_tables


def test_tables_read_back_equal(plan: Plan, tmp_path: Path) -> None:
    # Source: the made plan, read back by pandas.
    paths = write_tables(plan, tmp_path / "tables")
    made = [name for name in TABLES if len(getattr(plan, name).columns)]
    assert [path.stem for path in paths] == ["about", *made]
    for name in ("intervals", "curves", "spares"):
        back = pd.read_csv(
            tmp_path / "tables" / f"{name}.csv", keep_default_na=False, na_values=[""]
        )
        table = getattr(plan, name).reset_index(drop=True)
        words = table.select_dtypes("object").columns
        table = table.assign(**{word: table[word].replace("", float("nan")) for word in words})
        pd.testing.assert_frame_equal(back, table, check_dtype=False, rtol=1e-15)


def test_about_says_what_the_tables_are(plan: Plan, tmp_path: Path) -> None:
    # Source: log period, grade, version, seed and safety lines belong to every output.
    about = pd.read_csv(write_tables(plan, tmp_path)[0]).set_index("what")["text"]
    assert about["Log period"] == "1 Jan 2021 to 30 Jun 2025"
    assert about["Clock"].endswith("in engine_hours")
    assert {f"Caution: {caution.heading}" for caution in CAUTIONS} <= set(about.index)


def test_no_cell_starts_a_formula(hostile: Plan, tmp_path: Path) -> None:
    # Source: common practice: = + - @ and tab start a formula in spreadsheets.
    for path in write_tables(hostile, tmp_path):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        for name in table.select_dtypes("object"):
            plain = pd.to_numeric(table[name], errors="coerce").isna()
            risky = table[name].str.match(r"^ *[=+\-@\t\r].", flags=0) & plain
            assert not risky.any(), (path.name, name, table.loc[risky, name].tolist()[:2])
    due = pd.read_csv(tmp_path / "due.csv")
    assert due["vehicle"][0] == "'@SUM(A1)"
    assert due["due_in"][0] < 0


@given(st.text())
def test_guarded_texts_keep_their_words(text: str) -> None:
    # Source: own algebra: at most one apostrophe is added, in front.
    safe = safe_text(text)
    assert safe in (text, f"'{text}")
    assert safe_text(safe) == safe


@pytest.mark.parametrize(
    "text", ["=1+1", "+44", "-in cab", "@SUM(A1)", "\t=cmd", " =1", "\uff1dA1"]
)
def test_formula_signs_are_guarded(text: str) -> None:
    # Source: common practice.
    assert safe_text(text) == f"'{text}"


def test_a_lone_dash_is_no_formula() -> None:
    # Source: common practice: a dash stands for nothing in many logs.
    assert safe_text("-") == "-"
