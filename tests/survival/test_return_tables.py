"""Places that come back soon after a job: counted by hand, by a slow loop, and level by chance."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from relkit.survival.return_tables import return_screen

START = pd.Timestamp("2022-01-01")


def made_jobs(seed: int, n: int = 400) -> pd.DataFrame:
    """Complaints thrown at random over places and three years; the kind of work means nothing."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "date": START + pd.to_timedelta(rng.integers(0, 1096, n), unit="D"),
            "vehicle": [f"V{i}" for i in rng.integers(0, 30, n)],
            "location": rng.choice(["rear", "side"], n),
            "action": rng.choice(["replaced", "cleaned", "reseated"], n),
            "complaint": rng.random(n) < 0.8,
        }
    )


def test_returns_are_those_of_a_slow_count() -> None:
    # Source: second implementation in this test, one job at a time.
    jobs, end = made_jobs(1), START + pd.Timedelta(days=1096)
    table = return_screen(jobs, "action", ends=end).set_index("action")
    for action, own in jobs.groupby("action"):
        own = own[own["date"] + pd.Timedelta(days=30) <= end]
        own = own.drop_duplicates(["vehicle", "location", "date"])
        back = 0
        for _, job in own.iterrows():
            gap = (jobs["date"] - job["date"]).dt.days
            same = jobs["vehicle"].eq(job["vehicle"]) & jobs["location"].eq(job["location"])
            back += bool((same & jobs["complaint"] & gap.between(1, 30)).any())
        row = table.loc[str(action)]
        assert (row["jobs"], row["returns"]) == (len(own), back)
        # Source: scipy's exact binomial interval.
        limits = binomtest(back, len(own)).proportion_ci(0.95)
        assert (row["lower"], row["upper"]) == pytest.approx((limits.low, limits.high), rel=1e-9)


def test_nothing_is_found_where_work_does_not_matter() -> None:
    # Binomial: 5 % of logs; 40 logs have a standard error of 3.4 %, the bound is three of them.
    found = [return_screen(made_jobs(seed), "action")["finding"] for seed in range(100, 140)]
    assert sum(words.eq("comes back").any() for words in found) <= 6


def test_work_that_does_not_hold_is_found() -> None:
    # Own construction: half of the cleaned places have a complaint ten days later.
    jobs = made_jobs(2)
    cleaned = jobs[jobs["action"].eq("cleaned")].iloc[::2]
    later = cleaned.assign(
        date=cleaned["date"] + pd.Timedelta(days=10), action="replaced", complaint=True
    )
    table = return_screen(pd.concat([jobs, later]), "action").set_index("action")
    assert table.loc["cleaned", "finding"] == "comes back"
    assert table.loc["reseated", "finding"] == "nothing found"


def test_a_job_near_the_end_of_the_log_does_not_count() -> None:
    # Counted by hand: only the first job could have come back within 30 days.
    jobs = pd.DataFrame(
        {
            "date": pd.to_datetime(["2024-01-01", "2024-02-20"]),
            "vehicle": "A",
            "location": "rear",
            "complaint": True,
            "action": "replaced",
        }
    )
    row = return_screen(jobs, "action", ends="2024-03-01").iloc[0]
    assert (row["jobs"], row["returns"], row["return_share"]) == (1, 0, 0.0)
    assert return_screen(jobs.iloc[:0], "action").empty


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="no column complaint"):
        return_screen(made_jobs(3).drop(columns="complaint"), "action")
    with pytest.raises(ValueError, match="longest"):
        return_screen(made_jobs(3), "action", longest=0.0)
