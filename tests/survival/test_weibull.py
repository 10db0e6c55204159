"""Weibull fits against publications and lifelines; strata that cannot be fitted say why."""

from __future__ import annotations

import math
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.survival.observed import observed_lives
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_result import WeibullFits

REFERENCES = Path(__file__).parents[1] / "references"
NUMBERS = (
    "shape",
    "shape_lower",
    "shape_upper",
    "scale",
    "scale_lower",
    "scale_upper",
    "b10",
    "b10_lower",
    "b10_upper",
)
TENS = np.arange(100.0, 1001.0, 100.0)


def fit_one(age: object, failed: object, limits: str = "fisher", **more: object) -> WeibullFits:
    zeros = np.zeros(len(age), dtype=int)  # type: ignore[arg-type]
    return own_fits(observed_lives(zeros, age, failed, **more), limits=limits)  # type: ignore[arg-type]


def shock_absorbers() -> tuple[np.ndarray, np.ndarray]:
    table = pd.read_csv(REFERENCES / "shock_absorber_modes.csv")
    return table["km"].to_numpy(float), (table["event"] == "Failure").to_numpy()


def test_twenty_units_censored_at_500_hours() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.4.1.3; mean 540.737 and AIC 154.27 follow.
    age = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386, 500]
    fits = fit_one(age, [1] * 10 + [0], count=[1] * 10 + [10])
    assert fits.shape[0] == pytest.approx(1.7208, abs=1e-4)
    assert fits.scale[0] == pytest.approx(606.528, abs=2e-3)
    assert fits.log_likelihood[0] == pytest.approx(-75.135, abs=1e-3)
    assert 4 - 2 * fits.log_likelihood[0] == pytest.approx(154.27, abs=6e-3)
    mean = fits.scale[0] * math.gamma(1 + 1 / fits.shape[0])
    square = fits.scale[0] ** 2 * math.gamma(1 + 2 / fits.shape[0])
    assert mean == pytest.approx(540.737, abs=2e-3)
    assert math.sqrt(square - mean**2) == pytest.approx(323.806, abs=2e-3)
    assert (fits.lives[0], fits.failures[0]) == (20.0, 10.0)


def test_shock_absorbers() -> None:
    # Source: O'Connor (1985); Meeker and Escobar (1998) ch. 8 and the introduction of its
    # companion package: mu = log scale, sigma = 1 / shape; B10 point from memory, its limits
    # from the library reliability.
    age, failed = shock_absorbers()
    fits = fit_one(age, failed)
    assert math.log(fits.scale[0]) == pytest.approx(10.23, abs=6e-3)
    assert fits.log_scale_std_error[0] == pytest.approx(0.1099, abs=2e-4)
    assert 1 / fits.shape[0] == pytest.approx(0.3164, abs=2e-4)
    assert fits.log_shape_std_error[0] / fits.shape[0] == pytest.approx(0.0732, abs=2e-4)
    assert 1 / fits.shape_upper[0] == pytest.approx(0.201, abs=2e-3)
    assert 1 / fits.shape_lower[0] == pytest.approx(0.498, abs=2e-3)
    assert fits.scale[0] == pytest.approx(27718.72, abs=0.1)
    assert fits.scale[0] * fits.log_scale_std_error[0] == pytest.approx(3046.02, rel=3e-4)
    assert fits.scale_lower[0] == pytest.approx(22347.77, rel=2e-4)
    assert fits.scale_upper[0] == pytest.approx(34380.49, rel=2e-4)
    assert fits.b10[0] == pytest.approx(13600, rel=1e-3)
    assert fits.b10_lower[0] == pytest.approx(10221.84, rel=3e-3)
    assert fits.b10_upper[0] == pytest.approx(18094.68, rel=3e-3)


def test_fifty_devices() -> None:
    # Source: data Aarset (1987); estimates as quoted in the later literature, from memory.
    table = pd.read_csv(REFERENCES / "fifty_devices.csv")
    fits = fit_one(table["age"], np.ones(50, bool))
    assert fits.scale[0] == pytest.approx(44.913, abs=2e-3)
    assert fits.shape[0] == pytest.approx(0.949, abs=5e-4)
    assert fits.log_likelihood[0] == pytest.approx(-241.002, abs=1e-3)


