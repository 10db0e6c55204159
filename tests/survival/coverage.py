"""Coverage of profile limits by simulation: the table and the script that makes it.

``python -m tests.survival.coverage FILE`` writes the full table; see
tests/references/profile_coverage.md. No test by itself.
"""

from __future__ import annotations

import math
import sys
from dataclasses import asdict, dataclass
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.weibull import own_fits

SHAPE, SCALE = 2.0, 1000.0
FAILURES = (5, 10, 30, 100)
CENSORED = (0.0, 0.5, 0.9)
#: Repetitions of the full table: a share covered has a standard deviation of 0.15 %.
REPETITIONS = 20_000
#: Lives whose windows are set at once when a share censored is sought.
_PILOT = 200_000
#: Rows fitted at once, so that the table needs little memory.
_ROWS = 400_000


@dataclass(frozen=True, slots=True)
class Cell:
    """One design of the table: what is expected of a stratum."""

    failures: int  # expected number
    censored: float  # expected share of lives
    late_entry: bool  # half of the lives are watched from a later age

    @property
    def lives(self) -> int:
        """Lives of a stratum."""
        return round(self.failures / (1 - self.censored))


CELLS = [Cell(*values) for values in product(FAILURES, CENSORED, (False, True))]


def coverage_table(
    repetitions: int, rng: np.random.Generator, cells: list[Cell] | None = None
) -> pd.DataFrame:
    """Share of repetitions whose 95 % profile limits hold the truth, a row for each cell.

    Lives follow a Weibull law of shape 2. Censored cells watch each life for a window of its
    own, uniform from 0.5 to 1.5 times a length that makes the share censored right. With late
    entry every second life is first watched at an age uniform from 0 to half of the scale.

    Returns
    -------
    DataFrame
        ``failures``, ``censored``, ``late_entry``, ``lives``, ``repetitions``,
        ``without_limits`` (share of repetitions; left out of the others), ``shape``, ``scale``
        and ``b10`` (share covered).
    """
    return pd.DataFrame([_row(cell, repetitions, rng) for cell in cells or CELLS])


def _row(cell: Cell, repetitions: int, rng: np.random.Generator) -> dict[str, float]:
    window = mean_window(cell, rng)
    truths = {"shape": SHAPE, "scale": SCALE, "b10": SCALE * (-math.log(0.9)) ** (1 / SHAPE)}
    inside: dict[str, list[NDArray[np.bool_]]] = {name: [] for name in truths}
    known: list[NDArray[np.bool_]] = []
    left, most = repetitions, max(1, _ROWS // cell.lives)
    while left > 0:
        strata = min(left, most)
        fits = own_fits(simulated_lives(cell, window, strata, rng), limits="profile")
        known.append(~np.isnan(fits.shape_lower))
        for name, truth in truths.items():
            lower, upper = getattr(fits, f"{name}_lower"), getattr(fits, f"{name}_upper")
            inside[name].append((lower <= truth) & (truth <= upper))
        left -= strata
    found = np.concatenate(known)
    shares = {name: float(np.concatenate(hits)[found].mean()) for name, hits in inside.items()}
    sizes = {"lives": cell.lives, "repetitions": repetitions}
    return {**asdict(cell), **sizes, "without_limits": 1 - float(found.mean()), **shares}


def _drawn(
    cell: Cell, n: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return ages of entry and of failure, the latter beyond the former."""
    late = (np.arange(n) % 2 == 1) & cell.late_entry
    entry = np.where(late, rng.uniform(0, SCALE / 2, n), 0.0)
    hazard = (entry / SCALE) ** SHAPE + rng.standard_exponential(n)
    return entry, SCALE * hazard ** (1 / SHAPE)


def mean_window(cell: Cell, rng: np.random.Generator) -> float:
    """Return the mean length of watching that censors the share of lives wanted."""
    if cell.censored == 0:
        return math.inf
    entry, life = _drawn(cell, _PILOT, rng)
    needed = (life - entry) / rng.uniform(0.5, 1.5, _PILOT)  # the window that sees the failure
    return float(np.quantile(needed, 1 - cell.censored))


def simulated_lives(
    cell: Cell, window: float, strata: int, rng: np.random.Generator
) -> ObservedLives:
    """Return lives of so many strata of the cell."""
    n = strata * cell.lives
    entry, life = _drawn(cell, n, rng)
    end = entry + window * rng.uniform(0.5, 1.5, n)
    codes = np.repeat(np.arange(strata), cell.lives)
    return observed_lives(codes, np.minimum(life, end), life <= end, entry=entry)


if __name__ == "__main__":
    coverage_table(REPETITIONS, np.random.default_rng(2024)).round(4).to_csv(
        Path(sys.argv[1]), index=False
    )
