"""Expected failures, planned work and proposed stock per interchangeable component type.

Layer: plan. Renewals and Poisson mixtures come from decisions.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.renewal import renewals
from relkit.decisions.spares import demand_limits, spares_needed_over_draws
from relkit.plan.evidence import Evidence
from relkit.plan.stratum_settings import stratum_settings
from relkit.study.settings import Study

__all__ = ["spares_table"]

#: Parameter draws used for forecasts: their spread needs fewer than a decision does.
FORECAST_DRAWS = 40
#: Ages per stratum that stand for its items, by quantile.
AGE_GROUPS = 8
#: Probability that the use over the horizon lies within its limits [1].
PREDICTION_LEVEL = 0.9
_DAYS_A_MONTH = 365.25 / 12


def spares_table(
    found: Evidence,
    items: pd.DataFrame,
    intervals: pd.DataFrame,
    study: Study,
    until: pd.Timestamp,
) -> pd.DataFrame:
    """One row per component type: use last year, expected use with limits, proposed stock.

    Parameters
    ----------
    found : Evidence
        Lives, fits and draws.
    items : DataFrame
        Positions in service with ``age``, ``rate`` and ``stratum``.
    intervals : DataFrame
        Tasks and intervals per stratum, in the order of the fits.
    study : Study
        Lead times, service levels and horizon.
    until : Timestamp
        End of the observation window.
    """
    items = items[items["stratum"].to_numpy() >= 0]
    if items.empty:
        return pd.DataFrame(columns=_COLUMNS)
    horizon_days = study.decision.horizon_months * _DAYS_A_MONTH
    names = found.fits["component"].to_numpy() if "component" in found.fits else None
    component = np.full(len(found.fits), "item", dtype=object) if names is None else names
    last_year = _used_last_year(found.lives, until)
    if names is None:
        last_year = pd.Series({"item": last_year.sum()})
    rows = []
    for name in sorted(set(component)):
        chosen = component == name
        here = items[chosen[items["stratum"].to_numpy()]]
        if here.empty:
            continue
        settings = stratum_settings(study, str(name), "")
        year = _demand(here, found, horizon_days)
        lead = _demand(here, found, settings.lead_time_days)
        planned = _planned(here, intervals, horizon_days)
        during_lead = planned * settings.lead_time_days / horizon_days
        stock = spares_needed_over_draws(lead + during_lead, service_level=settings.service_level)
        forecast = demand_limits(year, confidence_level=PREDICTION_LEVEL)
        rows.append(
            {
                "component": name,
                "positions": len(here),
                "used_last_year": int(last_year.get(name, 0)),
                "expected": float(year.mean()),
                "expected_lower": float(forecast.lower[0]),
                "expected_upper": float(forecast.upper[0]),
                "planned": planned,
                "lead_time_days": settings.lead_time_days,
                "demand_in_lead_time": float(lead.mean() + during_lead),
                "stock": int(stock.stock[0]),
                "stock_out_probability": float(stock.stock_out_probability[0]),
                "note": _note(here, found.fits.loc[chosen, "failures"].sum()),
            }
        )
    return pd.DataFrame(rows, columns=_COLUMNS)


_COLUMNS = [
    "component",
    "positions",
    "used_last_year",
    "expected",
    "expected_lower",
    "expected_upper",
    "planned",
    "lead_time_days",
    "demand_in_lead_time",
    "stock",
    "stock_out_probability",
    "note",
]


def _used_last_year(lives: pd.DataFrame, until: pd.Timestamp) -> pd.Series:
    """Items taken out in the last year of the window, by component."""
    ended = lives["ended_on"] > until - pd.Timedelta(days=365)
    out = ~lives["ended_by"].isin(["still in service", "vehicle left fleet"])
    return lives[ended & out].groupby("component").size()


def _demand(here: pd.DataFrame, found: Evidence, days: float) -> NDArray[np.float64]:
    """Return the expected failures of these items over some days, one value per forecast draw."""
    groups = _age_groups(here)
    stratum = groups["stratum"].to_numpy()
    shape = found.shape[stratum, :FORECAST_DRAWS]
    scale = found.scale[stratum, :FORECAST_DRAWS]
    ahead = (groups["rate"].to_numpy() * days)[:, None]
    each = renewals(ahead, scale=scale, shape=shape, age=groups["age"].to_numpy()[:, None])
    return np.asarray((groups["items"].to_numpy()[:, None] * each.expected).sum(axis=0))


def _age_groups(here: pd.DataFrame) -> pd.DataFrame:
    """Items of each stratum in a few groups of like age, with mean age and rate."""
    age = here["age"].fillna(here.groupby("stratum")["age"].transform("mean")).fillna(0.0)
    table = here.assign(age=age)[["stratum", "age", "rate"]].sort_values(["stratum", "age"])
    size = table.groupby("stratum")["age"].transform("size")
    group = (table.groupby("stratum").cumcount() * AGE_GROUPS) // size.clip(lower=AGE_GROUPS)
    table = table.assign(group=group)
    grouped = table.groupby(["stratum", "group"])
    means = grouped[["age", "rate"]].mean()
    return means.assign(items=grouped.size()).reset_index()


def _planned(here: pd.DataFrame, intervals: pd.DataFrame, days: float) -> float:
    """Planned replacements over some days at the plan's intervals [1]."""
    chosen = intervals.iloc[here["stratum"].to_numpy()]
    replaced = (chosen["task"] == "planned replacement").to_numpy()
    every = chosen["interval"].to_numpy(dtype=float)
    use = here["rate"].to_numpy() * days
    age = here["age"].fillna(0.0).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        times = np.floor((np.minimum(age, every) + use) / every)
    return float(np.where(replaced & np.isfinite(times), times, 0.0).sum())


def _note(here: pd.DataFrame, failures: float) -> str:
    parts = []
    unknown = int(here["age"].isna().sum())
    if unknown:
        parts.append(f"{unknown} of {len(here)} items have no known age: mean age taken")
    if failures < 5:
        parts.append(f"rests on {failures:.0f} failures")
    return "; ".join(parts)
