"""Bad batches: which serial prefix or time of fitting fails more often, and where it still is.

Layer: plan. Screens of relkit.survival in, rows of what the log shows out.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from relkit.plan.noticed_rows import (
    FOUND,
    NOT_FOUND,
    NOT_LOOKED,
    answer,
    counted,
    figure,
    limits_text,
    some,
    sources,
    strict,
)
from relkit.survival.screen_tables import batch_screen, fitted_half_year, serial_prefix
from relkit.survival.subgroups import subgroup_tests

__all__ = ["BATCH", "batch_items", "batches", "labelled"]

BATCH = "bad batch"
_PREFIX, _HALF = "serial prefix", "fitted in"
#: Share of a component's lives with a serial prefix from which the prefix makes its batches.
_ENOUGH = 0.5
#: Labels times failures that are looked at in one plan; a larger log is screened in part.
_MOST_WORK = 4e6


def labelled(lives: pd.DataFrame) -> pd.DataFrame:
    """Lives with ``base`` (component without type), ``label`` and ``labelled_by``.

    Components whose serials are mostly known are labelled by serial prefix, the others by the
    half-year in which the item was fitted.
    """
    base = lives["component"].astype(str).str.split(",").str[0].str.strip()
    prefix = serial_prefix(lives["serial"])
    known = prefix.ne("").groupby(base).transform("mean") >= _ENOUGH
    label = prefix.where(known, fitted_half_year(lives["fitted_on"]))
    return lives.assign(base=base, label=label, labelled_by=np.where(known, _PREFIX, _HALF))


def batches(lives: pd.DataFrame, level: float) -> tuple[list[dict[str, Any]], pd.DataFrame]:
    """Rows for the labels of all components, and the items of bad batches still in service."""
    lives = labelled(lives)
    rows: list[dict[str, Any]] = []
    bad: list[pd.DataFrame] = []
    for by_what in (_PREFIX, _HALF):
        own = lives[lives["labelled_by"].eq(by_what)]
        own, left_out = _within_reach(own)
        if own["failed"].sum() == 0:
            continue
        screen = batch_screen(own, "label", confidence_level=level)
        if by_what == _HALF:  # nobody suspects a half-year: it takes more to be believed
            sure = screen["p_value_adjusted"] < 1 - strict(level)
            screen["finding"] = screen["finding"].mask(
                screen["finding"].eq("fails more often") & ~sure, "nothing found"
            )
        rows += [_row(record, own, by_what) for record in screen.to_dict("records")][:200]
        if left_out:
            rows.append(_not_looked(left_out))
        found = screen[screen["finding"].eq("fails more often")]
        bad.append(own.merge(found[["component", "label"]], on=["component", "label"]))
    rows = _merged_small(rows)
    return rows, batch_items(pd.concat(bad) if bad else lives.iloc[:0])


def batch_items(bad: pd.DataFrame) -> pd.DataFrame:
    """Items of bad batches that are still in service: what to recall, and where it is."""
    going = bad[bad["ended_by"].eq("still in service")]
    names = ["component", "label", "vehicle", "location", "serial", "fitted_on", "age", "opened_by"]
    order = ["component", "label", "location", "vehicle"]
    return going[names].sort_values(order, kind="stable").reset_index(drop=True)


def _within_reach(own: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Lives whose labels can be screened in reasonable time, largest first; labels left out."""
    sizes = own[own["label"].ne("")].groupby(["component", "label"]).size()
    sizes = sizes.sort_values(ascending=False, kind="stable")
    most = int(max(_MOST_WORK / max(float(own["failed"].sum()), 1.0), 5))
    if len(sizes) <= most:
        return own, 0
    keys = pd.MultiIndex.from_frame(own[["component", "label"]])
    kept = keys.isin(sizes.index[:most])
    return own.assign(label=own["label"].where(kept, "")), len(sizes) - most


def _not_looked(number: int) -> dict[str, Any]:
    note = (
        f"{counted(number, 'smaller batch', 'smaller batches')} were not compared: the log is so "
        "large that only the largest batches are looked at."
    )
    return answer(BATCH, NOT_LOOKED, "log too large", note, group="smaller batches")


