"""Did a fix work: before and after its day at equal age, with controls and the treated's past.

Layer: plan. Fixes are named in the study; screens of relkit.survival in, rows and curves out.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from relkit.lives.instants import as_instant, instants
from relkit.lives.meters import Meters, meter_values
from relkit.plan.noticed_rows import (
    FOUND,
    NOT_FOUND,
    NOT_LOOKED,
    answer,
    counted,
    figure,
    limits_text,
    sources,
)
from relkit.study.fix_settings import FixSettings
from relkit.study.settings import Study
from relkit.survival.effect_tables import ages_on, fix_effect, treated_past
from relkit.units import clock_symbol

__all__ = ["FIX", "FIX_RULE", "concerned", "fixes"]

FIX = "did a fix work"
#: One-sided level at which fewer failures are called found.
_LEVEL = 0.10
#: How a fix is judged, in words.
FIX_RULE = (
    "A fix is said to have helped where the failure rate after it is lower at equal age and so "
    "large a fall would come by chance in fewer than one of ten fleets (one-sided). The limits "
    "beside it are two-sided at the study's confidence level, so they may still hold 1."
)


def concerned(lives: pd.DataFrame, fix: FixSettings) -> pd.DataFrame:
    """Lives that a fix concerns, with ``treated``: True where ``where`` fits, else a control."""
    own = pd.Series(True, index=lives.index)
    if fix.component is not None:
        base = lives["component"].astype(str).str.split(",").str[0].str.strip()
        own &= lives["component"].eq(fix.component) | base.eq(fix.component)
    if fix.location is not None:
        own &= lives["location"].eq(fix.location) | lives["stratum_location"].eq(fix.location)
    treated = pd.Series(True, index=lives.index)
    for name, values in fix.where.items():
        if name not in lives:
            raise KeyError(name)
        treated &= lives[name].astype(str).isin(values)
    return lives.assign(treated=treated)[own]


def fixes(lives: pd.DataFrame, study: Study, meters: Meters, observed_from: pd.Timestamp) -> list[
    dict[str, Any]
]:  # fmt: skip
    """Rows for each fix of the study; one that says so where the study names none."""
    if not study.fixes:
        note = (
            "The study names no fix, so none was judged. Name it with its day under [[fixes]] in "
            "the study file."
        )
        return [answer(FIX, NOT_LOOKED, "no fix is named", note)]
    return [_fix_row(lives, fix, study, meters, observed_from) for fix in study.fixes]


def _fix_row(
    lives: pd.DataFrame, fix: FixSettings, study: Study, meters: Meters, start: pd.Timestamp
) -> dict[str, Any]:
    group = f"{fix.name} ({fix.date:%Y-%m-%d})"
    try:
        own = concerned(lives, fix)
    except KeyError as missing:
        note = f'{fix.name}: the lives have no column "{missing.args[0]}" named under where.'
        return answer(FIX, NOT_LOOKED, "a column is missing", note, group=group)
    day = pd.Timestamp(fix.date)
    if own.empty or not own["treated"].any():
        note = f"{fix.name}: no life in the log is of the kind that it concerns."
        return answer(FIX, NOT_LOOKED, "nothing of its kind", note, group=group)
    own = own.assign(age_on=_ages(own, day, study, meters, start))
    controls = bool((~own["treated"]).any())
    # items of a day on are few: their places are not told apart
    by = ["component"] if fix.scope == "items fitted since" else ["component", "location"]
    table = fix_effect(
        own, day, by, scope=fix.scope, treated="treated" if controls else None, age_at="age_on",
        confidence_level=study.decision.confidence_level,
    )  # fmt: skip
    return _judged(own, fix, group, table, _past(own, day, controls, study), study)


def _ages(
    own: pd.DataFrame, day: pd.Timestamp, study: Study, meters: Meters, start: pd.Timestamp
) -> np.ndarray:
    """Age of each item on a day: from the meters where the clock is a counter."""
    line = ages_on(own, day, observed_from=start)
    if study.clock == "days":
        return line.to_numpy(np.float64)
    vehicles = own["vehicle"].to_numpy(object)
    at = np.full(len(own), as_instant(day.to_pydatetime()), dtype=np.int64)
    now, _ = meter_values(meters, vehicles, at, counter=study.clock)
    last, _ = meter_values(meters, vehicles, instants(own["ended_on"]), counter=study.clock)
    age, entry = own["age"].to_numpy(np.float64), own["entry"].to_numpy(np.float64)
    read = np.clip(age - (last - now), entry, age)
    return np.where(np.isfinite(line) & np.isfinite(read), read, line)


def _past(own: pd.DataFrame, day: pd.Timestamp, controls: bool, study: Study) -> str:
    """Sentence about the past of the treated: the worst may have been chosen first."""
    if not controls:
        return "There are no like items without it to compare with: other changes count too."
    systems = own.groupby("vehicle")["treated"].nunique()
    if (systems > 1).any():
        return ""
    past = treated_past(
        own, day, "treated", age_at="age_on", confidence_level=study.decision.confidence_level
    ).iloc[0]
    if past["finding"] != "chosen by a bad past":
        return "The vehicles that had it had no worse past than the others."
    return (
        f"Take care: its vehicles had {figure(past['past_ratio'])} times the failures of the "
        f"others before; about {figure(past['return_ratio'])} of that would have been seen after "
        "without any fix."
    )


def _judged(
    own: pd.DataFrame,
    fix: FixSettings,
    group: str,
    table: pd.DataFrame,
    past: str,
    study: Study,
) -> dict[str, Any]:
    parts = {str(row["part"]): row for row in table.to_dict("records")}
    named = "treated over controls" if "treated over controls" in parts else "treated"
    treated, effect = parts["treated"], parts[named]
    ratio, p_value = float(effect["hazard_ratio"]), float(effect["p_value"])
    fewer = p_value / 2 if ratio < 1 else 1 - p_value / 2
    unit = clock_symbol(study.clock)
    before, after = (_rate(treated, part, unit) for part in ("before", "after"))
    failed = own[own["treated"] & own["failed"].astype(bool)]
    common = {
        "component": fix.component or "", "location": fix.location or "", "group": group,
        "lives": float(treated["lives_before"] + treated["lives_after"]),
        "failures": float(treated["failures_before"] + treated["failures_after"]),
        "measure": "failure rate after over before, at equal age"
        + (", against the controls" if named != "treated" else ""),
        "estimate": ratio, "lower": float(effect["hazard_ratio_lower"]),
        "upper": float(effect["hazard_ratio_upper"]), "unit": "times",
        "p_value": fewer, "rows": sources(failed["closed_by"]),
    }  # fmt: skip
    head = f"{fix.name[:1].upper()}{fix.name[1:]}: before {before}, after {after}."
    if not np.isfinite(ratio):
        note = f"{head} Too few failures on one side to compare."
        return answer(FIX, NOT_LOOKED, "too few failures to tell", note, **common)
    fall = (
        f"At equal age the rate after is {figure(ratio)} times that before "
        f"({limits_text(effect['hazard_ratio_lower'], effect['hazard_ratio_upper'])}"
        f"{', against the vehicles without it' if named != 'treated' else ''})"
    )
    if fewer < _LEVEL:
        note = f"{head} {fall}: it helped. {past}"
        return answer(FIX, FOUND, "fewer failures since", note.strip(), **common)
    if 1 - fewer < _LEVEL:
        note = f"{head} {fall}: more failures since. {past}"
        return answer(FIX, FOUND, "more failures since", note.strip(), **common)
    note = f"{head} {fall}: the log is too small to show whether it helped. {past}"
    return answer(FIX, NOT_FOUND, "no effect shown yet", note.strip(), **common)


def _rate(row: Mapping[Hashable, Any], part: str, unit: str) -> str:
    failures, exposure = float(row[f"failures_{part}"]), float(row[f"exposure_{part}"])
    if not np.isfinite(exposure):
        return "nothing"
    return f"{counted(failures, 'failure')} in {exposure:,.0f} {unit}"
