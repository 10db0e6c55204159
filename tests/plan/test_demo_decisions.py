"""The decisions on the made-up fleet against its own truth, over a hundred seeds.

Source of every expected value: truth.csv of the demo (the parameters that made the log) and the
cost rate of age replacement at those parameters, R. E. Barlow and F. Proschan, Mathematical
Theory of Reliability, 1965, chapter 4 (checked in tests/decisions/test_age_replacement.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import relkit
from relkit.decisions.age_replacement import cost_rate, replacement_age
from relkit.demo.write import write_clean_demo
from relkit.plan.evidence import with_places
from tests.plan.demo_decisions import TABLE, measured

pytestmark = pytest.mark.slow

#: Seeds planned anew here; the hundred are in the table that demo_decisions.py makes.
SEEDS = range(1, 5)
#: Failures from which a decision is asked to be right.
MANY = 20


def intervals_and_truth(folder: Path, seed: int) -> pd.DataFrame:
    plan = relkit.build_plan(relkit.read_study(write_clean_demo(folder, seed=seed)))
    truth = pd.read_csv(folder / "truth.csv")
    joined = plan.intervals.merge(truth, on=["component", "location"], suffixes=("", "_true"))
    return joined.assign(seed=seed)


def excess_cost(rows: pd.DataFrame) -> np.ndarray:
    """Return the true cost rate of the planned interval over the least possible one, minus 1."""
    truth = {
        "scale": rows["scale_true"].to_numpy(),
        "shape": rows["shape_true"].to_numpy(),
        "cost_planned": rows["cost_planned"].to_numpy(),
        "cost_failure": rows["cost_failure"].to_numpy(),
    }
    interval = rows["interval"].to_numpy()
    here = cost_rate(np.where(np.isnan(interval), np.inf, interval), **truth)
    return here / replacement_age(**truth).cost_rate - 1


@pytest.fixture(scope="module")
def decisions(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    folder = tmp_path_factory.mktemp("seeds")
    return pd.concat(
        [intervals_and_truth(folder / str(seed), seed) for seed in SEEDS], ignore_index=True
    )


def test_nine_in_ten_items_with_many_failures_get_the_true_task_at_a_good_interval(
    hundred: pd.DataFrame,
) -> None:
    # Source: truth.csv. Bars: 90 % of item-seeds, true cost within 5 % of the best.
    many = hundred[hundred["failures"] >= MANY].copy()
    many["task_right"] = many["task"] == many["task_true"]
    replaced = many["task_right"] & (many["task_true"] == "planned replacement")
    many.loc[replaced, "excess"] = excess_cost(many[replaced])
    right = many["task_right"] & (many["excess"].fillna(0.0) <= 0.05)
    cells = many.assign(right=right).groupby(["component", "location"])["right"]
    show(f"true task: {many['task_right'].mean():.1%}; and a good interval: {right.mean():.1%}")
    show(f"true excess cost, planned replacement: median {many['excess'].median():.2%}")
    show(f"  largest {many['excess'].max():.2%}; within 5 %: {(many['excess'] <= 0.05).sum()}")
    show(cells.agg(["size", "mean"]).to_string())
    assert replaced.sum() >= 500  # the bar is about something
    assert right.mean() >= 0.90


def test_hidden_failures_are_always_answered_with_a_test_that_meets_its_target(
    decisions: pd.DataFrame,
) -> None:
    # Source: truth.csv (who notices) and the study's own target.
    hidden = decisions[decisions["task_true"] == "failure-finding"]
    assert len(hidden) >= 2 * len(SEEDS)
    assert (hidden["task"] == "failure-finding").all()
    tested = hidden[hidden["interval"].notna()]
    assert (tested["unavailability"] <= 1.002 * tested["target_unavailability"]).all()


@pytest.fixture(scope="module")
def hundred() -> pd.DataFrame:
    """Decisions over a hundred seeds, as measured once by demo_decisions.py."""
    return pd.read_csv(TABLE)


def test_over_a_hundred_seeds_the_true_task_is_found_for_items_with_many_failures(
    hundred: pd.DataFrame,
) -> None:
    # Source: truth.csv. Bar of the project: 95 %.
    many = hundred[hundred["failures"] >= MANY]
    right = (many["task"] == many["task_true"]).mean()
    show(f"{len(many)} item-seeds with {MANY} failures or more: {right:.1%} get the true task")
    assert hundred["seed"].nunique() == 100
    assert len(many) >= 1000
    assert right >= 0.95


def test_over_a_hundred_seeds_random_failures_are_not_answered_with_replacement(
    hundred: pd.DataFrame,
) -> None:
    # Source: truth.csv. Bar of the project: 1 % of item-seeds with a true shape up to 1.1.
    random = hundred[hundred["shape_true"] <= 1.1]
    replaced = (random["task"] == "planned replacement").sum()
    show(f"replaced though random: {replaced} of {len(random)} item-seeds")
    assert replaced <= 0.01 * len(random)


@pytest.mark.parametrize("location", ["boom arm", "rear high"])
def test_over_a_hundred_seeds_cameras_not_worth_it_are_not_replaced_by_age(
    location: str, hundred: pd.DataFrame
) -> None:
    # Source: truth.csv: true savings of 3 % and 0 %. Bar of the project: 90 %.
    rows = hundred[(hundred["component"] == "camera") & (hundred["location"] == location)]
    kept = (rows["task"] != "planned replacement").mean()
    show(f"camera, {location}: not replaced by age in {kept:.0%} of {len(rows)} seeds")
    assert kept >= 0.90


def test_two_of_the_hundred_seeds_measured_anew(hundred: pd.DataFrame) -> None:
    # Source: the table itself. A change upstream may move a single decision that lies near a
    # threshold: two of 42 are allowed, and the table is to be made afresh at such a change.
    again = measured([7, 64])
    then = hundred[hundred["seed"].isin([7, 64])].reset_index(drop=True)
    keys = ["seed", "component", "location"]
    both = again.merge(then, on=keys, suffixes=("", "_then"), validate="one_to_one")
    assert len(both) == len(then)
    assert (both["task"] != both["task_then"]).sum() <= 2
    assert (both["failures"] - both["failures_then"]).abs().max() <= 1.0


def test_fitted_scales_lie_around_the_true_ones(tmp_path: Path) -> None:
    # Source: truth.csv of a fleet without bad batches and training effects. Bar: the median over
    # the seeds is within 5 % of the truth, for all cells together strictly, for one cell within
    # 5 % and 2.5 standard errors of its median, 1.2533 se / sqrt(seeds) (normal law, textbooks).
    # Cells that reach 20 failures in some seeds only are left out: those seeds fail early.
    seeds = range(101, 109)
    fits = pd.concat([fits_and_truth(tmp_path / str(seed), seed) for seed in seeds])
    fits = fits.assign(ratio=fits["scale"] / fits["scale_h"])
    cells = fits.groupby(["component", "location"]).agg(
        fewest=("failures", "min"),
        seeds=("ratio", "size"),
        median=("ratio", "median"),
        se=("log_scale_std_error", "median"),
    )
    cells = cells[(cells["fewest"] >= MANY) & (cells["seeds"] == len(seeds))]
    kept = fits.set_index(["component", "location"]).loc[cells.index]
    show(f"fitted scale over the true one, {len(seeds)} seeds:\n{cells.round(3).to_string()}")
    show(f"median over all of them: {kept['ratio'].median():.4f}")
    assert len(cells) >= 8
    assert kept["ratio"].median() == pytest.approx(1.0, abs=0.05)
    allowed = 0.05 + 2.5 * 1.2533 * cells["se"] / np.sqrt(len(seeds))
    assert ((cells["median"] - 1).abs() <= allowed).all()


def fits_and_truth(folder: Path, seed: int) -> pd.DataFrame:
    """Weibull fits by planned place, beside the parameters that made the log."""
    study = relkit.read_study(write_clean_demo(folder, seed=seed, extras=False))
    lives = with_places(relkit.build_lives(relkit.read_log(study), study), study)
    strata = lives.assign(location=lives["stratum_location"])
    fits = relkit.weibull_fits(strata, by=["component", "location"])
    truth = pd.read_csv(folder / "truth.csv")
    return fits.merge(truth, on=["component", "location"], suffixes=("", "_true"))


def show(text: str) -> None:
    """Print a figure that was reached, for the log of the test run (``pytest -rP``)."""
    sys.stdout.write(f"\n{text}\n")
