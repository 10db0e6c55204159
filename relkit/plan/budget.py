"""Failures, planned work and money of each coming quarter, with prediction limits.

Layer: plan. The forecast is one for all tables; money is simulated over draws and counts.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.spares import demand_limits
from relkit.plan.forecast import Forecast, expected_ahead
from relkit.plan.parts import PlanParts
from relkit.plan.scheduling import TESTS
from relkit.plan.spares import PREDICTION_LEVEL

__all__ = ["ALL", "BUDGET_COLUMNS", "WHOLE", "budget_table"]

Floats = NDArray[np.float64]

#: Name of the row that holds all components together.
ALL = "all"
#: Name of the row that holds all quarters together.
WHOLE = "all quarters"
#: Simulated futures behind the limits of money.
FUTURES = 400
_MONTHS = 3
_TAILS = ((1 - PREDICTION_LEVEL) / 2, (1 + PREDICTION_LEVEL) / 2)

BUDGET_COLUMNS = (
    "quarter",
    "starts_on",
    "ends_on",
    "component",
    "failures",
    "failures_lower",
    "failures_upper",
    "planned",
    "planned_lower",
    "planned_upper",
    "checks",
    "visits",
    "cost_failures",
    "cost_planned",
    "cost_checks",
    "cost_visits",
    "cost",
    "cost_lower",
    "cost_upper",
    "note",
)


def budget_table(
    intervals: pd.DataFrame, parts: PlanParts, visit_groups: pd.DataFrame
) -> pd.DataFrame:
    """One row per quarter and component, and one for all: counts and money with limits.

    Quarters are three months each from the end of the log on; the last is cut at the horizon.

    Parameters
    ----------
    intervals : DataFrame
        Tasks and intervals per stratum.
    parts : PlanParts
        Items, draws, use ahead, costs.
    visit_groups : DataFrame
        Special visits, where they were planned: they cost their set-up.

    Returns
    -------
    DataFrame
        ``BUDGET_COLUMNS``. Money of components without costs is missing, and ``note`` says
        so; the row for all leaves them out.
    """
    until = pd.Timestamp(parts.tables.observed_until).normalize()
    ends = _ends(until, parts.study.decision.horizon_months)
    count = len(parts.found.fits)
    if not len(intervals):
        return pd.DataFrame(columns=list(BUDGET_COLUMNS))
    lengths = np.array([(end - until).total_seconds() / 86400 for end in ends])
    days = np.broadcast_to(lengths, (count, len(ends))).copy()
    future = expected_ahead(
        parts.found,
        parts.items,
        intervals,
        parts.study,
        days,
        until=until,
        ahead=parts.ahead,
        fitments=parts.log.fitments,
    )
    failures, planned = (
        np.diff(each, axis=2, prepend=0.0) for each in (future.failures, future.planned)
    )
    checks = _checks(intervals, parts, lengths)
    names = intervals["component"].astype(str).to_numpy()
    failures, planned, checks = (
        np.concatenate([each, each.sum(axis=-1, keepdims=True)], axis=-1)
        for each in (failures, planned, checks)
    )  # the last: all quarters together
    money = _Money(parts, failures, planned, checks)
    spans = [*zip([until, *ends[:-1]], ends, strict=True), (until, ends[-1])]
    rows = []
    for name in [*sorted(set(names[future.items > 0])), ALL]:
        chosen = (names == name) if name != ALL else np.ones(count, dtype=np.bool_)
        for k, (start, end) in enumerate(spans):
            special = _special(visit_groups, start, end, parts) if name == ALL else (0.0, 0.0)
            rows.append(
                {
                    "quarter": WHOLE
                    if k == len(ends)
                    else f"{start:%b %Y} to {end - pd.Timedelta(days=1):%b %Y}",
                    "starts_on": start,
                    "ends_on": end - pd.Timedelta(days=1),
                    "component": name,
                    **_counts(failures, planned, checks, chosen, k),
                    "visits": special[0],
                    **money.of(chosen, k, special[1]),
                    "note": _note(future, chosen, money.priced),
                }
            )
    return pd.DataFrame(rows, columns=list(BUDGET_COLUMNS))


def _ends(until: pd.Timestamp, months: float) -> list[pd.Timestamp]:
    """Return the ends of the quarters ahead; the last is the end of the horizon."""
    last = until + pd.Timedelta(days=months * 365.25 / 12)
    whole = [until + pd.DateOffset(months=_MONTHS * k) for k in range(1, int(months // 3) + 2)]
    inner = [end for end in whole if end < last - pd.Timedelta(days=3)]
    return [*inner, last.normalize()]


def _checks(intervals: pd.DataFrame, parts: PlanParts, lengths: Floats) -> Floats:
    """Return tests and looks of each stratum in each quarter: (n_strata, quarters)."""
    checks = np.zeros((len(intervals), len(lengths)))
    every = intervals["interval"].to_numpy(dtype=float)
    tested = intervals["task"].isin(TESTS).to_numpy() & (every > 0)
    here = parts.items[(parts.items["stratum"] >= 0)]
    stratum = here["stratum"].to_numpy(dtype=np.int64)
    here, stratum = here[tested[stratum]], stratum[tested[stratum]]
    before = np.zeros(len(here))
    for k, length in enumerate(lengths):
        if parts.ahead is None:
            used = here["rate"].to_numpy(dtype=float) * length
        else:
            place = parts.ahead.vehicles.get_indexer(pd.Index(here["vehicle"]))
            used = parts.ahead.clock_after(place, np.full(len(here), length))
        np.add.at(checks[:, k], stratum, (used - before) / every[stratum])
        before = used
    return checks


def _counts(
    failures: Floats, planned: Floats, checks: Floats, chosen: NDArray[np.bool_], k: int
) -> dict[str, float]:
    row: dict[str, float] = {}
    for name, each in (("failures", failures), ("planned", planned)):
        means = each[chosen, :, k].sum(axis=0)
        limits = demand_limits(means, confidence_level=PREDICTION_LEVEL)
        row |= {
            name: float(means.mean()),
            f"{name}_lower": float(limits.lower[0]),
            f"{name}_upper": float(limits.upper[0]),
        }
    return {**row, "checks": float(checks[chosen, k].sum())}


class _Money:
    """What failures, planned work and checks cost, stratum by stratum and future by future."""

    __slots__ = ("check", "failure", "failures", "planned", "planned_cost", "priced", "rng_seed")

    def __init__(self, parts: PlanParts, failures: Floats, planned: Floats, checks: Floats) -> None:
        settings = parts.chosen.settings
        cost = {
            name: np.array([getattr(s, f"cost_{name}") for s in settings])
            for name in ("failure", "planned", "check")
        }
        self.priced = np.isfinite(cost["failure"]) & (
            np.isfinite(cost["planned"]) | (planned.sum(axis=(1, 2)) == 0)
        )
        self.failure = np.nan_to_num(cost["failure"], nan=0.0)
        self.planned_cost = np.nan_to_num(cost["planned"], nan=0.0)
        self.check = np.nan_to_num(cost["check"], nan=0.0)[:, None] * checks
        self.failures, self.planned = failures, planned
        self.rng_seed = parts.study.decision.seed

    def of(self, chosen: NDArray[np.bool_], k: int, visits: float) -> dict[str, float]:
        """Return money of the chosen strata in a quarter; missing where none has costs."""
        rows = chosen & self.priced
        names = ("cost_failures", "cost_planned", "cost_checks", "cost_visits")
        if not rows.any():
            nothing = dict.fromkeys([*names, "cost", "cost_lower", "cost_upper"], float("nan"))
            return {**nothing, "cost_visits": visits}
        failures, planned = self.failures[rows, :, k], self.planned[rows, :, k]
        parts = (
            float((self.failure[rows] @ failures).mean()),
            float((self.planned_cost[rows] @ planned).mean()),
            float(self.check[rows, k].sum()),
            visits,
        )
        rng = np.random.default_rng([self.rng_seed, 8, k])
        draw = rng.integers(0, failures.shape[1], (len(failures), FUTURES))
        place = np.arange(len(failures))[:, None]
        seen = rng.poisson(failures[place, draw])
        done = rng.poisson(planned[place, draw])
        each = self.failure[rows] @ seen + self.planned_cost[rows] @ done + sum(parts[2:])
        low, high = np.quantile(each, _TAILS)
        return {
            **dict(zip(names, parts, strict=True)),
            "cost": sum(parts),
            "cost_lower": float(low),
            "cost_upper": float(high),
        }


def _special(
    groups: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp, parts: PlanParts
) -> tuple[float, float]:
    """Return special visits within a quarter, and what they cost to set up.

    Beyond the time that a vehicle's visits are planned for they go on at its rate so far, the
    first month left out, in which what is overdue is caught up.
    """
    if "set_up_cost" not in groups or groups.empty:
        return 0.0, 0.0
    made = groups[groups["set_up_cost"] > 0]
    seen = made[(made["on"] >= start) & (made["on"] < end)]
    until = pd.Timestamp(parts.tables.observed_until).normalize()
    settled = until + pd.Timedelta(days=CAUGHT_UP_DAYS)
    planned = groups.groupby("vehicle")["planned_until"].first()
    later = made[made["on"] >= settled].groupby("vehicle").size().reindex(planned.index).fillna(0.0)
    span = ((planned - settled).dt.days).clip(lower=1.0)
    missing = (end - planned.where(planned > start, start)).dt.days.clip(lower=0.0)
    more = float((missing * later / span).sum())
    price = float(parts.study.costs.visit or 0.0)
    return len(seen) + more, float(seen["set_up_cost"].sum()) + more * price


#: Days in which what is overdue is caught up [d].
CAUGHT_UP_DAYS = 30


def _note(future: Forecast, chosen: NDArray[np.bool_], priced: NDArray[np.bool_]) -> str:
    parts = []
    without = chosen & ~priced & (future.items > 0)
    if without.any():
        parts.append(f"no costs for {int(without.sum())} kinds of item: their money is left out")
    unknown = future.unknown_ages[chosen].sum()
    if unknown:
        items = future.items[chosen].sum()
        parts.append(f"{unknown:,.0f} of {items:,.0f} items have no known age: mean age taken")
    return "; ".join(parts)
