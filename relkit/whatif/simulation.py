"""Histories of a fleet, event by event, thousands side by side: what a plan leads to.

Layer: whatif. numpy and scipy.special; the same key and seed give the same random numbers.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from relkit.checks import generator, positive
from relkit.whatif.fleet_model import FleetModel, check_fleet
from relkit.whatif.simulation_accounts import Accounts, steady_totals
from relkit.whatif.simulation_block import (
    Block,
    new_block,
    still_open,
    still_waiting,
    work_off,
)
from relkit.whatif.simulation_calendar import DAYS_A_QUARTER, calendar_of
from relkit.whatif.simulation_jobs import block_accounts
from relkit.whatif.simulation_numbers import history_keys
from relkit.whatif.simulation_result import MEASURES, FleetHistories

__all__ = ["simulate_fleet"]

Integers = NDArray[np.int64]

#: Positions times histories worked on at once: apart from each other, and with queues.
APART, QUEUED = 150_000, 1_800_000
#: Steps in which time is gone through where positions wait for each other [d].
STEPS = (DAYS_A_QUARTER, DAYS_A_QUARTER / 7, 1.0)
#: Longest simulation [a].
LONGEST = 60.0


def simulate_fleet(
    model: FleetModel,
    *,
    years: float = 5.0,
    histories: int = 1000,
    rng: np.random.Generator | int = 1,
    counted_under: Literal["first item", "own item"] = "first item",
    workers: int = 2,
) -> FleetHistories:
    """Histories of a fleet from its present state on.

    Each position's item fails by its Weibull law, from its present age on. A failure that the
    driver notices is mended at once; a hidden one when a check or a reported demand finds it.
    Planned replacements are made at the nearest service; looks take out items whose defect shows.
    Every replacement takes a spare and bay hours and waits for both, first come first served. An
    item that was to be replaced by plan runs on while it waits, and may fail.

    Two variants of a fleet that are given the same integer ``rng`` meet the same random numbers
    at every position, renewal by renewal: their difference, history by history, varies little.

    Parameters
    ----------
    model : FleetModel
        The fleet; history h takes column h % n_draws of its shapes and scales.
    years : float
        Length of each history, above 0, at most 60; rounded up to whole quarters. [a]
    histories : int
        Number of histories, at least 1.
    rng : numpy.random.Generator or int
        Source of the randomness; the same integer gives the same histories.
    counted_under : {"first item", "own item"}
        Which stratum events count under: that of the position's item at the start, or that of
        the item at the time, which differs where the type changes. Use, checks and their cost
        always count under the first.
    workers : int
        Threads that share the histories; the result does not depend on it.

    Returns
    -------
    FleetHistories
        Totals by history, stratum and quarter.

    Raises
    ------
    ValueError
        The fleet does not fit together (see :func:`check_fleet`), a number is out of bounds, or
        the checks alone take more hours than a depot's bay has.

    Notes
    -----
    The other items of a vehicle that waits go on ageing, which overstates their use by the share
    of downtime. Order within a day is kept but for an item that ends twice on one day. A thousand
    histories of 3,500 positions over 5 years take 4 processor seconds and 200 MB, with queues for
    spares and bays 10 and 1 GB.
    """
    check_fleet(model)
    length = float(positive("years", years))
    if length > LONGEST or histories < 1 or workers < 1:
        raise ValueError(
            f"years is {length:g}, histories {histories}, workers {workers}: give at most "
            f"{LONGEST:g} years, and at least 1 of the others"
        )
    quarters = math.ceil(length * 4 - 1e-9)
    calendar = calendar_of(model.use_by_month, model.start_month, quarters * DAYS_A_QUARTER)
    steady = steady_totals(model, calendar, quarters)
    open_hours = _hours_for_repairs(model)
    queued = bool((model.pool >= 0).any() or np.isfinite(open_hours).any())
    size = max(1, (QUEUED if queued else APART) // model.positions)
    seed = int(generator(rng).integers(2**63))

    def run(first: int) -> Accounts:
        keys = history_keys(seed, first, min(size, histories - first))
        draws = (first + np.arange(len(keys))) % model.shape.shape[1]
        ready = replace(model, bay_hours_per_day=open_hours)
        block = new_block(ready, calendar, keys, draws, by_item=counted_under == "own item")
        return _run_block(block, quarters, queued)

    with ThreadPoolExecutor(max_workers=workers) as pool:
        blocks = list(pool.map(run, range(0, histories, size)))
    totals: dict[str, NDArray[np.float64]] = {
        name: np.concatenate([b.totals(name) for b in blocks]) for name in MEASURES
    }
    for name, fixed in steady.items():
        totals[name] = totals[name] + fixed
    return FleetHistories(**totals, strata=model.strata, years=quarters / 4)


def _hours_for_repairs(model: FleetModel) -> NDArray[np.float64]:
    """Bay hours a day that the checks leave."""
    load = model.check_hours * model.use_per_day / model.check_interval
    left = model.bay_hours_per_day - np.bincount(
        model.depot, weights=load, minlength=len(model.bay_hours_per_day)
    )
    if (left <= 0).any():
        name = model.depots[int(np.flatnonzero(left <= 0)[0])]
        raise ValueError(
            f"the checks alone take all bay hours of {name or 'the depot'}: raise "
            "bay_hours_per_day or lengthen check_interval"
        )
    return left


def _run_block(block: Block, quarters: int, queued: bool) -> Accounts:
    everyone = np.arange(len(block.day))
    horizon = block.calendar.horizon
    if queued:
        _sweep(block, everyone, 0.0, horizon, STEPS)
    else:
        _sweep(block, everyone, 0.0, horizon, (horizon,))
    return block_accounts(
        block.model,
        block.calendar,
        block.base,
        (len(block.draw), len(block.model.strata), quarters),
        jobs=[*block.jobs, still_waiting(block)],
        still_open=still_open(block),
        requests=block.requests,
    )


def _sweep(
    block: Block, active: Integers, begin: float, end: float, steps: tuple[float, ...]
) -> None:
    """Go through a span in steps, and through those in finer ones: only who has an event there."""
    count = max(1, round((end - begin) / steps[0]))
    edges = begin + (end - begin) * np.arange(1, count + 1) / count
    for number, edge in enumerate(edges):
        due = active[block.day[active] < edge]
        if len(due) and len(steps) > 1:
            _sweep(block, due, edges[number - 1] if number else begin, float(edge), steps[1:])
        while len(due) and len(steps) == 1:
            work_off(block, due, float(edge))
            due = due[block.day[due] < edge]