def test_insulating_fluid_at_two_voltages_in_one_batch() -> None:
    # Source: data Nelson (1972); estimates stored in the tests of the R package survival.
    table = pd.read_csv(REFERENCES / "insulating_fluid.csv")
    codes = (table["kilovolts"] == 34).astype(int)
    fits = own_fits(observed_lives(codes, table["age"], np.ones(len(table), bool)))
    expected = {
        "scale": [77.58159, 12.22222],
        "scale_lower": [42.9642, 6.59509],
        "scale_upper": [140.0911, 22.6506],
        "shape": [1.05881, 0.77082],
        "shape_lower": [0.66318, 0.54542],
        "shape_upper": [1.6904, 1.0894],
    }
    for name, values in expected.items():
        np.testing.assert_allclose(getattr(fits, name), values, rtol=3e-4)
    error = fits.shape * fits.log_shape_std_error
    np.testing.assert_allclose(error, [0.25274, 0.13603], rtol=3e-4)
    error = fits.scale * fits.log_scale_std_error
    np.testing.assert_allclose(error, [23.39176, 3.84707], rtol=3e-4)


def test_psychiatric_patients_who_enter_late() -> None:
    # Source: data Klein and Moeschberger 1.15; fit computed twice, not published.
    table = pd.read_csv(REFERENCES / "psychiatric_patients.csv")
    fits = fit_one(table["age"], table["failed"], entry=table["entry"])
    assert fits.scale[0] == pytest.approx(68.68996, rel=2e-4)
    assert fits.shape[0] == pytest.approx(8.406472, rel=2e-3)


def test_turbine_parts_found_cracked_at_inspections() -> None:
    # Source: Nelson (1982), 167 turbine parts; fit stored in the tests of the R package survival.
    day = [186.0, 606.0, 902.0, 1077.0, 1209.0, 1377.0, 1592.0, 1932.0]
    cracked = [5, 16, 12, 18, 18, 2, 6, 17]
    fits = fit_one(
        [*day, 1932.0], [1] * 8 + [0], age_lower=[0.0, *day[:-1], 1932.0], count=[*cracked, 73]
    )
    assert math.log(fits.scale[0]) == pytest.approx(7.688, abs=2e-4)
    assert -math.log(fits.shape[0]) == pytest.approx(-0.3953, abs=2e-4)
    assert fits.log_scale_std_error[0] == pytest.approx(0.0744, abs=2e-4)
    assert fits.log_shape_std_error[0] == pytest.approx(0.0987, abs=2e-4)
    assert fits.log_likelihood[0] == pytest.approx(-309.6, abs=0.1)
    p = np.array([0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8])
    life = fits.scale[0] * (-np.log1p(-p)) ** (1 / fits.shape[0])
    expected = [98.47183, 157.5936, 295.17088, 479.31737, 794.55351, 1704.71015, 3006.43572]
    np.testing.assert_allclose(life, expected, rtol=1e-4)
    assert fits.b10[0] == pytest.approx(479.31737, rel=1e-4)


def test_errors_agree_with_lifelines() -> None:
    # Source: lifelines' raw-scale standard errors from its numerical Hessian.
    rng = np.random.default_rng(2)
    age, failed = rng.weibull(1.7, 80) * 900, rng.random(80) < 0.5
    fits = fit_one(age, failed)
    theirs = lifelines.WeibullFitter().fit(age, failed).summary["se(coef)"]
    assert fits.scale[0] * fits.log_scale_std_error[0] == pytest.approx(theirs["lambda_"], rel=1e-4)
    assert fits.shape[0] * fits.log_shape_std_error[0] == pytest.approx(theirs["rho_"], rel=1e-4)


def test_nothing_failed_gives_a_lower_bound_and_a_status() -> None:
    # Source: 2 T / chi2(0.95; 2) = 5500 / 2.995732 for shape 1.
    fits = fit_one(TENS, [0] * 10)
    assert fits.status[0] == "no failures"
    assert fits.scale_lower[0] == pytest.approx(5500 / 2.995732, rel=1e-6)
    assert (fits.scale_upper[0], fits.b10_upper[0]) == (np.inf, np.inf)
    assert np.isnan([fits.scale[0], fits.shape[0], fits.b10[0]]).all()
    assert "lower bound" in fits.reason[0]
    assert fits.shape_source[0] == "none"


