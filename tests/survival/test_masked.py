"""Shares of masked failures against direct maximisation, a closed form and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from relkit.survival.masked import masked_shares
from relkit.survival.observed import observed_lives
from relkit.survival.weibull import own_fits

TRUTH = ((2.6, 3000.0), (2.2, 5500.0))


def fleet(seed: int, vehicles: int = 24) -> tuple[NDArray[np.float64], ...]:
    """Cameras and cables in series; 35 % of jobs replace both. Columns: code, age, failed, job."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, float, float, float]] = []
    job = 0
    for _ in range(vehicles):
        age, left = [0.0, 0.0], [eta * rng.weibull(beta) for beta, eta in TRUTH]
        until = rng.uniform(4000, 9000)
        while True:
            which = int(np.argmin(left))
            step = min(left[which], until)
            age, left = [a + step for a in age], [x - step for x in left]
            until -= step
            if until <= 0:
                rows += [(code, age[code], 0, -1) for code in (0, 1)]
                break
            both = rng.random() < 0.35
            for code in (0, 1) if both else (which,):
                rows.append((code, age[code], 0 if both else 1, job if both else -1))
                age[code] = 0.0
                left[code] = TRUTH[code][1] * rng.weibull(TRUTH[code][0])
            job += both
    table = np.array(rows)
    return tuple(table.T)


def test_one_job_of_two_random_items() -> None:
    # Source: own algebra. With shape near 1 for both the hazards do not depend on age, and a
    # masked failure is shared by the known failures per exposure: the fixed point of
    # w = (r1 + w) / T1 / ((r1 + w) / T1 + (r2 + 1 - w) / T2) with r1 = 30, r2 = 10, T1 = T2 is
    # w = 30 / 40. Quantiles of an exponential law stand for random ages.
    def ages(n: int) -> NDArray[np.float64]:
        return -np.log(1 - (np.arange(1, n + 1) - 0.5) / n) * 1000

    first, second = ages(30), ages(10) * 3
    age = np.r_[first, second, 500.0, 500.0]
    codes = np.r_[np.zeros(30, int), np.ones(10, int), 0, 1]
    job = np.r_[np.full(40, -1), 0, 0]
    result = masked_shares(observed_lives(codes, age, np.r_[np.ones(40), 0, 0]), job)
    assert result.share[-2:].sum() == pytest.approx(1.0, abs=1e-12)
    assert result.share[-2] == pytest.approx(0.75, abs=0.03)
    assert (result.share[:40] == 1).all()
    assert result.largest_change <= 1e-8


def test_shares_are_those_at_the_maximum_of_the_masked_likelihood() -> None:
    # Source: scipy.optimize on the likelihood written out: log of the sum of the candidates'
    # hazards, all survivals, and the stated prior of each log shape.
    code, age, failed, job = fleet(3)
    codes, jobs = code.astype(int), job.astype(int)

    def minus(x: NDArray[np.float64]) -> float:
        u, v = x[:2], x[2:]
        z = np.exp(u)[codes] * (np.log(age) - v[codes])
        log_hazard = u[codes] + z - np.log(age)
        value = -np.exp(z).sum() + log_hazard[failed == 1].sum()
        for k in range(jobs.max() + 1):
            value += np.logaddexp(*log_hazard[jobs == k])
        return -(value - (((u - math.log(1.3)) / 0.45) ** 2 / 2).sum())

    best = minimize(
        minus,
        [0.5, 0.5, 8.0, 8.0],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000},
    ).x
    z = np.exp(best[:2])[codes] * (np.log(age) - best[2:][codes])
    hazard = np.exp(best[:2][codes] + z - np.log(age))
    result = masked_shares(observed_lives(codes, age, failed), jobs)
    for k in range(jobs.max() + 1):
        mine = jobs == k
        np.testing.assert_allclose(result.share[mine], hazard[mine] / hazard[mine].sum(), atol=5e-4)
    assert result.groups == jobs.max() + 1


@pytest.mark.slow
def test_masked_jobs_recover_the_truth_where_the_extremes_do_not() -> None:
    # 60 fleets. Medians of the estimates by shares must lie within 6 % of the truth (standard
    # error of such a median: about 2 %); counting both as failed, or none, is off by 10 % and
    # more in the scale of the cable.
    scales = {"shares": [], "both": [], "none": []}  # type: ignore[var-annotated]
    shapes = []
    for seed in range(60):
        code, age, failed, job = fleet(seed)
        codes, jobs = code.astype(int), job.astype(int)
        result = masked_shares(observed_lives(codes, age, failed), jobs)
        fits = own_fits(observed_lives(codes, age, failed, failure_share=result.share))
        shapes.append(fits.shape)
        scales["shares"].append(fits.scale)
        scales["both"].append(
            own_fits(observed_lives(codes, age, (failed == 1) | (jobs >= 0))).scale
        )
        scales["none"].append(own_fits(observed_lives(codes, age, failed)).scale)
    truth = np.array([eta for _, eta in TRUTH])
    middle = {name: np.median(values, axis=0) / truth for name, values in scales.items()}
    np.testing.assert_allclose(middle["shares"], 1.0, atol=0.06)
    np.testing.assert_allclose(np.median(shapes, axis=0), [2.6, 2.2], rtol=0.1)
    assert middle["both"][1] < 0.9
    assert middle["none"][1] > 1.1


def test_rows_may_come_in_any_order_and_unit() -> None:
    # Source: invariants.
    code, age, failed, job = fleet(5)
    codes, jobs = code.astype(int), job.astype(int)
    plain = masked_shares(observed_lives(codes, age, failed), jobs).share
    order = np.random.default_rng(1).permutation(len(age))
    mixed = masked_shares(
        observed_lives(codes[order], age[order] * 60, failed[order]), jobs[order]
    ).share
    np.testing.assert_allclose(mixed, plain[order], atol=1e-6)


def test_degenerate_jobs() -> None:
    # Common practice: one candidate bears it all; strata without a known failure still share;
    # a stratum without masked lives takes no part; failures found later are allowed.
    one = masked_shares(observed_lives([0, 1], [5.0, 9.0], [0, 1]), np.array([0, -1]))
    assert one.share.tolist() == [1.0, 1.0]
    two = masked_shares(observed_lives([0, 1], [5.0, 5.0], [0, 0]), np.array([0, 0]))
    np.testing.assert_allclose(two.share, [0.5, 0.5], atol=1e-6)
    none = masked_shares(observed_lives([0, 0], [5.0, 6.0], [1, 0]), np.array([-1, -1]))
    assert none.share.tolist() == [1.0, 0.0]
    later = masked_shares(
        observed_lives([0, 0, 1], [5.0, 6.0, 6.0], [1, 0, 0], age_lower=[3.0, 6.0, 6.0]),
        np.array([-1, 0, 0]),
    )
    assert later.share.sum() == pytest.approx(2.0)


@pytest.mark.parametrize(("age", "failed"), [(0.0, 0), (4.0, 1)])
def test_masked_lives_must_have_an_age_and_no_failure(age: float, failed: int) -> None:
    lives = observed_lives([1, 0], [7.0, age], [0, failed])
    with pytest.raises(ValueError, match="masked life at row 1 has age 0, count 0 or is a failure"):
        masked_shares(lives, np.array([0, 0]))
