"""Restoration factors: the extremes are known models, planted factors are found, statuses."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from relkit.survival.event_tables import power_law_fits
from relkit.survival.restoration import FACTORS
from relkit.survival.restoration_tables import restoration_factors, restoration_profiles
from relkit.survival.tables import weibull_fits

Frames = tuple[pd.DataFrame, pd.DataFrame]


def fleet(seed: int, factor: float, *, systems: int = 20, end: float = 3000.0) -> Frames:
    """Systems of shape 2.5 and scale 500 whose repairs leave the factor times the last gap."""
    rng = np.random.default_rng(seed)
    rows = []
    for system in range(systems):
        age, virtual = 0.0, 0.0
        while True:
            gap = 500 * ((virtual / 500) ** 2.5 + rng.exponential()) ** 0.4 - virtual
            if age + gap > end:
                break
            age, virtual = age + gap, virtual + factor * gap
            rows.append((f"S{system}", age))
    ends = pd.DataFrame({"system": [f"S{k}" for k in range(systems)], "end": end})
    return pd.DataFrame(rows, columns=["system", "age"]), ends


def test_as_old_is_the_power_law_and_as_new_the_weibull_of_the_gaps() -> None:
    # Source: factor 1 leaves the intensity of a Weibull hazard in the age of the system, which is
    # the power-law process; factor 0 makes the gaps independent lives (Kijima 1989).
    events, ends = fleet(1, 0.4)
    profile = restoration_profiles(events, ends)
    factors = restoration_factors(events, ends).iloc[0]
    old = power_law_fits(events, ends, truncation="time").iloc[0]
    last = ends.rename(columns={"end": "age"}).assign(failed=False)
    both = pd.concat([events.assign(failed=True), last]).sort_values(["system", "age"])
    before = both.groupby("system")["age"].shift(fill_value=0.0)
    gaps = pd.DataFrame({"age": both["age"] - before, "failed": both["failed"]})
    new = weibull_fits(gaps.reset_index(drop=True)).iloc[0]
    difference = profile["fall"].iloc[0] - profile["fall"].iloc[-1]
    assert difference == pytest.approx(old["log_likelihood"] - new["log_likelihood"], abs=1e-6)
    assert profile["factor"].tolist() == FACTORS.tolist()
    assert factors["events"] == len(events)
    for reach in ("last gap", "whole age"):
        ends_of = restoration_profiles(events, ends, reach=reach)["fall"].iloc[[0, -1]]  # type: ignore[arg-type]
        assert ends_of.diff().iloc[1] == pytest.approx(-difference, abs=1e-6)


def test_virtual_ages_by_hand() -> None:
    # Source: by hand, Kijima's models with factor one half: gaps 4, 2, 6 leave virtual ages
    # 2, 3, 6 by the first and 2, 2, 4 by the second; likelihood of a Weibull law of entry ages.
    events = pd.DataFrame({"system": "A", "age": [4.0, 6.0, 12.0]})
    ends = pd.DataFrame({"system": ["A"], "end": [13.0]})
    gaps, failed = np.array([4.0, 2, 6, 1]), [True, True, True, False]
    for reach, virtual in (("last gap", [0.0, 2, 3, 6]), ("whole age", [0.0, 2, 2, 4])):
        lives = pd.DataFrame({"entry": virtual, "age": virtual + gaps, "failed": failed})
        expected = weibull_fits(lives)["log_likelihood"][0]
        first = pd.DataFrame({"age": gaps, "failed": failed})
        as_new = weibull_fits(first)["log_likelihood"][0]
        profile = restoration_profiles(events, ends, reach=reach).set_index("factor")["fall"]  # type: ignore[arg-type]
        assert profile[0.0] - profile.iloc[25] == pytest.approx(expected - as_new, abs=1e-6)


@pytest.mark.parametrize("factor", [0.0, 0.3, 1.0])
def test_planted_factors_are_found(factor: float) -> None:
    # Source: planted truth; limits of 95 % in 15 fleets: fewer than 12 within would occur about
    # once in 200 runs; at the ends of the range the limits cover more.
    inside = 0
    for seed in range(15):
        row = restoration_factors(*fleet(100 + seed, factor)).iloc[0]
        inside += row["factor_lower"] - 0.01 <= factor <= row["factor_upper"] + 0.01
    assert inside >= 12
    assert row["factor"] == pytest.approx(factor, abs=0.3)
    assert row["shape"] == pytest.approx(2.5, rel=0.35)
    if factor == 0.0:
        assert row["finding"] == "as old is ruled out"
    if factor == 1.0:
        assert row["finding"] == "as new is ruled out"


def test_strata_and_what_is_not_known() -> None:
    # Source: own algebra: each case has a known reason; a stratum alone is that in a batch.
    events, ends = fleet(2, 0.5)
    late = pd.DataFrame({"system": ["L"], "start": [100.0], "end": [900.0], "kind": "late"})
    few = pd.DataFrame({"system": ["F"], "start": [0.0], "end": [900.0], "kind": "few"})
    all_ends = pd.concat([ends.assign(start=0.0, kind="full"), late, few], ignore_index=True)
    extra = pd.DataFrame({"system": ["L", "L", "L", "F"], "age": [200.0, 300.0, 500.0, 700.0]})
    table = restoration_factors(pd.concat([events, extra]), all_ends, "kind").set_index("kind")
    assert table["status"].to_dict() == {
        "few": "too few events",
        "full": "ok",
        "late": "no system seen from age 0",
    }
    assert table["left_out"]["late"] == 1
    alone = restoration_factors(events, ends).iloc[0]
    assert table["factor"]["full"] == pytest.approx(alone["factor"])
    assert "unlike systems" in table["caution"]["full"]
    assert table["factor"].isna().to_dict() == {"few": True, "full": False, "late": True}
    profiles = restoration_profiles(pd.concat([events, extra]), all_ends, "kind")
    assert set(profiles["kind"]) == {"full"}
    assert profiles["inside"].any()


def test_repairs_at_one_instant_are_one_and_bad_reach_is_named() -> None:
    # Source: invariant.
    events, ends = fleet(3, 0.5)
    twice = pd.concat([events, events.head(10)])
    one, other = restoration_factors(events, ends), restoration_factors(twice, ends)
    pd.testing.assert_frame_equal(one, other)
    with pytest.raises(ValueError, match="reach is 'all': give one of last gap, whole age"):
        restoration_factors(events, ends, reach="all")  # type: ignore[arg-type]