def test_one_failure_has_limits_inside_the_range_of_a_shape() -> None:
    # Common practice: likelihood ratio; a normal law on the raw scale goes below 0.
    fits = fit_one(TENS, TENS == 500)
    assert fits.status[0] == "one failure"
    assert 0 < fits.shape_lower[0] < fits.shape[0] < fits.shape_upper[0] < np.inf
    assert "likelihood ratio" in fits.reason[0]
    oldest = fit_one(TENS, TENS == 1000)
    assert oldest.status[0] == "one failure"
    assert np.isnan(oldest.shape[0])


def test_equal_ages_are_a_status_with_a_reason() -> None:
    # Common practice; with survivors beyond the one age an estimate exists.
    fits = fit_one(np.full(10, 100.0), np.ones(10))
    assert fits.status[0] == "equal ages"
    assert np.isnan([fits.shape[0], fits.scale[0], fits.scale_lower[0]]).all()
    assert "same age" in fits.reason[0]
    some = fit_one(np.r_[np.full(5, 100.0), np.full(5, 200.0)], [1] * 5 + [0] * 5)
    assert some.status[0] == "equal ages"
    assert some.shape[0] == pytest.approx(1.844434, rel=1e-5)  # lifelines: 1.84443


def test_zero_ages_are_counted_apart() -> None:
    # Common practice: dead on arrival is not a draw from a law without mass at 0.
    fits, without = fit_one(np.r_[0.0, TENS], np.ones(11)), fit_one(TENS, np.ones(10))
    assert fits.zero_ages[0] == 1
    assert (fits.lives[0], fits.failures[0]) == (10.0, 10.0)
    assert fits.shape[0] == pytest.approx(without.shape[0], rel=1e-12)
    assert "dead on arrival" in fits.reason[0]
    nothing = fit_one([0.0, 0.0], [1, 0])
    assert nothing.status[0] == "no exposure"


def test_very_small_shapes_converge() -> None:
    # Source: own algebra: the slope of the profile likelihood must vanish. Ten failures from
    # 1e-6 to 1e4 among 4,082 lives, where general programs stop at a wrong point.
    early = 10.0 ** np.arange(-6, 4)
    age = np.r_[early, np.full(4072, 1e5)]
    fits = fit_one(age, np.arange(4082) < 10)
    assert fits.status[0] == "ok"
    b, x = fits.shape[0], np.log(age)
    power = np.exp(b * (x - x.max()))
    score = 10 / b + x[:10].sum() - 10 * (power * x).sum() / power.sum()
    assert score == pytest.approx(0.0, abs=1e-6)
    assert b < 0.2


def test_no_finite_maximum_is_said() -> None:
    # Source: own algebra. Nothing known to have survived any age: the rate can grow for ever;
    # equal ratios of age to entry: shape 0 fits best.
    left = fit_one(TENS, np.ones(10), age_lower=np.zeros(10))
    assert left.status[0] == "no finite maximum"
    ratio = fit_one(TENS, np.ones(10), entry=TENS * 0.999)
    assert ratio.status[0] == "no finite maximum"
    assert np.isnan(ratio.shape[0])
    assert ratio.reason[0]


def test_degenerate_strata_do_not_break_a_batch() -> None:
    # Source: invariants; each stratum alone gives the same row.
    ages = [TENS, TENS, np.full(3, 5.0), TENS, [7.0], TENS[:4], TENS * 1e9, TENS * 1e-9]
    fails = [[1] * 10, [0] * 10, [1] * 3, [0] * 9 + [1], [1], [1, 1, 0, 0], [1] * 10, [1] * 10]
    codes = np.concatenate([np.full(len(a), i) for i, a in enumerate(ages)])
    lives = observed_lives(codes, np.concatenate(ages), np.concatenate(fails), n_strata=9)
    for limits in ("fisher", "profile", "bootstrap"):
        fits = own_fits(lives, limits=limits)  # type: ignore[arg-type]
        assert fits.status.tolist() == [
            "ok",
            "no failures",
            "equal ages",
            "one failure",
            "one failure",
            "ok",
            "ok",
            "ok",
            "no exposure",
        ]
        if limits == "bootstrap":
            continue
        for i, (age, failed) in enumerate(zip(ages, fails, strict=True)):
            alone = fit_one(age, failed, limits)
            for name in NUMBERS:
                batch = getattr(fits, name)[i]
                np.testing.assert_allclose(batch, getattr(alone, name)[0], rtol=1e-8)


