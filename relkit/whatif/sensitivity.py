"""What a scenario's difference hangs on: one number at a time, and all of them together.

Layer: whatif. Numbers are moved within stated ranges; the draws of the life parameters stay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import generator
from relkit.plan.parts import PlanParts
from relkit.whatif.comparison import DRAWS, Today, compared, limits, today_of
from relkit.whatif.questions_defaults import hidden_items
from relkit.whatif.scenario import (
    Changes,
    CostChange,
    IntervalChange,
    LifeChange,
    Scenario,
    UseChange,
)
from relkit.whatif.scenario_numbers import number_at, with_number

__all__ = ["Lever", "joint_sensitivity", "one_at_a_time", "usual_levers"]

Floats = NDArray[np.float64]

#: Name of what is left in the joint table beside the levers.
REST = "what the log leaves unknown, and joint effects"


@dataclass(frozen=True, slots=True)
class Lever:
    """One number of a scenario and the range within which it may lie."""

    words: str  #: what it is, in plain words
    path: str  #: such as ``changes.costs.1.failure_factor``
    lower: float
    upper: float


def usual_levers(parts: PlanParts) -> tuple[Scenario, tuple[Lever, ...]]:
    """Return a scenario that changes nothing, with the numbers that most studies argue about.

    The plan is kept: the levers ask what happens if the world is other than the study says.
    """
    costs = any(s.cost_failure > 0 for s in parts.chosen.settings)
    hidden = any(not s.evident for s in parts.chosen.settings)
    tested = hidden_items(parts) if hidden else []
    rows = [i for i, s in enumerate(parts.chosen.settings) if not s.evident]
    tested = [
        name
        for name, row in zip(tested, rows, strict=True)
        if parts.chosen.triage.task[row] == "failure-finding"
    ]
    scenario = Scenario(
        name="Other numbers",
        changes=Changes(
            lives=(LifeChange(),),
            costs=(CostChange(),) if costs else (),
            use=(UseChange(),),
            intervals=tuple(IntervalChange(*name, factor=1.0) for name in tested),
            plan="kept",
        ),
    )
    levers = [
        Lever("lives, as a factor", "changes.lives.1.scale_factor", 0.8, 1.25),
        Lever("use of the vehicles, as a factor", "changes.use.1.factor", 0.8, 1.2),
    ]
    if costs:
        levers += [
            Lever("cost of a failure, as a factor", "changes.costs.1.failure_factor", 0.7, 1.5),
            Lever("cost of a replacement, as a factor", "changes.costs.1.planned_factor", 0.8, 1.3),
        ]
    levers += [
        Lever(
            f"test interval, {', '.join(part for part in name if part)}, as a factor",
            f"changes.intervals.{i}.factor",
            0.5,
            2.0,
        )
        for i, name in enumerate(tested, start=1)
    ]
    return scenario, tuple(levers)


def one_at_a_time(
    parts: PlanParts,
    scenario: Scenario,
    levers: Sequence[Lever],
    *,
    measure: str = "cost",
    draws: int = DRAWS,
    rng: np.random.Generator | int = 1,
) -> pd.DataFrame:
    """Difference from today with each number at either end of its range, the others as they are.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    scenario : Scenario
        The scenario.
    levers : sequence of Lever
        Numbers with their ranges.
    measure : str
        Measure whose difference is looked at.
    draws : int
        Draws of the life parameters.
    rng : numpy.random.Generator or int
        For scenarios that change the data at random: both ends draw the same.

    Returns
    -------
    DataFrame
        words, path, given (value in the scenario), low, high (ends of the range), difference
        (as given), at_low, at_high with ``_lower`` and ``_upper`` ends over the draws; the
        widest first.
    """
    seed = int(generator(rng).integers(2**31))
    today = _shared_today(parts, scenario, levers, draws)

    def at(changed: Scenario) -> dict[str, float]:
        cell = compared(parts, changed, seed, draws=draws, today=today)
        return limits(cell.draws_then[measure] - cell.draws_today[measure])

    middle = at(scenario)["difference"]
    rows = []
    for lever in levers:
        low, high = (
            at(with_number(scenario, lever.path, value)) for value in (lever.lower, lever.upper)
        )
        rows.append(
            {
                "words": lever.words,
                "path": lever.path,
                "given": number_at(scenario, lever.path),
                "low": lever.lower,
                "high": lever.upper,
                "difference": middle,
                **{f"at_low{_end(name)}": value for name, value in low.items()},
                **{f"at_high{_end(name)}": value for name, value in high.items()},
            }
        )
    table = pd.DataFrame(rows)
    width = (table["at_high"] - table["at_low"]).abs()
    return table.iloc[np.argsort(-width.to_numpy(), kind="stable")].reset_index(drop=True)


def _shared_today(
    parts: PlanParts, scenario: Scenario, levers: Sequence[Lever], draws: int
) -> Today | None:
    """Return today's side, the same for all values unless a lever moves it."""
    if any(lever.path.startswith("today.") for lever in levers):
        return None
    return today_of(parts, scenario, draws=draws)


