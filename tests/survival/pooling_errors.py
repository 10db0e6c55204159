"""Errors of pooled, separate and complete fits by simulation: the table and its script.

``python -m tests.survival.pooling_errors FILE`` writes the full table; see
tests/references/pooling_errors.md. No test by itself.
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
from relkit.survival.partial_pooling import partial_pooling
from relkit.survival.weibull import own_fits

SCALE, LIVES = 3000.0, 40
#: Cells of the full table, in each design.
CELLS = 1440
Truth = dict[str, NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Design:
    """Fleets of one kind."""

    failures: int  # expected in a cell of 40 lives
    shape_scatter: float  # standard deviation of log shape over the cells of a fleet
    scale_scatter: float  # the same of log scale
    shape: float = 1.8  # middle of the shapes
    cells: int = 12  # of a fleet


DESIGNS = [
    Design(failures, *scatter, shape, cells)
    for (scatter, shape, cells), failures in product(
        (
            ((0.1, 0.15), 1.8, 12),
            ((0.15, 0.25), 1.8, 12),
            ((0.25, 0.4), 1.8, 12),
            ((0.3, 0.6), 1.8, 12),
            ((0.2, 0.3), 1.2, 12),
            ((0.2, 0.3), 3.0, 12),
            ((0.2, 0.4), 1.8, 6),
            ((0.2, 0.4), 1.8, 30),
        ),
        (2, 5, 10),
    )
]


def drawn_fleets(
    design: Design, fleets: int, rng: np.random.Generator
) -> tuple[ObservedLives, NDArray[np.intp], Truth]:
    """Fleets whose cells are so long watched that they have so many failures on average."""
    n = fleets * design.cells
    shape = design.shape * np.exp(design.shape_scatter * rng.standard_normal(n))
    scale = SCALE * np.exp(design.scale_scatter * rng.standard_normal(n))
    codes = np.repeat(np.arange(n), LIVES)
    life = scale[codes] * rng.weibull(shape[codes])
    window = rng.uniform(0.5, 1.5, len(codes))
    end = np.quantile(life / window, design.failures / LIVES) * window
    lives = observed_lives(codes, np.minimum(life, end), life <= end)
    b10 = scale * (-math.log(0.9)) ** (1 / shape)
    truth = {"shape": shape, "scale": scale, "b10": b10}
    return lives, np.repeat(np.arange(fleets), design.cells), truth


def error_row(design: Design, cells: int, rng: np.random.Generator) -> dict[str, float]:
    """Mean squared errors of log shape and log scale, and coverage of pooled 90 % limits.

    ``own`` are separate fits, ``one`` one fit for the whole fleet. Cells without two failures
    have no separate fit to speak of: ``told`` compares on the others.
    """
    fleets = max(2, cells // design.cells)
    lives, pool, truth = drawn_fleets(design, fleets, rng)
    pooled = partial_pooling(lives, pool, fleets, confidence_level=0.9)
    separate = own_fits(lives)
    of_fleet = pool[lives.strata.codes()]
    complete = own_fits(observed_lives(of_fleet, lives.age, lives.failures > 0))
    told = np.isfinite(separate.scale) & (separate.failures >= 2)
    row: dict[str, float] = {**asdict(design), "fleets": fleets, "told": float(told.mean())}

    def error(estimate: NDArray[np.float64], name: str, kept: NDArray[np.bool_]) -> float:
        return float(np.mean(np.log(estimate / truth[name])[kept] ** 2))

    every = np.ones(len(pool), dtype=bool)
    for name in ("shape", "scale"):
        one = getattr(complete, name)[pool]
        row[f"{name}_own_told"] = error(getattr(separate, name), name, told)
        row[f"{name}_one_told"] = error(one, name, told)
        row[f"{name}_pooled_told"] = error(getattr(pooled, name), name, told)
        row[f"{name}_one"] = error(one, name, every)
        row[f"{name}_pooled"] = error(getattr(pooled, name), name, every)
    for name, values in truth.items():
        lower, upper = getattr(pooled, f"{name}_lower"), getattr(pooled, f"{name}_upper")
        row[f"{name}_covered"] = float(((lower <= values) & (values <= upper)).mean())
    return row


if __name__ == "__main__":
    rows = [
        error_row(design, CELLS, np.random.default_rng(80_000 + i))
        for i, design in enumerate(DESIGNS)
    ]
    pd.DataFrame(rows).round(4).to_csv(Path(sys.argv[1]), index=False)
