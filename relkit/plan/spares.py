"""Expected failures, planned work and proposed stock per interchangeable component type.

Layer: plan. Renewals and Poisson mixtures come from decisions.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.spares import demand_limits, spares_needed_over_draws
from relkit.plan.evidence import Evidence
from relkit.plan.forecast import FORECAST_DRAWS, Forecast, expected_ahead
from relkit.plan.stratum_settings import base_component, stratum_settings
from relkit.plan.use_ahead import UseAhead
from relkit.study.settings import Study

__all__ = ["FORECAST_DRAWS", "PREDICTION_LEVEL", "spares_table", "stock_names"]

Floats = NDArray[np.float64]

#: Probability that the use over the horizon lies within its limits [1].
PREDICTION_LEVEL = 0.9
_DAYS_A_MONTH = 365.25 / 12


def spares_table(
    found: Evidence,
    items: pd.DataFrame,
    intervals: pd.DataFrame,
    study: Study,
    until: pd.Timestamp,
    ahead: UseAhead | None = None,
    fitments: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One row per type of spare: use last year, expected use with limits, proposed stock.

    Component types that the study says one spare serves (``stock``) stand in one row.

    Parameters
    ----------
    found : Evidence
        Lives, fits and draws.
    items : DataFrame
        Positions in service with ``age``, ``rate`` and ``stratum``.
    intervals : DataFrame
        Tasks and intervals per stratum, in the order of the fits.
    study : Study
        Lead times, service levels, horizon and interchangeable types.
    until : Timestamp
        End of the observation window.
    ahead : UseAhead, optional
        Use by season; default: even use.
    fitments : DataFrame, optional
        The register, for fleet changes.
    """
    if items[items["stratum"].to_numpy() >= 0].empty:
        return pd.DataFrame(columns=_COLUMNS)
    names = stock_names(found.fits, study)
    lead = {name: _lead_time(study, name) for name in sorted(set(names))}
    horizon = study.decision.horizon_months * _DAYS_A_MONTH
    days = np.stack(
        [np.minimum([lead[name][0] for name in names], horizon), np.full(len(names), horizon)],
        axis=1,
    )
    future = expected_ahead(
        found, items, intervals, study, days, until=until, ahead=ahead, fitments=fitments
    )
    last_year = _used_last_year(found, study, until)
    rows = []
    for name, (lead_days, level) in lead.items():
        chosen = names == name
        positions = int(future.items[chosen].sum())
        if positions:
            row = _row(future, chosen, lead_days / float(days[chosen][0, 0]), level)
            rows.append(
                {
                    "component": name,
                    "positions": positions,
                    "used_last_year": int(last_year.get(name, 0)),
                    **row,
                    "lead_time_days": lead_days,
                    "note": _note(future, chosen, found.fits.loc[chosen, "failures"].sum()),
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


def stock_names(fits: pd.DataFrame, study: Study) -> NDArray[np.object_]:
    """Return the type of spare that each stratum needs: its group's name, else its component."""
    if "component" not in fits:
        return np.full(len(fits), "item", dtype=object)
    places = fits["location"] if "location" in fits else pd.Series("", index=fits.index)
    return np.array(
        [
            _stock_name(str(c), str(p), study)
            for c, p in zip(fits["component"], places, strict=True)
        ],
        dtype=object,
    )


def _stock_name(component: str, place: str, study: Study) -> str:
    for group in study.stock:
        named = {component, base_component(component)} & set(group.components)
        if named and (not group.locations or place in group.locations):
            return group.name
    return component


def _lead_time(study: Study, name: str) -> tuple[float, float]:
    """Lead time and service level of a type of spare; of a group the longest and the highest."""
    members = [c for group in study.stock if group.name == name for c in group.components]
    found = [stratum_settings(study, component, "") for component in members or [name]]
    return max(s.lead_time_days for s in found), max(s.service_level for s in found)


def _row(
    future: Forecast, chosen: NDArray[np.bool_], longer: float, level: float
) -> dict[str, float | int]:
    """Numbers of one type of spare; a lead time beyond the horizon runs on at its mean rate."""
    failures, planned = (
        each[chosen].sum(axis=0) for each in (future.failures, future.planned)
    )  # (draws, 2)
    in_lead = (failures[:, 0] + planned[:, 0]) * longer
    stock = spares_needed_over_draws(in_lead, service_level=level)
    forecast = demand_limits(failures[:, 1], confidence_level=PREDICTION_LEVEL)
    return {
        "expected": float(failures[:, 1].mean()),
        "expected_lower": float(forecast.lower[0]),
        "expected_upper": float(forecast.upper[0]),
        "planned": float(planned[:, 1].mean()),
        "demand_in_lead_time": float(in_lead.mean()),
        "stock": int(stock.stock[0]),
        "stock_out_probability": float(stock.stock_out_probability[0]),
    }


def _used_last_year(found: Evidence, study: Study, until: pd.Timestamp) -> pd.Series:
    """Items taken out in the last year of the window, by type of spare."""
    lives = found.lives
    ended = lives["ended_on"] > until - pd.Timedelta(days=365)
    out = lives[ended & ~lives["ended_by"].isin(["still in service", "vehicle left fleet"])]
    if "component" not in found.fits:
        return pd.Series({"item": len(out)})
    if "stratum_location" not in out:
        return out.groupby("component").size()
    places = out.assign(location=out["stratum_location"])
    return out.groupby(stock_names(places, study)).size()


def _note(future: Forecast, chosen: NDArray[np.bool_], failures: float) -> str:
    parts = []
    unknown, items = (int(v[chosen].sum()) for v in (future.unknown_ages, future.items))
    if unknown:
        parts.append(f"{unknown} of {items} items have no known age: mean age taken")
    if failures < 5:
        parts.append(f"rests on {failures:.0f} failures")
    return "; ".join(parts)
