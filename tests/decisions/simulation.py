"""Event-by-event simulation of items at positions, for tests: no formula of the package is used.

Many positions run side by side: each has its own clock, and every pass of a loop works off one
event of each position that has not reached the end. Costs and times are counted up to the first
renewal past the horizon, so that their ratio has no start or end effect (Wald's identity).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Estimate(NamedTuple):
    """What was seen, its standard error, and the hours simulated."""

    value: float
    error: float
    hours: float


def mean_of(values: Floats, hours: float) -> Estimate:
    return Estimate(
        float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values))), float(hours)
    )


def ratio_of(amount: Floats, hours: Floats) -> Estimate:
    """Return total amount over total hours; error from the spread over independent positions."""
    ratio = amount.sum() / hours.sum()
    spread = np.std(amount - ratio * hours, ddof=1) / (np.sqrt(len(hours)) * hours.mean())
    return Estimate(float(ratio), float(spread), float(hours.sum()))


def remaining_life(
    rng: np.random.Generator, scale: float | Floats, shape: float | Floats, age: Floats
) -> Floats:
    """Time to failure of items that have reached an age: the hazard left is exponential."""
    spent = (age / scale) ** shape
    return np.asarray(scale * (spent + rng.exponential(size=len(age))) ** (1 / shape) - age)


class Positions:
    """Clocks and running totals of independent positions."""

    def __init__(self, count: int) -> None:
        self.clock = np.zeros(count)
        self.amount = np.zeros(count)

    def run(self, horizon: float, event: Callable[[NDArray[np.intp]], None]) -> Estimate:
        """Work off events until every clock has passed the horizon."""
        active = np.arange(len(self.clock))
        while len(active):
            event(active)
            active = active[self.clock[active] < horizon]
        return ratio_of(self.amount, self.clock)


def age_replacement(
    rng: np.random.Generator,
    age: float,
    *,
    scale: float,
    shape: float,
    cost_planned: float,
    cost_failure: float,
    positions: int = 400,
    horizon: float = 50_000.0,
) -> Estimate:
    """Cost per hour: each item goes at the age or at its failure, whichever comes first."""
    fleet = Positions(positions)

    def event(who: NDArray[np.intp]) -> None:
        life = remaining_life(rng, scale, shape, np.zeros(len(who)))
        failed = life <= age
        fleet.clock[who] += np.where(failed, life, age)
        fleet.amount[who] += np.where(failed, cost_failure, cost_planned)

    return fleet.run(horizon, event)


def block_replacement(
    rng: np.random.Generator,
    interval: float,
    *,
    scale: float,
    shape: float,
    cost_planned: float,
    cost_failure: float,
    positions: int = 400,
    horizon: float = 50_000.0,
) -> Estimate:
    """Cost per hour: failed items go at once, and all of them at fixed times whatever their age."""
    fleet = Positions(positions)
    block_end = np.full(positions, interval)

    def event(who: NDArray[np.intp]) -> None:
        life = remaining_life(rng, scale, shape, np.zeros(len(who)))
        failed = fleet.clock[who] + life < block_end[who]
        fleet.clock[who] = np.where(failed, fleet.clock[who] + life, block_end[who])
        fleet.amount[who] += np.where(failed, cost_failure, cost_planned)
        block_end[who[~failed]] += interval

    # a position must end at a block's end, not at a failure: the horizon is one of them
    whole = interval * np.ceil(horizon / interval)
    return fleet.run(whole - interval / 1e6, event)


def minimal_repair(
    rng: np.random.Generator,
    interval: float,
    *,
    scale: float,
    shape: float,
    cost_planned: float,
    cost_repair: float,
    positions: int = 400,
    horizon: float = 50_000.0,
) -> Estimate:
    """Cost per hour: repairs leave the item as old as it was, a renewal makes it new."""
    fleet = Positions(positions)
    item_age = np.zeros(positions)

    def event(who: NDArray[np.intp]) -> None:
        life = remaining_life(rng, scale, shape, item_age[who])
        failed = item_age[who] + life < interval
        step = np.where(failed, life, interval - item_age[who])
        fleet.clock[who] += step
        fleet.amount[who] += np.where(failed, cost_repair, cost_planned)
        item_age[who] = np.where(failed, item_age[who] + step, 0.0)

    whole = interval * np.ceil(horizon / interval)
    return fleet.run(whole - interval / 1e6, event)


def first_interval(
    rng: np.random.Generator,
    interval: float,
    ages: Floats,
    *,
    scale: float,
    shape: float,
    rounds: int,
) -> Estimate:
    """Share of one interval that items of these ages spend failed before the check."""
    down = np.empty(rounds)
    for k in range(rounds):
        life = remaining_life(rng, scale, shape, ages)
        down[k] = np.mean(np.maximum(interval - life, 0.0)) / interval
    return mean_of(down, rounds * len(ages) * interval)


def checked_function(
    rng: np.random.Generator,
    interval: float,
    *,
    scale: float,
    shape: float,
    detection: float = 1.0,
    harm: float = 0.0,
    renewed: bool = False,
    positions: int = 400,
    horizon: float = 50_000.0,
) -> tuple[Estimate, Estimate]:
    """Share of time in an unnoticed fault, and faults found per hour, check by check.

    At each check a fault is found with probability ``detection`` and a new item fitted; a
    fault that is missed stays. The check spoils a good item with probability ``harm``, which
    nobody notices. ``renewed``: good items are replaced at the check too. Runs until a fault
    has been found past the horizon (renewed: until the horizon).
    """
    item_age, life = np.zeros(positions), remaining_life(rng, scale, shape, np.zeros(positions))
    clock, down, found_count = (np.zeros(positions) for _ in range(3))
    active = np.arange(positions)
    while len(active):
        clock[active] += interval
        end = item_age[active] + interval
        down[active] += np.clip(end - np.maximum(life[active], item_age[active]), 0.0, interval)
        failed = life[active] <= end
        found = failed & (rng.random(len(active)) < detection)
        spoilt = ~failed & (rng.random(len(active)) < harm)
        life[active[spoilt]] = end[spoilt]
        item_age[active] = end
        new = active[found | (~failed & renewed)]
        item_age[new] = 0.0
        life[new] = remaining_life(rng, scale, shape, np.zeros(len(new)))
        found_count[active] += found
        active = active[(clock[active] < horizon) | (False if renewed else ~found)]
    return ratio_of(down, clock), ratio_of(found_count, clock)


def unavailability_by_check(
    rng: np.random.Generator,
    interval: float,
    ages: Floats,
    *,
    scale: float,
    shape: float,
    detection: float,
    harm: float,
    checks: int,
) -> tuple[Floats, Floats]:
    """Mean share of time failed in each of the next intervals, and its standard error."""
    item_age = ages.copy()
    life = ages + remaining_life(rng, scale, shape, ages)
    mean, error = np.empty(checks), np.empty(checks)
    for k in range(checks):
        end = item_age + interval
        down = np.clip(end - np.maximum(life, item_age), 0.0, interval) / interval
        mean[k], error[k] = down.mean(), down.std(ddof=1) / np.sqrt(len(down))
        failed = life <= end
        found = failed & (rng.random(len(end)) < detection)
        spoilt = ~failed & (rng.random(len(end)) < harm)
        life = np.where(spoilt, end, life)
        item_age = np.where(found, 0.0, end)
        life[found] = remaining_life(rng, scale, shape, np.zeros(int(found.sum())))
    return mean, error


def failures_over_horizon(
    rng: np.random.Generator,
    horizon: float,
    ages: Floats,
    *,
    scale: float,
    shape: float,
) -> Floats:
    """Failures of each position over the horizon; the first from the present age on."""
    count = np.zeros(len(ages))
    clock = remaining_life(rng, scale, shape, ages)
    active = np.flatnonzero(clock <= horizon)
    while len(active):
        count[active] += 1
        clock[active] += remaining_life(rng, scale, shape, np.zeros(len(active)))
        active = active[clock[active] <= horizon]
    return count


def stock_out_share(
    rng: np.random.Generator,
    stock: int,
    lead_time: float,
    *,
    positions: int,
    scale: float | Floats,
    shape: float,
    horizon: float,
    runs: int,
) -> Estimate:
    """Share of time in which demand waits: one spare ordered for each one used, one event queue.

    ``scale`` may hold one value per run: then nobody knows it beforehand. Each run warms up
    for one scale before the time is counted.
    """
    shares = np.empty(runs)
    scales = np.broadcast_to(np.asarray(scale, dtype=np.float64), (runs,))
    for run in range(runs):
        start = float(scales[run])
        queue = [(float(t), "failure") for t in start * rng.weibull(shape, positions)]
        heapq.heapify(queue)
        on_shelf, last, waiting = stock, start, 0.0
        while queue[0][0] < start + horizon:
            now, kind = heapq.heappop(queue)
            if now > last:
                waiting += (now - last) * (on_shelf < 0)
                last = now
            if kind == "failure":
                on_shelf -= 1  # below 0: so many are waited for, and the position runs on
                heapq.heappush(queue, (now + lead_time, "delivery"))
                heapq.heappush(queue, (now + start * float(rng.weibull(shape)), "failure"))
            else:
                on_shelf += 1
        waiting += (start + horizon - last) * (on_shelf < 0)
        shares[run] = waiting / horizon
    return mean_of(shares, float(runs * positions * horizon))


def condition_inspection(
    rng: np.random.Generator,
    interval: float,
    *,
    defect_rate: float,
    mean_delay: float,
    detection: float,
    delay_shape: float,
    cost_inspection: float,
    cost_mend: float,
    cost_failure: float,
    positions: int = 400,
    horizon: float = 50_000.0,
) -> Estimate:
    """Cost per hour: defects come at random times, looks at fixed ones, failures in between."""
    amount = np.zeros(positions)
    looks = int(np.ceil(horizon / interval))
    delay_scale = mean_delay / math.gamma(1 + 1 / delay_shape)
    open_who, open_fails = np.zeros(0, dtype=np.intp), np.zeros(0)
    look = 0
    while look < looks or len(open_who):
        look += 1
        now = look * interval
        if look <= looks:  # defects born before the last look are followed to their end
            amount += cost_inspection
            born = rng.poisson(defect_rate * interval, positions)
            who = np.repeat(np.arange(positions), born)
            birth = now - rng.uniform(0.0, interval, len(who))
            fails = birth + delay_scale * rng.weibull(delay_shape, len(who))
            open_who = np.concatenate([open_who, who])
            open_fails = np.concatenate([open_fails, fails])
        failed = open_fails <= now
        found = ~failed & (rng.random(len(open_who)) < detection)
        np.add.at(amount, open_who[failed], cost_failure)
        np.add.at(amount, open_who[found], cost_mend)
        keep = ~(failed | found)
        open_who, open_fails = open_who[keep], open_fails[keep]
    return ratio_of(amount, np.full(positions, looks * interval))
