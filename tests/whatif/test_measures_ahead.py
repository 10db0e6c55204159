"""Counts ahead against the renewal function, a simulation and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from relkit.decisions.hidden_function import unavailability_in_use
from relkit.decisions.renewal import renewals
from relkit.whatif.measures_ahead import Counts, Laws, Positions, counts_ahead, dark_share


def laws(shape: list[float], scale: list[float], **more: list[float]) -> Laws:
    count = len(shape)
    return Laws(
        shape=np.array(shape, dtype=float)[:, None],
        scale=np.array(scale, dtype=float)[:, None],
        other=np.array(more.get("other", list(range(count))), dtype=np.int64),
        other_share=np.array(more.get("other_share", [0.0] * count)),
        early_share=np.array(more.get("early_share", [1.0] * count)),
        early_age=np.array(more.get("early_age", [1.0] * count)),
    )


def ahead(
    own: Laws, age: float, use: float, planned: float = np.inf, first: float = np.nan
) -> Counts:
    zero = np.zeros(1, dtype=np.int64)
    one = [np.array([x], dtype=float) for x in (age, use, 1.0, planned, first)]
    return counts_ahead(Positions(zero, zero, *one), own)


@pytest.mark.parametrize("shape", [0.6, 1.0, 1.7, 3.2])
@pytest.mark.parametrize("age", [0.0, 700.0, 4000.0])
@pytest.mark.parametrize("use", [300.0, 1500.0, 6000.0])
def test_without_planned_replacement_it_is_the_renewal_function(
    shape: float, age: float, use: float
) -> None:
    # Source: relkit.decisions.renewal, tested there against closed forms.
    found = ahead(laws([shape], [2000.0]), age, use).failures[0, 0]
    exact = renewals(use, scale=2000.0, shape=shape, age=age).expected
    assert found == pytest.approx(float(exact), rel=5e-3)


def simulated(
    shape: float, scale: float, age: float, planned: float, use: float, size: int = 200_000
) -> tuple[float, float, float]:
    """Second implementation: lives drawn one after the other."""
    rng = np.random.default_rng(5)
    time, ages = np.zeros(size), np.full(size, age)
    failures, replaced = np.zeros(size), np.zeros(size)
    going = np.ones(size, dtype=bool)
    while going.any():
        luck = rng.standard_exponential(size)
        life = scale * ((ages / scale) ** shape + luck) ** (1 / shape) - ages
        rest = np.maximum(planned - ages, 0.0)
        time = time + np.minimum(life, rest)
        going &= time <= use
        failures += going & (life < rest)
        replaced += going & (life >= rest)
        ages = np.zeros(size)
    return failures.mean(), failures.std() / size**0.5, replaced.mean()


@pytest.mark.parametrize(
    ("shape", "scale", "age", "planned", "use"),
    [
        (2.4, 1900.0, 500.0, 1122.0, 3000.0),
        (3.0, 1700.0, 1500.0, 985.0, 1000.0),
        (2.2, 2100.0, 0.0, 1632.0, 5800.0),
        (0.7, 3000.0, 200.0, 800.0, 2500.0),
    ],
)
def test_planned_replacement_agrees_with_a_simulation(
    shape: float, scale: float, age: float, planned: float, use: float
) -> None:
    # Source: simulation above; 4 standard errors, and 1 % for replacements, which jump.
    counts = ahead(laws([shape], [scale]), age, use, planned)
    failures, error, replaced = simulated(shape, scale, age, planned, use)
    assert counts.failures[0, 0] == pytest.approx(failures, abs=4 * error + 0.002 * failures)
    assert counts.planned[0, 0] == pytest.approx(replaced, rel=0.01)


def test_an_item_replaced_now_counts_as_one_replacement_and_a_new_item() -> None:
    # Source: closed form; random failures do not know the age.
    counts = ahead(laws([1.0], [1000.0]), 5000.0, 500.0, first=0.0)
    assert counts.planned[0, 0] == pytest.approx(1.0)
    assert counts.failures[0, 0] == pytest.approx(0.5, rel=1e-4)


def test_a_mixture_of_one_law_with_itself_is_that_law() -> None:
    # Source: invariant.
    plain = ahead(laws([1.4], [900.0]), 0.0, 2000.0).failures
    mixed = laws([1.4, 1.4], [900.0, 900.0], other=[1, 1], other_share=[0.3, 0.0])
    assert ahead(mixed, 0.0, 2000.0).failures == pytest.approx(plain, rel=1e-9)


def test_a_mixture_has_the_mean_life_of_its_parts() -> None:
    # Source: closed form, mean of a mixture; quadrature of its survival.
    mixed = laws([0.6, 2.0], [500.0, 3000.0], other=[1, 1], other_share=[0.7, 0.0])
    row = np.zeros(1, dtype=np.int64)

    def survival(age: float) -> float:
        own = np.exp(-((age / 500.0) ** 0.6))
        return float(0.3 * own + 0.7 * np.exp(-((age / 3000.0) ** 2)))

    for end in (400.0, 2500.0):
        expected, _ = quad(survival, 0, end, limit=200)
        assert mixed.mean_use(row, np.array([end]))[0, 0] == pytest.approx(expected, rel=1e-6)
        hazard = mixed.hazards(row, np.array([[[end]]]))[0, 0, 0]
        assert np.exp(-hazard) == pytest.approx(survival(end), rel=1e-9)


def test_half_of_the_early_failures_and_no_other_is_taken_away() -> None:
    # Source: own algebra of the definition: F'(t) = F(t) / 2 up to the early age, and those that
    # pass it live on as before.
    whole, half = (
        laws([0.55], [2500.0], early_share=[share], early_age=[250.0]) for share in (1.0, 0.5)
    )
    row = np.zeros(1, dtype=np.int64)
    ages = np.array([[[100.0, 250.0, 900.0]]])
    before, after = (np.exp(-law.hazards(row, ages)[0, 0]) for law in (whole, half))
    assert 1 - after[:2] == pytest.approx((1 - before[:2]) / 2, rel=1e-9)
    assert after[2] / after[1] == pytest.approx(before[2] / before[1], rel=1e-9)
    expected, _ = quad(
        lambda t: float(np.exp(-half.hazards(row, np.array([[[t]]]))[0, 0, 0])), 0, 900, limit=200
    )
    assert half.mean_use(row, np.array([900.0]))[0, 0] == pytest.approx(expected, rel=1e-5)


def test_the_dark_share_has_the_known_limits() -> None:
    # Source: half the interval times the rate; unavailability_in_use; all dark if never tested.
    rate, every = np.array([1e-5]), np.array([400.0])
    none = np.zeros(1)
    assert dark_share(rate, every, none) == pytest.approx(rate * every / 2, rel=2e-3)
    reported = dark_share(rate, every, np.array([0.01]))
    known = unavailability_in_use(every, mean_life=1 / rate, report_rate=0.01)
    assert reported == pytest.approx(known, rel=2e-3)
    assert dark_share(rate, np.array([1e9]), none) == pytest.approx(1.0, abs=1e-3)
    assert dark_share(none, every, none) == pytest.approx(0.0)


def test_the_dark_share_is_exact_at_a_constant_rate() -> None:
    # Source: quadrature of 1 - exp(-f t), the closed form for random failures without reports.
    failed, _ = quad(lambda t: 1 - np.exp(-0.004 * t), 0, 300)
    found = dark_share(np.array([0.004]), np.array([300.0]), np.zeros(1))
    assert found[0] == pytest.approx(failed / 300, rel=1e-9)
