"""What happened to every item: renewal histories of all positions, stepped forward together.

Layer: demo. One step ends the next item of every view at once; truth is in operating hours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.demo.fleet import DEPOTS, LOG_END, LOG_START, VEHICLE_CLASSES, Vehicles, day_number
from relkit.demo.truth import FIX_DAY, STRATUM_TRUTHS, TYPE_TRUTHS
from relkit.demo.usage import Usage, Visits, salted_low_mounts

__all__ = ["Scenario", "item_stays"]

_IMPACT_RATE = 0.03e-3  #: impacts per camera hour at brush and side places
_LANCE_RATE = 0.008e-3  #: damage by the wash lance per hour, cameras of washed vehicles
_IMPACT_PLACES = ("kerb-side brush", "road-side brush", "kerb side", "road side")
_JOINT_SHARE = {"Quillmoor": 0.35, "Harnfield": 0.10}  #: of cable repairs since the log began
_BATCH_DAYS = (day_number("2023-04-01"), day_number("2023-10-01"))
_RETROFIT_DAYS = (day_number("2024-03-01"), day_number("2024-09-01"))
_PLANNED_SHARE = 0.04  #: of the cameras, replaced unfailed while the batch was in store
_RETROFIT_CLASSES = ("GR", "SW")
_NOTICED_SHARE = 0.5  #: of hidden failures, by the driver at the next use
_BOTH_SHARE, _GUESS_SHARE = 0.18, 0.07  #: of camera and cable failures, where jobs are shared
_CHECK_SHARE, _DEFERRED_SHARE = 0.10, 0.05  #: of noticed failures, where jobs are shared

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Flags = NDArray[np.bool_]
_Record = dict[str, NDArray[np.generic]]


@dataclass(frozen=True, slots=True)
class Scenario:
    """Which parts of the scenario are planted on top of the plain renewal histories."""

    extras: bool = True  #: re-made joints, bad batch, retrofit, damage, sold and idle vehicles
    shared_jobs: bool = False  #: two parts on one job, guess chains, found at service, deferred
    season: bool = False  #: salt makes winter hours count more at low mounts


@dataclass(frozen=True, slots=True, eq=False)
class _Given:
    """What does not change during a run; arrays per position unless said otherwise."""

    vehicles: Vehicles
    usage: Usage
    visits: Visits
    scenario: Scenario
    rng: np.random.Generator
    component: NDArray[np.str_]
    salted: _Flags  # wear counts instead of hours
    impact_rate: _Floats  # [1/h]
    lance_rate: _Floats  # [1/h]
    hidden: _Flags
    joint_share: _Floats  # per vehicle
    retrofitted: _Flags  # per vehicle


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """The items now in place; arrays of shape (n_chains, 2), a view's camera and its cable."""

    position: _Ints  # -1: the chain has only one position
    vehicle: _Ints  # shape (n_chains,)
    truth: _Ints
    start: _Floats  # vehicle's hours when the item was fitted
    start_day: _Floats
    item_type: _Ints  # 0 or a key of TYPE_TRUTHS
    life_end: _Floats  # vehicle's hours at its own failure
    damage_end: _Floats  # vehicle's hours at the next damage
    failed: _Floats  # hours of a failure that nobody has found yet, else nan
    campaign_day: _Floats  # shape (n_chains,), inf: none
    campaign: _Floats  # the same in hours


@dataclass(frozen=True, slots=True, eq=False)
class _Ended:
    """Items that one step ends, one entry per chain where something happens."""

    chain: _Ints
    slot: _Ints
    vehicle: _Ints
    failed: _Floats  # hours of its own failure; nan: damage or campaign
    campaign: _Flags
    checked: _Flags  # found by a service
    day: _Floats  # when it was found
    hours: _Floats  # the same in operating hours


