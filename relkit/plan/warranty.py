"""Warranty: failures that nobody claimed, and claims still to expect, per term of the study.

Layer: plan. Dates run from the day of fitting; counts and limits come from decisions.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.spares import demand_limits
from relkit.decisions.warranty import claims_expected, claims_missed
from relkit.plan.parts import PlanParts
from relkit.plan.spares import PREDICTION_LEVEL
from relkit.plan.stratum_settings import base_component
from relkit.study.work_settings import Warranty
from relkit.units import parse_quantity

__all__ = ["WARRANTY_COLUMNS", "warranty_table"]

Floats = NDArray[np.float64]

_DAYS_A_MONTH = 365.25 / 12
#: Draws behind the claims expected.
DRAWS = 40
#: Rows of missed claims that are named; the lives table has all.
NAMED = 40

WARRANTY_COLUMNS = (
    "component",
    "location",
    "terms",
    "failures_inside",
    "claimed",
    "missed",
    "missed_share",
    "missed_share_lower",
    "missed_share_upper",
    "not_known",
    "claimed_outside",
    "value_missed",
    "items_under_warranty",
    "expected",
    "expected_lower",
    "expected_upper",
    "value_expected",
    "next_to_end_on",
    "missed_rows",
    "note",
)


def warranty_table(parts: PlanParts) -> pd.DataFrame:
    """Return one row per warranty of the study: claims missed and expected, with limits.

    A failure counts as claimed where the note of its job holds one of the words that the study
    states. Claims are expected over the plan's horizon, until each warranty ends.
    """
    terms = parts.study.warranty
    if not terms:
        return pd.DataFrame()
    rows = [_row(one, parts) for one in terms]
    return pd.DataFrame(rows, columns=list(WARRANTY_COLUMNS))


def _row(terms: Warranty, parts: PlanParts) -> dict[str, object]:
    lives = _covered(parts.found.lives, terms)
    most_days, most_use, words = _terms(terms, parts.study.clock)
    row: dict[str, object] = {
        "component": terms.component,
        "location": terms.location or "",
        "terms": words,
        "note": _note(terms, parts.study.clock),
    }
    if lives.empty:
        return {**row, "note": "no life of the log is under these terms"}
    asked = _claimed(lives, terms.claimed, parts.log.jobs)
    days = (lives["ended_on"] - lives["fitted_on"]).dt.total_seconds().to_numpy() / 86400
    found = claims_missed(
        np.maximum(days, 0.0),
        lives["failed"].to_numpy(dtype=np.bool_),
        asked,
        np.zeros(len(lives), dtype=np.int64),
        warranty_time=most_days,
        age=lives["age"].to_numpy(dtype=float) if np.isfinite(most_use) else np.nan,
        warranty_use=most_use,
    )
    value = terms.value if terms.value is not None else _planned_cost(parts, lives)
    missed = lives.loc[found.missed, "closed_by"].tolist()
    inside, count = int(found.failures_inside[0]), int(found.missed_count[0])
    return {
        **row,
        "failures_inside": inside,
        "claimed": inside - count,
        "missed": count,
        "missed_share": float(found.missed_share[0]),
        "missed_share_lower": float(found.missed_share_lower[0]),
        "missed_share_upper": float(found.missed_share_upper[0]),
        "not_known": int(found.not_known_count[0]),
        "claimed_outside": int(found.claimed_outside.sum()),
        "value_missed": count * value,
        "missed_rows": ", ".join(missed[:NAMED])
        + (f" and {len(missed) - NAMED} more" if len(missed) > NAMED else ""),
        **_expected(terms, parts, most_days, most_use, value),
    }


def _terms(terms: Warranty, clock: str) -> tuple[float, float, str]:
    """Days and use that a warranty lasts, and both in words."""
    days = terms.months * _DAYS_A_MONTH
    words = f"{terms.months:g} months from fitting"
    if terms.most_use is None:
        return days, np.inf, words
    use = parse_quantity(terms.most_use)
    if use.unit != clock:
        return days, np.inf, words
    return days, use.value, f"{words} or {use}, whichever comes first"


def _note(terms: Warranty, clock: str) -> str:
    parts = []
    if not terms.claimed:
        parts.append(
            "the study does not say how a claim is marked in a job's note (claimed): every failure "
            "inside counts as not claimed"
        )
    if terms.most_use is not None and parse_quantity(terms.most_use).unit != clock:
        parts.append(f"{terms.most_use} is not in the study's clock: time alone counts")
    return "; ".join(parts)


def _covered(table: pd.DataFrame, terms: Warranty) -> pd.DataFrame:
    """Rows of lives or items that a warranty covers, with a known day of fitting."""
    named = table["component"] == terms.component
    named |= table["component"].map(base_component) == terms.component
    if terms.location is not None:
        place = table["stratum_location"] if "stratum_location" in table else table["place"]
        named &= (table["location"] == terms.location) | (place == terms.location)
    return table[named & table["fitted_on"].notna()]


def _claimed(lives: pd.DataFrame, words: tuple[str, ...], jobs: pd.DataFrame) -> NDArray[np.bool_]:
    """Lives whose last job's note holds one of the words."""
    asked = np.zeros(len(lives), dtype=np.bool_)
    if not words:
        return asked
    notes = jobs["note"].fillna("").astype(str).str.casefold()
    held = np.zeros(len(jobs), dtype=np.bool_)
    for word in words:
        held |= notes.str.contains(word.casefold(), regex=False).to_numpy()
    marked = set(jobs.loc[held, "source"])
    return np.array([bool(marked & set(s.split("; "))) for s in lives["closed_by"]], dtype=np.bool_)


