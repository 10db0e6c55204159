"""How often the made-up fleet's planted findings are found, and anything where none is planted.

Run as a script it writes ``tests/references/demo_findings.csv`` (some ten minutes on one core);
``test_demo_findings.py`` measures a part of it again. Seeds of the table were used for nothing
else: the screens were worked out on seeds 1001 to 1120.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import pandas as pd

from relkit.demo.write import write_clean_demo, write_dirty_demo
from relkit.lives.table import life_tables
from relkit.logbook.read import read_log
from relkit.plan.evidence import with_places
from relkit.plan.noticed_batches import BATCH, batches
from relkit.plan.noticed_events import CAMPAIGN, COMMON_CAUSE, campaigns, common_causes
from relkit.plan.noticed_fixes import FIX, fixes
from relkit.plan.noticed_repairs import (
    REPAIRS,
    RETURNS,
    VEHICLES,
    early_age,
    failing_vehicles,
    repairs,
    returns,
)
from relkit.study.read import read_study

TABLE = Path(__file__).parents[1] / "references" / "demo_findings.csv"
FIRST_SEED = 4001
LOGS = {"clean": 60, "dirty": 40, "plain": 60}

#: Question -> words by which its planted group is known in a row that was found.
PLANTED = {
    BATCH: ("group", "M3"),
    REPAIRS: ("component", "re-made joint"),
    FIX: ("verdict", "fewer failures since"),
    CAMPAIGN: ("verdict", "retrofit"),
    COMMON_CAUSE: ("component", "cable"),
    RETURNS: ("group", "joint re-made"),
}
#: Found rows that are true although not planted as a finding: the old switcher is the worse one.
#: some cameras were changed in time while the batch was in store.
TRUE_BESIDES = {(REPAIRS, "switcher, old type"), (CAMPAIGN, "camera")}


def found_rows(log: str, seed: int) -> list[dict[str, object]]:
    """Rows that were found in one log: "clean" and "dirty" are planted, "plain" is not."""
    with tempfile.TemporaryDirectory() as folder:
        if log == "dirty":
            path = write_dirty_demo(folder, seed=seed)
        else:
            path = write_clean_demo(folder, seed=seed, extras=log == "clean")
        study = read_study(path)
        read = read_log(study)
    tables = life_tables(read, study)
    lives, level = with_places(tables.lives, study), study.decision.confidence_level
    start = pd.Timestamp(tables.observed_from)
    rows = [
        *batches(lives, level)[0],
        *repairs(lives, early_age(study, ()), study),
        *fixes(lives, study, tables.meters, start),
        *campaigns(lives, study),
        *common_causes(read.jobs, lives, level),
        *returns(read.jobs, study, pd.Timestamp(tables.observed_until)),
        *failing_vehicles(lives, level),
    ]
    found = [row for row in rows if row["finding"] == "found"]
    fix = [row for row in rows if row["question"] == FIX]
    return found + [row | {"question": "estimate of the fix", "finding": ""} for row in fix]


def verdicts_of(rows: list[dict[str, object]]) -> set[str]:
    """Return what a log shows: questions with the planted group found, and "other: question"."""
    told = set()
    for row in rows:
        question = str(row["question"])
        if question == "estimate of the fix":
            if float(str(row["estimate"])) < 1:
                told.add("estimate of the fix below 1")
            if float(str(row["lower"])) < 0.39 < float(str(row["upper"])):
                told.add("limits of the fix hold 0.39")
            continue
        column, word = PLANTED.get(question, ("group", "nothing"))
        if word in str(row[column]):
            told.add(question)
        elif (question, row["component"]) not in TRUE_BESIDES:
            told.add(f"other: {question}")
    return told


def counts(log: str, seeds: range) -> Counter[str]:
    """Return the number of logs that show each thing, and "anything" for logs that show any."""
    total: Counter[str] = Counter()
    for seed in seeds:
        told = verdicts_of(found_rows(log, seed))
        total.update(told)
        total["anything"] += any(not word.startswith(("estimate", "limits")) for word in told)
    return total


def main() -> None:
    """Measure all logs and write the table."""
    names = [*PLANTED, "estimate of the fix below 1", "limits of the fix hold 0.39"]
    names += [f"other: {name}" for name in (*PLANTED, VEHICLES)] + ["anything"]
    lines = ["log,what,found,logs,first_seed"]
    for log, number in LOGS.items():
        total = counts(log, range(FIRST_SEED, FIRST_SEED + number))
        lines += [f"{log},{name},{total[name]},{number},{FIRST_SEED}" for name in names]
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
