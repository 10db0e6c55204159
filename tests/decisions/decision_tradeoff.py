"""What each guard rail loses and keeps with few failures in a pool of unlike places, as a table.

Run it from the repository's root: ``python -m tests.decisions.decision_tradeoff``. It takes some
minutes on one core and writes tests/references/decision_tradeoff.csv, of which
tests/decisions/test_decision_tradeoff.py measures one case anew. The seeds are none of those that
the rules were chosen with.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.decisions.replacement_uncertainty import replacement_under_uncertainty
from relkit.survival.tables import parameter_draws, pooled_weibull_fits, weibull_fits
from tests.decisions.test_decision_quality import (
    COSTS,
    DRAWS,
    SCALE,
    Floats,
    made_logs,
    plug_in_age,
)

TABLE = Path(__file__).parents[1] / "references" / "decision_tradeoff.csv"
SEEDS = (101, 102)
SHAPES, FAILURES = (1.0, 1.5, 2.2, 3.0), (3, 5)
#: Guard rails: least saving, and least share of the draws that save.
GUARDS = {
    "saving of 5 % (as shipped)": (0.05, 0.0),
    "saving of 5 % in 3 of 4 draws": (0.05, 0.75),
    "saving of 5 % in 4 of 5 draws": (0.05, 0.80),
    "saving of 8 %": (0.08, 0.0),
    "saving of 10 %": (0.10, 0.0),
}


def case(shape: float, failures: int, seed: int) -> Iterator[dict[str, object]]:
    """Yield what each rule loses over the best, and which part of the plug-in's gain it keeps."""
    lives = made_logs(shape, failures, "mixed", seed)
    fits = pooled_weibull_fits(lives, ["log", "location"], "log")
    drawn_shape, drawn_scale = parameter_draws(fits, DRAWS, 1)
    here = (fits["location"] == "place 00").to_numpy()
    law = {"scale": drawn_scale[here], "shape": drawn_shape[here]}
    best = replacement_under_uncertainty(**law, **COSTS)
    truth = replacement_age(scale=SCALE, shape=shape, **COSTS)
    wear = fits.loc[here, "probability_of_wear"].to_numpy(dtype=float) >= 0.8

    def extra(age: Floats) -> Floats:
        costs = cost_rate(np.maximum(age, 1e-3 * SCALE), scale=SCALE, shape=shape, **COSTS)
        return np.asarray(costs / float(truth.cost_rate) - 1)

    own = lives[lives["location"] == "place 00"]
    plug_in = extra(plug_in_age(weibull_fits(own, "log")))
    nothing = float(truth.run_to_failure_cost_rate / truth.cost_rate) - 1
    rules = {
        name: extra(
            np.where(
                wear & (best.saving > least) & (best.probability_of_saving >= chance),
                best.age,
                np.inf,
            )
        )
        for name, (least, chance) in GUARDS.items()
    }
    rules |= {"plug-in": plug_in, "never replace": np.full(len(plug_in), nothing)}
    gain = nothing - plug_in.mean()
    for name, lost in rules.items():
        yield {
            "rule": name,
            "shape": shape,
            "failures": failures,
            "seed": seed,
            "loss": round(float(lost.mean()), 4),
            "loss_error": round(float(lost.std(ddof=1) / np.sqrt(len(lost))), 4),
            "gain_kept": round(float((nothing - lost.mean()) / gain), 3) if gain > 0.01 else np.nan,
        }


def measured() -> pd.DataFrame:
    """All cases over all seeds."""
    rows: list[dict[str, object]] = []
    for seed in SEEDS:
        for shape in SHAPES:
            for failures in FAILURES:
                rows += case(shape, failures, seed)
                sys.stdout.write(f"seed {seed}, shape {shape}, {failures} failures\n")
                sys.stdout.flush()
    return pd.DataFrame(rows)


if __name__ == "__main__":
    measured().to_csv(TABLE, index=False)
