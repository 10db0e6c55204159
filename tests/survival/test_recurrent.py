"""Mean cumulative function against published values and a slow count of every system."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from relkit.survival.event_histories import event_histories
from relkit.survival.event_tables import mean_cumulative, mean_cumulative_comparison

REFERENCES = Path(__file__).parents[1] / "references"


def valve_seats() -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = pd.read_csv(REFERENCES / "valve_seats.csv").rename(
        columns={"engine": "system", "days": "age"}
    )
    ends = rows[rows["event"] == "end"].rename(columns={"age": "end"})[["system", "end"]]
    return rows[rows["event"] == "replacement"][["system", "age"]], ends.assign(start=0.0)


def slow_curve(events: pd.DataFrame, ends: pd.DataFrame) -> pd.DataFrame:
    """Every system at every age in a table: shares no code with the module.

    Robust variance as Lawless and Nadeau (1995); Nelson's as the double sum of sample
    covariances over the systems at risk at both ages, divided by the number at risk at the
    earlier and one less than at the later.
    """
    ages = np.unique(events["age"])
    systems = ends["system"].unique()
    risk, number = np.zeros((2, len(systems), len(ages)))
    for i, system in enumerate(systems):
        for row in ends[ends["system"] == system].itertuples():
            inside = (row.start < ages) & (ages <= row.end)
            risk[i] += inside | ((ages == 0) & (row.start == 0))
        for age in events.loc[events["system"] == system, "age"]:
            number[i, ages == age] += 1
    m = risk.sum(axis=0)
    mean = number.sum(axis=0) / m
    residual = risk * (number - mean)
    robust = (np.cumsum(residual / m, axis=1) ** 2).sum(axis=0)
    nelson = []
    for last in range(len(ages)):
        total = 0.0
        for j in range(last + 1):
            for k in range(last + 1):
                later, earlier = max(j, k), min(j, k)
                if m[later] < 2:
                    total = np.nan
                    continue
                total += (residual[:, j] * residual[:, k]).sum() / (m[earlier] * (m[later] - 1))
        nelson.append(total)
    return pd.DataFrame(
        {"age": ages, "at_risk": m, "mean": np.cumsum(mean), "robust": robust, "nelson": nelson}
    )


def random_systems(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Late starts, gaps in observation, several events at one age."""
    rng = np.random.default_rng(seed)
    start = np.where(rng.random(25) < 0.6, 0.0, np.floor(rng.random(25) * 6))
    ends = pd.DataFrame({"system": np.arange(25), "start": start})
    ends["end"] = ends["start"] + rng.integers(2, 12, 25)
    again = ends.iloc[:8].assign(start=ends["end"] + 3.0, end=ends["end"] + 9.0)
    ends = pd.concat([ends, again], ignore_index=True)
    number = rng.poisson(2.5, len(ends))
    window = np.repeat(np.arange(len(ends)), number)
    low, high = ends["start"].to_numpy()[window], ends["end"].to_numpy()[window]
    age = low + np.ceil(rng.random(len(window)) * (high - low))
    return pd.DataFrame({"system": ends["system"].to_numpy()[window], "age": age}), ends


def test_valve_seats_as_published() -> None:
    # Source: W. Nelson, Technometrics 37, 1995, 147-157; values and robust standard errors as
    # stored in the tests of the R package survival.
    day = [61, 98, 139, 202, 265, 349, 404, 497, 573, 604, 640, 653]
    mcf = [0.024, 0.146, 0.220, 0.293, 0.415, 0.610, 0.684, 0.809, 0.959, 1.060, 1.244, 1.543]
    error = [0.024, 0.055, 0.073, 0.079, 0.091, 0.124, 0.136, 0.149, 0.169, 0.185, 0.226, 0.312]
    events, ends = valve_seats()
    curve = mean_cumulative(events, ends).set_index("age").loc[day]
    assert curve["at_risk"].tolist() == [41] * 6 + [40] * 3 + [22, 16, 9]
    np.testing.assert_allclose(curve["mean_cumulative"], mcf, atol=5.1e-4)
    np.testing.assert_allclose(curve["std_error"], error, atol=5.1e-4)
    # Own algebra: while all 41 are at risk, Nelson's variance is the robust one times 41 / 40.
    np.testing.assert_allclose(
        curve["std_error_nelson"].iloc[:6],
        curve["std_error"].iloc[:6] * (41 / 40) ** 0.5,
        rtol=1e-9,
    )


