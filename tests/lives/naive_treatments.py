"""What wrong treatments of a log do to the fits: simulated fleets, the same log treated eight ways.

Run ``python tests/lives/naive_treatments.py`` from the folder of the project; it writes
tests/references/naive_treatments.csv. test_naive_treatments.py measures fewer logs anew.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

import relkit
from relkit.survival.tables import shared_causes

__all__ = ["CASES", "TREATMENTS", "masked_medians", "medians", "treated_lives"]

#: True shape and scale [h], number of positions, and their mean use [h a year].
CASES: dict[str, tuple[float, float, int, float]] = {
    "low-mount cable": (2.2, 5500.0, 108, (48 * 750 + 60 * 1450) / 108),
    "kerb-side camera": (1.0, 11000.0, 66, (24 * 750 + 20 * 1450 + 8 * 1250 + 14 * 1300) / 66),
    "suction-mouth camera": (2.2, 2100.0, 20, 1450.0),
}
#: Years from 2017-01-01 to the start and to the end of the log.
LOG_START, LOG_END = 4.0, 8.5
TREATMENTS = (
    "late entry handled",
    "first spell with unknown start dropped",
    "late entry ignored",
    "vehicle's date taken as the unit's date",
    "all ages set to zero at log start",
    "failures only, survivors dropped",
    "gaps between log rows taken as lives",
)
TARGET = Path(__file__).parents[1] / "references" / "naive_treatments.csv"


def histories(case: str, logs: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return the stays of items of many logs that touch the time of the log.

    Returns
    -------
    DataFrame
        log, position, start, end, failed; ``began`` (of the vehicle); all times in operating
        hours since the vehicle's first day; ``log_from`` and ``log_until`` likewise.
    """
    shape, scale, positions, rate = CASES[case]
    count = logs * positions
    early = rng.random(count) < 0.6
    began = np.where(early, 4.0 * rng.random(count), 4.0 + 4.0 * rng.random(count))
    until = (LOG_END - began) * rate
    since = np.maximum(LOG_START - began, 0.0) * rate
    parts, start, position = [], np.zeros(count), np.arange(count)
    while len(position):
        end = start + scale * rng.standard_exponential(len(position)) ** (1 / shape)
        failed = end < until[position]
        stay = pd.DataFrame({"position": position, "start": start, "end": end, "failed": failed})
        parts.append(stay[end > since[position]])
        position, start = position[failed], end[failed]
    stays = pd.concat(parts, ignore_index=True)
    at = stays["position"].to_numpy()
    stays["end"] = np.minimum(stays["end"], until[at])
    known = {"log": at // positions, "log_from": since[at], "old": began[at] < LOG_START}
    return stays.assign(**known)


def treated_lives(stays: pd.DataFrame, treatment: str) -> pd.DataFrame:
    """Return lives (log, entry, age, failed) as one treatment makes them of the same log."""
    first = (stays["start"] < stays["log_from"]).to_numpy()
    entry = np.maximum(stays["log_from"] - stays["start"], 0.0).to_numpy()
    age = (stays["end"] - stays["start"]).to_numpy()
    lives = pd.DataFrame({"log": stays["log"], "entry": entry, "age": age})
    lives["failed"] = stays["failed"]
    if treatment == "first spell with unknown start dropped":
        # where nothing is known of the unit, the unit that was there when the log began
        return lives[~(stays["old"] & _first_of_position(stays))]
    if treatment == "late entry ignored":
        return lives.assign(entry=0.0)
    if treatment == "vehicle's date taken as the unit's date":
        own = np.where(first, stays["log_from"], entry)
        return lives.assign(entry=own, age=np.where(first, stays["end"], age))
    if treatment == "all ages set to zero at log start":
        return lives.assign(entry=0.0, age=age - entry)
    if treatment == "failures only, survivors dropped":
        return lives[lives["failed"]].assign(entry=0.0)
    if treatment == "gaps between log rows taken as lives":
        ended = stays[stays["failed"]].sort_values(["position", "end"])
        gap = ended["end"] - ended.groupby("position")["end"].shift()
        gaps = pd.DataFrame({"log": ended["log"], "entry": 0.0, "age": gap, "failed": True})
        return gaps.dropna()
    return lives


def _first_of_position(stays: pd.DataFrame) -> pd.Series:
    return ~stays.sort_values("start").duplicated("position").reindex(stays.index)


def medians(case: str, *, logs: int, seed: int) -> pd.DataFrame:
    """Return median shape and scale of each treatment over many logs, with their spread."""
    stays = histories(case, logs, np.random.default_rng(seed))
    rows = []
    for treatment in TREATMENTS:
        lives = treated_lives(stays, treatment).reset_index(drop=True)
        fits = relkit.weibull_fits(lives, by=["log"])
        fitted = fits[np.isfinite(fits["scale"]) & (fits["failures"] >= 2)]
        rows.append(
            {
                "case": case,
                "treatment": treatment,
                "logs": len(fitted),
                "shape": fitted["shape"].median(),
                "scale": fitted["scale"].median(),
                "shape_sd": _spread(fitted["shape"]),
                "scale_sd": _spread(fitted["scale"]),
            }
        )
    return pd.DataFrame(rows)


def _spread(values: pd.Series) -> float:
    """Return the standard deviation from the middle half (normal law, textbooks)."""
    low, high = np.quantile(values, [0.25, 0.75])
    return float((high - low) / 1.349)


CAMERA, CABLE, BOTH_SHARE = (2.6, 3000.0), (2.2, 5500.0), 0.35


def masked_logs(*, logs: int, views: int, hours: float, rng: np.random.Generator) -> pd.DataFrame:
    """Lives of cameras and their cables, of which 35 % of the jobs replace both."""
    count = logs * views
    truth = np.array([CAMERA, CABLE])
    born = np.zeros((count, 2))
    life = truth[:, 1] * rng.standard_exponential((count, 2)) ** (1 / truth[:, 0])
    parts, job, alive = [], 0, np.arange(count)
    while len(alive):
        end = (born + life)[alive].min(axis=1)
        slot = (born + life)[alive].argmin(axis=1)
        going = end < hours
        own, at = alive[going], slot[going]
        both = rng.random(len(own)) < BOTH_SHARE
        for item in (0, 1):
            out = both | (at == item)
            unit = own[out]
            parts.append(
                pd.DataFrame(
                    {
                        "log": unit // views,
                        "component": ("camera", "cable")[item],
                        "age": end[going][out] - born[unit, item],
                        "both": both[out],
                        "failed": (at == item)[out],
                        "job": (job + np.arange(len(own)))[out],
                    }
                )
            )
            born[unit, item] = end[going][out]
            shape, scale = truth[item]
            life[unit, item] = scale * rng.standard_exponential(len(unit)) ** (1 / shape)
        job += len(own)
        alive = own
    for item in (0, 1):
        rest = pd.DataFrame({"log": np.arange(count) // views, "age": hours - born[:, item]})
        rest = rest.assign(component=("camera", "cable")[item], both=False, failed=False, job=-1)
        parts.append(rest)
    lives = pd.concat(parts, ignore_index=True)
    return lives[lives["age"] > 0].assign(entry=0.0).reset_index(drop=True)


def masked_medians(*, logs: int, seed: int, views: int = 60, hours: float = 7000.0) -> pd.DataFrame:
    """Return median shape and scale of cameras and cables under three treatments of the jobs."""
    lives = masked_logs(logs=logs, views=views, hours=hours, rng=np.random.default_rng(seed))
    masked = lives["both"].to_numpy()
    by = ["log", "component"]
    shared = lives.assign(
        failed=lives["failed"] & ~masked,
        causes=np.where(masked, "cable; camera", ""),
        masked_job=np.where(masked, lives["job"].astype(str), ""),
        location="",
    )
    shared["failure_share"] = shared_causes(shared, by)
    ways = {
        "both counted": lives.assign(failed=lives["failed"] | masked),
        "both censored": lives.assign(failed=lives["failed"] & ~masked),
        "masked likelihood": shared,
    }
    rows = []
    for treatment, table in ways.items():
        fits = relkit.weibull_fits(table, by=by)
        for component, own in fits.groupby("component"):
            rows.append(
                {
                    "case": f"masked jobs: {component}",
                    "treatment": treatment,
                    "logs": len(own),
                    "shape": own["shape"].median(),
                    "scale": own["scale"].median(),
                    "shape_sd": _spread(own["shape"]),
                    "scale_sd": _spread(own["scale"]),
                }
            )
    return pd.DataFrame(rows)


def main() -> None:
    """Measure all cases, write the table and print it."""
    parts = [medians(case, logs=400, seed=7) for case in CASES]
    parts.append(masked_medians(logs=200, seed=7))
    table = pd.concat(parts, ignore_index=True).round(
        {"shape": 3, "scale": 0, "shape_sd": 3, "scale_sd": 0}
    )
    table.to_csv(TARGET, index=False)
    sys.stdout.write(table.to_string() + "\n")


if __name__ == "__main__":
    main()
