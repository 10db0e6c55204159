"""What it is worth to wait for more data, and the other ways to replace that cost more.

Layer: plan. Only strata where something is open are worked: the simulation takes its time.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.age_replacement import replacement_age
from relkit.decisions.replacement_policies import (
    block_replacement_cost_rate,
    minimal_repair_interval,
)
from relkit.decisions.waiting import SAFETY, value_of_waiting
from relkit.plan.parts import PlanParts
from relkit.units import clock_symbol

__all__ = ["alternative_words", "waiting_columns"]

Floats = NDArray[np.float64]

#: Draws and simulated waits behind a value of waiting.
DRAWS, SIMULATIONS = 120, 100
#: Most strata for which waiting is valued, those with most money at stake.
MOST_STRATA = 25
#: Chance that acting saves between which the decision counts as open [1].
OPEN = (0.02, 0.999)
#: Intervals of block replacement tried, in best ages.
BLOCKS = np.linspace(0.5, 2.0, 31)
#: Months for which a decision stands, the wait included: until the plan is made afresh for good.
STANDS_MONTHS = 60.0
_DAYS_A_MONTH = 365.25 / 12
NOTHING_NEW = "nothing is changed now: the next plan, with more data, decides again"
SETTLED = "settled: more data would not change it"
NOT_VALUED = "not valued: less money at stake than elsewhere"


def waiting_columns(intervals: pd.DataFrame, parts: PlanParts) -> pd.DataFrame:
    """Return whether waiting for more data pays, one row per stratum; blank where not asked.

    Returns
    -------
    DataFrame
        ``waiting`` (words), ``waiting_net_value`` [money over the horizon],
        ``waiting_cost`` [money], ``waiting_change`` (chance that the data move the choice).
        A safety item is never delayed: it is not valued at all.
    """
    table = pd.DataFrame(
        {
            "waiting": pd.Series("", index=intervals.index, dtype=object),
            "waiting_net_value": np.nan,
            "waiting_cost": np.nan,
            "waiting_change": np.nan,
        }
    )
    result, row = parts.chosen.replacement, parts.chosen.replacement_row
    if result is None:
        return table
    safety = np.array([s.safety or not s.evident for s in parts.chosen.settings])
    judged = row >= 0
    chance = np.where(judged, result.probability_of_saving[row], np.nan)
    is_open = judged & ~safety & (chance > OPEN[0]) & (chance < OPEN[1])
    is_open &= np.isfinite(np.where(judged, result.age[row], np.inf))
    table.loc[judged, "waiting"] = SETTLED
    table.loc[judged & safety, "waiting"] = SAFETY
    use = parts.items.groupby("stratum")["rate"].sum().reindex(range(len(row))).fillna(0.0)
    stake = np.where(is_open, result.run_to_failure_cost_rate[row] * result.regret[row], 0.0)
    stake = stake * use.to_numpy()
    ranked = np.argsort(-stake, kind="stable")[:MOST_STRATA]
    chosen = np.sort(ranked[is_open[ranked] & (use.to_numpy()[ranked] > 0)])
    table.loc[is_open & ~np.isin(np.arange(len(row)), chosen), "waiting"] = NOT_VALUED
    if len(chosen):
        _value(table, chosen, intervals, parts)
    return table


def _value(
    table: pd.DataFrame, chosen: NDArray[np.intp], intervals: pd.DataFrame, parts: PlanParts
) -> None:
    """Fill in the rows of the strata that are valued."""
    decision = parts.study.decision
    items = parts.items[parts.items["stratum"].isin(chosen) & (parts.items["rate"] > 0)]
    mean_age = items.groupby("stratum")["age"].transform("mean").fillna(0.0)
    rate = items["rate"].to_numpy(dtype=float)
    wait = rate * decision.waiting_months * _DAYS_A_MONTH
    stands = rate * max(STANDS_MONTHS, 2 * decision.waiting_months) * _DAYS_A_MONTH
    settings = [parts.chosen.settings[i] for i in chosen]
    today = intervals["practice_interval"].to_numpy(dtype=float)[chosen]
    replaced = intervals["practice"].str.startswith("planned replacement").to_numpy()[chosen]
    found = value_of_waiting(
        items["age"].fillna(mean_age).to_numpy(dtype=float),
        np.searchsorted(chosen, items["stratum"].to_numpy(dtype=np.int64)),
        use_waiting=wait,
        use_horizon=stands,
        scale=parts.found.scale[chosen, :DRAWS],
        shape=parts.found.shape[chosen, :DRAWS],
        cost_planned=[s.cost_planned for s in settings],
        cost_failure=[s.cost_failure for s in settings],
        safety=False,
        present_age=np.where(replaced & (today > 0), today, np.inf),
        simulations=SIMULATIONS,
        rng=decision.seed,
    )
    acting = (intervals["task"] == "planned replacement").to_numpy()[chosen]
    for name, values in (
        ("waiting", np.where(acting, found.status, NOTHING_NEW)),
        ("waiting_net_value", found.net_value),
        ("waiting_cost", found.cost_of_waiting),
        ("waiting_change", found.probability_of_change),
    ):
        table.loc[table.index[chosen], name] = values


def alternative_words(intervals: pd.DataFrame, parts: PlanParts) -> list[str]:
    """Return what other ways of replacing would cost, where planned replacement is chosen."""
    words = [""] * len(intervals)
    wanted = (intervals["task"] == "planned replacement").to_numpy()
    wanted &= np.isfinite(intervals["cost_rate"].to_numpy(dtype=float))
    wanted &= np.isfinite(intervals["best_interval"].to_numpy(dtype=float))
    rows = np.flatnonzero(wanted)[:200]
    if not len(rows):
        return words
    scale, shape = (
        np.median(draws[rows], axis=1) for draws in (parts.found.scale, parts.found.shape)
    )
    settings = [parts.chosen.settings[i] for i in rows]
    planned, failure, repair = (
        np.array([getattr(s, f"cost_{name}") for s in settings])
        for name in ("planned", "failure", "repair")
    )
    best = intervals["best_interval"].to_numpy(dtype=float)[rows]
    blocks = block_replacement_cost_rate(
        best[:, None] * BLOCKS,
        scale=scale[:, None],
        shape=shape[:, None],
        cost_planned=planned[:, None],
        cost_failure=failure[:, None],
    )
    here = replacement_age(
        scale=scale, shape=shape, cost_planned=planned, cost_failure=failure
    ).cost_rate  # by the same estimates as the others
    unit = clock_symbol(parts.study.clock)
    for k, i in enumerate(rows):
        words[i] = _block(blocks[k], best[k], here[k], unit)
        if repair[k] > 0:
            words[i] += "; " + _repairs(
                float(scale[k]), float(shape[k]), float(planned[k]), float(repair[k]), here[k], unit
            )
    return words


def _block(costs: Floats, best: float, here: float, unit: str) -> str:
    place = int(np.argmin(costs))
    more = max(costs[place] / here - 1, 0.0)
    return (
        f"block replacement refused: even at its best, every {best * BLOCKS[place]:,.0f} {unit}, "
        f"it costs {100 * more:.0f} % more, since nearly new items go too"
    )


def _repairs(
    scale: float, shape: float, planned: float, repair: float, here: float, unit: str
) -> str:
    found = minimal_repair_interval(
        scale=scale, shape=shape, cost_planned=planned, cost_repair=repair
    )
    share = float(found.cost_rate) / here - 1
    when = f"renewal every {float(found.interval):,.0f} {unit}"
    if not np.isfinite(found.interval):
        return "minimal repair refused: without wear there is nothing to renew"
    if share < 0:
        return (
            f"repairs with {when} would cost {-100 * share:.0f} % less, if a repair leaves the "
            "item as old as it was and its failure costs no more than the repair"
        )
    return f"minimal repair refused: with {when} it costs {100 * share:.0f} % more"
