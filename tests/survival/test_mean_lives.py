"""Mean residual lives: closed forms, published values, and numerical integrals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from relkit.survival.families import FAMILIES
from relkit.survival.mean_lives import mean_residual_lives

THETAS = {
    "exponential": [5.0],
    "Weibull": [6.0, -0.6],
    "Weibull with threshold": [6.0, -0.6],
    "lognormal": [6.0, -0.3],
    "loglogistic": [6.0, -0.7],
    "gamma": [5.0, 0.5],
    "generalised gamma": [6.0, -0.3, 0.6],
}


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize("age", [0.0, 50.0, 400.0, 900.0])
def test_means_are_the_area_under_the_survival_curve(name: str, age: float) -> None:
    # Source: numerical integral of the family's own survival, on the log of the age.
    theta, kind = np.array([THETAS[name]]), FAMILIES[name]
    off = 80.0 if kind.threshold else 0.0

    def survival(t: float) -> float:
        if t <= off:
            return 1.0
        return float(np.exp(kind.log_survival(theta, np.log(np.array([t - off]))))[0])

    area = quad(survival, age, max(age, off) + 1, limit=200)[0]
    start = math.log(max(age, off) + 1)
    area += quad(lambda s: survival(math.exp(s)) * math.exp(s), start, 25, limit=400)[0]
    got = mean_residual_lives(kind.name, theta, np.array([age]), np.array([off]))
    assert got[0] == pytest.approx(area / survival(age), rel=1e-6)


@pytest.mark.parametrize("skew", [-0.5, 0.0, 5e-5, 1.0])
def test_generalised_gamma_for_any_skew(skew: float) -> None:
    # Source: as above; skew 1 is the Weibull, skew 0 the lognormal.
    theta = np.array([[6.0, -0.6, skew]])
    kind, age = FAMILIES["generalised gamma"], 300.0
    at = lambda s: float(np.exp(kind.log_survival(theta, np.array([s])))[0])  # noqa: E731
    area = quad(lambda s: at(s) * math.exp(s), math.log(age), 25, limit=400)[0]
    got = mean_residual_lives(kind.name, theta, np.array([age]))
    assert got[0] == pytest.approx(area / at(math.log(age)), rel=1e-4)


def test_published_means() -> None:
    # Source: C. E. Ebeling, An Introduction to Reliability and Maintainability Engineering,
    # McGraw-Hill, 1997, from memory: shape 1/3 and scale 16,000 h give a mean of 96,000 h.
    theta = np.array([[math.log(16000), -math.log(1 / 3)]])
    assert mean_residual_lives("Weibull", theta, np.zeros(1))[0] == pytest.approx(96000)
    # Source: NIST/SEMATECH e-Handbook 8.4.1.3: scale 606.528, shape 1.7208, mean 540.737 h.
    theta = np.array([[math.log(606.52757), -math.log(1.7207972)]])
    assert mean_residual_lives("Weibull", theta, np.zeros(1))[0] == pytest.approx(540.737, abs=2e-3)


def test_a_mean_that_does_not_exist_is_infinite_and_far_ages_are_not_known() -> None:
    # Source: the loglogistic has a mean for shapes above 1 only; its mean is
    # scale pi / shape / sin(pi / shape) (textbook).
    theta = np.array([[6.0, 0.1], [6.0, -math.log(2.0)]])
    means = mean_residual_lives("loglogistic", theta, np.zeros(2))
    assert means[0] == np.inf
    assert means[1] == pytest.approx(math.exp(6.0) * math.pi / 2)
    far = mean_residual_lives("Weibull", np.array([[6.0, -0.6]]), np.array([1e5]))
    assert np.isnan(far[0])
