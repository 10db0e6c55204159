"""Cumulative incidence against published tables, a slow count, Greenwood and lifelines."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from relkit.survival.competing import cumulative_incidences
from relkit.survival.curve_tables import cause_specific_lives, cumulative_incidence

REFERENCES = Path(__file__).parents[1] / "references"
Floats = NDArray[np.float64]


def counted(
    age: Floats, cause: NDArray[np.int64], entry: Floats, which: int
) -> list[tuple[float, float, float, float]]:
    """Age, at risk, incidence and variance, life by life: shares no code.

    Variance: Marubini and Valsecchi (1995), eq. 10.12, as a double sum.
    """
    rows: list[tuple[float, float, float, float]] = []
    ages = np.unique(age[cause >= 0])
    risk = [int((((entry < t) | (entry == 0)) & (t <= age)).sum()) for t in ages]
    total = [int(((cause >= 0) & (age == t)).sum()) for t in ages]
    own = [int(((cause == which) & (age == t)).sum()) for t in ages]
    survival, incidence = [1.0], [0.0]
    for n, d, k in zip(risk, total, own, strict=True):
        incidence.append(incidence[-1] + survival[-1] * k / n)
        survival.append(survival[-1] * (1 - d / n))
    for last in range(len(ages)):
        variance = 0.0
        for j in range(last + 1):
            n, d, k = risk[j], total[j], own[j]
            gap = incidence[last + 1] - incidence[j + 1]
            if gap:
                variance += gap**2 * d / (n * (n - d)) - 2 * gap * survival[j] * k / n**2
            variance += survival[j] ** 2 * k * (n - k) / n**3
        rows.append((float(ages[last]), risk[last], incidence[last + 1], variance))
    return rows


def test_three_causes_as_published() -> None:
    # Source: vignette of the R package survival, section 2.3.1 (simple competing risks).
    words = ["a", "a", "b", "censor", "a", "a", "c", "censor", "b", "c", "censor"]
    lives = pd.DataFrame({"age": [1, 2, 3, 4, 5, 6, 7, 8, 6, 7, 8], "cause": words})
    lives["failed"] = lives["cause"] != "censor"
    table = cumulative_incidence(lives)
    share = table.pivot_table(index="age", columns="cause", values="cumulative_incidence")
    assert share.index.tolist() == [1, 2, 3, 5, 6, 7]
    np.testing.assert_allclose(
        share["a"], [0.0909, 0.1818, 0.1818, 0.2857, 0.3896, 0.3896], atol=6e-5
    )
    np.testing.assert_allclose(share["b"], [0, 0, 0.0909, 0.0909, 0.1948, 0.1948], atol=6e-5)
    np.testing.assert_allclose(share["c"], [0, 0, 0, 0, 0, 0.208], atol=6e-4)
    first = table[table["cause"] == "a"]
    assert first["at_risk"].tolist() == [11, 10, 9, 7, 6, 4]
    np.testing.assert_allclose(
        first["survival"], [0.909, 0.818, 0.727, 0.623, 0.416, 0.208], atol=6e-4
    )


def test_breast_cancer_rows_as_published() -> None:
    # Source: J. M. Satagopan et al., British Journal of Cancer 91, 2004, 1229-1235, Table 2
    # (rounded at each step in print, so the last column may be off by 0.1).
    lives = pd.DataFrame(
        {
            "age": [7, 10, 14, 16, 18, 23, 24, 26, 27, 28],
            "cause": ["c", "E", "c", "E", "CR", "E", "c", "CR", "E", "c"],
            "count": [1] * 9 + [296],
        }
    )
    lives["failed"] = lives["cause"] != "c"
    table = cumulative_incidence(lives)
    event = table[table["cause"] == "E"]
    assert event["age"].tolist() == [10, 16, 18, 23, 26, 27]
    assert event["at_risk"].tolist() == [304, 302, 301, 300, 298, 297]
    percent = 100 * event["survival"].to_numpy()
    np.testing.assert_allclose(percent, [99.7, 99.3, 99.0, 98.7, 98.3, 98.0], atol=0.051)
    np.testing.assert_allclose(
        100 * event["cumulative_incidence"], [0.3, 0.6, 0.6, 0.9, 0.9, 1.2], atol=0.13
    )


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_a_slow_count_with_ties_and_late_entry(seed: int) -> None:
    # Source: independent count in this file; seeds 0 and 1 have no late entry.
    rng = np.random.default_rng(seed)
    age = np.ceil(rng.weibull(1.5, 120) * 12) + 3
    cause = rng.integers(-1, 3, 120)
    entry = np.where(rng.random(120) < 0.3 * (seed > 1), np.floor(age * 0.7), 0.0)
    result = cumulative_incidences(age, cause, entry=entry)
    for which in range(3):
        own = result.cause == which
        slow = np.array(counted(age, cause, entry, which))
        np.testing.assert_array_equal(result.age[own], slow[:, 0])
        np.testing.assert_array_equal(result.at_risk[own], slow[:, 1])
        np.testing.assert_allclose(result.incidence[own], slow[:, 2], rtol=1e-12, atol=1e-15)
        np.testing.assert_allclose(result.std_error[own] ** 2, slow[:, 3], rtol=1e-9, atol=1e-16)


def test_incidences_and_survival_add_up_to_one() -> None:
    # Closed form; and with one cause the error is Greenwood's.
    rng = np.random.default_rng(8)
    age, cause = rng.integers(1, 30, 200).astype(float), rng.integers(-1, 4, 200)
    result = cumulative_incidences(age, cause)
    total = pd.Series(result.incidence).groupby(result.age).sum().to_numpy()
    survival = pd.Series(result.survival).groupby(result.age).first().to_numpy()
    np.testing.assert_allclose(total + survival, 1, rtol=1e-12)
    one = cumulative_incidences(age, np.minimum(cause, 0))
    left = one.at_risk - one.failures
    green = np.cumsum(one.failures / (one.at_risk * np.where(left > 0, left, np.nan)))
    np.testing.assert_allclose(
        one.std_error[left > 0], (one.survival * np.sqrt(green))[left > 0], rtol=1e-9
    )


def test_device_g_agrees_with_lifelines_at_distinct_ages() -> None:
    # Reference library: lifelines 0.30.3, which jitters tied ages at random; the tied surge
    # failures at 23 are moved apart here. Data: Meeker and Escobar (1998), device G.
    from lifelines import AalenJohansenFitter

    with (REFERENCES / "device_g.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    age = np.array([float(row["kilocycles"]) for row in rows])
    code = np.array([["Suspended", "Surge", "Wearout"].index(row["mode"]) for row in rows])
    failing = np.flatnonzero(code > 0)
    age[failing] += np.arange(len(failing)) * 1e-3
    result = cumulative_incidences(age, code - 1)
    for which in (1, 2):
        fitted = AalenJohansenFitter(calculate_variance=False).fit(
            age, code, event_of_interest=which
        )
        theirs = fitted.cumulative_density_.iloc[:, 0]
        own = result.cause == which - 1
        np.testing.assert_allclose(
            result.incidence[own], theirs.loc[result.age[own]].to_numpy(), rtol=1e-9
        )


def test_one_less_the_curve_of_one_cause_overstates_it() -> None:
    # Common practice: censoring the other causes overstates a cause.
    age, cause = np.arange(1.0, 13.0), np.tile([0, 1, -1], 4)
    both = cumulative_incidences(age, cause)
    alone = cumulative_incidences(age, np.where(cause == 0, 0, -1))
    assert alone.incidence[-1] > both.incidence[both.cause == 0][-1]


def test_cause_specific_lives_censor_the_other_causes() -> None:
    # Source: shock absorbers, Meeker and Escobar (1998); known-shape fits of each mode,
    # scale^shape = sum of age^shape over failures (closed form).
    lives = pd.read_csv(REFERENCES / "shock_absorber_modes.csv").rename(
        columns={"km": "age", "mode": "cause"}
    )
    lives["failed"] = lives["event"] == "Failure"
    split = cause_specific_lives(lives)
    assert split.groupby("cause")["failed"].sum().to_dict() == {"Mode1": 7, "Mode2": 4}
    assert len(split) == 2 * len(lives)
    checked = lives.assign(age_lower=lives["age"] - 100)
    own = cause_specific_lives(checked)
    assert (own.loc[~own["failed"], "age_lower"] == own.loc[~own["failed"], "age"]).all()


def test_batch_equals_single_strata_and_weights_equal_repeats() -> None:
    # Invariants.
    rng = np.random.default_rng(3)
    age, cause = rng.integers(1, 20, 300).astype(float), rng.integers(-1, 2, 300)
    count, place = rng.integers(0, 3, 300), rng.integers(0, 4, 300)
    batch = cumulative_incidences(age, cause, count=count, stratum=place)
    for code in range(4):
        row = np.repeat(np.flatnonzero(place == code), count[place == code])
        alone = cumulative_incidences(age[row], cause[row])
        own = batch.stratum == code
        for field in ("age", "at_risk", "incidence", "std_error", "survival"):
            np.testing.assert_allclose(
                getattr(batch, field)[own], getattr(alone, field), rtol=1e-9, atol=1e-12
            )


def test_an_early_risk_set_that_empties_starts_the_curve_anew() -> None:
    # Trap: the life that fails at 2 is alone until others enter at 3.
    result = cumulative_incidences([2.0, 5.0, 8.0, 9.0], [0, 0, 1, -1], entry=[0.0, 3.0, 3.0, 3.0])
    assert result.age.tolist() == [5.0, 8.0, 5.0, 8.0]
    np.testing.assert_allclose(result.incidence, [1 / 3, 1 / 3, 0, 1 / 3])
    assert (result.starts_at == 2.0).all()


def test_degenerate_inputs() -> None:
    assert len(cumulative_incidences([], []).age) == 0
    assert len(cumulative_incidences([1.0, 2.0], [-1, -1]).age) == 0
    all_at_once = cumulative_incidences([5.0] * 4, [0, 0, 1, 1])
    assert all_at_once.incidence.tolist() == [0.5, 0.5]
    assert (all_at_once.survival == 0).all()
    arrival = cumulative_incidences([0.0, 1.0], [0, -1])
    assert arrival.incidence.tolist() == [0.5]


def test_bad_values_are_named() -> None:
    # Trap: lifelines accepts an entry equal to the age, a life that nobody observed.
    with pytest.raises(ValueError, match="entry at position 0 is 3, not below its age 3"):
        cumulative_incidences([3.0, 3.0, 4.0], [0, 0, 0], entry=[3.0, 0.0, 0.0])
    with pytest.raises(ValueError, match=r"age at position \(1,\) is nan"):
        cumulative_incidences([1.0, np.nan], [0, 0])
    lives = pd.DataFrame({"age": [1.0, 2.0], "failed": [True, True], "cause": ["a", None]})
    with pytest.raises(ValueError, match="cause in row 1 is blank although the life failed"):
        cumulative_incidence(lives)
    with pytest.raises(ValueError, match="failed in row 0 is 'yes'"):
        cumulative_incidence(lives.assign(failed=["yes", "no"]))
    with pytest.raises(ValueError, match="lives has no column mode"):
        cumulative_incidence(lives, cause="mode")
