"""The whole way for one study: log, lives, fits, decisions, one frozen plan.

Layer: plan. Each step hands on only what the next needs.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from relkit.lives.table import life_tables
from relkit.logbook.read import read_log
from relkit.plan.choices import choices
from relkit.plan.decision_curves import cost_curves, unavailability_curves
from relkit.plan.due import due_columns, due_table, last_tests, most_urgent_first
from relkit.plan.evidence import evidence
from relkit.plan.idle_settings import settings_without_effect
from relkit.plan.intervals import interval_table
from relkit.plan.present_items import present_items
from relkit.plan.quality import data_grade, plan_warnings
from relkit.plan.result import Plan
from relkit.plan.rule_checks import rule_due, rule_visits
from relkit.plan.scheduling import scheduled_visits
from relkit.plan.spares import spares_table
from relkit.plan.stratum_settings import place_of
from relkit.plan.usage import service_grids, usage_rates
from relkit.study.settings import Study
from relkit.version import VERSION

__all__ = ["build_plan"]

#: Months after which a plan should be made afresh: ages and counts have moved on by then.
REDO_AFTER_MONTHS = 6


def build_plan(study: Study, progress: Callable[[str], None] | None = None) -> Plan:
    """Plan of a study: what fails where and how soon, what to do when, and why.

    Parameters
    ----------
    study : Study
        As read by :func:`relkit.read_study`.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    Plan
        The same study and files always give the same plan.

    Raises
    ------
    InputError
        A file cannot be used, or there is no register: file, row, column, value and the mend.
    """
    say = progress or (lambda _: None)
    say("reading the log")
    log = read_log(study, progress=progress)
    say("building lives")
    tables = life_tables(log, study, progress=progress)
    found = evidence(tables.lives, study, progress=progress)
    say("choosing tasks and intervals")
    rates = usage_rates(tables.meters, log.fitments["vehicle"], study.clock)
    items = present_items(
        tables.lives, log.fitments, rates, study.clock, removals=_removals(log.jobs, study)
    )
    items["place"] = [
        place_of(component, location, study.location_groups)
        for component, location in zip(items["component"], items["location"], strict=True)
    ]
    items["stratum"] = _strata_of(items, found.fits, list(study.by))
    items["last_test"] = last_tests(items, log.inspections, pd.Timestamp(tables.observed_from))
    chosen = choices(found, items, study, rates.mean())
    grids = service_grids(study, log.fitments, rates)
    visits = scheduled_visits(found, chosen, items, grids, rates, log.fitments, study)
    intervals = interval_table(found, chosen, items, visits, log.fitments, study)
    say("making the due list and spares")
    until = pd.Timestamp(tables.observed_until)
    keys = intervals[["component", "location", *(k for k in study.by if k not in _PLACE)]]
    by_rule = rule_visits(chosen, items, grids, rates, log.fitments, study)
    due = [
        due_table(found, chosen, items, visits, rates, log.fitments, study, until),
        rule_due(chosen, items, rates, log.fitments, study, until),
    ]
    return Plan(
        study=study,
        intervals=intervals,
        visits=_public_visits(visits, keys.assign(why=intervals["why"]), by_rule),
        due=most_urgent_first(due, due_columns(items, log.fitments)),
        spares=spares_table(found, items, intervals, study, until),
        fits=found.fits,
        curves=found.curves,
        cost_curves=cost_curves(found, chosen, keys),
        unavailability_curves=unavailability_curves(found, chosen, items, keys),
        lives=found.lives,
        findings=tables.findings,
        set_aside=tables.set_aside,
        row_classes=tables.row_classes,
        files=log.files,
        observed_from=pd.Timestamp(tables.observed_from).to_pydatetime(),
        observed_until=until.to_pydatetime(),
        version=VERSION,
        warnings=(
            *settings_without_effect(items, grids, rates, log.fitments, study),
            *plan_warnings(study, intervals, items),
        ),
        data_grade=data_grade(tables.lives, tables.row_classes, tables.findings),
        redo_after=(until + pd.DateOffset(months=REDO_AFTER_MONTHS)).to_pydatetime(),
    )


_PLACE = ("component", "location")


def _removals(jobs: pd.DataFrame, study: Study) -> frozenset[str]:
    """Rows of the log that took an item out and put none in."""
    actions = study.treatments.actions
    out = [name for name, action in actions.items() if action.effect == "removed"]
    return frozenset(jobs.loc[jobs["action"].isin(out), "source"])


def _strata_of(items: pd.DataFrame, fits: pd.DataFrame, by: list[str]) -> np.ndarray:
    """Row of the fits that each position belongs to; -1 where its stratum has no life."""
    table = items.assign(location=items["place"])
    index = pd.MultiIndex.from_frame(fits[by].astype(str))
    return index.get_indexer(pd.MultiIndex.from_frame(table[by].astype(str)))


def _public_visits(visits: pd.DataFrame, keys: pd.DataFrame, by_rule: pd.DataFrame) -> pd.DataFrame:
    """Visits with their strata's names, by vehicles, service and task."""
    names = ["vehicles", "service", *keys.columns.drop("why"), *_VISIT_COLUMNS]
    own = visits.join(keys, on="stratum")
    own["rule"] = own["rule"].where(own["binding"] == "rule", "")
    whole = pd.concat([own, by_rule]) if len(by_rule) else own
    order = ["vehicles", "service", "every_nth", "task", "component", "location"]
    return whole.sort_values(order, kind="stable").reindex(columns=names).reset_index(drop=True)


_VISIT_COLUMNS = (
    "task",
    "every_nth",
    "interval",
    "interval_days",
    "vehicle_count",
    "positions",
    "binding",
    "rule",
    "status",
    "mend",
    "cost_penalty",
    "why",
)
