"""Masked-cause fits against direct maximisation, closed forms and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from relkit.survival.masked_fits import masked_fits
from relkit.survival.masked_likelihood import linked_components
from relkit.survival.observed import observed_lives
from relkit.survival.weibull import own_fits

SHAPES, SCALES = np.array([2.6, 2.2]), np.array([3000.0, 5500.0])
Rows = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_], NDArray[np.int64]]


def fleets(rng: np.random.Generator, n: int, positions: int = 20, jobs: int = 10) -> Rows:
    """Two items in series at each position, until ``jobs`` failures: code, age, failed, job.

    At each failure the failed item is replaced; in 40 % of jobs both are, and nobody knows why.
    Fleet i has the strata 2 i and 2 i + 1.
    """
    size = n * positions
    fleet = np.repeat(np.arange(n), positions)
    age, left = np.zeros((size, 2)), SCALES * rng.weibull(SHAPES, (size, 2))
    parts = []
    for k in range(jobs):
        which, step = left.argmin(axis=1), left.min(axis=1)[:, None]
        age, left = age + step, left - step
        both = rng.random(size) < 0.4
        ends = both[:, None] | (np.arange(2) == which[:, None])
        place, item = np.nonzero(ends)
        job = np.where(both[place], place + k * size, -1)
        parts.append((2 * fleet[place] + item, age[place, item], ~both[place], job))
        age[ends], left = 0.0, np.where(ends, SCALES * rng.weibull(SHAPES, (size, 2)), left)
    place, item = np.nonzero(age > 0)
    unfailed = np.zeros(len(place), dtype=bool)
    parts.append((2 * fleet[place] + item, age[place, item], unfailed, np.full(len(place), -1)))
    code, ages, failed, job = (np.concatenate(column) for column in zip(*parts, strict=True))
    return code, ages, failed, np.unique(np.r_[-1, job], return_inverse=True)[1][1:] - 1


def minus_log_likelihood(x: NDArray[np.float64], rows: Rows, entry: float = 0.0) -> float:
    """Written out from the definition; x holds the log shapes, then the log scales."""
    code, age, failed, job = rows
    u, v = x[: len(x) // 2][code], x[len(x) // 2 :][code]
    hazard = np.exp(u) / age * (age * np.exp(-v)) ** np.exp(u)
    survived = (age * np.exp(-v)) ** np.exp(u) - (entry * np.exp(-v)) ** np.exp(u)
    total = np.log(hazard[failed]).sum() - survived.sum()
    return -float(total + np.log(np.bincount(job[job >= 0], hazard[job >= 0])).sum())


def numerical_slopes(
    x: NDArray[np.float64], rows: Rows, entry: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Score and information of the likelihood above by differences."""
    step, n = 1e-3, len(x)
    eye = step * np.eye(n)

    def at(change: NDArray[np.float64]) -> float:
        return minus_log_likelihood(x + change, rows, entry)

    def second(i: int, j: int) -> float:
        signs = ((1, 1), (1, -1), (-1, 1), (-1, -1))
        return sum(a * b * at(a * eye[i] + b * eye[j]) for a, b in signs) / (4 * step**2)

    score = np.array([at(-eye[i]) - at(eye[i]) for i in range(n)]) / (2 * step)
    return score, np.array([[second(i, j) for j in range(n)] for i in range(n)])


def test_estimates_and_errors_are_those_of_the_likelihood_written_out() -> None:
    # Source: scipy.optimize and second differences of the likelihood in this file.
    rows = fleets(np.random.default_rng(3), 1, positions=12, jobs=4)
    code, age, failed, job = rows
    best = minimize(
        minus_log_likelihood,
        np.r_[np.log(SHAPES), np.log(SCALES)],
        args=(rows,),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 6000, "maxfev": 6000},
    )
    result = masked_fits(observed_lives(code, age, failed), job)
    fits = result.fits
    np.testing.assert_allclose(np.log(fits.shape), best.x[:2], atol=2e-6)
    np.testing.assert_allclose(np.log(fits.scale), best.x[2:], atol=2e-6)
    np.testing.assert_allclose(fits.log_likelihood, -best.fun, rtol=1e-9)
    covariance = np.linalg.inv(numerical_slopes(best.x, rows)[1])
    errors = np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(fits.log_shape_std_error, errors[:2], rtol=1e-4)
    np.testing.assert_allclose(fits.log_scale_std_error, errors[2:], rtol=1e-4)
    together = np.array([covariance[k, k + 2] / errors[k] / errors[k + 2] for k in (0, 1)])
    np.testing.assert_allclose(fits.log_correlation, together, rtol=1e-3)
    z = 1.959963984540054
    np.testing.assert_allclose(fits.shape_upper, np.exp(best.x[:2] + z * errors[:2]), rtol=1e-4)
    wear = [0.5 * math.erfc(-value / math.sqrt(2)) for value in best.x[:2] / errors[:2]]
    np.testing.assert_allclose(fits.probability_of_wear, wear, atol=1e-6)
    # the causes of masked jobs are in doubt: limits are wider than with shares taken as known
    naive = own_fits(observed_lives(code, age, failed, failure_share=result.probability))
    np.testing.assert_allclose(naive.shape, fits.shape, rtol=1e-7)
    assert (naive.log_shape_std_error < fits.log_shape_std_error).all()
    assert (naive.log_scale_std_error < fits.log_scale_std_error).all()


