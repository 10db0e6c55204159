"""Kaplan-Meier and Nelson-Aalen against textbooks, a slow count and lifelines."""

from __future__ import annotations

import math
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from relkit.survival.nonparametric import (
    SurvivalCurves,
    cumulative_hazard_steps,
    survival_steps,
)
from relkit.survival.observed import ObservedLives, observed_lives

REFERENCES = Path(__file__).parents[1] / "references"


def read(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCES / f"{name}.csv")


def one(table: pd.DataFrame, **more: object) -> ObservedLives:
    entry = table.get("entry")
    zeros = np.zeros(len(table), dtype=int)
    return observed_lives(zeros, table["age"], table["failed"], entry=entry, **more)  # type: ignore[arg-type]


def by_hand(
    age: NDArray[np.float64], failed: NDArray[np.bool_], entry: NDArray[np.float64]
) -> list[tuple[float, float, float, float, float]]:
    """Age, at risk, failures, survival, Greenwood sum, life by life: shares no code."""
    rows = []
    survival, greenwood = 1.0, 0.0
    for t in sorted(set(age[failed])):
        n = sum(1 for a, e in zip(age, entry, strict=True) if (e < t or e == 0) and t <= a)
        d = sum(1 for a, f in zip(age, failed, strict=True) if f and a == t)
        survival *= 1 - d / n
        greenwood += d / (n * (n - d)) if n > d else math.inf
        rows.append((t, n, d, survival, greenwood))
    return rows


def test_twenty_units() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.2.1.5.
    curve = survival_steps(one(read("twenty_units")))
    assert curve.age.tolist() == [10, 32, 56, 98, 122, 181]
    expected = np.cumprod([19 / 20, 18 / 19, 16 / 17, 15 / 16, 13 / 14, 10 / 11])
    np.testing.assert_allclose(curve.survival, expected, atol=1e-9)


def test_leukaemia_maintained_group() -> None:
    # Source: Miller (1997), values as stored in the tests of the R package survival.
    curve = survival_steps(one(read("leukaemia_maintained")))
    assert curve.age.tolist() == [9, 13, 18, 23, 31, 34, 48]
    assert curve.at_risk.tolist() == [11, 10, 8, 7, 5, 4, 2]
    survival = [0.909, 0.818, 0.716, 0.614, 0.491, 0.368, 0.184]
    std_error = [0.0867, 0.1163, 0.1397, 0.1526, 0.1642, 0.1627, 0.1535]
    np.testing.assert_allclose(curve.survival, survival, atol=6e-4)
    np.testing.assert_allclose(curve.std_error, std_error, atol=6e-4)
    assert curve.age[curve.survival <= 0.5][0] == 31  # the published median


def test_leukaemia_6mp_group() -> None:
    # Source: Klein and Moeschberger, tables 4.1 and 4.2 (partly from memory, see references).
    lives = one(read("leukaemia_6mp"))
    curve, hazard = survival_steps(lives), cumulative_hazard_steps(lives)
    assert curve.age.tolist() == [6, 7, 10, 13, 16, 22, 23]
    survival = [0.857, 0.807, 0.753, 0.69, 0.627, 0.538, 0.448]
    std_error = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    np.testing.assert_allclose(curve.survival, survival, atol=6e-4)
    np.testing.assert_allclose(curve.std_error, std_error, atol=6e-4)
    sums = [0.1428, 0.2017, 0.2683, 0.3517, 0.4426, 0.5854, 0.7521]
    variance = [0.0068, 0.0103, 0.0147, 0.0217, 0.0299, 0.0503, 0.0781]
    np.testing.assert_allclose(hazard.cumulative_hazard, sums, atol=1.2e-4)
    np.testing.assert_allclose(hazard.std_error**2, variance, atol=1.2e-4)


