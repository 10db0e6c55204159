"""Questions whose answer the demo's truth implies: the stated range contains it.

The truth of each side is simulated by truth.py from truth.csv: it shares the positions, their
present ages and their tasks with the comparison, and nothing else.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from relkit.decisions.renewal import renewals
from relkit.plan.parts import PlanParts
from tests.whatif.question_coverage import answered
from tests.whatif.truth import histories, read_truth

REFERENCES = Path(__file__).parents[1] / "references"


def test_the_simulation_of_the_truth_agrees_with_the_renewal_function() -> None:
    # Source: relkit.decisions.renewal, tested there against closed forms; 4 standard errors.
    count = 200
    items = pd.DataFrame(
        {
            **{"shape": [2.2] * count, "scale": 2100.0, "next_shape": 2.2, "next_scale": 2100.0},
            **{"age": np.linspace(0.0, 3000.0, count), "rate": 4.0, "count": 1.0},
            **{
                "task": "run to failure",
                "interval": np.nan,
                "first_planned": np.nan,
                "spacing": 0.0,
            },
            **{"hidden": False, "reported_per_day": 0.0},
        }
    )
    found = histories(items, 365.25)["failures"]
    each = renewals(1461.0, scale=2100.0, shape=2.2, age=items["age"].to_numpy()).expected
    assert found == pytest.approx(each.sum(), abs=4 * np.sqrt(each.sum() / 400))


@pytest.mark.slow
def test_eight_ranges_contain_what_the_truth_implies(clean: PlanParts) -> None:
    # Source: truth of the demo. Ten questions are asked; a range of 90 % misses one in ten.
    table = answered(clean, read_truth(clean.study.folder))
    assert len(table) == 10
    assert table["inside"].sum() >= 8, table.round(1).to_string()


@pytest.mark.slow
def test_eight_ranges_hold_on_the_dirty_log_too(dirty: PlanParts) -> None:
    # Source: as above; causes are masked and dates are missing in this log.
    table = answered(dirty, read_truth(dirty.study.folder))
    assert table["inside"].sum() >= 8, table.round(1).to_string()


def test_ranges_hold_over_other_demos() -> None:
    # Source: tests/whatif/question_coverage.py, 16 demos; 90 % is what a range states. The demo
    # has what the study does not part (a bad batch, training): over 75 % is asked for.
    table = pd.read_csv(REFERENCES / "question_coverage.csv")
    assert table["inside"].sum() / table["demos"].sum() > 0.75
    assert (table["median_bias"].abs() < 0.3).all()
