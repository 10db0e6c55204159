"""What the user's rules ask for besides an item's own task: at which service, and when it is due.

Layer: plan. A rule stands whatever the evidence says; it is shown beside the tasks, not in them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.decisions.due_list import DueState, due_list
from relkit.decisions.schedule import interval_by_target
from relkit.plan.choices import Choices
from relkit.plan.due import dates_ahead
from relkit.plan.scheduling import TESTS, rule_maximum
from relkit.plan.stratum_settings import stratum_settings
from relkit.plan.usage import ServiceGrid, matching_vehicles
from relkit.study.settings import MaintenanceRule, Study

__all__ = ["RULE_TASKS", "items_under", "rule_due", "rule_visits"]

#: Name of the task in visits and due list, by what the rule asks for.
RULE_TASKS = {"test": "rule check", "replace": "rule replacement"}
#: So many kinds of item are named one by one; more are counted.
NAMED = 2


@dataclass(frozen=True, slots=True, eq=False)
class _Check:
    """One rule's demand: rules of one name and task count as one, the tightest entry holding."""

    name: str
    task: str  #: one of the values of ``RULE_TASKS``
    rules: tuple[MaintenanceRule, ...]
    items: pd.DataFrame  #: positions in service that the rule holds for, with ``kind``


def items_under(
    rule: MaintenanceRule, items: pd.DataFrame, fitments: pd.DataFrame, study: Study
) -> NDArray[np.bool_]:
    """Positions that a rule holds for, by their own component, place and vehicle.

    Parameters
    ----------
    rule : MaintenanceRule
        A rule of the study.
    items : DataFrame
        Positions in service with ``place``.
    fitments, study
        The register and the study.
    """
    pairs = items[["component", "place"]].drop_duplicates()
    asked = [
        rule in stratum_settings(study, component, place).rules
        for component, place in zip(pairs["component"], pairs["place"], strict=True)
    ]
    held = pd.MultiIndex.from_frame(items[["component", "place"]]).isin(
        pd.MultiIndex.from_frame(pairs[np.array(asked, dtype=np.bool_)])
    )
    vehicles = items["vehicle"].isin(matching_vehicles(fitments, rule.where)).to_numpy()
    return np.asarray(held & vehicles, dtype=np.bool_)


def _checks(
    chosen: Choices, items: pd.DataFrame, fitments: pd.DataFrame, study: Study
) -> Iterator[_Check]:
    """Demands of the rules that no scheduled interval holds already."""
    stratum = items["stratum"].to_numpy(dtype=np.int64)
    kind = items["component"] + (", " + items["place"]).where(items["place"] != "", "")
    for name, task in dict.fromkeys((rule.name, rule.task) for rule in study.rules):
        rules = tuple(rule for rule in study.rules if (rule.name, rule.task) == (name, task))
        held = np.zeros(len(items), dtype=np.bool_)
        for rule in rules:
            held |= items_under(rule, items, fitments, study) & ~_scheduled(chosen, rule)[stratum]
        if held.any():
            yield _Check(name, RULE_TASKS[task], rules, items[held].assign(kind=kind[held]))


def _scheduled(chosen: Choices, rule: MaintenanceRule) -> NDArray[np.bool_]:
    """Strata whose own interval is held under the rule; a last False for items of none."""
    own = [
        rule in settings.rules
        and (task in TESTS if rule.task == "test" else task == "planned replacement")
        for settings, task in zip(chosen.settings, chosen.triage.task.tolist(), strict=True)
    ]
    return np.array([*own, False], dtype=np.bool_)


def _in_words(kinds: pd.Series) -> str:
    """Which items: named one by one, or counted where there are many."""
    named = sorted(set(kinds))
    return "; ".join(named) if len(named) <= NAMED else f"{len(named)} kinds of item"


