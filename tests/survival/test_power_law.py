"""Power-law process against published fits, closed forms, a direct search and simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from relkit.survival.event_tables import power_law_fits

# Source: L. H. Crow, AMSAA Technical Report 138, 1974, section 3: three simulated systems,
# time truncated at 200 h.
CROW = {
    1: [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    2: [0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 75.7, 79.7, 98.6, 120.1, 161.8, 180.6, 190.8],
    3: [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
}


def crow_events() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "system": np.repeat(list(CROW), [len(times) for times in CROW.values()]),
            "age": np.concatenate(list(CROW.values())),
        }
    )


def one_system(ages: list[float], end: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    events = pd.DataFrame({"system": "A", "age": ages})
    return events, pd.DataFrame({"system": ["A"], "start": [0.0], "end": [end]})


def simulated(
    rng: np.random.Generator,
    shape: float,
    scale: float,
    start: NDArray[np.float64],
    end: NDArray[np.float64],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    low, high = (start / scale) ** shape, (end / scale) ** shape
    number = rng.poisson(high - low)
    system = np.repeat(np.arange(len(end)), number)
    spent = low[system] + rng.random(len(system)) * (high - low)[system]
    events = pd.DataFrame({"system": system, "age": scale * spent ** (1 / shape)})
    return events, pd.DataFrame({"system": np.arange(len(end)), "start": start, "end": end})


def test_three_time_truncated_systems_as_published() -> None:
    # Source: Crow (1974), section 3; limits 90 %; the report's chi-square table costs it a unit
    # or two in the third digit of the lower limit.
    ends = pd.DataFrame({"system": [1, 2, 3], "start": 0, "end": 200})
    fit = power_law_fits(crow_events(), ends, confidence_level=0.9).iloc[0]
    assert fit["multiplier"] == pytest.approx(0.461, abs=6e-4)
    assert fit["shape"] == pytest.approx(0.615, abs=6e-4)
    assert fit["shape_unbiased"] == pytest.approx(0.598, abs=6e-4)
    assert fit["shape_lower"] == pytest.approx(0.459, abs=2.5e-3)
    assert fit["shape_upper"] == pytest.approx(0.793, abs=6e-4)
    assert fit["cramer_von_mises"] == pytest.approx(0.069, abs=1.2e-3)
    assert fit["cramer_von_mises_p_value"] > 0.2
    assert (fit["truncation"], fit["limits"], fit["status"]) == ("time", "exact", "ok")
    # Own algebra: mean events by age t are (t / scale)^shape.
    assert fit["scale"] == pytest.approx(fit["multiplier"] ** (-1 / fit["shape"]), rel=1e-9)


def test_normal_limits_have_the_published_width() -> None:
    # Source: Crow (1974), section 3: plain normal lower limit 0.446 = shape (1 - z / sqrt(36)).
    # Ours is normal on the log scale: shape exp(-z / sqrt(36)) (closed form).
    ends = pd.DataFrame({"system": [1, 2, 3], "start": 0, "end": 200})
    fit = power_law_fits(crow_events(), ends, limits="fisher", confidence_level=0.9).iloc[0]
    step = 1.644854 / 6
    assert fit["shape"] * (1 - step) == pytest.approx(0.446, abs=1.2e-3)
    assert fit["shape_lower"] == pytest.approx(fit["shape"] * np.exp(-step), rel=1e-6)
    assert fit["limits"] == "fisher"


def test_three_failure_truncated_systems_as_published() -> None:
    # Source: Crow (1974), section 3, each system ended at its last failure.
    ends = pd.DataFrame({"system": [1, 2, 3], "start": 0, "end": [t[-1] for t in CROW.values()]})
    fit = power_law_fits(crow_events(), ends).iloc[0]
    assert fit["multiplier"] == pytest.approx(0.443, abs=6e-4)
    assert fit["shape"] == pytest.approx(0.626, abs=6e-4)
    assert fit["shape_conditional"] == pytest.approx(0.575, abs=6e-4)
    assert fit["shape_unbiased"] == pytest.approx(0.557, abs=6e-4)
    assert fit["truncation"] == "failure"


def test_rate_at_a_known_shape_as_published() -> None:
    # Source: Crow (1974), section 3: limits 0.592 and 1.17 at shape 0.5, 95 %.
    ends = pd.DataFrame({"system": [1, 2, 3], "start": 0, "end": 200})
    fit = power_law_fits(crow_events(), ends, shape=0.5).iloc[0]
    assert fit["multiplier_lower"] == pytest.approx(0.592, abs=3e-3)
    assert fit["multiplier_upper"] == pytest.approx(1.17, abs=6e-3)
    assert fit["limits"] == "given"


def test_ratio_of_two_systems_as_published() -> None:
    # Source: Crow (1974), section 3: ratio of the shapes of systems 1 and 2, 1.11.
    ends = pd.DataFrame({"system": [1, 2, 3], "start": 0, "end": 200})
    fits = power_law_fits(crow_events(), ends, by="system")
    ratio = fits["shape"] / fits["shape"].shift(-1)
    assert max(ratio[0], 1 / ratio[0]) == pytest.approx(1.11, abs=7e-3)


def test_handbook_case_study() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.4.5.2 (formulas seen; figures of the case study from
    # memory): growth slope 0.516, a 0.2913, MTBF 310.234 (157.714 to 548.557 at 80 %).
    ages = [5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0]
    fit = power_law_fits(*one_system(ages, 1500.0), confidence_level=0.8).iloc[0]
    assert 1 - fit["shape_unbiased"] == pytest.approx(0.516, abs=6e-4)
    assert 10 / 1500 ** fit["shape_unbiased"] == pytest.approx(0.2913, abs=1e-4)
    assert fit["time_between_at_end"] == pytest.approx(310.234, abs=1e-3)
    assert fit["time_between_lower"] == pytest.approx(157.7139, abs=1e-3)
    assert fit["time_between_upper"] == pytest.approx(548.5565, abs=1e-3)


def test_aircraft_generator() -> None:
    # Source: Duane (1964); S. E. Rigdon and A. P. Basu, Statistical Methods for the
    # Reliability of Repairable Systems, Wiley, 2000 (from memory): 0.569 and 50.7.
    ages = [55.0, 166, 205, 341, 488, 567, 731, 1308, 2050, 2453, 3115, 4017, 4596]
    fit = power_law_fits(*one_system(ages, 4596.0)).iloc[0]
    assert fit["shape"] == pytest.approx(0.569, abs=2e-4)
    assert fit["scale"] == pytest.approx(50.7, abs=0.06)
    # Own algebra: one failure-truncated system, (n - 2) / n unbiases the shape.
    assert fit["shape_unbiased"] == pytest.approx(fit["shape"] * 11 / 13, rel=1e-9)
    assert fit["truncation"] == "failure"


@pytest.mark.parametrize("seed", range(4))
def test_late_starts_agree_with_a_direct_search(seed: int) -> None:
    # Source: log-likelihood sum log intensity - expected events, written out here and climbed
    # by scipy, on systems observed from different ages on.
    rng = np.random.default_rng(seed)
    start = np.where(rng.random(6) < 0.5, 0.0, rng.uniform(10, 80, 6))
    events, ends = simulated(rng, 0.7 + 0.5 * seed, 30.0, start, start + rng.uniform(60, 200, 6))

    def loss(logs: NDArray[np.float64]) -> float:
        shape, scale = np.exp(logs)
        rates = np.log(shape / scale) + (shape - 1) * np.log(events["age"] / scale)
        expected = (ends["end"] / scale) ** shape - (ends["start"] / scale) ** shape
        return float(expected.sum() - rates.sum())

    found = minimize(
        loss,
        np.log([1.0, 40.0]),
        method="Nelder-Mead",
        options={"fatol": 1e-11, "xatol": 1e-9, "maxiter": 4000},
    )
    fit = power_law_fits(events, ends).iloc[0]
    assert fit["log_likelihood"] == pytest.approx(-found.fun, abs=1e-7)
    np.testing.assert_allclose([fit["shape"], fit["scale"]], np.exp(found.x), rtol=1e-4)


@pytest.mark.slow
def test_limits_cover_and_the_distance_keeps_its_level() -> None:
    # Simulation, 1,500 strata of 4 systems: 95 % nominal, binomial standard error 0.56 %.
    # Exact limits must be within 3 of it; normal ones and the p-value with late starts are
    # approximations: 93 to 97 % for the shape, 90 to 97 % for the scale (its log is far from
    # normal at the 25 or so events of a stratum), p-values within 2 % of 5 %.
    rng = np.random.default_rng(12)
    n = 4 * 1500
    end, scale = np.repeat(rng.uniform(100, 200, 1500), 4), 40.0
    for late in (False, True):
        start = np.where(rng.random(n) < 0.5 * late, end / 3, 0.0)
        events, ends = simulated(rng, 1.4, scale, start, end)
        ends["stratum"] = np.repeat(np.arange(1500), 4)
        fits = power_law_fits(events, ends, by="stratum")
        covered = ((fits["shape_lower"] < 1.4) & (fits["shape_upper"] > 1.4)).mean()
        margin = 3 * 0.0056 if not late else 0.02
        assert abs(covered - 0.95) < margin
        at_scale = ((fits["scale_lower"] < scale) & (fits["scale_upper"] > scale)).mean()
        assert 0.90 <= at_scale <= 0.97
        assert abs((fits["cramer_von_mises_p_value"] < 0.05).mean() - 0.05) < 0.02
        if not late:
            assert fits["shape_unbiased"].mean() == pytest.approx(1.4, abs=0.02)


def test_batch_unit_and_order_do_not_matter() -> None:
    # Invariants.
    rng = np.random.default_rng(1)
    start = np.where(rng.random(12) < 0.3, 20.0, 0.0)
    events, ends = simulated(rng, 1.3, 20.0, start, rng.uniform(60, 100, 12))
    ends["depot"] = ends["system"] % 3
    batch = power_law_fits(events, ends, by="depot")
    shuffled = power_law_fits(events.sample(frac=1, random_state=1), ends.iloc[::-1], by="depot")
    pd.testing.assert_frame_equal(batch, shuffled, rtol=1e-9)
    for depot in range(3):
        own = ends[ends["depot"] == depot].drop(columns="depot")
        alone = power_law_fits(events[events["system"].isin(own["system"])], own)
        part = batch.iloc[[depot]].drop(columns="depot").reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, part, rtol=1e-9)
    days = power_law_fits(
        events.assign(age=events["age"] / 24),
        ends.assign(start=ends["start"] / 24, end=ends["end"] / 24),
        by="depot",
    )
    np.testing.assert_allclose(days["shape"], batch["shape"], rtol=1e-9)
    np.testing.assert_allclose(days["scale_upper"] * 24, batch["scale_upper"], rtol=1e-8)
    np.testing.assert_allclose(days["cramer_von_mises"], batch["cramer_von_mises"], rtol=1e-8)


def test_degenerate_strata_have_a_status() -> None:
    ends = pd.DataFrame({"system": list("ABCDE"), "start": 0.0, "end": [9.0] * 4 + [0.0]})
    events = pd.DataFrame({"system": ["B", "C", "C", "D"], "age": [9.0, 0.0, 4.0, 3.0]})
    fits = power_law_fits(events, ends, by="system").set_index("system")
    assert fits["status"].to_dict() == {
        "A": "no failures",
        "B": "all at the end",
        "C": "event at age 0",
        "D": "ok",
        "E": "no exposure",
    }
    assert fits.loc[["A", "B", "C", "E"], "shape"].isna().all()
    # Closed form: one event, time truncated: shape 1 / log(end / age).
    assert fits.loc["D", "shape"] == pytest.approx(1 / np.log(3), rel=1e-9)
    assert fits.loc["D", "shape_lower"] < fits.loc["D", "shape"] < fits.loc["D", "shape_upper"]
    assert len(power_law_fits(events.iloc[:0], ends.iloc[:0], by="system")) == 0
    # Zero events at a known shape still bound the rate: -ln(0.025) over end^shape (closed form).
    bound = power_law_fits(events.iloc[:0], ends.iloc[:1], shape=2.0).iloc[0]
    assert bound["multiplier_upper"] == pytest.approx(-np.log(0.025) / 81, rel=1e-9)


def test_bad_options_are_named() -> None:
    given = one_system([1.0, 2.0], 3.0)
    with pytest.raises(ValueError, match="truncation is 'age'"):
        power_law_fits(*given, truncation="age")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="limits is 'wald'"):
        power_law_fits(*given, limits="wald")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="truncation is 'failure', but a window ends at 3"):
        power_law_fits(*given, truncation="failure")
    with pytest.raises(ValueError, match="shape at position"):
        power_law_fits(*given, shape=-1.0)