def test_three_candidates_and_late_entry() -> None:
    # Source: differences of the likelihood in this file: no slope at the estimates, and errors.
    rng = np.random.default_rng(11)
    code = np.repeat([0, 1, 2], 40)
    age = 200 + rng.weibull(2.0, 120) * np.array([900.0, 1500, 2500])[code]
    job = np.full(120, -1)
    for k in range(14):  # the first ten jobs replace all three, the others two of them
        for item in (0, 1, 2) if k < 10 else (k % 3, (k + 1) % 3):
            job[40 * item + k] = k
    failed = (job < 0) & (np.arange(120) % 4 > 0)
    rows, entry = (code, age, failed, job), np.full(120, 150.0)
    result = masked_fits(observed_lives(code, age, failed, entry=entry), job)
    fits = result.fits
    assert (result.linked == 0).all()
    x = np.log(np.r_[fits.shape, fits.scale])
    score, information = numerical_slopes(x, rows, 150.0)
    errors = np.sqrt(np.diag(np.linalg.inv(information)))
    assert (np.abs(score) * errors < 1e-4).all()
    np.testing.assert_allclose(fits.log_shape_std_error, errors[:3], rtol=1e-4)
    np.testing.assert_allclose(fits.log_scale_std_error, errors[3:], rtol=1e-4)


def test_candidates_are_judged_by_their_hazards() -> None:
    # Source: the definition: probabilities in proportion to the hazards at the estimates.
    code, age, failed, job = fleets(np.random.default_rng(5), 1, positions=12, jobs=4)
    result = masked_fits(observed_lives(code, age, failed), job)
    b, scale = result.fits.shape[code], result.fits.scale[code]
    hazard = b / scale * (age / scale) ** (b - 1)
    for k in range(result.jobs):
        mine = job == k
        np.testing.assert_allclose(result.probability[mine], hazard[mine] / hazard[mine].sum())
    assert (result.probability[failed] == 1).all()
    assert (result.probability[~failed & (job < 0)] == 0).all()
    assert result.masked_lives.tolist() == [result.jobs, result.jobs]
    assert result.fits.failures.sum() == pytest.approx(failed.sum() + result.jobs)


def test_candidates_of_one_stratum_share_its_law_alone() -> None:
    # Source: own algebra. Two candidates of the same age in the same stratum: one failure and
    # one survivor of that age, whichever failed.
    rng = np.random.default_rng(9)
    age = np.r_[rng.weibull(2, 20) * 100, 70.0, 70.0]
    job = np.r_[np.full(20, -1), 0, 0]
    masked = masked_fits(observed_lives(np.zeros(22, int), age, job < 0), job).fits
    plain = own_fits(observed_lives(np.zeros(22, int), age, np.r_[np.ones(21), 0]))
    for name in ("shape", "shape_lower", "scale_upper", "b10", "log_scale_std_error"):
        np.testing.assert_allclose(getattr(masked, name), getattr(plain, name), rtol=1e-7)


def test_strata_that_no_job_links_are_fitted_as_if_alone() -> None:
    # Source: invariants: order of rows and strata, unit of age, one stratum alone = in a batch.
    code, age, failed, job = fleets(np.random.default_rng(6), 3, positions=12, jobs=4)
    all_fits = masked_fits(observed_lives(code, age, failed), job)
    assert all_fits.linked.tolist() == [0, 0, 2, 2, 4, 4]
    keep = code < 2
    one = masked_fits(observed_lives(code[keep], age[keep], failed[keep]), job[keep]).fits
    order = np.random.default_rng(0).permutation(len(age))
    mixed = masked_fits(observed_lives(5 - code[order], age[order] * 60, failed[order]), job[order])
    np.testing.assert_allclose(mixed.probability, all_fits.probability[order], atol=1e-8)
    for name, factor in (("shape_lower", 1), ("scale", 60), ("b10_upper", 60)):
        expected = getattr(all_fits.fits, name)
        np.testing.assert_allclose(getattr(one, name), expected[:2], rtol=1e-7)
        np.testing.assert_allclose(getattr(mixed.fits, name)[::-1], expected * factor, rtol=1e-7)
    unmasked = masked_fits(observed_lives(code, age, failed), np.full(len(age), -1))
    plain = own_fits(observed_lives(code, age, failed))
    np.testing.assert_array_equal(unmasked.fits.shape_upper, plain.shape_upper)
    assert (unmasked.jobs, unmasked.iterations) == (0, 0)