def test_few_failures_are_pointed_out() -> None:
    fits = fit_one(TENS, TENS <= 400)
    assert fits.status[0] == "ok"
    assert "fewer than 5 failures" in fits.reason[0]


def test_probability_of_wear() -> None:
    # Source: own algebra. 1/2 where the estimate is 1; near 1 with much wear; symmetric in
    # the signed root of the likelihood ratio, computed here from its definition.
    age = TENS
    fits = fit_one(age, np.ones(10))
    mean = age.mean()
    random = -10 * math.log(mean) - 10
    root = math.sqrt(2 * (fits.log_likelihood[0] - random))
    normal = 0.5 * math.erfc(-root / math.sqrt(2))
    assert fits.probability_of_wear[0] == pytest.approx(normal, rel=1e-9)
    falling = fit_one(age**3, np.ones(10))  # shape a third: about 0.66
    assert falling.shape[0] == pytest.approx(fits.shape[0] / 3, rel=1e-9)
    assert 0 < falling.probability_of_wear[0] < 0.2


def test_shares_of_a_failure_act_as_weights() -> None:
    # Source: own algebra: a masked life of share w is w failures and 1 - w survivors.
    shared = fit_one([300.0, 500.0, 700.0, 800.0], [1, 0, 1, 0], failure_share=[0, 0.3, 0, 0])
    written = fit_one(
        [300.0, 500.0, 500.0, 700.0, 800.0], [1, 1, 0, 1, 0], count=[1, 0.3, 0.7, 1, 1]
    )
    for name in NUMBERS:
        np.testing.assert_allclose(getattr(shared, name), getattr(written, name), rtol=1e-9)
    assert shared.failures[0] == pytest.approx(2.3)


LIVES = st.lists(
    st.tuples(
        st.integers(1, 2000), st.booleans(), st.floats(0, 0.9), st.integers(1, 3), st.booleans()
    ),
    min_size=3,
    max_size=25,
)


@settings(deadline=None, max_examples=60)
@given(LIVES, st.randoms(use_true_random=False), st.sampled_from([1e-6, 24.0, 1e7]))
def test_invariants(
    rows: list[tuple[int, bool, float, int, bool]], random: object, unit: float
) -> None:
    # Source: invariants: unit of age, order of rows, count written out, a life in two pieces,
    # a stratum in a batch. Of the limits, those without the correction for small samples, which
    # counts a life in two pieces as two.
    age = np.array([r[0] for r in rows], float)
    failed = np.array([r[1] for r in rows])
    entry = np.where([r[4] for r in rows], age * [r[2] for r in rows], 0.0)
    count = np.array([r[3] for r in rows])
    plain = fit_one(age, failed, "likelihood ratio", entry=entry, count=count)
    order = list(range(len(rows)))
    random.shuffle(order)  # type: ignore[attr-defined]
    long = np.repeat(order, count[order])
    other = fit_one(age[long] * unit, failed[long], "likelihood ratio", entry=entry[long] * unit)
    middle = (age + entry) / 2
    pieces = fit_one(
        np.concatenate([middle, age]),
        np.concatenate([np.zeros(len(rows), bool), failed]),
        "likelihood ratio",
        entry=np.concatenate([entry, middle]),
        count=np.concatenate([count, count]),
    )
    batch = own_fits(
        observed_lives(
            np.tile([1, 0], len(rows)),
            np.repeat(age, 2),
            np.repeat(failed, 2),
            entry=np.repeat(entry, 2),
            count=np.repeat(count, 2),
        ),
        limits="likelihood ratio",
    )
    assert other.status[0] == plain.status[0] == batch.status[0] == batch.status[1]
    for name in NUMBERS:
        expected = getattr(plain, name)[0]
        factor = 1.0 if name.startswith("shape") else unit
        for got in (getattr(other, name)[0] / factor, *getattr(batch, name)):
            np.testing.assert_allclose(got, expected, rtol=2e-5)
        np.testing.assert_allclose(getattr(pieces, name)[0], expected, rtol=2e-5)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"limits": "wald"}, 'limits is "wald": must be one of fisher, profile'),
        ({"confidence_level": 1.0}, "confidence_level is 1: must lie strictly between 0 and 1"),
        ({"replicates": 1}, "replicates is 1: must be at least 2"),
    ],
)
def test_bad_options_are_named(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        own_fits(observed_lives([0], [1.0], [1]), **change)  # type: ignore[arg-type]
