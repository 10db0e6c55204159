"""Trend tests against published figures, slow counts, and their level by simulation."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from relkit.survival.event_tables import trend_tests
from relkit.survival.reversals import later_longer_pairs, reversal_tests

REFERENCES = Path(__file__).parents[1] / "references"

# Source: F. Proschan, Technometrics 5, 1963, aeroplane 7912 (from memory: 30 gaps, mean 59.6 h).
AIR_CONDITIONING = [
    23, 261, 87, 7, 120, 14, 62, 47, 225, 71, 246, 21, 42, 20, 5, 12, 120, 11, 3, 14, 71, 11, 14,
    11, 16, 90, 1, 16, 52, 95,
]  # fmt: skip


def one_system(ages: list[float], end: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    events = pd.DataFrame({"system": "A", "age": ages})
    return events, pd.DataFrame({"system": ["A"], "start": [0.0], "end": [end]})


def renewals(seed: int, strata: int, shape: float, end: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    rng = np.random.default_rng(seed)
    ages = np.cumsum(rng.weibull(shape, (strata, 80)), axis=1) * 10
    system, _ = np.nonzero(ages < end)
    events = pd.DataFrame({"system": system, "age": ages[ages < end]})
    return events, pd.DataFrame({"system": np.arange(strata), "start": 0.0, "end": end})


def test_handbook_repair_times() -> None:
    # Source: NIST/SEMATECH e-Handbook 8.2.3.4 (three tests on ten repair times; figures from
    # memory): 33 reversals, Laplace -1.33, chi-square 37.23 on 20, p 0.011 for improvement.
    ages = [5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0]
    test = trend_tests(*one_system(ages, 1500.0)).iloc[0]
    assert test["reversals"] == 33
    assert test["laplace"] == pytest.approx(-1.33, abs=5e-3)
    assert test["military_handbook"] == pytest.approx(37.23, abs=5e-3)
    assert test["military_handbook_degrees_of_freedom"] == 20
    assert test["military_handbook_p_improving"] == pytest.approx(0.011, abs=2e-4)
    assert test["truncation"] == "time"


def test_air_conditioning_ended_by_a_failure() -> None:
    # Source: data above; U = 2.206 worked out independently with all ages but the last.
    ages = np.cumsum(AIR_CONDITIONING).astype(float)
    test = trend_tests(*one_system(ages.tolist(), float(ages[-1]))).iloc[0]
    assert ages[-1] / 30 == pytest.approx(59.6, abs=0.01)
    assert test["laplace"] == pytest.approx(2.206, abs=6e-4)
    assert test["military_handbook_degrees_of_freedom"] == 58
    assert test["truncation"] == "failure"
    # Closed form: Lewis-Robinson is Laplace over the gaps' coefficient of variation.
    variation = np.std(AIR_CONDITIONING, ddof=1) / np.mean(AIR_CONDITIONING)
    assert test["gap_variation"] == pytest.approx(variation, rel=1e-12)
    assert test["lewis_robinson"] == pytest.approx(test["laplace"] / variation, rel=1e-12)


def test_several_systems_add_up() -> None:
    # Source: own sums over the systems of the repairs of five stations (Meeker and Escobar
    # 1998, workstation), one of them moved to a late start.
    times = {
        1: (0.0, 11.0, [3, 6, 8]),
        2: (2.0, 10.0, [3, 8]),
        3: (0.0, 9.0, [2]),
        4: (0.0, 7.0, []),
    }
    events = pd.DataFrame([(s, float(t)) for s, (_, _, ages) in times.items() for t in ages])
    events.columns = pd.Index(["system", "age"])
    ends = pd.DataFrame([(s, a, b) for s, (a, b, _) in times.items()])
    ends.columns = pd.Index(["system", "start", "end"])
    total = variance = chi_square = 0.0
    for start, end, ages in times.values():
        total += sum(t - (start + end) / 2 for t in ages)
        variance += len(ages) * (end - start) ** 2 / 12
        chi_square += 2 * sum(np.log((end - start) / (t - start)) for t in ages)
    test = trend_tests(events, ends).iloc[0]
    assert test["laplace"] == pytest.approx(total / variance**0.5, rel=1e-12)
    assert test["military_handbook"] == pytest.approx(chi_square, rel=1e-12)
    assert test["military_handbook_degrees_of_freedom"] == 12
    # gaps: 3, 3, 2 of system 1 (from new), 5 of system 2 (seen from 2 on), 2 of system 3
    assert test["reversals"] == 0
    assert test["reversals_expected"] == pytest.approx(3 * 2 / 4)


def test_gap_trend_is_standard_over_all_orders_of_the_gaps() -> None:
    # Second way: mean and variance over all 720 orders of six gaps, with the end far off.
    gaps = [4.0, 9.0, 1.0, 7.0, 2.0, 12.0]
    values = []
    for order in itertools.permutations(gaps):
        events, ends = one_system(np.cumsum(order).tolist(), 50.0)
        values.append((order, events, ends))
    events = pd.concat([e.assign(system=i) for i, (_, e, _) in enumerate(values)])
    ends = pd.concat([e.assign(system=i) for i, (_, _, e) in enumerate(values)])
    tests = trend_tests(events, ends, by="system")
    assert tests["gap_trend"].mean() == pytest.approx(0, abs=1e-12)
    assert tests["gap_trend"].std(ddof=0) == pytest.approx(1, rel=1e-12)


def test_pairs_agree_with_a_slow_count() -> None:
    # Source: independent count here.
    rng = np.random.default_rng(0)
    window = np.sort(rng.integers(0, 12, 300))
    gap = rng.integers(0, 25, 300).astype(float)
    longer, equal = later_longer_pairs(gap, window)
    for i in range(300):
        before = gap[:i][window[:i] == window[i]]
        assert longer[i] == (before < gap[i]).sum()
        assert equal[i] == (before == gap[i]).sum()


def test_reversal_probabilities_are_exact_for_few_gaps() -> None:
    # Second way: all 120 orders of five gaps counted.
    counts = [
        sum(a < b for a, b in itertools.combinations(order, 2))
        for order in itertools.permutations(range(5))
    ]
    one = np.zeros(5, np.int64)
    for order in ([0, 1, 2, 3, 4], [1, 0, 2, 4, 3], [4, 3, 2, 0, 1]):
        found = reversal_tests(np.array(order, float), one, one[:1], 1)
        seen = sum(a < b for a, b in itertools.combinations(order, 2))
        tail = min(np.mean(np.array(counts) >= seen), np.mean(np.array(counts) <= seen))
        assert found.reversals[0] == seen
        assert found.p_value[0] == pytest.approx(min(2 * tail, 1.0))


@pytest.mark.parametrize("grid", [None, 12.0])
def test_reversals_of_many_gaps_agree_with_kendall(grid: float | None) -> None:
    # Reference library: scipy's Kendall test of gaps against their order (exact without ties,
    # asymptotic without continuity correction with them).
    rng = np.random.default_rng(14)
    for _ in range(5):
        gap = rng.random(40) * np.linspace(1, 1.6, 40)
        gap = gap if grid is None else np.ceil(gap * grid)
        one = np.zeros(40, np.int64)
        kendall = stats.kendalltau(
            np.arange(40), gap, method="exact" if grid is None else "asymptotic"
        )
        found = reversal_tests(gap, one, one[:1], 1)
        assert found.p_value[0] == pytest.approx(kendall.pvalue, abs=0.012)


@pytest.mark.slow
@pytest.mark.parametrize("shape", [0.8, 1.0, 1.6])
def test_levels_without_trend(shape: float) -> None:
    # Simulation: 3,000 renewal processes of about 10 gaps; 5 % nominal, binomial standard
    # error 0.4 %. The gap tests call no more than that whatever the shape (few irregular gaps:
    # down to 2 %); Laplace and the handbook test keep 5 % only for exponential gaps (shape 1).
    tests = trend_tests(*renewals(5, 3000, shape, 100.0), by="system")
    assert 0.01 < (tests["gap_trend_p_value"] < 0.05).mean() < 0.062
    assert (tests["reversals_p_value"] < 0.05).mean() < 0.06
    false = tests["verdict"].isin(["worsening", "improving"]).mean()
    assert false < 0.07
    if shape == 1.0:
        assert abs((tests["laplace_p_value"] < 0.05).mean() - 0.05) < 0.015
        assert abs((tests["military_handbook_p_value"] < 0.05).mean() - 0.05) < 0.015


@pytest.mark.parametrize(("shape", "verdict"), [(2.2, "worsening"), (0.4, "improving")])
def test_a_clear_trend_is_found(shape: float, verdict: str) -> None:
    # Simulation: power-law process of 60 events by age 100.
    rng = np.random.default_rng(6)
    ages = 100 * np.sort(rng.random((200, 60)), axis=1) ** (1 / shape)
    events = pd.DataFrame({"system": np.repeat(np.arange(200), 60), "age": ages.ravel()})
    ends = pd.DataFrame({"system": np.arange(200), "start": 0.0, "end": 100.0})
    tests = trend_tests(events, ends, by="system")
    assert (tests["verdict"] == verdict).mean() > 0.9
    assert tests.loc[tests["verdict"] == verdict, "reason"].str.contains("do not take them").all()


def test_machine_h_is_judged() -> None:
    # Data: machine H, Meeker and Escobar (1998): 23 machines together, 550 actions.
    rows = pd.read_csv(REFERENCES / "machine_h.csv").rename(
        columns={"unit": "system", "hours": "age"}
    )
    ends = rows[rows["event"] == "End"].rename(columns={"age": "end"})[["system", "end"]]
    test = trend_tests(rows.loc[rows["event"] == "Action", ["system", "age"]], ends).iloc[0]
    assert (test["systems"], test["events"]) == (23, 550)
    assert np.isfinite(test[["laplace", "lewis_robinson", "gap_trend"]].astype(float)).all()


def test_degenerate_strata_are_told() -> None:
    ends = pd.DataFrame({"system": list("ABCD"), "start": 0.0, "end": 9.0})
    events = pd.DataFrame(
        {
            "system": ["B"] + ["C"] * 6 + ["D"] * 6,
            "age": [4.0] + [5.0] * 6 + [0.0] + [1.0, 2, 3, 4, 5],
        }
    )
    tests = trend_tests(events, ends, by="system").set_index("system")
    assert tests.loc["A", "verdict"] == "too few events to tell"
    assert tests.loc["A", "reason"].startswith("0 events.")
    assert tests.loc["B", "verdict"] == "too few events to tell"
    assert np.isfinite(tests.loc["B", "laplace"])
    assert tests.loc["C", "verdict"] in {
        "worsening",
        "improving",
        "no trend shown",
        "tests disagree",
    }
    assert np.isnan(tests.loc["D", "military_handbook"])  # an event at age 0 has no log
    assert np.isfinite(tests.loc["D", "gap_trend"])
    assert len(trend_tests(events.iloc[:0], ends.iloc[:0], by="system")) == 0


def test_batch_equals_single_strata_whatever_the_order_and_unit() -> None:
    # Invariants.
    events, ends = renewals(8, 12, 1.2, 70.0)
    ends["depot"] = ends["system"] % 3
    batch = trend_tests(events, ends, by="depot")
    hours = trend_tests(
        events.assign(age=events["age"] * 24).iloc[::-1],
        ends.assign(start=0.0, end=ends["end"] * 24),
        by="depot",
    )
    pd.testing.assert_frame_equal(batch, hours, rtol=1e-9)
    for depot in range(3):
        own = ends[ends["depot"] == depot].drop(columns="depot")
        alone = trend_tests(events[events["system"].isin(own["system"])], own)
        part = batch.iloc[[depot]].drop(columns="depot").reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, part, rtol=1e-9)