def test_left_truncation_hand_example() -> None:
    # Source: Therneau and Grambsch (2000), appendix E, test data 2, (start, stop] at risk.
    entry = [1, 2, 5, 2, 1, 7, 3, 4, 8, 8]
    age = [2, 3, 6, 7, 8, 9, 9, 9, 14, 17]
    failed = [1, 1, 1, 1, 1, 1, 1, 0, 0, 0]
    hazard = cumulative_hazard_steps(observed_lives([0] * 10, age, failed, entry=entry))
    assert hazard.age.tolist() == [2, 3, 6, 7, 8, 9]
    assert hazard.at_risk.tolist() == [2, 3, 5, 4, 4, 5]
    increments = np.diff(hazard.cumulative_hazard, prepend=0.0)
    np.testing.assert_allclose(increments, [1 / 2, 1 / 3, 1 / 5, 1 / 4, 1 / 4, 2 / 5], atol=1e-9)
    assert hazard.cumulative_hazard[4] == pytest.approx(92 / 60, abs=1e-9)


def test_psychiatric_patients_who_enter_late() -> None:
    # Source: data Klein and Moeschberger 1.15; values computed twice, not published. An entry
    # at the age of another's failure is not at risk then.
    curve = survival_steps(one(read("psychiatric_patients")))
    assert curve.age.tolist() == [47, 50, 52, 57, 59, 61, 63, 67, 69, 76]
    survival = [0.9523810, 0.9090909, 0.8658009, 0.7833436, 0.6963055, 0.6092673, 0.5538793]
    np.testing.assert_allclose(curve.survival, [*survival, 0.4846444, 0.2907867, 0], atol=1e-6)
    assert np.isnan([curve.std_error[-1], curve.lower[-1], curve.upper[-1]]).all()
    assert (curve.starts_at == 0).all()


def test_limits_have_their_closed_form() -> None:
    # Source: log-log form, Klein and Moeschberger section 4.3, at the first of the 6-MP steps:
    # S = 18/21, Greenwood sum 3 / (21 * 18); log form for the cumulative hazard.
    lives = one(read("leukaemia_6mp"))
    curve = survival_steps(lives, confidence_level=0.9)
    z, s, sigma = 1.6448536269514722, 18 / 21, math.sqrt(3 / (21 * 18))
    theta = math.exp(z * sigma / math.log(s))
    assert curve.lower[0] == pytest.approx(s ** (1 / theta), rel=1e-12)
    assert curve.upper[0] == pytest.approx(s**theta, rel=1e-12)
    hazard = cumulative_hazard_steps(lives, confidence_level=0.9)
    factor = math.exp(z * math.sqrt(3 / 21**2) / (3 / 21))
    assert hazard.lower[0] == pytest.approx(3 / 21 / factor, rel=1e-12)
    assert hazard.upper[0] == pytest.approx(3 / 21 * factor, rel=1e-12)


def random_lives(seed: int, n: int = 300) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    rng = np.random.default_rng(seed)
    age = np.ceil(rng.weibull(1.4, n) * 60) + 1
    return age, rng.random(n) < 0.6


def test_many_strata_agree_with_a_slow_count() -> None:
    # Source: independent reference in this file, checked first on the 6-MP group above.
    table = read("leukaemia_6mp")
    first = by_hand(
        table["age"].to_numpy(float), table["failed"].to_numpy(bool), np.zeros(len(table))
    )
    assert first[-1][3] == pytest.approx(0.448, abs=6e-4)
    rng = np.random.default_rng(5)
    age, failed = random_lives(5)
    entry = np.where(rng.random(300) < 0.5, 0.0, np.floor(age * rng.random(300) * 0.5))
    codes = rng.integers(0, 7, 300)
    curve = survival_steps(observed_lives(codes, age, failed, entry=entry))
    for code in range(7):
        mine = codes == code
        rows = by_hand(age[mine], failed[mine], entry[mine])
        here = curve.stratum == code
        np.testing.assert_allclose(curve.age[here], [r[0] for r in rows])
        np.testing.assert_allclose(curve.at_risk[here], [r[1] for r in rows])
        np.testing.assert_allclose(curve.failures[here], [r[2] for r in rows])
        np.testing.assert_allclose(curve.survival[here], [r[3] for r in rows], atol=1e-12)
        alive = curve.survival[here] > 0
        error = np.array([r[3] * math.sqrt(r[4]) for r in rows if r[3] > 0])
        np.testing.assert_allclose(curve.std_error[here][alive], error, rtol=1e-9)


