"""Beside each due date: the next service, whether to replace there, whether a visit is worth it.

Layer: plan. The marginal rule of replacement comes from decisions, averaged over draws.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.replacement_policies import replace_at_this_visit
from relkit.plan.parts import PlanParts
from relkit.plan.service_dates import service_dates

__all__ = ["ADVICE_COLUMNS", "with_advice"]

Floats = NDArray[np.float64]

ADVICE_COLUMNS = ("next_service_on", "advice", "waiting_costs")
#: Draws over which the rule is averaged.
DRAWS = 100
#: Days ahead in which the next two services are looked for [d].
LOOK_AHEAD_DAYS = 730.0
_NONE = 1e-9


def with_advice(due: pd.DataFrame, parts: PlanParts) -> pd.DataFrame:
    """Return the due list with ``next_service_on``, ``advice`` and ``waiting_costs`` [money].

    ``advice`` for planned replacements: replace at the next service, or keep until the one
    after, by comparing what waiting costs with the cost rate of a new item. Overdue work that
    costs more to leave until the next service than a special visit is marked as worth one;
    overdue tests and safety items are due at once, whatever waiting costs.
    """
    table = due.assign(
        next_service_on=pd.Series(pd.NaT, index=due.index, dtype="datetime64[ns]"),
        advice="",
        waiting_costs=np.nan,
    )
    if due.empty or parts.ahead is None:
        return table
    until = pd.Timestamp(parts.tables.observed_until).normalize()
    dates = service_dates(parts, parts.ahead, days=LOOK_AHEAD_DAYS)
    nth = dates.groupby("vehicle").cumcount()
    first, second = (dates[nth == n].set_index("vehicle") for n in (0, 1))
    days = first["days"].reindex(due["vehicle"]).to_numpy(dtype=float)
    table["next_service_on"] = (
        pd.Series(until, index=due.index) + pd.to_timedelta(np.floor(np.nan_to_num(days)), unit="D")
    ).where(np.isfinite(days))
    clock = first["clock"].reindex(due["vehicle"]).to_numpy(dtype=float)
    later = second["clock"].reindex(due["vehicle"]).to_numpy(dtype=float)
    rows = _replacements(due, parts)
    if len(rows):
        _advise(table, rows, clock, later, parts)
    urgent = due["state"].isin(["overdue", "never tested"]) & (table["advice"] == "")
    safety = _safety(due, parts)
    test = ~due["task"].isin(["planned replacement", "rule replacement"])
    table.loc[urgent & (safety | test), "advice"] = "at once: it is not left until the next service"
    return table


def _key(table: pd.DataFrame) -> pd.MultiIndex:
    return pd.MultiIndex.from_frame(table[["vehicle", "component", "location"]].astype(str))


def _strata(due: pd.DataFrame, parts: PlanParts) -> NDArray[np.int64]:
    """Stratum of each row's item; -1 where it has none (a rule's demand for several items)."""
    items = parts.items.drop_duplicates(["vehicle", "component", "location"])
    place = _key(items).get_indexer(_key(due))
    stratum = items["stratum"].to_numpy(dtype=np.int64)
    return np.where(place >= 0, stratum[place], -1)


def _safety(due: pd.DataFrame, parts: PlanParts) -> NDArray[np.bool_]:
    marks = np.array([s.safety for s in parts.chosen.settings] + [True], dtype=np.bool_)
    return marks[_strata(due, parts)]  # a rule's demand counts as one


def _replacements(due: pd.DataFrame, parts: PlanParts) -> NDArray[np.intp]:
    """Rows whose item can be judged: replaced by cost, of known age."""
    stratum = _strata(due, parts)
    rows = parts.chosen.replacement_row[stratum] if len(parts.chosen.settings) else stratum
    wanted = (due["task"] == "planned replacement").to_numpy() & (stratum >= 0) & (rows >= 0)
    return np.flatnonzero(wanted & np.isfinite(due["age"].to_numpy(dtype=float)))


def _advise(
    table: pd.DataFrame, rows: NDArray[np.intp], clock: Floats, later: Floats, parts: PlanParts
) -> None:
    """Fill in the advice of the rows: at the next service, or at a visit of its own."""
    result = parts.chosen.replacement
    if result is None:
        return
    stratum = _strata(table, parts)[rows]
    settings = [parts.chosen.settings[i] for i in stratum]
    planned, failure = (
        np.array([getattr(s, f"cost_{name}") for s in settings]) for name in ("planned", "failure")
    )
    row = parts.chosen.replacement_row[stratum]
    renewed = result.cost_rate[row]
    drawn = np.linspace(0, parts.found.scale.shape[1] - 1, min(DRAWS, parts.found.scale.shape[1]))
    law = {
        name: getattr(parts.found, name)[stratum][:, drawn.astype(int)]
        for name in ("scale", "shape")
    }
    costs = {
        "cost_planned": planned[:, None],
        "cost_failure": failure[:, None],
        "renewed_cost_rate": renewed[:, None],
    }
    age = table["age"].to_numpy(dtype=float)[rows]
    until_next = np.nan_to_num(clock[rows], nan=0.0)
    gap = np.maximum(np.nan_to_num((later - clock)[rows], nan=0.0), _NONE)
    at_next = replace_at_this_visit(
        np.maximum(age + until_next, _NONE)[:, None], next_visit=gap[:, None], **law, **costs
    )
    replace_then = at_next.waiting_cost_rate.mean(axis=1) > renewed
    now = replace_at_this_visit(
        np.maximum(age, _NONE)[:, None],
        next_visit=np.maximum(until_next, _NONE)[:, None],
        **law,
        **costs,
    )
    waiting = (now.waiting_cost_rate.mean(axis=1) - renewed) * until_next
    known = np.isfinite(clock[rows])
    visit = parts.study.costs.visit
    worth = known & (waiting > visit) if visit is not None else np.zeros(len(rows), dtype=np.bool_)
    words = np.select(
        [worth, known & replace_then, known],
        [
            "worth a special visit: waiting for the next service costs more than the visit",
            "replace at the next service",
            "keep past the next service",
        ],
        "",
    )
    table.loc[table.index[rows], "advice"] = words
    table.loc[table.index[rows], "waiting_costs"] = np.where(known, waiting, np.nan)