def test_five_systems_as_published() -> None:
    # Source: documentation of the Python library reliability, MCF example 1; variances: the
    # robust form worked out independently.
    times = [[5, 10, 15], [6, 13, 17], [12, 20, 25], [13, 15], [16, 22, 25]]
    events = pd.DataFrame(
        {"system": np.repeat(range(5), [len(t) for t in times]), "age": np.concatenate(times)}
    )
    ends = pd.DataFrame({"system": range(5), "start": 0, "end": [17, 19, 26, 24, 28]})
    curve = mean_cumulative(events, ends)
    assert curve["age"].tolist() == [5, 6, 10, 12, 13, 15, 16, 17, 20, 22, 25]
    np.testing.assert_allclose(
        curve["mean_cumulative"],
        [0.2, 0.4, 0.6, 0.8, 1.2, 1.6, 1.8, 2.0, 2.33333, 2.66667, 3.66667],
        atol=5.1e-6,
    )
    np.testing.assert_allclose(
        curve["std_error"] ** 2,
        [0.0320, 0.0480, 0.1280, 0.1120, 0.1120, 0.2080, 0.1120, 0.1600, 0.1896, 0.1452, 0.1452],
        atol=5.1e-5,
    )


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_a_slow_count(seed: int) -> None:
    # Source: independent count in this file, checked first on the published valve seats.
    events, ends = valve_seats()
    published = slow_curve(events, ends).set_index("age")
    assert published.loc[653, "robust"] ** 0.5 == pytest.approx(0.312, abs=5.1e-4)
    events, ends = random_systems(seed)
    curve, slow = mean_cumulative(events, ends), slow_curve(events, ends)
    np.testing.assert_array_equal(curve["age"], slow["age"])
    np.testing.assert_array_equal(curve["at_risk"], slow["at_risk"])
    np.testing.assert_allclose(curve["mean_cumulative"], slow["mean"], rtol=1e-12)
    np.testing.assert_allclose(curve["std_error"] ** 2, slow["robust"], rtol=1e-9, atol=1e-12)
    nelson = np.where(slow["nelson"] >= 0, slow["nelson"], np.nan)
    np.testing.assert_allclose(curve["std_error_nelson"] ** 2, nelson, rtol=1e-8, atol=1e-12)


def test_small_published_sets_count_by_hand() -> None:
    # Source: data of computer repairs, Meeker and Escobar (1998); counted by hand: at 16 months
    # systems 2 and 3 of 3 are left, at 8 all three.
    events = pd.DataFrame({"system": [1, 1, 3, 3, 3], "age": [5, 8, 1, 8, 16]})
    ends = pd.DataFrame({"system": [1, 2, 3], "start": 0, "end": [12, 16, 20]})
    curve = mean_cumulative(events, ends)
    assert curve["at_risk"].tolist() == [3, 3, 3, 2]
    np.testing.assert_allclose(curve["mean_cumulative"], [1 / 3, 2 / 3, 4 / 3, 11 / 6])


def test_machine_h_totals() -> None:
    # Invariant on real data (Meeker and Escobar 1998, machine H): while all 23 machines are
    # under observation the mean is events over machines.
    rows = pd.read_csv(REFERENCES / "machine_h.csv").rename(
        columns={"unit": "system", "hours": "age"}
    )
    events, ends = rows[rows["event"] == "Action"], rows[rows["event"] == "End"]
    ends = ends.rename(columns={"age": "end"})[["system", "end"]]
    curve = mean_cumulative(events[["system", "age"]], ends)
    early = curve[curve["age"] <= ends["end"].min()]
    assert early["at_risk"].eq(23).all()
    np.testing.assert_allclose(early["mean_cumulative"], early["events"].cumsum() / 23)
    assert (curve["lower"] < curve["mean_cumulative"]).all()
    assert (curve["mean_cumulative"] < curve["upper"]).all()


