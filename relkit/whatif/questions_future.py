"""Questions that look along the log: how long until we know enough, and had we used this before.

Layer: whatif. Each gives a table of its own.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.checks import generator
from relkit.decisions.age_replacement import replacement_age
from relkit.decisions.failure_finding import failure_finding_interval
from relkit.errors import StudyError
from relkit.plan.parts import PlanParts
from relkit.survival.tables import parameter_draws, pooled_weibull_fits
from relkit.whatif.scenario_sides import DAYS_A_MONTH

__all__ = ["months_until_known"]

Floats = NDArray[np.float64]

#: Months ahead at which the range is looked at.
MONTHS = (6, 12, 24, 36, 48, 60, 84, 120)
#: Draws of the parameters from which each simulated log's range is taken.
RANGE_DRAWS = 200
_REGULAR = ("planned replacement", "failure-finding")


def months_until_known(
    parts: PlanParts, rng: np.random.Generator | int = 1, *, repeats: int = 6
) -> pd.DataFrame:
    """14: months and failures until the range of each interval is half as wide as today.

    The log is carried on: for each repeat one draw of the parameters is taken for true, the
    items in service live on and are replaced as they fail, and the longer log is fitted afresh.

    Parameters
    ----------
    parts : PlanParts
        Steps of today's plan.
    rng : numpy.random.Generator or int
        Source of the draws and of the lives to come.
    repeats : int
        Logs that are carried on for each item.

    Returns
    -------
    DataFrame
        component, location, task, failures (today), range (upper over lower end of the interval
        today), months (NaN: more than ten years), months_lower, months_upper (over the repeats),
        failures_by_then (more failures by then), and ranges: one column per month looked at.

    Raises
    ------
    StudyError
        No item has an interval with a finite range.
    """
    source = generator(rng)
    task = parts.chosen.triage.task
    drawn = np.isfinite(parts.found.shape + parts.found.scale).all(axis=1)
    rows = [r for r in np.flatnonzero(drawn).tolist() if task[r] in _REGULAR]
    today = {r: _width(parts, r, parts.found.shape[r], parts.found.scale[r]) for r in rows}
    rows = [r for r in rows if np.isfinite(today[r])]
    if not rows:
        raise StudyError("no item has an interval with a finite range", path="study")
    lives = pd.concat(
        [_carried_on(parts, r, repeat, source) for r in rows for repeat in range(repeats)]
    )
    fits = pooled_weibull_fits(lives, ["case"], ["case"], limits="fisher")
    shape, scale = parameter_draws(fits, RANGE_DRAWS, rng=source)
    place = {case: i for i, case in enumerate(fits["case"])}
    table = []
    for r in rows:
        cases = [[place[_case(r, n, m)] for m in MONTHS] for n in range(repeats)]
        widths = np.array([[_width(parts, r, shape[i], scale[i]) for i in line] for line in cases])
        more = fits["failures"].to_numpy(dtype=float)[np.array(cases)]
        table.append(_row(parts, r, today[r], widths, more))
    return pd.DataFrame(table)


def _row(
    parts: PlanParts, row: int, today: float, widths: Floats, failures: Floats
) -> dict[str, object]:
    fits = parts.found.fits
    each = np.array([_months_at(line, today, today / 2) for line in widths])
    middle = float(np.median(each))
    now = float(fits["failures"].iloc[row])
    by_then = np.interp(min(middle, MONTHS[-1]), MONTHS, np.median(failures, axis=0)) - now
    lower, upper = np.quantile(each, [0.1, 0.9], method="nearest")
    known = np.isfinite(middle)
    names = {name: str(fits[name].iloc[row]) for name in ("component", "location") if name in fits}
    return {
        **names,
        "task": str(parts.chosen.triage.task[row]),
        "failures": now,
        "range": float(np.exp(today)),
        "months": middle if known else np.nan,
        "months_lower": float(lower) if np.isfinite(lower) else np.nan,
        "months_upper": float(upper) if np.isfinite(upper) else np.nan,
        "failures_by_then": float(by_then) if known else np.nan,
        **{
            f"range_{month}": float(np.exp(width))
            for month, width in zip(MONTHS, np.median(widths, axis=0), strict=True)
        },
    }


def _months_at(widths: Floats, today: float, wanted: float) -> float:
    """Months after which a range has come down to a width; inf: not within the months."""
    months = np.array([0.0, *MONTHS])
    narrowest = np.minimum.accumulate(np.array([today, *widths]))
    below = np.flatnonzero(narrowest <= wanted)
    if not len(below):
        return float("inf")
    i = int(below[0])
    ends = np.array([narrowest[i], narrowest[i - 1]])
    return float(np.interp(wanted, ends, [months[i], months[i - 1]]))


def _width(parts: PlanParts, row: int, shape: Floats, scale: Floats) -> float:
    """Log of upper over lower end (90 %) of the interval that each draw asks for."""
    settings = parts.chosen.settings[row]
    if not (np.isfinite(shape).all() and np.isfinite(scale).all()):
        return float("inf")
    if parts.chosen.triage.task[row] == "planned replacement":
        each = replacement_age(
            scale=scale,
            shape=shape,
            cost_planned=settings.cost_planned,
            cost_failure=settings.cost_failure,
        ).age
    else:
        ages = parts.items.loc[parts.items["stratum"] == row, "age"]
        each = failure_finding_interval(
            settings.target_unavailability, scale=scale, shape=shape, age=float(ages.mean())
        ).interval
    lower, upper = np.quantile(each, [0.05, 0.95], method="nearest")
    return float(np.log(upper / lower)) if np.isfinite(upper) else float("inf")


def _case(row: int, repeat: int, month: int) -> str:
    return f"{row:04d} {repeat:03d} {month:03d}"


def _carried_on(parts: PlanParts, row: int, repeat: int, rng: np.random.Generator) -> pd.DataFrame:
    """Lives of one stratum, carried on to each of the months by one draw of its parameters."""
    found = parts.found
    column = int(rng.integers(found.shape.shape[1]))
    shape, scale = found.shape[row, column], found.scale[row, column]
    past = _own_lives(parts, row)
    going = past["ended_by"] == "still in service"
    future = _futures(parts.items[parts.items["stratum"] == row], shape, scale, rng)
    frames = []
    for month in MONTHS:
        ahead = future[future["begun"] < month]
        whole = ahead["ends"] <= month
        lived = np.where(whole, ahead["age"], ahead["age"] - (ahead["ends"] - month) * ahead["use"])
        new = pd.DataFrame(
            {"entry": ahead["entry"], "age": lived, "age_lower": lived, "failed": whole,
             "failure_share": 0.0}
        )  # fmt: skip
        kept = past.loc[~going, ["entry", "age", "age_lower", "failed", "failure_share"]]
        both = pd.concat([kept, new[new["age"] > new["entry"]]], ignore_index=True)
        frames.append(both.assign(case=_case(row, repeat, month)))
    return pd.concat(frames, ignore_index=True)


def _own_lives(parts: PlanParts, row: int) -> pd.DataFrame:
    lives, fits = parts.found.lives, parts.found.fits
    lives = lives.assign(location=lives["stratum_location"])
    own = np.ones(len(lives), dtype=np.bool_)
    for name in parts.study.by:
        own &= lives[name].astype(str).eq(str(fits[name].iloc[row])).to_numpy()
    share = lives.get("failure_share", 0.0)
    return lives[own].assign(failed=lives.loc[own, "failed"].astype(bool), failure_share=share)


def _futures(
    items: pd.DataFrame, shape: float, scale: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Items in service and those that follow them: begun and ends [months], age at the end."""
    age = items["age"].fillna(items["age"].mean()).fillna(0.0).to_numpy(dtype=float)
    use = np.maximum(items["rate"].to_numpy(dtype=float) * DAYS_A_MONTH, 1e-9)
    past = items["entry"].fillna(0.0).to_numpy(dtype=float) if "entry" in items else 0.0 * age
    begun = np.zeros(len(age))
    parts = []
    entry = np.minimum(past, age)
    while len(age):
        gained = rng.standard_exponential(len(age))
        end_age = scale * ((age / scale) ** shape + gained) ** (1 / shape)
        ends = begun + (end_age - age) / use
        parts.append(
            pd.DataFrame({"begun": begun, "ends": ends, "entry": entry, "age": end_age, "use": use})
        )
        again = ends < MONTHS[-1]
        begun, use = ends[again], use[again]
        age = np.zeros(len(begun))
        entry = np.zeros(len(begun))
    return pd.concat(parts, ignore_index=True)
