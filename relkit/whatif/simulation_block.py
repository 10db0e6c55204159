"""One block of histories: the state of its positions, and what happens at each event.

Layer: whatif. numpy and scipy.special. Arrays are flat: history times positions, plus position.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from relkit.whatif.fleet_model import FleetModel
from relkit.whatif.simulation_calendar import Calendar, days_run
from relkit.whatif.simulation_jobs import Jobs, Request, day_of
from relkit.whatif.simulation_lives import REPAIR, REPORTED, Starts, life_ends
from relkit.whatif.simulation_numbers import Keys, bases, mixed, uniforms
from relkit.whatif.simulation_queues import (
    Bays,
    Shelves,
    bays_of,
    from_shelf,
    in_bay,
    shelves_of,
)

__all__ = ["Block", "new_block", "still_open", "still_waiting", "work_off"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Marks the numbers of vehicles off from those of positions.
_VEHICLES = np.uint64(0x5851F42D4C957F2D)


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Positions of some histories; the arrays change as time goes on."""

    model: FleetModel
    calendar: Calendar
    shelves: Shelves
    bays: Bays
    extra: Floats  #: (n_positions, n_extra) use at the extra checks [clock]
    vehicle_base: Keys  #: (n_histories, n_positions) flat: start of the vehicle's numbers
    base: Keys  #: start of the position's numbers
    draw: Integers  #: (n_histories,) column of the parameters
    stratum: Integers  #: of the item present
    counted: Integers  #: stratum that the position counts under at present
    renewal: Integers  #: number of the life
    day: Floats  #: next event [d]; inf: none within the horizon
    waiting: NDArray[np.bool_]  #: the next event is the arrival of a spare
    kind: NDArray[np.int8]  #: how the stay ends
    failure: Floats  #: use at which the item fails, or would [clock]
    ended: Floats  #: use at which the stay ends [clock]
    asked: Floats  #: day on which work was asked for [d]
    jobs: list[Jobs] = field(default_factory=list)  #: stays that have ended, to be counted
    requests: list[Request] = field(default_factory=list)  #: spares asked for


def new_block(
    model: FleetModel, calendar: Calendar, keys: Keys, draw: Integers, *, by_item: bool
) -> Block:
    """Return the block at the start, the first end of every stay known.

    What happens counts under the item's own stratum, or under that of the position's first item.
    """
    histories, positions = len(keys), model.positions
    count = histories * positions
    each = mixed(model.key.astype(np.uint64))
    vehicles = mixed(model.vehicle.astype(np.uint64) ^ _VEHICLES)
    run = days_run(
        calendar,
        np.repeat(model.season, model.extra_checks.shape[1]),
        np.where(np.isnan(model.extra_checks), 0.0, model.extra_checks).ravel(),
    ).reshape(model.extra_checks.shape)
    stratum = np.tile(model.stratum, histories)
    block = Block(
        model=model,
        calendar=calendar,
        shelves=shelves_of(model.stock, model.lead_time_days, histories),
        bays=bays_of(model.bay_hours_per_day, histories),
        extra=np.where(np.isnan(model.extra_checks), np.nan, run * model.use_per_day[:, None]),
        vehicle_base=bases(keys[:, None], vehicles[None, :]).ravel(),
        base=bases(keys[:, None], each[None, :]).ravel(),
        draw=draw,
        stratum=stratum,
        counted=stratum if by_item else stratum.copy(),
        renewal=np.zeros(count, dtype=np.int64),
        day=np.full(count, np.inf),
        waiting=np.zeros(count, dtype=bool),
        kind=np.zeros(count, dtype=np.int8),
        failure=np.full(count, np.inf),
        ended=np.full(count, np.inf),
        asked=np.full(count, np.inf),
    )
    _start(block, np.arange(count), np.zeros(count), np.tile(model.age, histories))
    return block


