"""Planted findings are found unaided in the made-up fleet, and little where none is planted.

The table is that of ``demo_findings.py``, on seeds used for nothing else; a part is measured
again here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.plan.demo_findings import FIRST_SEED, PLANTED, TABLE, counts
from tests.plan.fix_power import power

REFERENCES = Path(__file__).parents[1] / "references"


@pytest.fixture(scope="module")
def shares() -> pd.Series:
    table = pd.read_csv(TABLE)
    return table.assign(share=table["found"] / table["logs"]).set_index(["log", "what"])["share"]


def test_planted_findings_are_found_in_nine_of_ten_logs(shares: pd.Series) -> None:
    # Source: the scenario's bar, 18 of 20 seeds. Cables that short are planted in the dirty log
    # only; the effect of the fix misses the bar, see below.
    for what in ("bad batch", "do repairs hold", "campaign or retrofit"):
        assert shares["clean", what] >= 0.9
    for what in ("do repairs hold", "campaign or retrofit", "common cause"):
        assert shares["dirty", what] >= 0.9


def test_effect_of_the_fix_misses_the_bar_as_any_test_must(shares: pd.Series) -> None:
    # Source: fix_power.csv; a test that knows both true laws sees the training in fewer than
    # 18 of 20 fleets too, one-sided at 10 %. The estimate points the right way in nine of ten.
    best = pd.read_csv(REFERENCES / "fix_power.csv").set_index("works")
    assert best.loc[True, "best_at_10"] < 0.9
    assert shares["clean", "did a fix work"] > 0.5
    assert shares["clean", "estimate of the fix below 1"] >= 0.9
    assert shares["clean", "limits of the fix hold 0.39"] >= 0.85


def test_table_of_the_best_possible_test_is_measured_again() -> None:
    # Binomial: four of the fleets, 20 times each, have a standard error of 5 %, and fleets differ
    # by some 10 %: bounds are three of both taken together.
    best = pd.read_csv(REFERENCES / "fix_power.csv").set_index("works")
    again = power(range(1001, 1005), 20, 300, np.random.default_rng(3)).set_index("works")
    for column in ("best_at_10", "ours_at_10"):
        assert again.loc[True, column] == pytest.approx(best.loc[True, column], abs=0.33)
        assert again.loc[False, column] < 0.3


def test_nothing_is_found_in_nine_of_ten_plain_logs(shares: pd.Series) -> None:
    # Source: the scenario's bar: nothing in 18 of 20 logs where none is planted.
    assert shares["plain", "anything"] <= 0.1


def test_table_is_that_of_the_present_screens() -> None:
    # Source: the table's first seeds, measured again: a changed screen shows in a few logs.
    table = pd.read_csv(TABLE).set_index(["log", "what"])["found"]
    again = counts("clean", range(FIRST_SEED, FIRST_SEED + 3))
    for what in PLANTED:
        missed = 3 - again[what]
        assert missed <= 60 - table["clean", what]
    assert (
        counts("plain", range(FIRST_SEED, FIRST_SEED + 3))["anything"] <= table["plain", "anything"]
    )
