"""Clocks compared: closed forms, a slow likelihood of its own, and simulated fleets."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from relkit.survival.clock_tables import calendar_ages, clock_comparison
from relkit.survival.clocks import clock_likelihoods

CLOCKS = {"days": ("entry_days", "age_days"), "hours": ("entry", "age")}


def fleet(seed: int, true_clock: str, n: int = 150, spread: float = 0.6) -> pd.DataFrame:
    """Vehicles of uneven use per day; failures follow one clock, observation ends by days."""
    rng = np.random.default_rng(seed)
    use = 4.0 * np.exp(spread * rng.standard_normal(n))  # hours per day
    life = rng.weibull(2.0, n)
    days = 500.0 * life if true_clock == "days" else 2000.0 * life / use
    end = rng.uniform(200.0, 1200.0, n)
    entry = np.where(rng.random(n) < 0.3, 100.0, 0.0)
    kept = np.minimum(days, end) > entry
    days, end, entry, use = days[kept], end[kept], entry[kept], use[kept]
    age = np.minimum(days, end)
    return pd.DataFrame(
        {
            "component": "camera",
            "location": "roof",
            "failed": days <= end,
            "entry_days": entry,
            "age_days": age,
            "entry": use * entry,
            "age": use * age,
            "use": use,
        }
    )


def test_clock_that_only_changes_the_unit_is_as_good() -> None:
    # Closed form: 8 hours every day; the Jacobian takes the factor out again.
    lives = fleet(1, "days", spread=0.0)
    found = clock_comparison(lives, CLOCKS)
    assert found["log_likelihood"].iloc[1] == pytest.approx(found["log_likelihood"].iloc[0])
    assert found["finding"].tolist() != ["decisively worse", "best"]
    assert found["p_value"].min() > 0.99


def test_first_clocks_likelihood_is_the_fits_own() -> None:
    # Source: relkit's Weibull fit, itself checked on published values; no Jacobian is due.
    from relkit.survival.tables import weibull_fits

    lives = fleet(2, "days")
    fit = weibull_fits(lives.assign(age=lives["age_days"], entry=lives["entry_days"]))
    found = clock_comparison(lives, CLOCKS)
    assert found["log_likelihood"].iloc[0] == pytest.approx(fit["log_likelihood"].iloc[0])


def test_likelihood_in_days_is_that_of_a_slow_maximum_over_days() -> None:
    # Source: second implementation: the law in hours, written as a density over days by
    # differentiating its survival along each vehicle's use (central differences), maximised.
    lives = fleet(7, "hours", 40)
    use, failed = lives["use"].to_numpy(), lives["failed"].to_numpy()
    entry, days = lives["entry_days"].to_numpy(), lives["age_days"].to_numpy()

    def loss(theta: np.ndarray) -> float:
        def survival(at: np.ndarray) -> np.ndarray:
            return np.exp(-((use * at / np.exp(theta[1])) ** np.exp(theta[0])))

        slope = (survival(days - 1e-3) - survival(days + 1e-3)) / 2e-3
        parts = np.where(failed, np.log(slope), np.log(survival(days))) - np.log(survival(entry))
        return float(-parts.sum())

    slow = minimize(loss, [0.5, 7.5], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8})
    found = clock_comparison(lives, CLOCKS)
    assert found["log_likelihood"].iloc[1] == pytest.approx(-slow.fun, abs=1e-3)


def test_likelihoods_in_two_clocks_differ_by_the_speeds() -> None:
    # Closed form: the density in hours is that in days over the hours per day.
    days, hours = np.array([10.0, 30.0]), np.array([20.0, 300.0])
    by_days = clock_likelihoods(np.zeros((2, 2)), np.stack([days, hours]), [True, True])
    by_hours = clock_likelihoods(np.zeros((2, 2)), np.stack([hours, days]), [True, True])
    shift = np.log(hours / days).sum()
    assert by_days.log_likelihood[1] == pytest.approx(by_hours.log_likelihood[0] + shift)
    assert by_days.difference == pytest.approx(by_hours.difference[::-1])


def test_order_and_unit_of_clocks_do_not_matter() -> None:
    # Invariant.
    lives = fleet(3, "hours")
    turned = {name: CLOCKS[name] for name in reversed(CLOCKS)}
    one = clock_comparison(lives, CLOCKS).set_index("clock")
    other = clock_comparison(lives, turned).set_index("clock")
    minutes = lives.assign(age=60 * lives["age"], entry=60 * lives["entry"])
    third = clock_comparison(minutes, CLOCKS).set_index("clock")
    for table in (other, third):
        for column in ("difference", "p_value"):
            assert table.loc["days", column] == pytest.approx(one.loc["days", column], rel=1e-5)
    assert one.loc["hours", "finding"] == "best"


@pytest.mark.parametrize("true_clock", ["days", "hours"])
def test_true_clock_is_found_and_the_wrong_one_never_is(true_clock: str) -> None:
    # Binomial: about 120 failures, use spread by a factor of 1.8: the true clock is best in
    # nearly all of 60 fleets, and never decisively worse.
    tables = [clock_comparison(fleet(seed, true_clock), CLOCKS) for seed in range(60)]
    finding = pd.concat([table.set_index("clock")["finding"] for table in tables], axis=1)
    assert (finding.loc[true_clock] == "best").sum() >= 58
    assert (finding.loc[true_clock] == "decisively worse").sum() == 0
    wrong = next(name for name in CLOCKS if name != true_clock)
    assert (finding.loc[wrong] == "decisively worse").sum() >= 50


def test_few_failures_do_not_decide() -> None:
    # Own construction: with some 10 lives the wrong clock is seldom decisively worse, and the
    # true one in at most 1 in 20.
    tables = [clock_comparison(fleet(seed, "days", 10, 0.3), CLOCKS) for seed in range(80)]
    finding = pd.concat([table.set_index("clock")["finding"] for table in tables], axis=1)
    assert (finding.loc["hours"] == "decisively worse").mean() < 0.6
    assert (finding.loc["days"] == "decisively worse").mean() < 0.08


def test_speed_at_failure_may_be_given() -> None:
    # Invariant: steady use, so the speed at the end is the mean speed.
    lives = fleet(4, "hours").assign(one=1.0)
    plain = clock_comparison(lives, CLOCKS)
    given = clock_comparison(lives, CLOCKS, rates={"days": "one", "hours": "use"})
    assert given["log_likelihood"].to_numpy() == pytest.approx(plain["log_likelihood"].to_numpy())
    standing = lives.assign(use=lives["use"].where(~lives["failed"], 0.0))
    with pytest.raises(ValueError, match="must be above 0 where the life failed"):
        clock_comparison(standing, CLOCKS, rates={"days": "one", "hours": "use"})


def test_lives_that_cannot_be_told_in_a_clock_are_left_out_of_all() -> None:
    # Counted by hand.
    lives = fleet(5, "days")
    parked = lives.assign(age=lives["age"].where(lives.index > 2, lives["entry"]))
    found = clock_comparison(parked, CLOCKS)
    assert found["left_out"].tolist() == [3, 3]
    without = clock_comparison(lives[lives.index > 2], CLOCKS)
    assert found["log_likelihood"].to_numpy() == pytest.approx(without["log_likelihood"].to_numpy())
    quiet = clock_comparison(lives.assign(failed=False), CLOCKS)
    assert quiet["failures"].tolist() == [0, 0]
    assert "best" not in quiet["finding"].tolist()


def test_days_from_dates() -> None:
    # Counted by hand.
    lives = pd.DataFrame(
        {
            "fitted_on": pd.to_datetime(["2020-01-01", "2021-03-01"]),
            "ended_on": pd.to_datetime(["2021-01-31", "2021-03-02T12:00"], format="ISO8601"),
            "entry": [500.0, 0.0],
        }
    )
    found = calendar_ages(lives, observed_from="2021-01-01")
    assert found.to_numpy().tolist() == [[366.0, 396.0], [0.0, 1.5]]
    with pytest.raises(ValueError, match="1 lives enter late"):
        calendar_ages(lives)


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="clocks names 1"):
        clock_comparison(fleet(6, "days"), {"days": CLOCKS["days"]})
    with pytest.raises(ValueError, match="at least two clocks"):
        clock_likelihoods([[0.0]], [[1.0]], [True])
    with pytest.raises(ValueError, match="failed has shape"):
        clock_likelihoods([[0.0], [0.0]], [[1.0], [1.0]], [True, True])
