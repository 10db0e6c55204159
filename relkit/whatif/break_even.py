"""Break-even: the value of one number of a scenario at which it makes no difference.

Layer: whatif. The range is over the draws of the life parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import finite
from relkit.plan.parts import PlanParts
from relkit.whatif.comparison import DRAWS, RANGE_LEVEL, compared, today_of
from relkit.whatif.scenario import Scenario
from relkit.whatif.scenario_numbers import with_number

__all__ = ["BreakEven", "break_even"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class BreakEven:
    """Where a measure's difference from today changes sign."""

    path: str  #: which number of the scenario
    measure: str
    value: float  #: at which the mean difference is nothing; NaN: nowhere in between
    lower: float  #: range of it over the draws; NaN where fewer than half have one
    upper: float
    share: float  #: of the draws with a change of sign in between [1]
    curve: pd.DataFrame  #: value, difference, lower, upper
    status: str  #: "ok", or that it pays everywhere or nowhere in between


def break_even(
    parts: PlanParts,
    scenario: Scenario,
    path: str,
    lower: float,
    upper: float,
    *,
    measure: str = "yearly_cost",
    points: int = 13,
    draws: int = DRAWS,
    rng: np.random.Generator | int = 1,
) -> BreakEven:
    """Return where a scenario neither gains nor loses against today as one number moves.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    scenario : Scenario
        The scenario.
    path : str
        Its number, such as ``changes.lives.1.scale_factor``.
    lower, upper : float
        Values between which to look.
    measure : str
        Measure that must not differ.
    points : int
        Values looked at; between them the difference is taken as straight.
    draws : int
        Draws of the life parameters.
    rng : numpy.random.Generator or int
        For scenarios that change the data at random.

    Raises
    ------
    ValueError
        The values are not in order, or the measure is not known for this study.
    StudyError
        The path leads to no number.
    """
    ends = finite("lower and upper", [lower, upper])
    if not ends[0] < ends[1]:
        raise ValueError(f"lower is {lower:g} and upper is {upper:g}: lower must be the smaller")
    places = np.linspace(ends[0], ends[1], max(points, 3))
    rows = []
    moved = path.startswith("today.")
    today = None if moved else today_of(parts, scenario, draws=draws)
    for place in places:
        changed = with_number(scenario, path, float(place))
        cell = compared(parts, changed, rng, draws=draws, today=today)
        if measure not in cell.draws_then:
            raise ValueError(
                f"measure {measure!r} is not known; there are: {', '.join(cell.draws_then)}"
            )
        rows.append(cell.draws_then[measure] - cell.draws_today[measure])
    change = np.stack(rows)
    tail = (1 - RANGE_LEVEL) / 2
    limits = np.quantile(change, [tail, 1 - tail], axis=1)
    each = first_roots(places, change)
    known = np.isfinite(each)
    value = float(first_roots(places, change.mean(axis=1)[:, None])[0])
    enough = known.mean() >= 0.5
    span = np.quantile(each[known], [tail, 1 - tail]) if enough else (np.nan, np.nan)
    return BreakEven(
        path=path,
        measure=measure,
        value=value,
        lower=float(span[0]),
        upper=float(span[1]),
        share=float(known.mean()),
        curve=pd.DataFrame(
            {"value": places, "difference": change.mean(axis=1), "lower": limits[0],
             "upper": limits[1]}
        ),
        status=_status(value, change.mean(axis=1)),
    )  # fmt: skip


def _status(value: float, mean: Floats) -> str:
    if np.isfinite(value):
        return "ok"
    if not np.abs(mean).any():
        return "makes no difference in between"
    return "more than today everywhere in between" if mean[0] > 0 else "less than today everywhere"


def first_roots(places: Floats, values: Floats) -> Floats:
    """Return where each column of values first changes sign, straight in between; NaN: nowhere.

    Examples
    --------
    >>> first_roots(np.array([0.0, 1.0, 2.0]), np.array([[-1.0], [-0.5], [0.5]])).tolist()
    [1.5]
    """
    before, after = values[:-1], values[1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(before == after, 0.0, before / (before - after))
    crossed = (np.sign(before) != np.sign(after)) & (before != 0)
    first = crossed.argmax(axis=0)
    columns = np.arange(values.shape[1])
    steps = np.diff(places)[first]
    root = places[first] + part[first, columns] * steps
    return np.asarray(np.where(crossed.any(axis=0), root, np.nan))