def test_agrees_with_lifelines() -> None:
    # Source: lifelines (reference library), same lives with and without late entry.
    age, failed = random_lives(9)
    fitter = lifelines.KaplanMeierFitter().fit(age, failed)
    curve = survival_steps(observed_lives(np.zeros(300, int), age, failed))
    theirs = fitter.survival_function_["KM_estimate"].loc[curve.age]
    np.testing.assert_allclose(curve.survival, theirs, rtol=1e-9, atol=1e-12)
    limits = fitter.confidence_interval_.loc[curve.age].to_numpy()
    alive = curve.survival > 0
    np.testing.assert_allclose(curve.lower[alive], limits[alive, 0], rtol=1e-7)
    np.testing.assert_allclose(curve.upper[alive], limits[alive, 1], rtol=1e-7)


def curve_of(age: list[float], failed: list[int], entry: list[float], **k: float) -> SurvivalCurves:
    return survival_steps(observed_lives([0] * len(age), age, failed, entry=entry), **k)


def test_an_early_risk_set_that_runs_empty_restarts_the_curve() -> None:
    # Source: own algebra. Alone at risk, the first life fails at 10; ten others enter at 50.
    # From new the estimate is 0 for ever; given survival of age 10 it is that of the ten.
    late = [60.0 + k for k in range(10)]
    curve = curve_of([10.0, *late], [1] * 11, [0.0] + [50.0] * 10)
    assert curve.age.tolist() == late
    np.testing.assert_allclose(curve.survival, 1 - np.arange(1, 11) / 10, atol=1e-12)
    assert set(curve.starts_at) == {10.0}
    assert set(curve.left_out) == {1.0}


def test_a_risk_set_that_runs_empty_late_does_not_cost_the_curve_before() -> None:
    # Source: own algebra. Ten fail one after the other; one enters and fails much later.
    curve = curve_of([*range(1, 11), 100], [1] * 11, [0] * 10 + [90])
    assert curve.age.tolist() == list(range(1, 11))
    assert set(curve.starts_at) == {0.0}
    assert set(curve.left_out) == {1.0}


def test_the_curve_can_wait_until_enough_are_at_risk() -> None:
    # Source: own algebra. Two at risk at age 5, six from age 20 on.
    age, entry = [5, 30, 31, 32, 33, 34, 35], [0, 0, 20, 20, 20, 20, 20]
    curve = curve_of(age, [1] * 7, entry, fewest_at_risk=5)
    assert curve.age.tolist() == [30, 31]  # six and five at risk; fewer after it
    assert curve.survival[0] == pytest.approx(5 / 6)
    assert set(curve.starts_at) == {5.0}
    assert set(curve.stops_at) == {31.0}
    assert set(curve.left_out) == {5.0}
    assert curve_of(age, [1] * 7, entry).age[0] == 5
    assert curve_of(age, [1] * 7, entry, fewest_at_risk=9).age[0] == 5  # never enough: as usual


def test_the_curve_stops_where_few_are_left() -> None:
    # Source: own algebra: ten lives, five at risk at the sixth failure; nothing is cut without it.
    age, entry = [*range(1, 11)], [0] * 10
    curve = curve_of(age, [1] * 10, entry, fewest_at_risk=5)
    assert curve.age.tolist() == [1, 2, 3, 4, 5, 6]
    assert set(curve.stops_at) == {6.0}
    assert set(curve.left_out) == {4.0}
    whole = curve_of(age, [1] * 10, entry)
    assert np.isnan(whole.stops_at).all()
    np.testing.assert_array_equal(curve.survival, whole.survival[:6])