def _planned_cost(parts: PlanParts, lives: pd.DataFrame) -> float:
    """Mean planned cost of the lives' strata: what a new item costs; NaN where none is given."""
    fits = parts.found.fits
    names = fits.get("component", pd.Series("", index=fits.index)).isin(set(lives["component"]))
    costs = [
        s.cost_planned for s, wanted in zip(parts.chosen.settings, names, strict=True) if wanted
    ]
    known = [cost for cost in costs if np.isfinite(cost)]
    return float(np.mean(known)) if known else float("nan")


def _expected(
    terms: Warranty, parts: PlanParts, most_days: float, most_use: float, value: float
) -> dict[str, object]:
    """Claims to expect from the items in service that are under warranty."""
    finite = np.isfinite(parts.found.shape + parts.found.scale).all(axis=1)
    drawn = np.asarray(finite, dtype=np.bool_)
    items = _covered(parts.items[parts.items["stratum"] >= 0], terms)
    items = items[items["age"].notna().to_numpy() & drawn[items["stratum"].to_numpy(dtype=int)]]
    if items.empty:
        return {"items_under_warranty": 0, "expected": 0.0, "value_expected": 0.0}
    until = pd.Timestamp(parts.tables.observed_until)
    days = (until - items["fitted_on"]).dt.total_seconds().to_numpy() / 86400
    draws = min(DRAWS, parts.found.shape.shape[1])
    stratum = items["stratum"].to_numpy(dtype=np.int64)
    codes, place = np.unique(stratum, return_inverse=True)
    found = claims_expected(
        np.maximum(days, 0.0),
        items["age"].to_numpy(dtype=float),
        place.astype(np.int64),
        use_rate=items["rate"].fillna(0.0).to_numpy(dtype=float),
        scale=parts.found.scale[codes, :draws],
        shape=parts.found.shape[codes, :draws],
        warranty_time=most_days,
        warranty_use=most_use,
        ahead=parts.study.decision.horizon_months * _DAYS_A_MONTH,
        confidence_level=PREDICTION_LEVEL,
    )
    limits = found.lower[0], found.upper[0]
    if len(codes) > 1:  # several strata together: Poisson about their sum
        total = demand_limits([float(found.expected.sum())], confidence_level=PREDICTION_LEVEL)
        limits = total.lower[0], total.upper[0]
    ends = until + pd.to_timedelta(found.days_left[found.days_left > 0], unit="D")
    return {
        "items_under_warranty": int(found.items.sum()),
        "expected": float(found.expected.sum()),
        "expected_lower": float(limits[0]),
        "expected_upper": float(limits[1]),
        "value_expected": float(found.expected.sum()) * value,
        "next_to_end_on": min(ends).normalize() if len(ends) else pd.NaT,
    }
