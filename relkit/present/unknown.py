"""What the log cannot tell, and the record that would cure it, in plain words.

Layer: present. Chooses and words what a plan's findings and rows set aside already say.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from relkit.plan.result import Plan
from relkit.present.wording import listed, plural, sentence

__all__ = ["NOTHING_LOST", "Unknown", "item_names", "unknowns"]

_MOST_FINDINGS = 6  #: how many findings stand among the unknowns; all are in the findings table

#: Reasons for setting a row aside that lose no knowledge.
NOTHING_LOST = (
    "duplicate",
    "superseded by a newer export",
    "not a job",
    "after the window",
    "outside boundary",
)

#: Rule of a finding -> the record that would cure it.
_CURES = {
    "unknown start": "The date on which each item was fitted, in the register.",
    "default date": "The true date of fitting in place of the default one.",
    "import date": "The true dates of fitting in place of the date on which the log was set up.",
    "several replaced, cause unknown": (
        "On each job: which of the replaced items had failed, or a bench test of what came out."
    ),
    "no pass record": "Passed checks, not only failed ones, in the record of inspections.",
    "age estimated": "A meter reading on each job and at each service.",
    "meter stood still": "A meter reading from the meter itself on each job.",
    "meter exchanged": "The last reading of the old meter and the first of the new one.",
    "vehicle fell silent": "The date on which a vehicle left the fleet.",
    "position not fitted": "A register that lists each item that is fitted.",
    "before the item was fitted": "Dates of fitting that agree with the jobs.",
    "failure without a new item": "On each job: what was done about the failure.",
}


@dataclass(frozen=True, slots=True)
class Unknown:
    """Something the log cannot tell, and the record that would cure it."""

    what: str
    cure: str


def item_names(frame: pd.DataFrame, by: tuple[str, ...]) -> list[str]:
    """Return the name of each row's stratum: ``camera, spreader chute``."""
    keys = [frame[name].fillna("").astype(str).tolist() for name in by if name in frame.columns]
    return [", ".join(part for part in parts if part) for parts in zip(*keys, strict=True)]


def unknowns(plan: Plan) -> tuple[Unknown, ...]:
    """Return what the log cannot tell and what would cure it, what limits the plan first."""
    parts = [text.partition(" Mend: ") for text in plan.warnings]
    found = [Unknown(sentence(what), sentence(cure)) for what, _, cure in parts]
    table = plan.intervals.assign(name=item_names(plan.intervals, plan.study.by))
    few = table.loc[table["task"] == "too few failures to tell", "name"].tolist()
    if few:
        found.append(
            Unknown(
                f"Whether {listed(few, 8)} wear{'s' * (len(few) == 1)} out: too few failures.",
                "Time; and at each change the date of fitting and the serial number.",
            )
        )
    findings = _findings(plan)
    found += [
        Unknown(
            sentence(row["what"]), _CURES.get(row["rule"]) or sentence(f"for now: {row['done']}")
        )
        for row in findings.to_dict("records")
    ]
    return (*found, *_set_aside(plan, told=set(findings["rule"])))


def _findings(plan: Plan) -> pd.DataFrame:
    """Return findings that limit the plan, then those that a record could cure, most rows first."""
    table = plan.findings
    limits = table["severity"] == "limits"
    curable = (table["severity"] == "look") & table["rule"].isin(list(_CURES))
    chosen = table.assign(limits=limits)[limits | curable]
    return chosen.sort_values(["limits", "rows"], ascending=False, kind="stable").head(
        _MOST_FINDINGS
    )


def _set_aside(plan: Plan, told: set[str]) -> list[Unknown]:
    unsaid = plan.set_aside[~plan.set_aside["reason"].isin([*NOTHING_LOST, *told])]
    groups = unsaid.groupby("reason", sort=True).agg(
        rows=("source", "size"), mend=("mend", "first")
    )
    return [
        Unknown(f"{plural(row['rows'], 'row')} set aside: {reason}.", sentence(str(row["mend"])))
        for reason, row in groups.sort_values("rows", ascending=False, kind="stable").iterrows()
    ]