def test_dead_on_arrival_counts_at_age_zero() -> None:
    # Source: own algebra: 1 of 4 fails at 0, then 1 of 3.
    curve = survival_steps(observed_lives([0] * 4, [0, 5, 6, 7], [1, 1, 0, 0]))
    assert curve.age.tolist() == [0, 5]
    np.testing.assert_allclose(curve.survival, [3 / 4, 3 / 4 * 2 / 3])


def test_nothing_failed_gives_no_rows() -> None:
    # Common practice.
    assert len(survival_steps(observed_lives([0, 1], [5, 6], [0, 0])).age) == 0
    assert len(cumulative_hazard_steps(observed_lives([], [], [], n_strata=0)).age) == 0


def test_shares_of_failures_and_weights_that_run_out() -> None:
    # Source: own algebra; 0.1 + 0.2 is not 0.3 in binary, yet the risk set is empty at the end.
    curve = survival_steps(
        observed_lives([0, 0], [1, 2], [True, False], count=[0.1, 0.2], failure_share=[0, 1])
    )
    np.testing.assert_allclose(curve.survival, [2 / 3, 0.0], rtol=1e-12)


LIVES = st.lists(
    st.tuples(st.integers(1, 30), st.booleans(), st.integers(0, 20), st.integers(1, 3)),
    min_size=1,
    max_size=25,
)


@settings(deadline=None, max_examples=60)
@given(LIVES, st.randoms(use_true_random=False))
def test_invariants(rows: list[tuple[int, bool, int, int]], random: object) -> None:
    # Source: invariants. Order of rows, unit of age, a count written out, a life in two pieces.
    age = np.array([a for a, _, _, _ in rows], float)
    failed = np.array([f for _, f, _, _ in rows])
    entry = np.where(np.array([e for _, _, e, _ in rows]) < age, [e for _, _, e, _ in rows], 0.0)
    count = np.array([c for _, _, _, c in rows])
    zeros = np.zeros(len(rows), int)
    plain = survival_steps(observed_lives(zeros, age, failed, entry=entry, count=count))
    order = list(range(len(rows)))
    random.shuffle(order)  # type: ignore[attr-defined]
    long = np.repeat(order, count[order])
    written_out = survival_steps(
        observed_lives(
            np.zeros(len(long), int), age[long] * 24, failed[long], entry=entry[long] * 24
        )
    )
    middle = (age + entry) / 2
    pieces = survival_steps(
        observed_lives(
            np.zeros(2 * len(rows), int),
            np.concatenate([middle, age]),
            np.concatenate([np.zeros(len(rows), bool), failed]),
            entry=np.concatenate([entry, middle]),
            count=np.concatenate([count, count]),
        )
    )
    np.testing.assert_allclose(written_out.age, plain.age * 24)
    for other in (written_out, pieces):
        np.testing.assert_allclose(other.at_risk, plain.at_risk)
        np.testing.assert_allclose(other.survival, plain.survival, atol=1e-12)
        np.testing.assert_allclose(other.lower, plain.lower, atol=1e-9)
        np.testing.assert_allclose(other.starts_at, plain.starts_at * (other.age / plain.age))
    assert ((plain.survival >= 0) & (plain.survival < 1)).all()


def test_a_stratum_alone_is_the_stratum_in_a_batch() -> None:
    # Source: invariants.
    age, failed = random_lives(3, 400)
    codes = np.random.default_rng(4).integers(0, 20, 400)
    batch = survival_steps(observed_lives(codes, age, failed))
    for code in range(20):
        mine = codes == code
        alone = survival_steps(observed_lives(np.zeros(mine.sum(), int), age[mine], failed[mine]))
        here = batch.stratum == code
        np.testing.assert_allclose(batch.survival[here], alone.survival, atol=1e-12)
        np.testing.assert_allclose(batch.upper[here], alone.upper, rtol=1e-9)


def test_confidence_level_is_checked() -> None:
    with pytest.raises(ValueError, match="confidence_level is 95"):
        survival_steps(observed_lives([0], [1], [1]), confidence_level=95)