def item_stays(
    positions: pd.DataFrame,
    vehicles: Vehicles,
    usage: Usage,
    visits: Visits,
    *,
    scenario: Scenario,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return one row per item's stay at a position, from the vehicle's first day on.

    Returns
    -------
    DataFrame
        position (row of ``positions``), item_type (0 or a key of ``TYPE_TRUTHS``), start, end
        [operating hours], start_day, end_day [days since 1970-01-01] as logged, failed
        [operating hours; NaN: never in this stay], ended ("failed", "impact", "wash lance",
        "campaign", "planned", "with partner", "guessed", "in service"), checked (a service
        found it), job (-1: none); by position and start.
    """
    given = _given(positions, vehicles, usage, visits, scenario, rng)
    state = _first_state(given, positions)
    records: list[_Record] = []
    first_job = 0
    while (ended := _next_ended(given, state)) is not None:
        known = _leave_unfound(state, ended)
        records += _replace(given, state, known, first_job)
        first_job += 2 * len(known.chain)
    records.append(_in_place(given, state))
    columns = {name: np.concatenate([part[name] for part in records]) for name in records[0]}
    order = ["position", "start", "start_day"]
    return pd.DataFrame(columns).sort_values(order, kind="stable", ignore_index=True)


def _given(
    positions: pd.DataFrame,
    vehicles: Vehicles,
    usage: Usage,
    visits: Visits,
    scenario: Scenario,
    rng: np.random.Generator,
) -> _Given:
    component = positions["component"].to_numpy(dtype=str)
    camera = component == "camera"
    struck = camera & positions["location"].isin(_IMPACT_PLACES).to_numpy()
    washed = vehicles.of_class("washed_daily")[positions["vehicle"].to_numpy()] > 0
    retrofit = np.array([kind.code in _RETROFIT_CLASSES for kind in VEHICLE_CLASSES])
    joints = np.array([_JOINT_SHARE[name] for name in DEPOTS])
    return _Given(
        vehicles,
        usage,
        visits,
        scenario,
        rng,
        component,
        salted=salted_low_mounts(positions) & scenario.season,
        impact_rate=np.where(struck, _IMPACT_RATE, 0.0) * scenario.extras,
        lance_rate=np.where(camera & washed, _LANCE_RATE, 0.0) * scenario.extras,
        hidden=(component == "trigger wire")
        | (camera & positions["location"].eq("boom arm").to_numpy()),
        joint_share=joints[vehicles.depot] * scenario.extras,
        retrofitted=retrofit[vehicles.vehicle_class] & scenario.extras,
    )


def _first_state(given: _Given, positions: pd.DataFrame) -> _State:
    """Return the state on the vehicles' first day: every item is new."""
    chain = positions["chain"].to_numpy()
    slot = positions.groupby("chain").cumcount().to_numpy()
    shape = (int(chain.max()) + 1, 2)
    position, truth = np.full(shape, -1), np.zeros(shape, dtype=np.int64)
    position[chain, slot] = np.arange(len(positions))
    truth[chain, slot] = positions["truth"].to_numpy()
    vehicle = positions["vehicle"].to_numpy()[position[:, 0]]
    campaign_day = _campaign_days(given, vehicle, position[:, 0])
    hours = given.usage.hours_on(vehicle, np.minimum(campaign_day, LOG_END))
    state = _State(
        position,
        vehicle,
        truth,
        start=np.zeros(shape),
        start_day=np.repeat(given.vehicles.in_service[vehicle][:, None], 2, axis=1),
        item_type=np.zeros(shape, dtype=np.int64),
        life_end=np.full(shape, np.inf),
        damage_end=np.full(shape, np.inf),
        failed=np.full(shape, np.nan),
        campaign_day=campaign_day,
        campaign=np.where(np.isfinite(campaign_day), hours, np.inf),
    )
    chain, slot = np.nonzero(position >= 0)
    day = state.start_day[chain, slot]
    kinds = _types_of_new_items(given, state, chain, slot, day)
    kinds[kinds == 3] = 0  # the bad batch came as spares only
    _fit(given, state, (chain, slot), (np.zeros(len(chain)), day), kinds)
    return state


def _campaign_days(given: _Given, vehicle: _Ints, position: _Ints) -> _Floats:
    """Day on which each chain's first item is replaced unfailed; inf where there is none.

    Switchers are retrofitted; a few cameras were replaced at services with those of the batch.
    """
    switcher = (given.component[position] == "switcher") & given.retrofitted[vehicle]
    camera = (given.component[position] == "camera") & given.scenario.extras
    camera &= given.rng.random(len(vehicle)) < _PLANNED_SHARE
    first, last = np.where(switcher[:, None], _RETROFIT_DAYS, _BATCH_DAYS).T
    drawn = np.floor(given.rng.uniform(first, last)) + 9 / 24
    due = (switcher | camera) & (given.vehicles.in_service[vehicle] < first)
    due &= drawn < given.vehicles.last_instant[vehicle]
    return np.where(due, drawn, np.inf)


def _types_of_new_items(
    given: _Given, state: _State, chain: _Ints, slot: _Ints, day: _Floats
) -> _Ints:
    """Type of the item that a store hands out on a day: bad batch, new design, or plain."""
    component = given.component[state.position[chain, slot]]
    batch = (component == "camera") & (day >= _BATCH_DAYS[0]) & (day < _BATCH_DAYS[1])
    design = (component == "switcher") & given.retrofitted[state.vehicle[chain]]
    design &= day >= _RETROFIT_DAYS[0]
    return np.select([batch & given.scenario.extras, design], [3, 4], 0)


def _fit(
    given: _Given,
    state: _State,
    where: tuple[_Ints, _Ints],
    start: tuple[_Floats, _Floats],
    kinds: _Ints,
) -> None:
    """Put new items in place at hours and days, and draw what will end them."""
    hours, day = start
    position = state.position[where]
    life = _drawn_lives(given.rng, state.truth[where], kinds)
    end = hours + life
    salted = given.salted[position]
    if salted.any():
        own = state.vehicle[where[0]][salted]
        end[salted] = given.usage.hours_after_wear(own, hours[salted], life[salted])
    rate = given.impact_rate[position] + given.lance_rate[position]
    gap = given.rng.standard_exponential(len(rate)) / np.where(rate > 0, rate, 1.0)
    state.start[where], state.start_day[where] = hours, day
    state.item_type[where] = kinds
    state.life_end[where] = end
    state.damage_end[where] = np.where(rate > 0, hours + gap, np.inf)
    state.failed[where] = np.nan
    state.campaign[where[0][kinds >= 3]] = np.inf


def _drawn_lives(rng: np.random.Generator, truth: _Ints, kinds: _Ints) -> _Floats:
    shape = np.array([item.shape for item in STRATUM_TRUTHS])[truth]
    scale = np.array([item.scale for item in STRATUM_TRUTHS])[truth]
    for code, item in TYPE_TRUTHS.items():
        shape = np.where(kinds == code, item.shape, shape)
        scale = np.where(kinds == code, item.scale, scale)
    # Weibull by inversion: (-ln U) ** (1 / shape) * scale; -ln U is standard exponential.
    return scale * rng.standard_exponential(len(truth)) ** (1 / shape)


def _next_ended(given: _Given, state: _State) -> _Ended | None:
    """Return the next item to end in every chain and when that is found; None: no more."""
    ends = np.minimum(np.minimum(state.life_end, state.damage_end), state.campaign[:, None])
    ends[state.position < 0] = np.inf
    chain = np.flatnonzero(ends.min(axis=1) < given.usage.last[state.vehicle])
    if not len(chain):
        return None
    slot = ends.argmin(axis=1)[chain]
    end, vehicle = ends[chain, slot], state.vehicle[chain]
    failed = state.life_end[chain, slot] == end
    campaign = ~failed & (state.campaign[chain] == end)
    day = np.where(campaign, state.campaign_day[chain], given.usage.day_at(vehicle, end))
    hidden = given.hidden[state.position[chain, slot]]
    missed = np.where(hidden, 1 - _NOTICED_SHARE, _CHECK_SHARE * given.scenario.shared_jobs)
    visit_day, visit_hours = given.visits.first_after(vehicle, end)
    # The fleet was tested when the log began: no fault of before was still hidden then.
    missed = np.where((day < LOG_START) & (visit_day >= LOG_START), 0.0, missed)
    checked = failed & (given.rng.random(len(chain)) < missed)
    return _Ended(
        chain,
        slot,
        vehicle,
        failed=np.where(failed, end, np.nan),
        campaign=campaign,
        checked=checked,
        day=np.where(checked, visit_day, day),
        hours=np.where(checked, visit_hours, end),
    )


def _leave_unfound(state: _State, ended: _Ended) -> _Ended:
    """Leave failed items that no later service finds in place; return the others."""
    unfound = np.isinf(ended.hours)
    where = (ended.chain[unfound], ended.slot[unfound])
    state.failed[where] = ended.failed[unfound]
    state.life_end[where] = state.damage_end[where] = np.inf
    names = ("chain", "slot", "vehicle", "failed", "campaign", "checked", "day", "hours")
    return _Ended(*(getattr(ended, name)[~unfound] for name in names))


def _replace(given: _Given, state: _State, ended: _Ended, first_job: int) -> list[_Record]:
    """Record the ended items and fit new ones, the other item of the view's too if shared."""
    where = (ended.chain, ended.slot)
    own = np.isfinite(ended.failed)
    both, guess, done_day = _sharing(given, state, ended)
    later = done_day > ended.day
    done = np.where(later, given.usage.hours_on(ended.vehicle, done_day), ended.hours)
    jobs = first_job + 2 * np.arange(len(own))
    switcher = given.component[state.position[where]] == "switcher"
    campaign = np.where(switcher, "campaign", "planned")
    damage = np.where(ended.campaign, campaign, _damage(given, state, ended))
    words = np.where(own, "failed", damage)
    joint = given.rng.random(len(own)) < given.joint_share[ended.vehicle]
    joint &= (given.component[state.position[where]] == "cable") & own & ~both & ~guess
    joint &= done_day >= LOG_START
    kinds = _types_of_new_items(given, state, *where, done_day)
    kinds[joint] = np.where(done_day[joint] >= day_number(FIX_DAY), 2, 1)
    logged = (np.where(guess, done, ended.hours), np.where(guess, done_day, ended.day))
    records = [_record(state, where, ended.failed, logged, words, ended.checked, jobs + guess)]
    _fit(given, state, where, (done, done_day), kinds)
    for shared, word in ((both, "with partner"), (guess, "guessed")):
        other = (ended.chain[shared], 1 - ended.slot[shared])
        start = (ended.hours[shared], ended.day[shared])
        count = len(other[0])
        records.append(
            _record(
                state,
                other,
                np.full(count, np.nan),
                start,
                np.full(count, word),
                np.zeros(count, dtype=bool),
                jobs[shared],
            )
        )
        _fit(given, state, other, start, _types_of_new_items(given, state, *other, start[1]))
    return records


def _sharing(given: _Given, state: _State, ended: _Ended) -> tuple[_Flags, _Flags, _Floats]:
    """Whether both items of a view are replaced, which are guess chains, and the last day."""
    drawn, wait = given.rng.random((2, len(ended.chain)))
    none = np.zeros(len(ended.chain), dtype=bool)
    if not given.scenario.shared_jobs:
        return none, none, ended.day
    other = (ended.chain, 1 - ended.slot)
    cure_day = np.floor(ended.day) + 1 + np.floor(9 * wait) + 0.4
    cured = given.usage.hours_on(ended.vehicle, cure_day)
    last = given.vehicles.last_instant[ended.vehicle]
    noticed = np.isfinite(ended.failed) & ~ended.checked
    fitting = noticed & (state.position[other] >= 0) & np.isnan(state.failed[other])
    fitting &= np.minimum(state.life_end, state.damage_end)[other] > cured
    fitting &= (state.start_day[other] < ended.day) & (cure_day < last)
    both = fitting & (drawn < _BOTH_SHARE)
    guess = fitting & ~both & (drawn < _BOTH_SHARE + _GUESS_SHARE)
    late = ended.day + 30 + 60 * wait
    deferred = noticed & (drawn > 1 - _DEFERRED_SHARE) & (late < last)
    return both, guess, np.where(guess, cure_day, np.where(deferred, late, ended.day))


def _damage(given: _Given, state: _State, ended: _Ended) -> NDArray[np.str_]:
    position = state.position[ended.chain, ended.slot]
    impact, lance = given.impact_rate[position], given.lance_rate[position]
    drawn = given.rng.random(len(position)) * (impact + lance)
    return np.where(drawn < impact, "impact", "wash lance")


def _record(
    state: _State,
    where: tuple[_Ints, _Ints],
    failed: _Floats,
    logged: tuple[_Floats, _Floats],
    ended: NDArray[np.str_],
    checked: _Flags,
    jobs: _Ints,
) -> _Record:
    return {
        "position": state.position[where],
        "item_type": state.item_type[where],
        "start": state.start[where],
        "start_day": state.start_day[where],
        "failed": failed,
        "ended": ended,
        "end": logged[0],
        "end_day": logged[1],
        "checked": checked,
        "job": jobs,
    }


def _in_place(given: _Given, state: _State) -> _Record:
    """Return the items that are in place at the end of each vehicle's history."""
    chain, slot = np.nonzero(state.position >= 0)
    where, vehicle = (chain, slot), state.vehicle[chain]
    end = (given.usage.last[vehicle], given.vehicles.last_instant[vehicle])
    count = len(vehicle)
    words, no = np.full(count, "in service"), np.zeros(count, dtype=bool)
    return _record(state, where, state.failed[where], end, words, no, np.full(count, -1))
