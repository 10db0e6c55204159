"""The interval table: evidence, task, interval, range and reasons, one row per stratum.

Layer: plan. Puts together what fits, choices and scheduling gave.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.replacement_uncertainty import averaged_cost_rate
from relkit.plan.choices import Choices
from relkit.plan.evidence import Evidence
from relkit.plan.hidden import report_rates
from relkit.plan.interval_notes import interval_notes
from relkit.plan.reasons import (
    IntervalCase,
    evidence_words,
    rule_words,
    why_not_longer,
    why_not_shorter,
)
from relkit.plan.scheduling import TESTS
from relkit.plan.unavailability import unavailability_draws
from relkit.plan.usage import matching_vehicles
from relkit.study.settings import MaintenanceRule, Study
from relkit.survival.rates import failure_rates
from relkit.units import clock_symbol

__all__ = ["interval_table"]

Floats = NDArray[np.float64]

#: From limits this far off the fitted scale on, the table says in words how far (own choice).
WIDE = 0.15

_FROM_FITS = (
    "lives",
    "failures",
    "exposure",
    "shape",
    "shape_lower",
    "shape_upper",
    "scale",
    "scale_lower",
    "scale_upper",
    "b10",
    "b10_lower",
    "b10_upper",
    "probability_of_wear",
    "shape_source",
    "status",
)
_FROM_REPLACEMENT = (
    "span_lower",
    "span_upper",
    "wide_span_lower",
    "wide_span_upper",
    "saving",
    "saving_lower",
    "saving_upper",
    "probability_of_saving",
    "cost_rate",
    "run_to_failure_cost_rate",
)


def interval_table(
    found: Evidence,
    chosen: Choices,
    items: pd.DataFrame,
    visits: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
) -> pd.DataFrame:
    """One row per stratum, in the order of the fits; the columns are listed in ``Plan``."""
    main = _main_visit(visits, len(found.fits))
    table = found.fits[list(study.by)].copy()
    for name in ("component", "location"):
        if name not in table:
            table[name] = ""
    here = items[items["stratum"] >= 0]
    table["positions"] = _count(here["stratum"], len(table))
    for name in _FROM_FITS:
        table[name] = found.fits[name]
    for name, values in _rates(table, study.decision.confidence_level).items():
        table[name] = values
    table["masked_failures"] = _masked(found)
    table["evidence"] = [
        evidence_words(f, n, str(s))
        for f, n, s in zip(table["failures"], table["lives"], table["shape_source"], strict=True)
    ]
    table["task"] = chosen.triage.task
    table["interval"] = main["interval"].to_numpy()
    table["interval_lower"] = _or_nan(chosen.lower)
    table["interval_upper"] = _or_nan(chosen.upper)
    table["best_interval"] = _or_nan(chosen.best)
    for name in _FROM_REPLACEMENT:
        table[name] = _of(chosen.replacement, name, chosen.replacement_row)
    table["binding"] = _binding(main)
    table["schedule"] = _schedules(visits, len(table), study.clock)
    table["conflict"] = _conflicts(visits, len(table))
    table["evident"] = [s.evident for s in chosen.settings]
    table["safety"] = [s.safety for s in chosen.settings]
    table["target_unavailability"] = [s.target_unavailability for s in chosen.settings]
    table["unavailability"] = _unavailability(here, table, found, chosen)
    table["why"] = chosen.triage.reason
    cases = _cases(found, chosen, table, main, study.clock)
    table["why_not_longer"] = [why_not_longer(case) for case in cases]
    table["why_not_shorter"] = [why_not_shorter(case) for case in cases]
    table["rule_check"] = [
        rule_words(_rules_here(s.rules, here.loc[here["stratum"] == i, "vehicle"], fitments), task)
        for i, (s, task) in enumerate(zip(chosen.settings, table["task"], strict=True))
    ]
    table["refused"] = [
        "; ".join(text for text in row if text) for row in chosen.triage.refusals.tolist()
    ]
    table["warnings"] = _warnings(table, here, found)
    return table.join(interval_notes(found, chosen, table, study))


def _rules_here(
    rules: tuple[MaintenanceRule, ...], vehicles: pd.Series, fitments: pd.DataFrame
) -> tuple[MaintenanceRule, ...]:
    """Rules that hold for at least one of the vehicles."""
    names = set(vehicles)
    return tuple(rule for rule in rules if names & matching_vehicles(fitments, rule.where))


def _main_visit(visits: pd.DataFrame, count: int) -> pd.DataFrame:
    """Return the service with most positions of each stratum; blank where there is none."""
    ordered = visits.sort_values(["stratum", "positions"], ascending=[True, False], kind="stable")
    return ordered.drop_duplicates("stratum").set_index("stratum").reindex(range(count))


def _count(stratum: pd.Series, count: int) -> NDArray[np.int64]:
    counts = np.zeros(count, dtype=np.int64)
    np.add.at(counts, stratum.to_numpy(dtype=np.int64), 1)
    return counts


def _rates(table: pd.DataFrame, confidence_level: float) -> dict[str, Floats]:
    """Failures per clock unit with exact limits; NaN without exposure."""
    exposure = table["exposure"].to_numpy(dtype=float)
    seen = exposure > 0
    found = failure_rates(
        table["failures"].to_numpy(dtype=float)[seen],
        exposure[seen],
        confidence_level=confidence_level,
    )
    rates = {name: np.full(len(table), np.nan) for name in ("rate", "rate_lower", "rate_upper")}
    for name, values in zip(rates, (found.rate, found.lower, found.upper), strict=True):
        rates[name][seen] = values
    return rates


def _masked(found: Evidence) -> NDArray[np.int64]:
    """Lives of each stratum that ended on a job with several candidates."""
    masked = found.lives[found.lives["masked_job"] != ""]
    keys = [name for name in found.fits.columns if name in masked.columns]
    keys = [name for name in keys if name in ("component", "location")]
    counts = masked.assign(location=masked["stratum_location"]).groupby(keys).size()
    if counts.empty:
        return np.zeros(len(found.fits), dtype=np.int64)
    index = pd.MultiIndex.from_frame(found.fits[keys]) if len(keys) > 1 else found.fits[keys[0]]
    return np.asarray(counts.reindex(index).fillna(0), dtype=np.float64).astype(np.int64)


def _or_nan(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)


def _of(result: object, name: str, row: NDArray[np.int64]) -> Floats:
    if result is None:
        return np.full(len(row), np.nan)
    return np.where(row >= 0, getattr(result, name)[row], np.nan)


def _binding(main: pd.DataFrame) -> list[str]:
    words = main["binding"].fillna("").astype(str)
    rules = main["rule"].fillna("").astype(str)
    return [
        f"rule: {rule}" if word == "rule" else word for word, rule in zip(words, rules, strict=True)
    ]


def _schedules(visits: pd.DataFrame, count: int, clock: str) -> list[str]:
    """Every service's own step in words: ``every 4th gritter service (1,000 h)``."""
    words: list[list[str]] = [[] for _ in range(count)]
    rows = visits[np.isfinite(visits["interval"])]
    columns = [rows[name].tolist() for name in ("stratum", "interval", "every_nth", "service")]
    for stratum, interval, every_nth, service in zip(*columns, strict=True):
        length = f"{interval:,.0f} {clock_symbol(clock)}"
        if every_nth > 0:
            nth = "every" if every_nth == 1 else f"every {_ordinal(every_nth)}"
            words[stratum].append(f"{nth} {service} ({length})")
        else:
            words[stratum].append(f"every {length}, off the services")
    return ["; ".join(dict.fromkeys(parts)) for parts in words]


