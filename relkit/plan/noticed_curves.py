"""Curves behind what the log shows: a batch, a type of item or a time against its like.

Layer: plan. Survival curves of relkit.survival, one pair for each finding that has a picture.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.plan.noticed_batches import BATCH, labelled
from relkit.plan.noticed_fixes import FIX, concerned
from relkit.plan.noticed_repairs import REPAIRS
from relkit.plan.noticed_rows import FOUND
from relkit.study.fix_settings import FixSettings
from relkit.study.settings import Study
from relkit.survival.effect_tables import ages_on
from relkit.survival.tables import survival_curves

__all__ = ["COLUMNS", "finding_curves"]

COLUMNS = (
    "question", "component", "group", "series", "age", "at_risk", "survival", "lower", "upper",
)  # fmt: skip
_MOST = 8  #: findings of one question that get a picture
_FEWEST = 2  #: lives that must reach the end of a curve
_STEPS = 60  #: ages at which the mean over places is told


def finding_curves(
    noticed: pd.DataFrame, lives: pd.DataFrame, study: Study, observed_from: pd.Timestamp
) -> pd.DataFrame:
    """Curves of the batches and types that were found, and of each fix that was judged."""
    level = study.decision.confidence_level
    lives = lives.drop(columns="failure_share", errors="ignore")  # as the tests took them
    tables = []
    pictured = noticed[noticed["finding"].eq(FOUND)]
    for row in pictured[pictured["question"].eq(BATCH)].head(_MOST).to_dict("records"):
        named = labelled(lives[lives["component"].eq(row["component"])])
        own = row["group"] == named["labelled_by"] + " " + named["label"]
        keys = {"question": BATCH, "component": row["component"], "group": row["group"]}
        tables += _against(named, own, str(row["group"]), level, keys)
    for row in pictured[pictured["question"].eq(REPAIRS)].head(_MOST).to_dict("records"):
        base = lives["component"].astype(str).str.split(",").str[0].str.strip()
        like = lives[base.eq(str(row["component"]).split(",")[0].strip())]
        own = like["component"].eq(row["component"])
        if own.all():
            continue
        keys = {"question": REPAIRS, "component": row["component"], "group": row["group"]}
        tables += _against(like, own, str(row["component"]), level, keys)
    for fix in study.fixes:
        tables += _before_after(fix, lives, noticed, level, observed_from)
    made = [table for table in tables if len(table)]
    return pd.concat(made, ignore_index=True) if made else pd.DataFrame(columns=list(COLUMNS))


def _against(
    lives: pd.DataFrame, own: pd.Series, name: str, level: float, keys: dict[str, str]
) -> list[pd.DataFrame]:
    """Curve of a group, and the mean over its own places of the curves of the others there."""
    curve = _of(lives[own], level)
    if curve.empty:  # no failure: nothing stands out
        return []
    weight = lives.loc[own, "location"].value_counts(normalize=True)
    others = survival_curves(
        lives[~own & lives["location"].isin(weight.index)], "location", confidence_level=level
    )
    ages = np.linspace(0, float(curve["age"].max()), _STEPS)
    mean = np.zeros(_STEPS)
    for place, share in weight.items():
        steps = others[others["location"].eq(place)]
        at = np.searchsorted(steps["age"].to_numpy(), ages, side="right") - 1
        known = np.r_[steps["survival"].to_numpy(np.float64), 1.0]  # before the first: all work
        mean += float(share) * known[at]
    rest = pd.DataFrame({"age": ages, "survival": mean, "at_risk": np.nan})
    return [
        _curve(curve, name, keys),
        _curve(rest.assign(lower=np.nan, upper=np.nan), "others at the same places", keys),
    ]


def _before_after(
    fix: FixSettings,
    lives: pd.DataFrame,
    noticed: pd.DataFrame,
    level: float,
    observed_from: pd.Timestamp,
) -> list[pd.DataFrame]:
    group = f"{fix.name} ({fix.date:%Y-%m-%d})"
    rows = noticed[noticed["question"].eq(FIX) & noticed["group"].eq(group)]
    if rows.empty or not np.isfinite(rows["estimate"].iloc[0]):
        return []
    own = concerned(lives, fix)
    own = own[own["treated"]].drop(columns="age_lower", errors="ignore")
    at = ages_on(own, pd.Timestamp(fix.date), observed_from=observed_from).to_numpy(np.float64)
    if fix.scope == "items fitted since":
        at = np.where(own["fitted_on"] >= pd.Timestamp(fix.date), -np.inf, np.inf)
    entry, age = (own[name].to_numpy(np.float64) for name in ("entry", "age"))
    failed = own["failed"].astype(bool).to_numpy()
    before = own.assign(age=np.minimum(age, at), failed=failed & (age <= at))[at > entry]
    after = own.assign(entry=np.maximum(entry, at))[at < age]
    keys = {"question": FIX, "component": fix.component or "", "group": group}
    return [
        _curve(_of(part, level), name, keys)
        for name, part in (("before", before), ("after", after))
        if len(part)
    ]


def _of(lives: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the survival curve up to the age that two lives reached; flat without failures."""
    curve = survival_curves(lives, confidence_level=level, fewest_at_risk=_FEWEST)
    ages = np.sort(lives["age"].to_numpy(np.float64))
    end = float(ages[-min(_FEWEST, len(ages))])
    if len(curve) and curve["age"].iloc[-1] >= end:
        return curve
    none = pd.DataFrame({"survival": [1.0], "lower": [np.nan], "upper": [np.nan]})
    last = (curve.tail(1) if len(curve) else none).assign(age=end, at_risk=float(_FEWEST))
    return pd.concat([curve, last], ignore_index=True) if len(curve) else last


def _curve(curve: pd.DataFrame, series: str, keys: dict[str, str]) -> pd.DataFrame:
    return curve.assign(**keys, series=series)[list(COLUMNS)]
