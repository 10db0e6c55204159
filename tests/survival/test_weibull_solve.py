"""Maxima of the likelihood against scipy's minimiser and lifelines."""

from __future__ import annotations

import lifelines
import numpy as np
import pytest
from scipy.optimize import minimize

from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.weibull_likelihood import WeibullLikelihood, weibull_likelihood
from relkit.survival.weibull_solve import Maximum, maximum


def simulated(seed: int, strata: int, *, intervals: bool, per: int = 40) -> ObservedLives:
    """Lives with late entry and censoring; in half of the strata failures found at checks."""
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(strata), per)
    shape, scale = rng.uniform(0.7, 3.5, strata)[codes], rng.uniform(500, 5000, strata)[codes]
    entry = np.where(rng.random(len(codes)) < 0.5, 0.0, scale * rng.uniform(0, 0.8, len(codes)))
    # life given survival of the entry age: inverse of the conditional survival
    life = scale * ((entry / scale) ** shape + rng.standard_exponential(len(codes))) ** (1 / shape)
    end = entry + scale * rng.uniform(0.1, 1.5, len(codes))
    failed, age = life <= end, np.minimum(life, end)
    lower = age.copy()
    if intervals:
        checked = failed & (codes % 2 == 0)
        gap = scale * 0.25
        lower = np.where(checked, np.maximum(entry, np.floor(age / gap) * gap), age)
        age = np.where(checked, np.floor(age / gap) * gap + gap, age)
    return observed_lives(codes, age, failed, entry=entry, age_lower=lower)


def parameters(likelihood: WeibullLikelihood, peak: Maximum) -> tuple[np.ndarray, np.ndarray]:
    shape = np.exp(peak.u)
    return shape, np.exp(likelihood.log_reference - peak.y / shape)


@pytest.mark.parametrize("intervals", [False, True])
def test_no_point_nearby_or_found_by_scipy_is_better(intervals: bool) -> None:
    # Source: scipy.optimize (Nelder-Mead from another start), on the tested likelihood.
    likelihood = weibull_likelihood(simulated(3, 12, intervals=intervals))
    peak = maximum(likelihood)
    assert peak.found.all()
    at = likelihood.slopes(peak.u, peak.y)
    np.testing.assert_allclose([at.u, at.y], 0.0, atol=1e-6)
    for i in range(12):
        alone = likelihood.of_strata(np.arange(12) == i)

        def minus(x: np.ndarray, alone: WeibullLikelihood = alone) -> float:
            return -float(alone.slopes(x[:1], x[1:]).value[0])

        other = minimize(minus, [0.5, 0.5], method="Nelder-Mead", options={"xatol": 1e-8})
        assert at.value[i] >= -other.fun - 1e-9
        np.testing.assert_allclose([peak.u[i], peak.y[i]], other.x, atol=1e-5)


def test_agrees_with_lifelines_on_late_entry() -> None:
    # Source: lifelines WeibullFitter with entry; it stops at about 1e-7.
    lives = simulated(8, 6, intervals=False)
    likelihood = weibull_likelihood(lives)
    shape, scale = parameters(likelihood, maximum(likelihood))
    for i in range(6):
        mine = lives.strata.codes() == i
        theirs = lifelines.WeibullFitter().fit(
            lives.age[mine], lives.failures[mine], entry=lives.entry[mine]
        )
        assert shape[i] == pytest.approx(theirs.rho_, rel=1e-5)
        assert scale[i] == pytest.approx(theirs.lambda_, rel=1e-5)


def test_agrees_with_lifelines_on_intervals_with_late_entry() -> None:
    # Source: lifelines WeibullFitter.fit_interval_censoring with entry.
    lives = simulated(14, 6, intervals=True)
    likelihood = weibull_likelihood(lives)
    shape, scale = parameters(likelihood, maximum(likelihood))
    for i in (0, 2, 4):
        mine = lives.strata.codes() == i
        failed = lives.failures[mine] > 0
        lower = np.where(failed, lives.age_lower[mine], lives.age[mine])
        upper = np.where(failed, lives.age[mine], np.inf)
        theirs = lifelines.WeibullFitter().fit_interval_censoring(
            lower, upper, entry=lives.entry[mine]
        )
        assert shape[i] == pytest.approx(theirs.rho_, rel=1e-4)
        assert scale[i] == pytest.approx(theirs.lambda_, rel=1e-4)


def test_shapes_far_from_one_and_any_unit_converge() -> None:
    # Source: own algebra. Quantiles of a Weibull law at plotting positions give nearly its
    # shape; powers of ages scale it exactly: age^k has shape / k.
    quantile = -np.log(1 - (np.arange(1, 41) - 0.5) / 40)
    base = weibull_likelihood(observed_lives([0] * 40, quantile, [1] * 40))
    first = np.exp(maximum(base).u[0])
    for power in (0.02, 0.1, 1.0, 10.0, 3000.0):
        for unit in (1e-9, 1.0, 1e9):
            lives = observed_lives([0] * 40, quantile ** (1 / power) * unit, [1] * 40)
            peak = maximum(weibull_likelihood(lives))
            assert peak.found.all()
            assert np.exp(peak.u[0]) == pytest.approx(first * power, rel=1e-9)


def test_a_hazard_that_falls_as_the_inverse_of_age_has_no_maximum() -> None:
    # Source: own algebra. With each life watched over the same ratio of ages, hazard 1 / age
    # fits best: shape 0, which is outside the family.
    age = np.linspace(100, 1000, 10)
    peak = maximum(weibull_likelihood(observed_lives([0] * 10, age, [1] * 10, entry=age * 0.999)))
    assert not peak.found[0]
    assert peak.outside[0]


def test_the_start_does_not_change_the_maximum() -> None:
    # Source: invariants.
    likelihood = weibull_likelihood(simulated(4, 30, intervals=False))
    first = maximum(likelihood)
    other = maximum(likelihood, np.full(30, 1.6))
    np.testing.assert_allclose(first.u, other.u, atol=1e-10)
    np.testing.assert_allclose(first.sums, likelihood.power_sums(first.u), rtol=1e-7)