def _ordinal(number: int) -> str:
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if 10 <= number % 100 <= 20 else ending}"


def _conflicts(visits: pd.DataFrame, count: int) -> list[str]:
    """Return what stands in the way of a schedule, for which vehicles, and the mend."""
    words: list[list[str]] = [[] for _ in range(count)]
    stated = visits[~visits["status"].isin(["ok", ""])]
    if len(stated):
        names = stated.groupby(["stratum", "status", "mend"])["vehicles"].agg(", ".join)
        for stratum, status, mend, vehicles in names.reset_index().to_numpy().tolist():
            words[stratum].append(f"{vehicles}: {status}; {mend}")
    return [". ".join(parts) for parts in words]


def _unavailability(
    here: pd.DataFrame, table: pd.DataFrame, found: Evidence, chosen: Choices
) -> Floats:
    """Mean unavailability at the interval of tested strata, over present ages and draws.

    The interval meets its target on that average, so no other average may stand beside it.
    """
    share = np.full(len(table), np.nan)
    drawn = np.asarray(np.isfinite(found.shape + found.scale).all(axis=1), dtype=np.bool_)
    tested = table["task"].isin(TESTS) & drawn & table["interval"].gt(0) & ~table["evident"]
    ages = here.dropna(subset="age").groupby("stratum")["age"]
    reports = report_rates(chosen.settings, here)
    for i in np.flatnonzero(tested):
        if i not in ages.groups:
            continue
        known = ages.get_group(i).to_numpy(dtype=float)
        every, rate = float(table["interval"].iloc[i]), float(reports[i])
        one = chosen.settings[i]
        each = unavailability_draws(found, one, known, int(i), every, report_rate=rate)
        share[i] = np.nan if each is None else each.mean()
    return share