def test_groups_and_kinds_of_event() -> None:
    # Invariants: a stratum alone = the same in a batch; a column found only in events puts all
    # systems under observation for each of its values.
    events, ends = random_systems(9)
    ends["depot"] = ends["system"] % 2
    batch = mean_cumulative(events, ends, by="depot")
    for depot in (0, 1):
        own = ends[ends["depot"] == depot]
        alone = mean_cumulative(events[events["system"].isin(own["system"])], own)
        part = batch[batch["depot"] == depot].drop(columns="depot").reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, part, rtol=1e-9)
    events["kind"] = np.where(np.arange(len(events)) % 3 == 0, "seal", "cable")
    kinds = mean_cumulative(events, ends, by="kind")
    for kind in ("seal", "cable"):
        alone = mean_cumulative(events[events["kind"] == kind], ends)
        part = kinds[kinds["kind"] == kind].drop(columns="kind").reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, part, rtol=1e-9)


def test_difference_of_two_groups() -> None:
    # Own algebra: independent groups, errors add in squares.
    events, ends = valve_seats()
    ends = ends.reset_index(drop=True)
    ends["depot"] = np.where(np.arange(len(ends)) % 2 == 0, "east", "west")
    curve = mean_cumulative(events, ends, by="depot")
    gap = mean_cumulative_comparison(events, ends, "depot")
    at = 500.0
    means, variances = [], []
    for _, own in curve[curve["age"] <= at].groupby("depot"):
        means.append(own["mean_cumulative"].iloc[-1])
        variances.append(own["std_error"].iloc[-1] ** 2)
    row = gap[gap["age"] <= at].iloc[-1]
    assert row["difference"] == pytest.approx(means[0] - means[1])
    assert row["std_error"] == pytest.approx(sum(variances) ** 0.5)
    assert row["upper"] - row["lower"] == pytest.approx(2 * 1.959964 * row["std_error"], rel=1e-6)
    with pytest.raises(ValueError, match="depot has 1 values: a difference needs two"):
        mean_cumulative_comparison(events, ends.assign(depot="east"), "depot")


def test_degenerate_inputs() -> None:
    ends = pd.DataFrame({"system": ["A", "B"], "start": [0.0, 2.0], "end": [5.0, 2.0]})
    none = pd.DataFrame({"system": [], "age": []})
    assert len(mean_cumulative(none, ends)) == 0
    assert len(mean_cumulative(none, ends.iloc[:0])) == 0
    one = mean_cumulative(pd.DataFrame({"system": ["A"], "age": [0.0]}), ends)
    assert one["mean_cumulative"].tolist() == [1.0]  # dead on arrival counts at age 0
    assert one["std_error"].tolist() == [0.0]
    assert one["std_error_nelson"].isna().all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"age": [6.0]}, "age at position 0 is 6, outside the observation of its system"),
        ({"age": [-1.0]}, "age at position 0 is -1: must be at least 0"),
        ({"age": [np.nan]}, "age at position"),
        ({"system": [7]}, "system code 7|outside the observation"),
        ({"end": [5.0, 1.0]}, "end at position 1 is 1, before its start 3"),
        ({"end_system": [0, 0]}, "starts at 3, before the same system's at position 0 ends"),
        (
            {"stratum": [0, 1], "end_system": [0, 0], "start": [0.0, 5.0]},
            "one system in two strata",
        ),
    ],
)
def test_bad_values_are_named(change: dict[str, list[float]], message: str) -> None:
    given: dict[str, list[float]] = {
        "age": [1.0], "system": [0], "start": [0.0, 3.0], "end": [5.0, 6.0], "end_system": [0, 1],
    } | change  # fmt: skip
    with pytest.raises(ValueError, match=message):
        event_histories(given.pop("age"), given.pop("system"), **given)


def test_events_of_an_unknown_system_are_named() -> None:
    ends = pd.DataFrame({"system": ["A"], "end": [5.0]})
    events = pd.DataFrame({"system": ["A", "Z"], "age": [1.0, 2.0]})
    with pytest.raises(ValueError, match="system 'Z' of row 1 of events has no row in ends"):
        mean_cumulative(events, ends)
    with pytest.raises(ValueError, match="has no column depot"):
        mean_cumulative(events, ends, by="depot")
