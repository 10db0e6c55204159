"""Anderson-Darling distance against its textbook form and table; level and power of the test."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.integrate import quad

from relkit.survival.family_fits import family_fit
from relkit.survival.goodness import (
    _censoring_ages,
    anderson_darling_distances,
    goodness_of_fit_test,
)
from relkit.survival.goodness_tables import goodness_of_fit
from relkit.survival.observed import observed_lives
from relkit.survival.risk_sets import spans

Floats = NDArray[np.float64]

# Source: M. V. Aarset, IEEE Transactions on Reliability 36, 1987, 106-108: 50 devices (bathtub).
AARSET = [
    0.1, 0.2, 1, 1, 1, 1, 1, 2, 3, 6, 7, 11, 12, 18, 18, 18, 18, 18, 21, 32, 36, 40, 45, 46, 47,
    50, 55, 60, 63, 63, 67, 67, 67, 67, 72, 75, 79, 82, 82, 83, 84, 84, 84, 85, 85, 85, 85, 85,
    86, 86,
]  # fmt: skip


def textbook_distance(share: Floats) -> float:
    """-n - sum (2 i - 1) (ln F_i + ln (1 - F_{n+1-i})) / n: the form for complete samples."""
    u, n = np.sort(share), len(share)
    weights = 2 * np.arange(1, n + 1) - 1
    return float(-n - (weights * (np.log(u) + np.log1p(-u[::-1]))).sum() / n)


def test_bathtub_data_are_rejected() -> None:
    # Source: data Aarset (1987); statistic 3.4889789 worked out independently (not published);
    # beyond the 1 % point 1.038 of D'Agostino and Stephens (1986), ch. 4.
    test = goodness_of_fit_test(AARSET, [True] * 50)
    assert test.statistic == pytest.approx(3.4889789, abs=1e-6)
    assert test.p_value < 0.01
    assert (test.status, test.samples) == ("ok", 499)


def test_complete_samples_have_the_textbook_form() -> None:
    # Source: textbook form written out in this file, with ties.
    rng = np.random.default_rng(2)
    age = np.ceil(rng.weibull(1.5, 70) * 40)
    theta = np.array([[np.log(38.0), -np.log(1.4)]])
    ours = anderson_darling_distances("Weibull", theta, age, [True] * 70)
    expected = textbook_distance(-np.expm1(-((age / 38.0) ** 1.4)))
    assert ours[0] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("late", [False, True])
def test_censored_samples_agree_with_numerical_integration(late: bool) -> None:
    # Second way: product limit counted here, the integral by quadrature over F up to the last
    # age, from the age on at which 5 are at risk where entry is late.
    rng = np.random.default_rng(4)
    life, end = rng.lognormal(3.5, 0.6, 60), rng.uniform(10, 90, 60)
    age, failed = np.minimum(life, end), life <= end
    entry = np.where(np.arange(60) > 2, age * rng.uniform(0.6, 0.9, 60), 0.0) * late
    if late:  # an early failure while fewer than 5 are at risk: it is cut off the comparison
        age[0], failed[0] = entry[3:].min() * 1.02, True
    theta = np.array([[3.4, np.log(0.7)]])
    ours = anderson_darling_distances("lognormal", theta, age, failed, entry=entry)

    def share(at: float) -> float:
        return float(stats.norm.cdf((np.log(at) - 3.4) / 0.7))

    risk = {t: int((((entry < t) | (entry == 0)) & (t <= age)).sum()) for t in np.sort(age[failed])}
    start = max((t for t in risk if max(v for k, v in risk.items() if k <= t) < 5), default=0.0)
    start = start * late
    assert (start > 0) == late
    base = share(start) if start else 0.0
    points = [start, *(t for t in risk if t > start), age.max()]
    level, total = 1.0, 0.0
    for low, high in pairwise(points):
        if low > start:
            level *= 1 - 1 / risk[low]
        bounds = [((share(t) if t else 0.0) - base) / (1 - base) for t in (low, high)]
        total += quad(lambda u, c=1 - level: (c - u) ** 2 / (u * (1 - u)), *bounds)[0]
    assert ours[0] == pytest.approx(60 * total, rel=1e-6)


def test_failed_lives_are_censored_like_the_others_in_samples() -> None:
    # Closed form: all survivors were stopped at 500, so no life of a sample may pass 500.
    failed = np.array([True] * 10 + [False] * 10)
    lives = spans([54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500.0] * 10)
    ends = _censoring_ages(lives, failed, 30, np.random.default_rng(0))
    assert (ends == 500.0).all()
    # Two ends, half of the survivors at each: a failure before both gets each half the time.
    two = spans([10.0] * 40 + [100.0] * 20 + [200.0] * 20)
    drawn = _censoring_ages(two, np.arange(80) < 40, 100, np.random.default_rng(1))
    early = drawn.reshape(100, 80)[:, :40]
    assert set(np.unique(early)) == {100.0, 200.0}
    assert (early == 100.0).mean() == pytest.approx(0.5, abs=0.03)


@pytest.mark.slow
def test_critical_values_of_the_weibull() -> None:
    # Source: D'Agostino and Stephens (1986), ch. 4 (from memory): 0.474, 0.637, 0.757, 0.877,
    # 1.038 for A2 (1 + 0.2 / sqrt(n)); the factor is 2 % too strong at n = 50. 6,000 samples:
    # standard errors 0.004 to 0.015.
    rng = np.random.default_rng(31)
    code = np.repeat(np.arange(6000), 50)
    age = rng.weibull(1.3, len(code)) * 100
    fit = family_fit(observed_lives(code, age, np.ones(len(code), bool)), "Weibull")
    distance = anderson_darling_distances(
        "Weibull", fit.theta, age, np.ones(len(code), bool), stratum=code
    ) * (1 + 0.2 / 50**0.5)
    found = np.quantile(distance, 1 - np.array([0.25, 0.1, 0.05, 0.025, 0.01]))
    np.testing.assert_allclose(found[:4], [0.474, 0.637, 0.757, 0.877], atol=0.035)
    assert found[4] == pytest.approx(1.038, abs=0.06)


@pytest.mark.slow
@pytest.mark.parametrize(("late", "censored"), [(False, True), (True, True)])
def test_level_is_kept_under_censoring_and_late_entry(late: bool, censored: bool) -> None:
    # Simulation: 120 true Weibull logs, 39 samples each; p at or below 0.1 in 10 % of them,
    # binomial standard error 2.7 %; 3 of them allowed.
    rng = np.random.default_rng(8)
    low = 0
    for i in range(120):
        life = rng.weibull(1.8, 40) * 100
        end = rng.uniform(40, 200, 40) if censored else np.full(40, 1e6)
        entry = np.where(rng.random(40) < 0.6, rng.uniform(0, 60, 40), 0.0) * late
        age, failed = np.minimum(life, end), life <= end
        own = age > entry
        test = goodness_of_fit_test(age[own], failed[own], entry=entry[own], samples=39, rng=i)
        low += test.p_value <= 0.1
    assert abs(low / 120 - 0.1) < 3 * 0.027


@pytest.mark.slow
def test_two_modes_are_told_from_one_weibull() -> None:
    # Simulation: early failures mixed with wear-out, 30 % still running: rejected mostly.
    rng = np.random.default_rng(3)
    early = rng.random(120) < 0.35
    life = np.where(early, rng.weibull(0.7, 120) * 10, 200 + rng.weibull(6, 120) * 100)
    age, failed = np.minimum(life, 310), life <= 310
    lives = pd.DataFrame({"age": age, "failed": failed})
    assert goodness_of_fit(lives, samples=99)["p_value"].iloc[0] < 0.05


def test_same_seed_same_answer_and_strata_stand_alone() -> None:
    rng = np.random.default_rng(5)
    lives = pd.DataFrame({"age": rng.weibull(2, 60) * 50, "failed": rng.random(60) < 0.7})
    lives["place"] = np.repeat(["door", "roof"], 30)
    lives["count"] = 1
    first = goodness_of_fit(lives, by="place", samples=49, rng=1)
    pd.testing.assert_frame_equal(first, goodness_of_fit(lives, by="place", samples=49, rng=1))
    alone = goodness_of_fit(lives[lives["place"] == "door"], samples=49, rng=1)
    assert alone["statistic"].iloc[0] == pytest.approx(first["statistic"].iloc[0], rel=1e-9)
    doubled = goodness_of_fit(lives.assign(count=2), samples=49)
    assert doubled["lives"].eq(120).all()


def test_degenerate_strata_have_a_status() -> None:
    lives = pd.DataFrame(
        {
            "place": ["a", "a", "b", "b", "c", "c", "c", "d", "d"],
            "age": [5.0, 6, 5, 6, 4, 4, 4, 3, 4],
            "age_lower": [5.0, 6, 5, 6, 4, 4, 4, 1, 2],
            "failed": [False, False, True, False, True, True, True, True, True],
        }
    )
    tests = goodness_of_fit(lives, by="place", samples=19).set_index("place")
    assert tests["status"].to_dict() == {
        "a": "no failures",
        "b": "one failure",
        "c": "equal ages",
        "d": "interval censoring",
    }
    assert tests["p_value"].isna().all()
    assert len(goodness_of_fit(lives.iloc[:0], by="place")) == 0


def test_bad_values_are_named() -> None:
    lives = pd.DataFrame({"age": [1.0, 2.0], "failed": True, "count": [1.0, 1.5]})
    with pytest.raises(ValueError, match=r"count in row 1 is 1\.5: give whole numbers"):
        goodness_of_fit(lives)
    with pytest.raises(ValueError, match="samples is 5: give at least 19"):
        goodness_of_fit_test([1.0, 2.0], [True, True], samples=5)
    with pytest.raises(ValueError, match="family is 'Weibull with threshold': give one of"):
        goodness_of_fit_test([1.0, 2.0], [True, True], family="Weibull with threshold")