def _cases(
    found: Evidence, chosen: Choices, table: pd.DataFrame, main: pd.DataFrame, clock: str
) -> list[IntervalCase]:
    costs = _costs_around(found, chosen, table, main)
    rules = main["rule"].fillna("").astype(str).tolist()
    numbers = table[["interval", "target_unavailability", "unavailability"]].to_numpy(dtype=float)
    spacing = main["spacing"].to_numpy(dtype=float)
    return [
        IntervalCase(
            task=str(table["task"].iloc[i]),
            interval=float(numbers[i, 0]),
            spacing=float(spacing[i]),
            binding=str(table["binding"].iloc[i]),
            rule=rules[i],
            target=float(numbers[i, 1]),
            unavailability=float(numbers[i, 2]),
            cost_here=float(costs[i, 0]),
            cost_longer=float(costs[i, 1]),
            cost_shorter=float(costs[i, 2]),
            clock=clock,
        )
        for i in range(len(table))
    ]


def _costs_around(
    found: Evidence, chosen: Choices, table: pd.DataFrame, main: pd.DataFrame
) -> Floats:
    """Average cost rate at the interval, one service later and one earlier; NaN where none."""
    costs = np.full((len(table), 3), np.nan)
    interval = table["interval"].to_numpy(dtype=float)
    step = main["spacing"].to_numpy(dtype=float)
    wanted = (table["task"] == "planned replacement").to_numpy()
    rows = np.flatnonzero(wanted & (interval > 0) & (step > 0) & (chosen.replacement_row >= 0))
    if not len(rows):
        return costs
    ages = interval[rows, None] + step[rows, None] * np.array([0.0, 1.0, -1.0])
    above = ages > 0
    values = averaged_cost_rate(
        np.where(above, ages, step[rows, None]),
        scale=found.scale[rows],
        shape=found.shape[rows],
        cost_planned=[chosen.settings[i].cost_planned for i in rows],
        cost_failure=[chosen.settings[i].cost_failure for i in rows],
    )
    costs[rows] = np.where(above, values, np.nan)
    return costs


def _warnings(table: pd.DataFrame, here: pd.DataFrame, found: Evidence) -> list[str]:
    unknown = _count(here.loc[here["age"].isna(), "stratum"], len(table))
    masked = table["masked_failures"].tolist()
    reasons = found.fits["reason"].fillna("").astype(str).tolist()
    off = _how_far_off(table)
    words = []
    for i, (positions, conflict) in enumerate(
        zip(table["positions"].tolist(), table["conflict"].tolist(), strict=True)
    ):
        parts = [reasons[i], off[i]]
        if unknown[i]:
            parts.append(f"{unknown[i]} of {positions} items have no known age")
        if masked[i]:
            parts.append(f"{masked[i]} jobs replaced several items: failures shared out")
        words.append("; ".join(part for part in [*parts, conflict] if part))
    return words


def _how_far_off(table: pd.DataFrame) -> list[str]:
    """Return between which multiples of the fitted scale the true one may lie, if far apart."""
    scale, lower, upper = (
        table[name].to_numpy(dtype=float) for name in ("scale", "scale_lower", "scale_upper")
    )
    low, high = lower / scale, upper / scale
    wide = np.isfinite(low + high) & ((low < 1 - WIDE) | (high > 1 + WIDE))
    return [
        f"the true life may be {a:.2f} to {b:,.{2 if b < 10 else 0}f} times the fitted one"
        if here
        else ""
        for a, b, here in zip(low, high, wide, strict=True)
    ]