def _merged_small(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Batches too small to be tested become one row for each component."""
    kept = [row for row in rows if row["verdict"] != "too few failures to tell"]
    small = [row for row in rows if row["verdict"] == "too few failures to tell"]
    for component in dict.fromkeys(row["component"] for row in small):
        own = [row for row in small if row["component"] == component]
        labels = [str(row["group"]) for row in own]
        note = (
            f"{component}: {counted(len(own), 'batch', 'batches')} with too few failures expected "
            f"to tell anything ({some(labels, 6)})."
        )
        kept.append(
            answer(
                BATCH, NOT_LOOKED, "too few failures to tell", _capital(note), component=component,
                group=counted(len(own), "small batch", "small batches"),
                lives=sum(row["lives"] for row in own),
                failures=sum(row["failures"] for row in own),
            )
        )  # fmt: skip
    return kept


def _row(record: Mapping[Hashable, Any], lives: pd.DataFrame, by_what: str) -> dict[str, Any]:
    component, label = str(record["component"]), str(record["label"])
    group = f"{by_what} {label}"
    common = {
        "component": component, "group": group, "lives": record["lives"],
        "failures": record["failures"], "measure": "failure rate against the others",
        "estimate": record["hazard_ratio"], "lower": record["hazard_ratio_lower"],
        "upper": record["hazard_ratio_upper"], "unit": "times",
        "p_value": record["p_value_adjusted"],
    }  # fmt: skip
    if record["finding"] == "not tested":
        note = f"{component}, {group}: too few failures are expected to tell."
        return answer(BATCH, NOT_LOOKED, "too few failures to tell", _capital(note), **common)
    counts = (
        f"{counted(record['failures'], 'failure')} where {figure(record['expected'])} would be "
        "expected at equal age and place"
    )
    if record["finding"] != "fails more often":
        note = f"{component}, {group}: {counts}: no sign of a bad batch."
        return answer(BATCH, NOT_FOUND, "like the others", _capital(note), **common)
    own = lives[lives["component"].eq(component) & lives["label"].eq(label)]
    note = (
        f"{component}, {group}: fails more often than others of its kind, {counts} "
        f"({figure(record['hazard_ratio'])} times the rate on average over the places, "
        f"{limits_text(record['hazard_ratio_lower'], record['hazard_ratio_upper'])}). "
        f"{_worst_places(lives[lives['component'].eq(component)], label)}{_out_there(own)}"
    )
    failed = own[own["failed"].astype(bool)]
    return answer(
        BATCH, FOUND, "bad batch: fails more often", _capital(note), **common,
        rows=sources(failed["closed_by"]),
    )  # fmt: skip


def _worst_places(lives: pd.DataFrame, label: str) -> str:
    """Where the batch stands out most: a mean over places hides a batch bad in mild ones."""
    places, names = pd.factorize(lives["location"], sort=True)
    found = subgroup_tests(
        lives["age"], lives["failed"], np.where(lives["label"].eq(label), places, -1),
        entry=lives["entry"], stratum=places, fewest_expected=1e12,
    )  # fmt: skip
    excess = found.observed - found.expected
    worst = [i for i in np.argsort(-excess)[:3] if excess[i] >= 1]
    if not worst:
        return ""
    parts = [
        f"{names[i] or 'no stated place'} ({found.observed[i]:.0f} where "
        f"{figure(found.expected[i])} expected)"
        for i in worst
    ]
    return f"It stands out most at {some(parts)}. "


def _out_there(own: pd.DataFrame) -> str:
    going = own[own["ended_by"].eq("still in service")]
    if going.empty:
        return "None of them is in service any more."
    places = going["location"].value_counts()
    where = some([f"{number} at {place or 'no stated place'}" for place, number in places.items()])
    vehicles = some(sorted(going["vehicle"].astype(str).unique()), 15)
    return (
        f"{counted(len(going), 'item')} of {len(own):,} still in service: {where}; on {vehicles}."
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