def test_counts_stand_for_equal_jobs() -> None:
    # Source: invariant: every row twice = every row with a count of 2.
    code, age, failed, job = fleets(np.random.default_rng(7), 1, positions=12, jobs=4)
    again = np.where(job >= 0, job + job.max() + 1, -1)
    twice = masked_fits(
        observed_lives(np.r_[code, code], np.r_[age, age], np.r_[failed, failed]),
        np.r_[job, again],
    ).fits
    count = np.full(len(age), 2.0)
    counted = masked_fits(observed_lives(code, age, failed, count=count), job).fits
    for name in ("shape", "scale_lower", "log_shape_std_error", "log_likelihood", "failures"):
        np.testing.assert_allclose(getattr(counted, name), getattr(twice, name), rtol=1e-8)
    count[np.flatnonzero(job == 0)[0]] = 3
    with pytest.raises(ValueError, match="counts of the lives of masked job 0 differ"):
        masked_fits(observed_lives(code, age, failed, count=count), job)


def test_strata_without_known_failures_have_a_status_and_stop_nobody() -> None:
    # Common practice: nothing bounds the law of a cause that is never seen by itself.
    code, age, failed, job = fleets(np.random.default_rng(8), 2, positions=12, jobs=4)
    seen = failed & (code != 1)
    result = masked_fits(observed_lives(code, age, seen), job)
    fits = result.fits
    assert fits.status.tolist() == ["no finite maximum"] * 2 + ["ok"] * 2
    assert np.isnan(fits.shape[:2]).all()
    assert np.isnan(fits.scale_upper[:2]).all()
    assert "no known failures" in fits.reason[0]
    assert np.isfinite(fits.b10_upper[2:]).all()
    sums = np.bincount(job[job >= 0], result.probability[job >= 0])
    np.testing.assert_allclose(sums, 1.0)


def test_chains_of_jobs_link_strata() -> None:
    # Source: by hand.
    code, job = np.array([4, 3, 3, 0, 1, 1]), np.array([0, 0, 1, 1, 2, 2])
    assert linked_components(code, job, 6).tolist() == [0, 1, 2, 0, 0, 5]


@pytest.mark.slow
def test_known_truth_at_forty_per_cent_masked() -> None:
    # 2,000 fleets of 200 failures, about 40 % masked. Bias of the means below 5 %: their
    # standard errors are below 0.3 %. Coverage of 95 % limits from 93 to 97 %: with a true
    # coverage of 95 % the share covered has a standard deviation of 0.49 % (binomial), so the
    # bounds are 4 of them; what symmetric limits lose at 60 failures must fit in between.
    n = 2000
    code, age, failed, job = fleets(np.random.default_rng(40), n)
    assert 0.39 < (job.max() + 1) / (200 * n) < 0.41
    result = masked_fits(observed_lives(code, age, failed), job)
    fits = result.fits
    assert (fits.status == "ok").all()
    lives = {"shape": SHAPES, "scale": SCALES, "b10": SCALES * (-math.log(0.9)) ** (1 / SHAPES)}
    for name, truth in lives.items():
        estimate = getattr(fits, name).reshape(n, 2)
        np.testing.assert_allclose(estimate.mean(axis=0), truth, rtol=0.05)
        lower = getattr(fits, f"{name}_lower").reshape(n, 2)
        upper = getattr(fits, f"{name}_upper").reshape(n, 2)
        covered = ((lower <= truth) & (truth <= upper)).mean(axis=0)
        assert (covered > 0.93).all(), (name, covered)
        assert (covered < 0.97).all(), (name, covered)
    # the extremes miss: none by + 20 % and more in scale, all by - 15 % and more in shape or scale
    assert (result.if_none.scale.reshape(n, 2).mean(axis=0) > 1.15 * SCALES).all()
    assert result.if_all.scale.reshape(n, 2).mean(axis=0)[1] < 0.85 * SCALES[1]
