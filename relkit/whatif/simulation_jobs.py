"""The work of a block of histories, added up once it is done.

Layer: whatif. numpy and scipy.special. Counting apart from happening keeps the events fast.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import pdtrik

from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.simulation_accounts import Accounts, add, quarter_edges
from relkit.whatif.simulation_calendar import (
    DAYS_A_MONTH,
    DAYS_A_QUARTER,
    Calendar,
    reached_on,
)
from relkit.whatif.simulation_lives import DEMANDS, PLANNED, PREVENTED, REPORTED
from relkit.whatif.simulation_numbers import Keys, uniforms

__all__ = ["Jobs", "Request", "block_accounts", "day_of", "poisson_quantile"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Who asked for a spare, the stratum it counts under, when [d], and whether the shelf was empty.
Request = tuple[Integers, Integers, Floats, Bools]


@dataclass(frozen=True, slots=True, eq=False)
class Jobs:
    """Stays that ended and the work that followed; one value each."""

    who: Integers  #: history times positions, plus position
    stratum: Integers  #: that they count under
    renewal: Integers  #: number of the life at the position
    kind: NDArray[np.int8]  #: how the stay ended
    failure: Floats  #: use at which the item failed, or would have [clock]
    ended: Floats  #: use at which the stay ended [clock]
    asked: Floats  #: day on which work was asked for [d]
    begin: Floats  #: in the bay [d]; inf: not within the horizon
    done: Floats  #: [d]


@dataclass(frozen=True, slots=True, eq=False)
class _Books:
    """What counting needs to know of a block."""

    model: FleetModel
    calendar: Calendar
    accounts: Accounts
    base: Keys
    edges: Floats  #: (n_seasons, n_quarters + 1) use at the quarters' edges [mean d]


def day_of(model: FleetModel, calendar: Calendar, place: Integers, use: Floats) -> Floats:
    """Day on which positions' vehicles have reached some use; inf beyond the horizon [d]."""
    per_day = model.use_per_day[place]
    moves = per_day > 0
    run = np.where(moves, use / np.where(moves, per_day, 1.0), np.inf)
    return reached_on(calendar, model.season[place], run)


def block_accounts(
    model: FleetModel,
    calendar: Calendar,
    base: Keys,
    size: tuple[int, int, int],
    *,
    jobs: Sequence[Jobs],
    still_open: Jobs,
    requests: Sequence[Request],
) -> Accounts:
    """Totals of a block.

    Parameters
    ----------
    model, calendar, base
        Of the block.
    size : tuple of int
        Histories, strata and quarters.
    jobs : sequence of Jobs
        Stays that ended, with work that began or still waits for a spare.
    still_open : Jobs
        Stays of hidden items that had not ended by the horizon.
    requests : sequence
        Spares that were asked for.
    """
    books = _Books(model, calendar, Accounts(size=size), base, quarter_edges(calendar, size[2]))
    _count(books, _joined(jobs))
    _count_open(books, still_open)
    if requests:
        who, stratum, asked, empty = (np.concatenate(p) for p in zip(*requests, strict=True))
        row = _row(books, who, stratum)
        add(books.accounts, "requests", row, asked)
        add(books.accounts, "stock_outs", row, asked, empty)
    return books.accounts


def _joined(parts: Sequence[Jobs]) -> Jobs:
    return Jobs(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Jobs)}
    )


