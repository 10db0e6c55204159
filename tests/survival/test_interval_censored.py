"""Turnbull's estimate against published masses, Kaplan-Meier, and a slow EM written apart."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from relkit.survival.curve_tables import interval_survival
from relkit.survival.interval_censored import interval_survival_curve

REFERENCES = Path(__file__).parents[1] / "references"
Floats = NDArray[np.float64]


def em_on_a_fine_grid(
    low: Floats, high: Floats, failed: NDArray[np.bool_], entry: Floats, steps: int
) -> float:
    """Log-likelihood reached by plain EM over every gap between ages: shares no code.

    Cells are the open gaps between distinct ages and the ages themselves; entries late in
    life are handled by ghosts (lives expected to have failed before they could enter).
    """
    ages = np.unique(np.concatenate([low, high, entry]))
    cells = np.sort(np.concatenate([ages, (ages[1:] + ages[:-1]) / 2, [ages[-1] + 1]]))
    ends = np.where(failed, high, np.inf)
    starts = np.where(failed, low, high)
    exact = failed & (low == high)
    inside = (cells > starts[:, None]) & (cells <= ends[:, None])
    inside |= exact[:, None] & (cells == high[:, None])
    seen = (cells > entry[:, None]) | (entry[:, None] == 0)
    inside &= seen
    p = np.full(len(cells), 1 / len(cells))
    for _ in range(steps):
        own = inside * p / (inside @ p)[:, None]
        ghosts = ~seen * p / (seen @ p)[:, None]
        p = (own + ghosts).sum(axis=0)
        p /= p.sum()
    return float(np.log((inside @ p) / (seen @ p)).sum())


def random_lives(
    rng: np.random.Generator, n: int, grid: float, late: bool
) -> tuple[Floats, Floats, NDArray[np.bool_], Floats]:
    age = rng.weibull(1.8, n) * 10 + 0.01
    width = rng.choice([grid, 2 * grid], n)
    low = np.floor(age / width) * width
    high, failed = low + width, rng.random(n) < 0.75
    exact = rng.random(n) < 0.3
    low = np.where(exact, np.ceil(age), low)
    high = np.where(exact, np.ceil(age), np.where(failed, high, np.maximum(low, grid)))
    share = rng.choice([0.0, 0.3, 0.8], n) if late else np.zeros(n)
    entry = np.where(high * share < high, np.round(high * share), 0.0)
    return low, high, failed, np.where(entry < high, entry, 0.0)


def test_breast_cosmesis_masses_as_published() -> None:
    # Source: M. P. Fay and P. A. Shaw, J. Stat. Softw. 36(2), 2010 (R package interval), masses
    # of the radiotherapy group.
    with (REFERENCES / "breast_cosmesis.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    left = np.array([float(row["left_months"]) for row in rows])
    right = np.array([float(row["right_months"] or "nan") for row in rows])
    failed = ~np.isnan(right)
    curve = interval_survival_curve(left, np.where(failed, right, left), failed)
    assert curve.age_lower.tolist() == [4, 6, 7, 11, 24, 33, 38, 46]
    assert curve.age.tolist() == [5, 7, 8, 12, 25, 34, 40, 48]
    published = [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656]
    np.testing.assert_allclose(curve.probability, published, atol=5.1e-5)
    assert curve.kuhn_tucker_breach < 1e-9
    assert curve.status == "ok"


def test_doubly_censored_data_of_turnbull() -> None:
    # Source: B. W. Turnbull, JASA 69, 1974, 169-173; survival as stored in the tests of the R
    # package survival.
    ages = np.array([1.0, 2.0, 3.0, 4.0])
    lives = pd.DataFrame(
        {
            "age": np.tile(ages, 3),
            "age_lower": np.concatenate([ages, ages, np.zeros(4)]),
            "failed": np.repeat([True, False, True], 4),
            "count": [12, 6, 2, 3, 3, 2, 0, 3, 2, 4, 2, 5],
        }
    )
    curve = interval_survival(lives)
    assert curve["age"].tolist() == [1, 2, 3, 4]
    np.testing.assert_allclose(curve["survival"], [0.538, 0.295, 0.210, 0.095], atol=5.1e-4)


def test_common_inspections_have_a_closed_form() -> None:
    # Source: W. Nelson, Applied Life Data Analysis, Wiley, 1982: 167 turbine parts, cracks found
    # at eight inspections, all parts followed to the last: survival is the share uncracked
    # (closed form), with the binomial standard error.
    days = np.array([186.0, 606.0, 902.0, 1077.0, 1209.0, 1377.0, 1592.0, 1932.0])
    cracked = np.array([5, 16, 12, 18, 18, 2, 6, 17])
    curve = interval_survival_curve(
        np.concatenate([[0.0], days]),
        np.concatenate([days, [1932.0]]),
        [True] * 8 + [False],
        count=[*cracked, 73],
    )
    left = 1 - np.cumsum(cracked) / 167
    np.testing.assert_allclose(curve.survival, left, atol=1e-9)
    np.testing.assert_allclose(curve.std_error, np.sqrt(left * (1 - left) / 167), rtol=1e-6)


def test_heat_exchanger_plants_pool_by_year_at_risk() -> None:
    # Source: heat-exchanger tubes of three plants, Meeker and Escobar (1998), Table 1.2. Closed
    # form: with common inspections and survivors leaving at them, the estimate is the
    # product of 1 - cracked / inspected.
    curve = interval_survival_curve(
        [0, 1, 2, 3, 0, 1, 2, 0, 1],
        [1, 2, 3, 3, 1, 2, 2, 1, 1],
        [True, True, True, False, True, True, False, True, False],
        count=[1, 2, 2, 95, 2, 3, 95, 1, 99],
    )
    expected = np.cumprod([1 - 4 / 300, 1 - 5 / 197, 1 - 2 / 97])
    np.testing.assert_allclose(curve.survival, expected, rtol=1e-9)


def test_exact_ages_give_the_product_limit_with_late_entry() -> None:
    # Source: closed form; product limit and Greenwood's error counted here life by life.
    rng = np.random.default_rng(4)
    age = np.ceil(rng.weibull(2, 80) * 20) + 5
    entry = np.where(rng.random(80) < 0.5, 0.0, np.floor(age * 0.6))
    failed = rng.random(80) < 0.6
    curve = interval_survival_curve(age, age, failed, entry=entry)
    survival, green = 1.0, 0.0
    for i, at in enumerate(np.unique(age[failed])):
        n = int(((entry < at) & (at <= age)).sum())
        d = int((failed & (age == at)).sum())
        survival *= 1 - d / n
        green += d / (n * (n - d)) if n > d else np.nan
        assert curve.age[i] == at
        assert curve.survival[i] == pytest.approx(survival, abs=1e-9)
        if n > d:
            assert curve.std_error[i] == pytest.approx(survival * green**0.5, rel=1e-6)


@pytest.mark.parametrize("late", [False, True])
def test_no_slow_em_reaches_a_higher_likelihood(late: bool) -> None:
    # Source: independent EM in this file, checked first on Turnbull's (1974) data, where the
    # published masses give the log-likelihood -44.449 (own sum over the twelve counts).
    ages = np.array([1.0, 2.0, 3.0, 4.0])
    counts = [12, 6, 2, 3, 3, 2, 0, 3, 2, 4, 2, 5]
    low = np.repeat(np.concatenate([ages, ages, np.zeros(4)]), counts)
    high = np.repeat(np.tile(ages, 3), counts)
    failed = np.repeat(np.repeat([True, False, True], 4), counts)
    reached = em_on_a_fine_grid(low, high, failed, np.zeros(len(low)), 2000)
    assert reached == pytest.approx(-44.449, abs=1e-3)
    rng = np.random.default_rng(11)
    for _ in range(12):
        low, high, failed, entry = random_lives(rng, 40, 2.0, late)
        curve = interval_survival_curve(low, high, failed, entry=entry)
        assert curve.kuhn_tucker_breach < 1e-9
        assert curve.status == "ok"
        slow = em_on_a_fine_grid(low, high, failed, entry, 3000)
        assert curve.log_likelihood >= slow - 1e-6
        # EM creeps: it must come close from below, or the estimate would be for other data
        assert slow > curve.log_likelihood - 0.05


def test_weights_agree_with_repeated_rows_and_strata_with_single_ones() -> None:
    # Invariants: frequency weights, one stratum alone = the same one in a batch, time unit.
    rng = np.random.default_rng(2)
    low, high, failed, entry = random_lives(rng, 90, 2.0, True)
    count = rng.integers(1, 4, 90)
    lives = pd.DataFrame(
        {"age_lower": low, "age": high, "failed": failed, "entry": entry, "count": count}
    ).assign(place=np.arange(90) % 3)
    batch = interval_survival(lives, by="place")
    for place, own in lives.groupby("place"):
        alone = interval_survival(own.loc[own.index.repeat(own["count"])].drop(columns="count"))
        part = batch[batch["place"] == place].drop(columns="place").reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, part, check_dtype=False, rtol=1e-5, atol=1e-7)
    hours = lives.assign(
        age=lives["age"] * 24, age_lower=lives["age_lower"] * 24, entry=lives["entry"] * 24
    )
    np.testing.assert_allclose(
        interval_survival(hours, by="place")["survival"], batch["survival"], atol=1e-7
    )


def test_an_early_risk_set_that_empties_starts_the_curve_anew() -> None:
    # Trap: one life fails alone at 2, the others enter at 3; the curve is conditional on age 2.
    curve = interval_survival_curve(
        [2.0, 5.0, 8.0], [2.0, 6.0, 8.0], [True, True, False], entry=[0.0, 3.0, 3.0]
    )
    assert curve.starts_at == 2.0
    assert curve.survival.tolist() == pytest.approx([0.5])


def test_degenerate_strata_say_so() -> None:
    none = interval_survival_curve([1.0, 2.0], [1.0, 2.0], [False, False])
    assert (none.status, len(none.age)) == ("no failures", 0)
    empty = interval_survival_curve([], [], [])
    assert (empty.status, empty.lives) == ("no failures", 0)
    equal = interval_survival_curve([3.0] * 4, [3.0] * 4, [True] * 4)
    assert equal.survival.tolist() == [0.0]
    assert np.isnan(equal.std_error).all()
    arrival = interval_survival_curve([0.0, 5.0], [0.0, 5.0], [True, False])
    assert arrival.survival.tolist() == pytest.approx([0.5])
    empty_frame = pd.DataFrame({"age": [], "failed": [], "place": []})
    assert len(interval_survival(empty_frame, by="place")) == 0
    assert len(interval_survival(empty_frame)) == 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"age": [1.0, np.nan]}, r"age at position \(1,\) is nan"),
        ({"age": [1.0, -2.0]}, r"age at position \(1,\) is -2"),
        ({"age_lower": [3.0, 1.0]}, "age_lower at position 0 is 3, after age 1"),
        ({"entry": [0.0, 9.0]}, "entry at position 1 is 9, not below its age 2"),
    ],
)
def test_bad_values_are_named(change: dict[str, list[float]], message: str) -> None:
    given: dict[str, list[float]] = {"age_lower": [0.0, 1.0], "age": [1.0, 2.0]} | change
    with pytest.raises(ValueError, match=message):
        interval_survival_curve(
            given["age_lower"], given["age"], [True, True], entry=given.get("entry")
        )
