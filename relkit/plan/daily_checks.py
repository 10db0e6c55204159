"""A driver's daily check beside the workshop's tests, and views as chains of their items.

Layer: plan. Both checks on equal terms: an interval, a chance to find a fault, the same ages.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from relkit.decisions.hidden_function import chain_unavailability
from relkit.plan.hidden import report_rates
from relkit.plan.parts import PlanParts
from relkit.plan.stratum_settings import StratumSettings, base_component
from relkit.plan.unavailability import ages_of, unavailability_draws
from relkit.plan.usage import matching_vehicles
from relkit.study.work_settings import View, ViewItem
from relkit.units import clock_symbol

__all__ = ["DAILY_CHECK_COLUMNS", "VIEW_COLUMNS", "daily_checks", "view_chains"]

#: Chances that a daily check finds and reports a fault that are tried for the least that does.
TRIED = np.array([0.01, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0])
#: Length of the span looked at, in mean times until a fault is found.
SPAN = 20.0
#: Shown where the study states no chance: shares from poor to good reporting.
ASKED = (0.2, 0.5, 0.9)
_DAYS_A_YEAR = 365.25

DAILY_CHECK_COLUMNS = (
    "component",
    "location",
    "target_unavailability",
    "test_interval",
    "unavailability_tests",
    "tests_a_year",
    "cost_tests_a_year",
    "daily_check",
    "unavailability_daily",
    "least_daily_check",
    "demands_on_fault_tests",
    "demands_on_fault_daily",
    "verdict",
)


def daily_checks(intervals: pd.DataFrame, parts: PlanParts) -> pd.DataFrame:
    """Return one row per hidden stratum and chance that a daily check finds and reports a fault.

    Where the study states the chance (``daily_check``) that one; else 0.2, 0.5 and 0.9.

    Returns
    -------
    DataFrame
        ``DAILY_CHECK_COLUMNS``: unavailabilities [1], ``tests_a_year`` of one vehicle and what
        they cost, ``least_daily_check``: the least chance tried that meets the target with the
        daily check alone, demands a year of one vehicle that meet an unnoticed fault.
    """
    rows = []
    unit = clock_symbol(parts.study.clock)
    reports = report_rates(parts.chosen.settings, parts.items)
    for i, one in enumerate(parts.chosen.settings):
        drawn = np.isfinite(parts.found.shape[i]).all() and np.isfinite(parts.found.scale[i]).all()
        ages = ages_of(parts.items, i)
        if one.evident or not drawn or not len(ages):
            continue
        use = float(parts.items.loc[parts.items["stratum"] == i, "rate"].mean())
        if not use > 0:
            continue

        def dark(chance: float, stratum: int = i, day: float = use) -> float:
            return _dark_share(parts, stratum, day, chance, float(reports[stratum]))

        row = intervals.iloc[i]
        target = one.target_unavailability
        least = next((float(p) for p in TRIED if dark(float(p)) <= target), float("nan"))
        every = float(row["interval"])
        tests = use * _DAYS_A_YEAR / every if every > 0 else float("nan")
        demands = one.demands_per_day * _DAYS_A_YEAR
        for chance in (one.daily_check,) if one.daily_check > 0 else ASKED:
            daily = dark(chance)
            rows.append(
                {
                    "component": row["component"],
                    "location": row["location"],
                    "target_unavailability": target,
                    "test_interval": every,
                    "unavailability_tests": float(row["unavailability"]),
                    "tests_a_year": tests,
                    "cost_tests_a_year": tests * one.cost_check,
                    "daily_check": chance,
                    "unavailability_daily": daily,
                    "least_daily_check": least if target > 0 else float("nan"),
                    "demands_on_fault_tests": demands * float(row["unavailability"]),
                    "demands_on_fault_daily": demands * daily,
                    "verdict": _verdict(one, row, (chance, daily), least, unit),
                }
            )
    return pd.DataFrame(rows, columns=list(DAILY_CHECK_COLUMNS)) if rows else pd.DataFrame()


def _dark_share(parts: PlanParts, i: int, day: float, chance: float, reported: float) -> float:
    """Share of time dark and unreported with a daily check that finds a fault with a chance.

    A check each day finds a fault after 1 / chance - 1/2 days on average: taken as a constant
    rate of reports, in a span long enough for the start from good items to be made up for.
    """
    rate = reported + 1 / ((1 / chance - 0.5) * day)
    span = SPAN / rate
    found = unavailability_draws(
        parts.found,
        parts.chosen.settings[i],
        ages_of(parts.items, i),
        i,
        span,
        report_rate=rate,
        detection=1.0,
        harm=0.0,
    )
    settled = 1 + np.expm1(-SPAN) / SPAN
    return float("nan") if found is None else min(float(found.mean()) / settled, 1.0)


def _verdict(
    one: StratumSettings, row: pd.Series, daily: tuple[float, float], least: float, unit: str
) -> str:
    """Which of the two keeps the view from being dark unnoticed, in a sentence."""
    chance, dark = daily
    target, tests = one.target_unavailability, float(row["unavailability"])
    every = float(row["interval"])
    parts = []
    if target > 0 and np.isnan(least):
        parts.append("no daily check meets the target alone")
    elif target > 0:
        parts.append(
            "a daily check meets the target alone if it finds and reports at least "
            f"{_percent(least)} of the faults each day"
        )
    if not every > 0:
        parts.append("no test is planned")
    elif np.isfinite(tests) and tests > 0:
        ratio = dark / tests
        workshop = f"a test every {every:,.0f} {unit}"
        parts.append(
            f"at {_percent(chance)} it leaves {_times(1 / ratio)} less dark time than {workshop}"
            if ratio < 1
            else f"{workshop} leaves {_times(ratio)} less dark time than one at {_percent(chance)}"
        )
    return "; ".join(parts)


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _times(ratio: float) -> str:
    return f"{ratio:.0f} times" if ratio >= 10 else f"{ratio:.1f} times"


VIEW_COLUMNS = (
    "view",
    "vehicles",
    "vehicle_count",
    "items",
    "hidden_items",
    "unavailability",
    "unavailability_own",
    "unavailability_shared",
    "shared_items",
    "target_unavailability",
    "meets_target",
    "weakest",
    "verdict",
)


def view_chains(intervals: pd.DataFrame, parts: PlanParts) -> pd.DataFrame:
    """Return how long each view of the study is dark unnoticed: the chain of its items.

    An item whose failure shows at once adds nothing: the vehicle is not used for this work
    then. Items that several views share make those views fail together: their part stands
    apart, and chains of several views must not be multiplied.
    """
    rows = [_view(view, intervals, parts) for view in parts.study.views]
    return pd.DataFrame(rows, columns=list(VIEW_COLUMNS)) if rows else pd.DataFrame()


def _view(view: View, intervals: pd.DataFrame, parts: PlanParts) -> dict[str, object]:
    vehicles = matching_vehicles(parts.log.fitments, view.where)
    here = parts.items[parts.items["vehicle"].isin(vehicles) & (parts.items["stratum"] >= 0)]
    found = [(item, _stratum_of(item, here)) for item in view.items]
    missing = [item.component for item, stratum in found if stratum < 0]
    hidden = [
        (item, stratum)
        for item, stratum in found
        if stratum >= 0 and not parts.chosen.settings[stratum].evident
    ]
    dark = {stratum: float(intervals["unavailability"].iloc[stratum]) for _, stratum in hidden}
    known = {s: u for s, u in dark.items() if np.isfinite(u)}
    own = [u for s, u in known.items() if not _shared(found, s)]
    shared = [u for s, u in known.items() if _shared(found, s)]
    whole = float(chain_unavailability([*known.values()])) if known else float("nan")
    target = view.target_unavailability if view.target_unavailability is not None else np.nan
    complete = len(known) == len(dark) and not missing
    meets = bool(whole <= target) if np.isfinite(target) and known and complete else None
    weakest = max(known, key=lambda s: known[s]) if known else -1
    return {
        "view": view.name,
        "vehicles": ", ".join("/".join(v) for v in view.where.values()) or "all vehicles",
        "vehicle_count": here["vehicle"].nunique(),
        "items": len(view.items),
        "hidden_items": len(dark),
        "unavailability": whole,
        "unavailability_own": float(chain_unavailability(own)) if own else 0.0,
        "unavailability_shared": float(chain_unavailability(shared)) if shared else 0.0,
        "shared_items": ", ".join(item.component for item in view.items if item.shared),
        "target_unavailability": target,
        "meets_target": "" if meets is None else "yes" if meets else "no",
        "weakest": "" if weakest < 0 else _name(intervals.iloc[weakest]),
        "verdict": _view_words(missing, dark, known, meets),
    }


def _shared(found: list[tuple[ViewItem, int]], stratum: int) -> bool:
    return any(item.shared for item, own in found if own == stratum)


def _stratum_of(item: ViewItem, here: pd.DataFrame) -> int:
    """Stratum with most items of a component, at a location where one is named; -1: none."""
    named = (here["component"] == item.component) | (
        here["component"].map(base_component) == item.component
    )
    if item.location is not None:
        named &= (here["location"] == item.location) | (here["place"] == item.location)
    counts = here.loc[named, "stratum"].value_counts()
    return int(counts.index[0]) if len(counts) else -1


def _name(row: pd.Series) -> str:
    return ", ".join(part for part in (str(row["component"]), str(row["location"])) if part)


def _view_words(
    missing: list[str], dark: dict[int, float], known: dict[int, float], meets: bool | None
) -> str:
    if missing:
        return f"not in service on these vehicles: {', '.join(missing)}"
    if not dark:
        return "every failure of this view shows at once: nothing is dark unnoticed"
    if len(known) < len(dark):
        return f"{len(dark) - len(known)} of its hidden items have no test yet: not bounded"
    if meets is None:
        return "no target was stated for the whole view"
    return (
        "the whole chain meets its target"
        if meets
        else "the chain misses its target though each item may meet its own: tighten the weakest"
    )