def _end(name: str) -> str:
    return "" if name == "difference" else f"_{name}"


def joint_sensitivity(
    parts: PlanParts,
    scenario: Scenario,
    levers: Sequence[Lever],
    *,
    measure: str = "cost",
    samples: int = 48,
    draws: int = 40,
    rng: np.random.Generator | int = 1,
) -> pd.DataFrame:
    """How much of the spread of a difference each number makes when all move together.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    scenario : Scenario
        The scenario.
    levers : sequence of Lever
        Numbers with their ranges; each is spread evenly over its range.
    measure : str
        Measure whose difference is looked at.
    samples : int
        Combinations tried; each with one draw of the life parameters.
    draws : int
        Draws of the life parameters from which those are taken.
    rng : numpy.random.Generator or int
        Source of the combinations.

    Returns
    -------
    DataFrame
        words, rank_correlation [1], share (of the variance of the difference) [1]; a last row
        for the life parameters and joint effects; the largest first.

    Notes
    -----
    Shares are squared coefficients of a linear fit of the difference to the numbers, which a
    Latin hypercube makes nearly independent; what the fit leaves is the last row.

    References
    ----------
    .. [1] M. D. McKay, R. J. Beckman, W. J. Conover, A comparison of three methods for selecting
       values of input variables, Technometrics 21, 1979 (from memory).
    """
    source = generator(rng)
    seed = int(source.integers(2**31))
    places = _latin_hypercube(samples, len(levers), source)
    column = source.integers(draws, size=samples)
    today = _shared_today(parts, scenario, levers, draws)
    values = np.empty(samples)
    for i, place in enumerate(places):
        changed = scenario
        for lever, part in zip(levers, place, strict=True):
            at = lever.lower + part * (lever.upper - lever.lower)
            changed = with_number(changed, lever.path, float(at))
        cell = compared(parts, changed, seed, draws=draws, today=today)
        values[i] = (cell.draws_then[measure] - cell.draws_today[measure])[column[i]]
    shares = _shares(places, values)
    rows = [
        {"words": lever.words, "rank_correlation": _rank_correlation(place, values), "share": share}
        for lever, place, share in zip(levers, places.T, shares, strict=True)
    ]
    rest = {"words": REST, "rank_correlation": np.nan, "share": max(1 - float(shares.sum()), 0.0)}
    table = pd.DataFrame(rows).sort_values("share", ascending=False, kind="stable")
    return pd.concat([table, pd.DataFrame([rest])], ignore_index=True)


def _latin_hypercube(samples: int, count: int, rng: np.random.Generator) -> Floats:
    order = np.stack([rng.permutation(samples) for _ in range(count)], axis=1)
    return (order + rng.random((samples, count))) / samples


def _shares(places: Floats, values: Floats) -> Floats:
    """Share of the variance that each column makes in a linear fit, the whole fit at most 1."""
    spread = values.std()
    if spread == 0:
        return np.zeros(places.shape[1])
    x = (places - places.mean(axis=0)) / places.std(axis=0)
    y = (values - values.mean()) / spread
    coefficients, *_ = np.linalg.lstsq(x, y, rcond=None)
    explained = 1 - float(((y - x @ coefficients) ** 2).mean())
    squares = coefficients**2
    total = squares.sum()
    return np.asarray(squares / total * explained) if total > 0 else squares


def _rank_correlation(one: Floats, other: Floats) -> float:
    ranks = [values.argsort().argsort().astype(np.float64) for values in (one, other)]
    if other.std() == 0:
        return float("nan")
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])
