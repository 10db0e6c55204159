"""The whole way for one study: log, lives, fits, decisions, one frozen plan.

Layer: plan. Each step hands on only what the next needs.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from relkit.logbook.read import read_log
from relkit.plan.decision_curves import cost_curves, unavailability_curves
from relkit.plan.due import due_columns, due_table, most_urgent_first
from relkit.plan.further import with_further_tables
from relkit.plan.idle_settings import settings_without_effect
from relkit.plan.intervals import interval_table
from relkit.plan.parts import PlanParts, parts_of
from relkit.plan.quality import data_grade, plan_warnings
from relkit.plan.result import Plan
from relkit.plan.rule_checks import rule_due, rule_visits
from relkit.plan.spares import spares_table
from relkit.study.settings import Study
from relkit.version import VERSION

__all__ = ["build_plan", "plan_of"]

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
    parts = parts_of(log, study, progress=progress)
    say("making the due list and spares")
    return with_further_tables(plan_of(parts), parts, progress=progress)


def plan_of(parts: PlanParts) -> Plan:
    """Return the plan whose steps are done: its intervals, visits, due list and spares.

    The further tables (see :func:`relkit.plan.further.with_further_tables`) are left empty.
    """
    study, log, tables, found = parts.study, parts.log, parts.tables, parts.found
    chosen, items, rates, grids = parts.chosen, parts.items, parts.rates, parts.grids
    intervals = interval_table(found, chosen, items, parts.visits, log.fitments, study)
    until = pd.Timestamp(tables.observed_until)
    keys = intervals[["component", "location", *(k for k in study.by if k not in _PLACE)]]
    by_rule = rule_visits(chosen, items, grids, rates, log.fitments, study)
    due = [
        due_table(
            found, chosen, items, parts.visits, rates, log.fitments, study, until, parts.ahead
        ),
        rule_due(chosen, items, rates, log.fitments, study, until),
    ]
    return Plan(
        study=study,
        intervals=intervals,
        visits=_public_visits(parts.visits, keys.assign(why=intervals["why"]), by_rule),
        due=most_urgent_first(due, due_columns(items, log.fitments)),
        spares=spares_table(found, items, intervals, study, until, parts.ahead, log.fitments),
        fits=found.fits,
        curves=found.curves,
        cost_curves=cost_curves(found, chosen, keys),
        unavailability_curves=unavailability_curves(found, chosen, items, keys),
        lives=found.lives,
        findings=tables.findings,
        set_aside=tables.set_aside,
        row_classes=tables.row_classes,
        files=log.files,
        changes=tables.changes,
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