def rule_visits(
    chosen: Choices,
    items: pd.DataFrame,
    grids: Sequence[ServiceGrid],
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
) -> pd.DataFrame:
    """Return what rules ask for at each service, in the form of the plan's visits.

    Parameters
    ----------
    chosen : Choices
        Settings and tasks by stratum.
    items : DataFrame
        Positions in service with ``stratum`` (-1: none) and ``place``.
    grids : sequence of ServiceGrid
        The services.
    rates, fitments, study
        Use per day by vehicle, the register and the study.
    """
    rows = []
    for check in _checks(chosen, items, fitments, study):
        left = set(check.items["vehicle"])
        for grid in grids:
            names = frozenset(left & grid.vehicles)
            if names:
                rows.append(_visit(check, names, grid, rates, fitments, study.clock))
                left -= names
        if left:
            rows.append(_visit(check, frozenset(left), None, rates, fitments, study.clock))
    return pd.DataFrame([row for row in rows if np.isfinite(row["interval"])])


def _visit(
    check: _Check,
    vehicles: frozenset[str],
    grid: ServiceGrid | None,
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    clock: str,
) -> dict[str, str | int | float]:
    here = check.items[check.items["vehicle"].isin(vehicles)]
    maximum, _ = rule_maximum(check.rules, vehicles, rates, fitments, clock)
    spacing = grid.spacing if grid else np.nan
    fitted = interval_by_target(np.nan, spacing=spacing, maximum=maximum)
    interval = float(fitted.interval[0])
    rate = float(rates.loc[sorted(vehicles), clock].mean())
    return {
        "vehicles": grid.label if grid else "vehicles without a service",
        "service": grid.name if grid else "",
        "component": _in_words(here["kind"]),
        "location": "",
        "task": check.task,
        "every_nth": int(fitted.every_nth[0]),
        "interval": interval,
        "interval_days": interval / rate if rate > 0 else np.nan,
        "vehicle_count": len(vehicles),
        "positions": len(here),
        "binding": "rule",
        "rule": check.name,
        "status": str(fitted.status[0]),
        "mend": str(fitted.mend[0]),
        "why": f'the rule "{check.name}" ({check.rules[0].authority}) asks for it',
    }


def rule_due(
    chosen: Choices,
    items: pd.DataFrame,
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
    until: pd.Timestamp,
) -> pd.DataFrame:
    """Next due date by rule of each vehicle, in the form of the plan's due list.

    The vehicle's item whose last good test, or whose fitting, lies farthest back counts.
    Parameters as for :func:`rule_visits`; ``until`` is the day that the list is made for.
    """
    tables = []
    for check in _checks(chosen, items, fitments, study):
        replaced = check.task == RULE_TASKS["replace"]
        fitted_on = check.items["fitted_on"].where(check.items["age"].notna())
        done_on = fitted_on if replaced else check.items["last_test"]
        groups = check.items.assign(done_on=done_on).groupby("vehicle")
        done = groups["done_on"].min().where(groups["done_on"].count() == groups.size())
        first = groups.first()
        most = [
            rule_maximum(check.rules, frozenset({str(v)}), rates, fitments, "days")[0]
            for v in done.index
        ]
        since = ((until - done).dt.total_seconds() / 86400).clip(lower=0.0)
        result = due_list(
            0.0,
            0.0,
            np.nan,
            use_per_day=1.0,
            use_per_day_low=1.0,
            use_per_day_high=1.0,
            days_since_done=since.to_numpy(dtype=float),
            calendar_maximum=np.array(most),
            soon=_SOON_DAYS,
        )
        due_on = dates_ahead(until, result.days)
        unknown = (result.state == "never tested") & replaced
        tables.append(
            first.drop(columns=["age"]).assign(
                component=groups["kind"].agg(_in_words),
                location="",
                item="",
                task=check.task,
                due_on=due_on.to_numpy(),
                due_on_earliest=due_on.to_numpy(),
                due_on_latest=due_on.to_numpy(),
                limit=f"rule: {check.name}",
                state=np.where(unknown, "age unknown", result.state),
                urgency=np.where(unknown, DUE_STATES.index("age unknown"), result.urgency),
                last_test=groups["last_test"].min(),
                last_done=done.to_numpy(),
                maximum_days=np.array(most),
                opened_by="",
            )
        )
    return pd.concat(tables).reset_index() if tables else pd.DataFrame()


DUE_STATES = get_args(DueState)
#: A rule's demand counts as due within so many days: time to plan the visit [d].
_SOON_DAYS = 30.0
