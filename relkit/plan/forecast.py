"""Failures and planned replacements to expect in the time ahead, per stratum and draw.

Layer: plan. Present ages, renewals, the plan's replacement ages, seasons, fleet changes and the
uncertainty of the parameters; the renewal equation is that of decisions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.replacement_forecast import replacement_forecast
from relkit.plan.evidence import Evidence
from relkit.plan.usage import matching_vehicles
from relkit.plan.use_ahead import UseAhead
from relkit.study.settings import Study
from relkit.study.work_settings import FleetChange

__all__ = ["FORECAST_DRAWS", "Forecast", "expected_ahead"]

Floats = NDArray[np.float64]

#: Parameter draws used for forecasts: their spread needs fewer than a decision does.
FORECAST_DRAWS = 40
#: Strata from which fewer draws are used, and how many then.
MANY_STRATA, FEWER_DRAWS = 1_000, 10
#: Ages per stratum that stand for its items, by quantile.
AGE_GROUPS = 8
#: Equal parts of the use ahead at which numbers are known; between them they grow evenly.
PARTS = 48
#: The same where there are many strata.
FEWER_PARTS = 24
_TASK = "planned replacement"


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """Numbers up to some days ahead; (n_strata, n_draws, n_days)."""

    failures: Floats  #: mean number of failures until then
    planned: Floats  #: mean number of planned replacements until then
    items: Floats  #: items in service now, (n_strata,)
    unknown_ages: Floats  #: of them, of unknown age: the mean age was taken, (n_strata,)


def expected_ahead(
    found: Evidence,
    items: pd.DataFrame,
    intervals: pd.DataFrame,
    study: Study,
    days: Floats,
    *,
    until: pd.Timestamp,
    ahead: UseAhead | None = None,
    fitments: pd.DataFrame | None = None,
) -> Forecast:
    """Mean numbers of failures and planned replacements up to some days ahead.

    Parameters
    ----------
    found : Evidence
        Draws of the parameters.
    items : DataFrame
        Positions in service with ``vehicle``, ``stratum``, ``age`` and ``rate``.
    intervals : DataFrame
        ``task`` and ``interval`` per stratum, in the order of the fits.
    study : Study
        Fleet changes.
    days : ndarray of shape (n_strata, n_days)
        Days ahead, rising along each row. [d]
    until : Timestamp
        The day that is looked ahead from.
    ahead : UseAhead, optional
        Use by season; default: even use.
    fitments : DataFrame, optional
        The register, for fleet changes; default: none count.
    """
    count = len(found.fits)
    draws = FEWER_DRAWS if count > MANY_STRATA else FORECAST_DRAWS
    draws = min(draws, found.shape.shape[1])
    here = items[(items["stratum"] >= 0) & (items["rate"] > 0)]
    drawn = np.asarray(np.isfinite(found.shape + found.scale).all(axis=1), dtype=np.bool_)
    here = here[drawn[here["stratum"].to_numpy(dtype=np.int64)]]
    cut = np.where(
        (intervals["task"] == _TASK) & (intervals["interval"] > 0), intervals["interval"], np.inf
    ).astype(float)
    totals = np.zeros((2, count, draws, days.shape[1]))
    if len(here):
        _add_items(totals, here, found, cut, days, ahead)
        if fitments is not None:
            for change in study.fleet_changes:
                _add_change(totals, change, here, found, cut, days, until, fitments)
    stratum = items.loc[items["stratum"] >= 0, "stratum"].to_numpy(dtype=np.int64)
    blank = items.loc[items["stratum"] >= 0, "age"].isna().to_numpy(dtype=float)
    return Forecast(
        failures=np.maximum(totals[0], 0.0),
        planned=np.maximum(totals[1], 0.0),
        items=np.bincount(stratum, minlength=count).astype(float),
        unknown_ages=np.bincount(stratum, weights=blank, minlength=count).astype(float),
    )


def _add_items(
    totals: Floats,
    here: pd.DataFrame,
    found: Evidence,
    cut: Floats,
    days: Floats,
    ahead: UseAhead | None,
) -> None:
    """Add what the items in service now and those after them will need."""
    groups = _age_groups(here, days, ahead)
    columns = [name for name in groups if str(name).startswith("use_")]
    used = groups[columns].to_numpy(dtype=float)  # (groups, days)
    _add_groups(
        totals,
        groups["stratum"].to_numpy(dtype=np.int64),
        groups["age"].to_numpy(dtype=float),
        groups["items"].to_numpy(dtype=float),
        used,
        found,
        cut,
    )


def _add_groups(
    totals: Floats,
    stratum: NDArray[np.int64],
    age: Floats,
    weight: Floats,
    used: Floats,
    found: Evidence,
    cut: Floats,
    begins: float = 0.0,
) -> None:
    draws = totals.shape[2]
    parts = FEWER_PARTS if len(found.fits) > MANY_STRATA else PARTS
    whole = used[:, -1]
    shape = found.shape[stratum, :draws]
    result = replacement_forecast(
        np.repeat(whole / parts, draws),
        periods=parts,
        age=np.repeat(age, draws),
        scale=found.scale[stratum, :draws].ravel(),
        shape=shape.ravel(),
        replacement_age=np.repeat(cut[stratum], draws),
        begins=begins,
    )
    share = np.divide(used, whole[:, None], out=np.zeros_like(used), where=whole[:, None] > 0)
    place = np.clip(share, 0.0, 1.0) * parts
    low = np.minimum(place.astype(np.int64), parts - 1)
    part = (place - low)[:, None, :]
    index = np.broadcast_to(low[:, None, :], (len(stratum), draws, used.shape[1]))
    for k, each in enumerate((result.failures, result.planned)):
        summed = np.cumsum(each.reshape(len(stratum), draws, parts), axis=2)
        summed = np.concatenate([np.zeros((*summed.shape[:2], 1)), summed], axis=2)
        at = np.take_along_axis(summed, index, axis=2)
        beyond = np.take_along_axis(summed, index + 1, axis=2)
        np.add.at(totals[k], stratum, weight[:, None, None] * (at + part * (beyond - at)))


def _age_groups(here: pd.DataFrame, days: Floats, ahead: UseAhead | None) -> pd.DataFrame:
    """Items of each stratum in a few groups of like age: mean age, use until each day, number."""
    age = here["age"].fillna(here.groupby("stratum")["age"].transform("mean")).fillna(0.0)
    stratum = here["stratum"].to_numpy(dtype=np.int64)
    table = here.assign(age=age)[["stratum", "age"]].copy()
    for k in range(days.shape[1]):
        at = days[stratum, k]
        if ahead is None:
            used = here["rate"].to_numpy(dtype=float) * at
        else:
            used = ahead.clock_after(ahead.vehicles.get_indexer(pd.Index(here["vehicle"])), at)
        table[f"use_{k}"] = used
    table = table.sort_values(["stratum", "age"], kind="stable")
    size = table.groupby("stratum")["age"].transform("size")
    group = (table.groupby("stratum").cumcount() * AGE_GROUPS) // size.clip(lower=AGE_GROUPS)
    grouped = table.assign(group=group).groupby(["stratum", "group"])
    return grouped.mean().assign(items=grouped.size()).reset_index()


def _add_change(
    totals: Floats,
    change: FleetChange,
    here: pd.DataFrame,
    found: Evidence,
    cut: Floats,
    days: Floats,
    until: pd.Timestamp,
    fitments: pd.DataFrame,
) -> None:
    """Add the items of vehicles that come, or take away the share of those that go."""
    held = here[here["vehicle"].isin(matching_vehicles(fitments, change.where))]
    vehicles = held["vehicle"].nunique()
    start = (pd.Timestamp(change.on) - until).days
    if not vehicles or start >= days[:, -1].max():
        return
    start = max(start, 0)
    per_vehicle = held.groupby("stratum").size() / vehicles
    stratum = per_vehicle.index.to_numpy(dtype=np.int64)
    if change.vehicles > 0:
        use = held.groupby("stratum")["rate"].mean().to_numpy() * (change.share_of_use or 1.0)
        _add_groups(
            totals,
            stratum,
            np.zeros(len(stratum)),
            np.asarray(change.vehicles * per_vehicle.to_numpy(dtype=float), dtype=np.float64),
            np.asarray(use[:, None] * days[stratum], dtype=np.float64),
            found,
            cut,
            begins=min(start / float(days[:, -1].max()), 0.999) if start else 0.0,
        )
        return
    gone = min(-change.vehicles / vehicles, 1.0)
    share = gone * held.groupby("stratum").size() / here.groupby("stratum").size()
    lost = share.reindex(stratum).to_numpy(dtype=float)[:, None, None]
    for each in totals:
        own = each[stratum]
        steps = np.diff(own, axis=2, prepend=0.0)
        ends = days[stratum][:, None, :]
        begins = np.concatenate([np.zeros_like(ends[..., :1]), ends[..., :-1]], axis=2)
        after = np.clip((ends - start) / np.maximum(ends - begins, 1e-9), 0.0, 1.0)
        each[stratum] = np.cumsum(steps * (1 - lost * after), axis=2)
