"""Tests that the user's rules ask for where the item's own task is no test: when they are due.

Layer: plan. A rule stands whatever the evidence says; it is shown beside the tasks, not in them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from relkit.decisions.due_list import due_list
from relkit.decisions.schedule import interval_by_target
from relkit.plan.choices import Choices
from relkit.plan.due import dates_ahead
from relkit.plan.scheduling import TESTS, rule_maximum
from relkit.plan.usage import ServiceGrid, matching_vehicles
from relkit.study.settings import MaintenanceRule, Study

__all__ = ["RULE_CHECK", "rule_due", "rule_visits"]

#: Name of the task in visits and due list.
RULE_CHECK = "rule check"
#: So many strata are named one by one; more are counted.
NAMED = 2


@dataclass(frozen=True, slots=True, eq=False)
class _Check:
    """One rule's test: rules of one name count as one, the tightest entry holding."""

    name: str
    rules: tuple[MaintenanceRule, ...]
    items: pd.DataFrame  #: positions in service that the rule holds for, with ``kind``


def _checks(
    chosen: Choices, items: pd.DataFrame, names: Sequence[str], fitments: pd.DataFrame, study: Study
) -> Iterator[_Check]:
    asked = [rule for rule in study.rules if rule.task == "test"]
    for name in dict.fromkeys(rule.name for rule in asked):
        rules = tuple(rule for rule in asked if rule.name == name)
        held = np.zeros(len(items), dtype=np.bool_)
        for rule in rules:
            strata = [
                i
                for i, settings in enumerate(chosen.settings)
                if rule in settings.rules and chosen.triage.task[i] not in TESTS
            ]
            vehicles = matching_vehicles(fitments, rule.where)
            held |= (items["stratum"].isin(strata) & items["vehicle"].isin(vehicles)).to_numpy()
        here = items[held]
        if len(here):
            yield _Check(name, rules, here.assign(kind=[names[i] for i in here["stratum"]]))


def _in_words(kinds: pd.Series) -> str:
    """Which items: named one by one, or counted where there are many."""
    named = sorted(set(kinds))
    return "; ".join(named) if len(named) <= NAMED else f"{len(named)} kinds of item"


def rule_visits(
    chosen: Choices,
    items: pd.DataFrame,
    names: Sequence[str],
    grids: Sequence[ServiceGrid],
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
) -> pd.DataFrame:
    """Return the tests by rule at each service, in the form of the plan's visits.

    Parameters
    ----------
    chosen : Choices
        Settings and tasks by stratum.
    items : DataFrame
        Positions in service with ``stratum``.
    names : sequence of str
        Name of each stratum.
    grids : sequence of ServiceGrid
        The services.
    rates, fitments, study
        Use per day by vehicle, the register and the study.
    """
    rows = []
    for check in _checks(chosen, items, names, fitments, study):
        for grid in grids:
            here = check.items[check.items["vehicle"].isin(grid.vehicles)]
            maximum, _ = rule_maximum(check.rules, grid.vehicles, rates, fitments, study.clock)
            if here.empty or not np.isfinite(maximum):
                continue
            fitted = interval_by_target(np.nan, spacing=grid.spacing, maximum=maximum)
            rows.append(
                {
                    "vehicles": grid.label,
                    "service": grid.name,
                    "component": _in_words(here["kind"]),
                    "location": "",
                    "task": RULE_CHECK,
                    "every_nth": int(fitted.every_nth[0]),
                    "interval": float(fitted.interval[0]),
                    "interval_days": float(fitted.interval[0] * grid.spacing_days / grid.spacing),
                    "vehicle_count": int(here["vehicle"].nunique()),
                    "positions": len(here),
                    "binding": "rule",
                    "rule": check.name,
                    "status": str(fitted.status[0]),
                    "mend": str(fitted.mend[0]),
                    "why": f'the rule "{check.name}" ({check.rules[0].authority}) asks for it',
                }
            )
    return pd.DataFrame(rows)


def rule_due(
    chosen: Choices,
    items: pd.DataFrame,
    names: Sequence[str],
    rates: pd.DataFrame,
    fitments: pd.DataFrame,
    study: Study,
    until: pd.Timestamp,
) -> pd.DataFrame:
    """Next due test by rule of each vehicle, in the form of the plan's due list.

    The vehicle's item whose last good test lies farthest back counts. Parameters as for
    :func:`rule_visits`; ``until`` is the day that the list is made for.
    """
    tables = []
    for check in _checks(chosen, items, names, fitments, study):
        groups = check.items.groupby("vehicle")
        tested = groups["last_test"].min().where(groups["last_test"].count() == groups.size())
        first = groups.first()
        most = [
            rule_maximum(check.rules, frozenset({str(v)}), rates, fitments, "days")[0]
            for v in tested.index
        ]
        since = ((until - tested).dt.total_seconds() / 86400).clip(lower=0.0)
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
        tables.append(
            first.drop(columns=["age"]).assign(
                component=groups["kind"].agg(_in_words),
                location="",
                item="",
                task=RULE_CHECK,
                due_on=due_on.to_numpy(),
                due_on_earliest=due_on.to_numpy(),
                due_on_latest=due_on.to_numpy(),
                limit=f"rule: {check.name}",
                state=result.state,
                urgency=result.urgency,
                last_test=tested,
                opened_by="",
            )
        )
    return pd.concat(tables).reset_index() if tables else pd.DataFrame()


#: A test by rule counts as due within so many days: time to plan the visit [d].
_SOON_DAYS = 30.0