def _start(block: Block, who: Integers, day: Floats, age: Floats) -> None:
    """Begin stays on some days: when and how each will end."""
    model = block.model
    history, place = np.divmod(who, model.positions)
    stratum, draw = block.stratum[who], block.draw[history]
    per_day, season = model.use_per_day[place], model.season[place]
    zero = np.zeros(len(who), dtype=np.int64)
    ends = life_ends(
        model,
        Starts(
            position=place,
            base=block.base[who],
            renewal=block.renewal[who],
            shape=model.shape[stratum, draw],
            scale=model.scale[stratum, draw],
            use=per_day * days_run(block.calendar, season, day),
            age=age,
            service_share=uniforms(block.vehicle_base[who], zero, 0),
            check_share=uniforms(block.vehicle_base[who], zero, 1),
            extra=block.extra[place],
        ),
    )
    block.kind[who], block.failure[who], block.ended[who] = ends.kind, ends.failure, ends.use
    end = day_of(model, block.calendar, place, ends.use)
    # work cannot be asked for before the item is there, to the last digit
    block.day[who] = np.where(end < block.calendar.horizon, np.maximum(end, day), np.inf)
    block.waiting[who] = False


def work_off(block: Block, due: Integers, until: float) -> None:
    """Work off the next event of some positions, all of them before ``until``."""
    due = due[np.argsort(block.day[due], kind="stable")]
    ended = due[~block.waiting[due]]
    at_hand = block.day[ended]
    block.asked[ended] = block.day[ended]
    history, place = np.divmod(ended, block.model.positions)
    takes = np.flatnonzero((block.model.pool[place] >= 0) & ~_repaired(block, ended))
    if len(takes):
        pool = block.model.pool[place[takes]]
        asked = at_hand[takes]
        at_hand[takes] = from_shelf(block.shelves, history[takes], pool, asked)
        empty = at_hand[takes] > asked
        block.requests.append((ended[takes], block.counted[ended[takes]], asked, empty))
    late = at_hand >= until
    block.day[ended[late]], block.waiting[ended[late]] = at_hand[late], True
    arrived = due[block.waiting[due] & (block.day[due] < until)]
    who = np.concatenate([arrived, ended[~late]])
    ready = np.concatenate([block.day[arrived], at_hand[~late]])
    order = np.argsort(ready, kind="stable")
    _mend(block, who[order], ready[order])


def _mend(block: Block, who: Integers, ready: Floats) -> None:
    """Put jobs through the bays, write them down and begin the next stays."""
    model = block.model
    history, place = np.divmod(who, model.positions)
    begin, done = in_bay(block.bays, history, model.depot[place], ready, model.repair_hours[place])
    repaired = _repaired(block, who)
    block.jobs.append(_jobs(block, who, begin, done))
    block.stratum[who] = np.where(
        repaired, model.repair_stratum[place], model.renewal_stratum[place]
    )
    block.renewal[who] += 1
    block.day[who], block.failure[who] = np.inf, np.inf
    again = done < block.calendar.horizon
    _start(block, who[again], done[again], np.zeros(int(again.sum())))


def still_waiting(block: Block) -> Jobs:
    """Return work that had no spare by the end of the horizon."""
    who = np.flatnonzero(block.waiting)
    never = np.full(len(who), np.inf)
    return _jobs(block, who, never, never)


def still_open(block: Block) -> Jobs:
    """Return the stays of hidden items that had not ended by the horizon."""
    place = np.arange(len(block.day)) % block.model.positions
    stays = block.model.hidden[place] & np.isinf(block.day) & np.isfinite(block.failure)
    who = np.flatnonzero(stays & ~block.waiting)
    never = np.full(len(who), np.inf)
    return _jobs(block, who, never, never)


def _jobs(block: Block, who: Integers, begin: Floats, done: Floats) -> Jobs:
    return Jobs(
        who=who,
        stratum=block.counted[who],
        renewal=block.renewal[who],
        kind=block.kind[who],
        failure=block.failure[who],
        ended=block.ended[who],
        asked=block.asked[who],
        begin=begin,
        done=done,
    )


def _repaired(block: Block, who: Integers) -> NDArray[np.bool_]:
    """Failures that are repaired instead of replaced."""
    place = who % block.model.positions
    may = (block.kind[who] <= REPORTED) & (block.model.repair_stratum[place] >= 0)
    if not may.any():
        return may
    luck = uniforms(block.base[who], block.renewal[who], REPAIR)
    return np.asarray(may & (luck < block.model.repair_share[place]))
