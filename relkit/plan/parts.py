"""The steps of a plan before its tables are written: lives, evidence, choices, visits.

Layer: plan. What-ifs and further tables start from these, so that nothing is computed twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from relkit.decisions.delay_time import DelayTime
from relkit.lives.table import LifeTables, life_tables
from relkit.logbook.read import RepairLog
from relkit.plan.choices import Choices, choices
from relkit.plan.due import last_tests
from relkit.plan.evidence import Evidence, evidence
from relkit.plan.present_items import present_items
from relkit.plan.scheduling import scheduled_visits
from relkit.plan.stratum_settings import place_of
from relkit.plan.usage import ServiceGrid, service_grids, usage_rates
from relkit.plan.use_ahead import UseAhead, use_ahead
from relkit.plan.warning_times import delay_times
from relkit.study.settings import Study

__all__ = ["PlanParts", "decided", "decided_on", "parts_of"]


@dataclass(frozen=True, slots=True, eq=False)
class PlanParts:
    """What each step of a plan hands to the next."""

    study: Study
    log: RepairLog
    tables: LifeTables  #: lives, row classes, findings, meters
    found: Evidence  #: fits, curves, parameter draws per stratum
    rates: pd.DataFrame  #: use per day of each vehicle, in each counter
    items: pd.DataFrame  #: one row per position: the item in it now, its age, its stratum
    chosen: Choices  #: task and interval per stratum
    grids: tuple[ServiceGrid, ...]  #: services with their mean spacing
    visits: pd.DataFrame  #: chosen intervals set on the service grids
    #: (component, place) -> delay from visible defect to failure that the log tells
    delays: Mapping[tuple[str, str], DelayTime] = field(default_factory=dict)
    ahead: UseAhead | None = None  #: use of each vehicle over the year ahead, by season


def parts_of(
    log: RepairLog, study: Study, progress: Callable[[str], None] | None = None
) -> PlanParts:
    """Return the steps of a plan for a log that was read.

    Raises
    ------
    InputError
        There is no register, or nothing in the log can be used: the message names the mend.
    """
    say = progress or (lambda _: None)
    say("building lives")
    tables = life_tables(log, study, progress=progress)
    found = evidence(tables.lives, study, progress=progress)
    say("choosing tasks and intervals")
    return decided(log, study, tables, found)


def decided(log: RepairLog, study: Study, tables: LifeTables, found: Evidence) -> PlanParts:
    """Return the steps of a plan from its lives and fits on: choices and visits.

    A study that differs from the one behind ``tables`` and ``found`` in costs, functions,
    services, rules or decision settings only can be decided again without reading or fitting.
    """
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
    delays = delay_times(found.lives, log.inspections, study)
    chosen = choices(found, items, study, rates.mean(), delays)
    grids = service_grids(study, log.fitments, rates)
    visits = scheduled_visits(found, chosen, items, grids, rates, log.fitments, study)
    return PlanParts(
        study=study,
        log=log,
        tables=tables,
        found=found,
        rates=rates,
        items=items,
        chosen=chosen,
        grids=grids,
        visits=visits,
        delays=delays,
        ahead=use_ahead(tables.meters, rates, study.clock, pd.Timestamp(tables.observed_until)),
    )


def decided_on(parts: PlanParts, found: Evidence) -> PlanParts:
    """Return the steps decided again on other evidence about the same items in service.

    Parameters
    ----------
    parts : PlanParts
        Steps of a plan.
    found : Evidence
        Fits and draws in place of those of ``parts``; its strata may be fewer or others.
    """
    study, fitments = parts.study, parts.log.fitments
    items = parts.items.assign(stratum=_strata_of(parts.items, found.fits, list(study.by)))
    chosen = choices(found, items, study, parts.rates.mean(), parts.delays)
    visits = scheduled_visits(found, chosen, items, parts.grids, parts.rates, fitments, study)
    return replace(parts, found=found, items=items, chosen=chosen, visits=visits)


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
