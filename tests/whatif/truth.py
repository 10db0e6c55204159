"""What the truth behind the demo implies for a question: simulated, sharing nothing with relkit.

Items and both sides' tasks come from the comparison; lives come from the truth file.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Histories of each item.
HISTORIES = 200


def true_laws(items: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Items with the shape and scale that the truth file gives their component and place.

    Items of the bad batch have its life, and their followers that of the place.
    """
    table = truth.set_index(["component", "location"])
    keys = pd.MultiIndex.from_arrays([items["component"], items["place"]])
    found = table.reindex(keys)
    if found["shape"].isna().any():
        raise AssertionError(f"no truth for {keys[found['shape'].isna()].unique().tolist()}")
    shape, scale = found["shape"].to_numpy(float), found["scale_h"].to_numpy(float)
    bad = items["serial"].astype(str).str.startswith("M3").to_numpy()
    bad &= items["component"].eq("camera").to_numpy()
    batch = table.loc[("camera, serial prefix M3", "any mount")]
    return items.assign(
        shape=np.where(bad, batch["shape"], shape),
        scale=np.where(bad, batch["scale_h"], scale),
        next_shape=shape,
        next_scale=scale,
    )


def read_truth(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "truth.csv")


def histories(
    items: pd.DataFrame, days: float, *, seed: int = 7, size: int = HISTORIES
) -> dict[str, float]:
    """Mean failures, planned replacements and dark time of all items, by simulation.

    An item fails by its Weibull law, is replaced at once if its failure is noticed, else at the
    next test or report; a planned item is replaced at its interval. Every item uses up its own
    exponential draws, so that two sides with the same items see the same luck.
    """
    count = len(items)
    shape, scale = (np.repeat(items[n].to_numpy(float), size) for n in ("shape", "scale"))
    later_shape, later_scale = (
        np.repeat(items[n].to_numpy(float), size) for n in ("next_shape", "next_scale")
    )
    weight = np.repeat(items["count"].to_numpy(float), size) / size
    age = np.repeat(items["age"].to_numpy(float), size)
    horizon = np.repeat(items["rate"].to_numpy(float) * days, size)
    planned = items["task"].eq("planned replacement") & (items["interval"] > 0)
    limit = np.repeat(np.where(planned, items["interval"], np.inf), size)
    first = np.repeat(items["first_planned"].to_numpy(float), size)
    spacing = np.repeat(items["spacing"].to_numpy(float), size)
    tests = items["task"].eq("failure-finding") & items["hidden"] & (items["interval"] > 0)
    every = np.repeat(np.where(tests, items["interval"], np.nan), size)
    hidden = np.repeat(items["hidden"].to_numpy(bool), size)
    reports = np.repeat((items["reported_per_day"] / items["rate"]).to_numpy(float), size)
    rng = np.random.default_rng(seed)
    # a hidden item was last known good at its last test, a part of an interval ago
    phase = rng.random(count * size)
    ago = np.where(np.isnan(every), 0.0, np.minimum(phase * every, age))
    time, age = -ago, age - ago
    sums = {"failures": 0.0, "planned": 0.0, "dark_time": 0.0}
    here, old = np.arange(count * size), True
    while len(here):
        b, e = (shape, scale) if old else (later_shape, later_scale)
        luck = rng.standard_exponential(count * size)[here]
        wait = rng.standard_exponential(count * size)[here]
        b, e = b[here], e[here]
        life = e * ((age[here] / e) ** b + luck) ** (1 / b) - age[here]
        rest = np.maximum(limit[here] - age[here], 0.0)
        if old:
            # what is overdue waits for the next service, half a spacing away on average
            rest = np.where(age[here] >= limit[here], spacing[here] / 2, rest)
            rest = np.where(np.isnan(first[here]), rest, first[here])
        failed = life < rest
        end = time[here] + np.minimum(life, rest)
        inside = end < horizon[here]
        ahead = inside & (end >= 0)
        w = weight[here]
        sums["failures"] += float((w * (ahead & failed)).sum())
        sums["planned"] += float((w * (ahead & ~failed)).sum())
        found = end.copy()
        dark = hidden[here] & failed & inside
        tau = every[here]
        with np.errstate(invalid="ignore", divide="ignore"):
            after = np.ceil(end / tau + phase[here]) - phase[here]
            test = np.where(np.isnan(tau), np.inf, after * tau)
            report = np.where(reports[here] > 0, end + wait / reports[here], np.inf)
        found[dark] = np.minimum(test, report)[dark]
        cut = np.minimum(found, horizon[here])
        sums["dark_time"] += float((w * np.where(dark, np.maximum(cut - np.maximum(end, 0.0), 0.0),
                                                 0.0)).sum())  # fmt: skip
        time[here], age[here] = found, 0.0
        here, old = here[inside & (found < horizon[here])], False
    return sums


def priced(items: pd.DataFrame, days: float, *, seed: int = 7) -> dict[str, float]:
    """Histories item by item kind, with the money they come to."""
    total = {"failures": 0.0, "planned": 0.0, "dark_time": 0.0, "cost": 0.0}
    kinds = items.groupby(["component", "place", "cost_failure", "cost_planned"], dropna=False)
    for (_, _, failure, planned), own in kinds:
        part = histories(own.reset_index(drop=True), days, seed=seed)
        for name, value in part.items():
            total[name] += value
        total["cost"] += part["failures"] * failure
        total["cost"] += part["planned"] * planned if part["planned"] else 0.0
    return total


def long_run_cost(items: pd.DataFrame) -> float:
    """Cost a year by the age replacement formula (Barlow and Hunter 1960), summed by trapezoids."""
    total = 0.0
    for row in items.to_dict("records"):
        replaced = row["task"] == "planned replacement" and row["interval"] > 0
        end = row["interval"] if replaced else 12 * row["next_scale"]
        ages = np.linspace(0.0, end, 4001)
        survive = np.exp(-((ages / row["next_scale"]) ** row["next_shape"]))
        mean = float(np.trapezoid(survive, ages))
        planned = row["cost_planned"] * survive[-1] if replaced else 0.0
        failed = 1 - survive[-1] if replaced else 1.0
        cost = (row["cost_failure"] * failed + planned) / mean
        total += cost * row["rate"] * 365.25 * row["count"]
    return total


def implied(sides: Sequence[pd.DataFrame], days: float, measure: str, longer: float = 1.0) -> float:
    """Difference that the truth implies between two sides' positions."""
    values = []
    for items, factor in zip(sides, (1.0, longer), strict=True):
        scaled = items.assign(
            scale=items["scale"] * factor, next_scale=items["next_scale"] * factor
        )
        whole = measure == "yearly_cost"
        values.append(long_run_cost(scaled) if whole else priced(scaled, days)[measure])
    return values[1] - values[0]


def as_place(items: pd.DataFrame, truth: pd.DataFrame, component: str, place: str) -> pd.DataFrame:
    """Items with the true life of their component at another place."""
    other = truth.set_index(["component", "location"]).loc[(component, place)]
    own = {"shape": other["shape"], "scale": other["scale_h"]}
    return items.assign(**own, **{f"next_{name}": value for name, value in own.items()})
