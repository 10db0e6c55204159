"""How often the range of a what-if contains what the demo's truth implies, over many demos.

PYTHONPATH=. python tests/whatif/question_coverage.py writes tests/references/question_coverage.csv.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from relkit.demo.write import write_clean_demo
from relkit.errors import StudyError
from relkit.logbook.read import read_log
from relkit.plan.parts import PlanParts, parts_of
from relkit.study.read import read_study
from relkit.whatif.comparison import Compared, compared, limits
from relkit.whatif.questions_fleet import kept_longer, larger_fleet
from relkit.whatif.questions_items import batch_replaced, better_item, moved_item, random_failures
from relkit.whatif.questions_work import (
    drivers_report,
    more_frequent_tests,
    tighter_target,
    winter_downtime,
)
from relkit.whatif.scenario import Scenario
from tests.whatif.truth import as_place, implied, read_truth, true_laws

FOLDER = Path(__file__).parents[1] / "references"
SEEDS = range(2, 18)
PLACE, HIGH = "suction mouth", "rear high"


@dataclass(frozen=True)
class Asked:
    """One question with the measure that answers it and what is true on its other side."""

    number: int
    measure: str
    scenario: Callable[[PlanParts], Scenario]
    longer: float = 1.0
    moved: bool = False


ASKED = (
    Asked(1, "dark_time", lambda parts: more_frequent_tests(parts)[0]),
    Asked(2, "cost", lambda parts: winter_downtime(parts)[0]),
    Asked(3, "dark_time", lambda parts: drivers_report(parts)[0]),
    Asked(
        4,
        "yearly_cost",
        lambda parts: better_item(parts, component="camera", location=PLACE)[0],
        longer=1.6,
    ),
    Asked(
        5,
        "failures",
        lambda parts: moved_item(parts, component="camera", location=PLACE, to=HIGH)[0],
        moved=True,
    ),
    Asked(6, "failures", lambda parts: batch_replaced(parts)[0]),
    Asked(8, "failures", lambda parts: larger_fleet(parts)[1]),
    Asked(9, "failures", lambda parts: kept_longer(parts)[0]),
    Asked(13, "failures", lambda parts: random_failures(parts)[1]),
    Asked(21, "dark_time", lambda parts: tighter_target(parts)[0]),
)


def answered(parts: PlanParts, truth: pd.DataFrame) -> pd.DataFrame:
    """One row per question: what the truth implies, and the difference with its range."""
    rows = []
    for asked in ASKED:
        try:
            scenario = asked.scenario(parts)
        except StudyError:  # in some demos no batch stands out
            continue
        cell = compared(parts, scenario)
        change = limits(cell.draws_then[asked.measure] - cell.draws_today[asked.measure])
        true = _true(asked, cell, truth)
        inside = change["lower"] <= true <= change["upper"]
        rows.append({"question": asked.number, "truth": true, **change, "inside": inside})
    return pd.DataFrame(rows)


def _true(asked: Asked, cell: Compared, truth: pd.DataFrame) -> float:
    sides = [true_laws(side.items, truth) for side in (cell.before, cell.after)]
    if asked.moved:
        sides[1] = as_place(sides[1], truth, "camera", HIGH)
    return implied(sides, cell.after.horizon_days, asked.measure, asked.longer)


def main() -> None:
    """Answer the questions on the clean logs of many demos and write the summary."""
    tables = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in SEEDS:
            path = write_clean_demo(Path(folder) / str(seed), seed=seed)
            study = read_study(path)
            truth = read_truth(path.parent)
            tables.append(answered(parts_of(read_log(study), study), truth).assign(seed=seed))
    whole = pd.concat(tables)
    bias = (whole["difference"] - whole["truth"]) / whole["truth"].abs()
    summary = (
        whole.assign(bias=bias)
        .groupby("question")
        .agg(demos=("inside", "size"), inside=("inside", "sum"), median_bias=("bias", "median"))
    )
    summary.round(3).to_csv(FOLDER / "question_coverage.csv")


if __name__ == "__main__":
    main()