def _row(books: _Books, who: Integers, stratum: Integers) -> Integers:
    """History times strata, plus the stratum."""
    return np.asarray(who // books.model.positions * books.accounts.size[1] + stratum)


def _count(books: _Books, jobs: Jobs) -> None:
    """Add up failures, planned work, waiting and money."""
    model, accounts, end = books.model, books.accounts, books.calendar.horizon
    place, row = jobs.who % model.positions, _row(books, jobs.who, jobs.stratum)
    failed_on = day_of(model, books.calendar, place, jobs.failure)
    hidden, kind = model.hidden[place], jobs.kind
    planned = (kind == PLANNED) | (kind == PREVENTED)
    # an item that was to be taken out runs on while it waits; a hidden failure ends by any end
    too_late = planned & ~hidden & (failed_on < np.minimum(jobs.begin, end))
    found = hidden & (jobs.failure <= jobs.ended)
    failed = ~planned | too_late | found
    known = np.where(too_late, failed_on, jobs.asked)
    happened = np.where(hidden, failed_on, known)
    add(accounts, "failures", row[failed], happened[failed])
    add(accounts, "found", row[found], known[found])
    for name, which in (("planned", kind == PLANNED), ("prevented", kind == PREVENTED)):
        done = which & ~failed & (jobs.begin < end)
        add(accounts, name, row[done], jobs.begin[done])
        add(accounts, "cost", row[done], jobs.begin[done], model.cost_planned[place[done]])
    worked = jobs.begin < end
    add(accounts, "bay_hours", row[worked], jobs.begin[worked], model.repair_hours[place[worked]])
    down = 24 * (np.minimum(jobs.done, end) - known)
    month = (model.start_month + known / DAYS_A_MONTH) % 12
    money = model.cost_failure[place] + model.cost_downtime[place] * down
    money *= model.failure_cost_by_month[np.minimum(month.astype(np.int64), 11)]
    add(accounts, "downtime", row[failed], known[failed], down[failed])
    add(accounts, "cost", row[failed], known[failed], money[failed])
    dark = np.flatnonzero(found)
    _count_hidden(books, jobs, dark, jobs.ended[dark], known[dark])


def _count_open(books: _Books, jobs: Jobs) -> None:
    """Add up hidden failures that nobody has found by the end of the horizon."""
    model, end = books.model, books.calendar.horizon
    place = jobs.who % model.positions
    failed_on = day_of(model, books.calendar, place, jobs.failure)
    still = np.flatnonzero((failed_on < end) & (jobs.ended > jobs.failure))
    add(
        books.accounts,
        "failures",
        _row(books, jobs.who[still], jobs.stratum[still]),
        failed_on[still],
    )
    place = place[still]
    at_end = model.use_per_day[place] * books.edges[model.season[place], -1]
    last = np.full(len(still), np.nextafter(end, 0.0))
    _count_hidden(books, jobs, still, at_end, last)


def _count_hidden(books: _Books, jobs: Jobs, which: Integers, ended: Floats, known: Floats) -> None:
    """Spread the use with a hidden failure over its quarters; count the demands on it."""
    model, accounts = books.model, books.accounts
    who, failure = jobs.who[which], jobs.failure[which]
    place, row = who % model.positions, _row(books, who, jobs.stratum[which])
    per_day, season = model.use_per_day[place], model.season[place]
    first = day_of(model, books.calendar, place, failure) // DAYS_A_QUARTER
    last = known // DAYS_A_QUARTER
    for quarter in range(accounts.size[2]):
        here = np.flatnonzero((first <= quarter) & (quarter <= last))
        edge = per_day[here, None] * books.edges[season[here], quarter : quarter + 2]
        spent = np.minimum(ended[here], edge[:, 1]) - np.maximum(failure[here], edge[:, 0])
        spent = np.maximum(spent, 0.0)  # the last digit of an edge
        middle = np.full(len(here), (quarter + 0.5) * DAYS_A_QUARTER)
        add(accounts, "hidden", row[here], middle, spent)
        add(accounts, "cost", row[here], middle, spent * model.cost_hidden[place[here]])
    unseen = (ended - failure) * model.demand_rate[place] * (1 - model.report_share[place])
    luck = uniforms(books.base[who], jobs.renewal[which], DEMANDS)
    demands = poisson_quantile(luck, np.maximum(unseen, 0.0))
    # the demand that was reported counts as well
    demands += (jobs.kind[which] == REPORTED) & (ended == jobs.ended[which])
    add(accounts, "dark_demands", row, known, demands)


def poisson_quantile(probability: Floats, mean: Floats) -> Floats:
    """Least counts whose Poisson distribution function reaches a probability."""
    nothing = probability <= np.exp(-mean)
    found = pdtrik(np.where(nothing, 0.5, probability), np.where(nothing, 1.0, mean))
    return np.where(nothing, 0.0, np.ceil(np.maximum(found, 0.0)))
