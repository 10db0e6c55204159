"""Mixtures of two Weibull laws: reliability's fits, planted truth, late entry, statuses."""

from __future__ import annotations

import contextlib
import io
import warnings

import numpy as np
import pandas as pd
import pytest

from relkit.survival.mixture_tables import mixture_fits
from relkit.survival.tables import weibull_fits


def two_populations(seed: int, n: int, *, share: float = 0.4, end: float = np.inf) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    early = rng.random(n) < share
    life = np.where(early, 100 * rng.weibull(1.2, n), 1000 * rng.weibull(3.0, n))
    last = np.full(n, np.inf) if end == np.inf else rng.uniform(0, end, n)
    return pd.DataFrame({"age": np.minimum(life, last), "failed": life <= last})


@pytest.mark.parametrize(("n", "end"), [(150, np.inf), (80, 2500.0)])
def test_agrees_with_reliability(n: int, end: float) -> None:
    # Source: the library reliability, on complete and right-censored lives.
    lives = two_populations(1, n, end=end)
    found = mixture_fits(lives).iloc[0]
    import matplotlib as mpl

    mpl.use("Agg")
    from reliability.Fitters import Fit_Weibull_Mixture

    failed = lives["failed"]
    with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        peer = Fit_Weibull_Mixture(
            failures=lives["age"][failed].to_numpy(),
            right_censored=lives["age"][~failed].to_numpy() if (~failed).any() else None,
            show_probability_plot=False,
            print_results=False,
        )
    assert found["log_likelihood"] >= peer.loglik - 1e-6
    for name, value in (
        ("share_early", peer.proportion_1),
        ("shape_early", peer.beta_1),
        ("scale_early", peer.alpha_1),
        ("shape_late", peer.beta_2),
        ("scale_late", peer.alpha_2),
    ):
        assert found[name] == pytest.approx(value, rel=1e-3), name
    assert found["finding"] == "two populations"
    assert found["log_likelihood_of_one"] == weibull_fits(lives)["log_likelihood"][0]


def test_planted_populations_are_found_with_late_entry_and_intervals() -> None:
    # Source: planted truth; 600 lives, a third entering late, failures found up to 40 later.
    rng = np.random.default_rng(3)
    n = 900
    early = rng.random(n) < 0.4
    life = np.where(early, 100 * rng.weibull(1.2, n), 1000 * rng.weibull(3.0, n))
    entry = np.where(rng.random(n) < 0.3, rng.uniform(0, 300, n), 0.0)
    found_at = np.ceil(life / 40) * 40
    seen = life > entry
    lives = pd.DataFrame(
        {
            "entry": entry,
            "age": found_at,
            "age_lower": np.maximum(found_at - 40, entry),
            "failed": True,
        }
    )[seen]
    row = mixture_fits(lives).iloc[0]
    assert row["status"] == "ok"
    for name, truth in (
        ("share_early", 0.4),
        ("shape_early", 1.2),
        ("scale_early", 100.0),
        ("shape_late", 3.0),
        ("scale_late", 1000.0),
    ):
        assert row[f"{name}_lower"] < truth < row[f"{name}_upper"], name
        assert row[f"{name}_upper"] < 2 * row[f"{name}_lower"], name
    ignored = mixture_fits(lives.drop(columns="entry")).iloc[0]
    assert ignored["share_early"] < row["share_early"] - 0.02  # early failures were not seen


def test_one_population_is_seldom_called_two() -> None:
    # Source: BIC needs a gain of 1.5 log(n) in log-likelihood for the three parameters more; of
    # 40 logs of one law few reach it.
    rng = np.random.default_rng(5)
    lives = pd.DataFrame(
        {
            "log": np.repeat(np.arange(40), 50),
            "age": 500 * rng.weibull(1.8, 2000),
            "failed": rng.random(2000) < 0.8,
        }
    )
    found = mixture_fits(lives, "log")
    assert (found["finding"] == "two populations").sum() <= 2
    assert (found["log_likelihood"] > found["log_likelihood_of_one"])[found["status"] == "ok"].all()


def test_unit_batch_and_counts_do_not_matter() -> None:
    # Source: invariants.
    lives = two_populations(7, 60)
    plain = mixture_fits(lives).iloc[0]
    other = mixture_fits(lives.assign(age=lives["age"] * 1e7)).iloc[0]
    twice = pd.concat([lives.assign(k="a"), two_populations(8, 50).assign(k="b")])
    batch = mixture_fits(twice, "k").iloc[0]
    counted = mixture_fits(lives.assign(count=1.0)).iloc[0]
    for name in ("share_early", "shape_early", "shape_late", "share_early_lower"):
        for row in (other, batch, counted):
            assert row[name] == pytest.approx(plain[name], rel=1e-4), name
    assert other["scale_late"] == pytest.approx(plain["scale_late"] * 1e7, rel=1e-5)


def test_strata_without_a_mixture_say_why() -> None:
    # Source: own algebra: each case has a known reason.
    lives = pd.DataFrame(
        {
            "k": np.repeat(["few", "none", "same"], [5, 5, 12]),
            "age": [*range(1, 6), *range(1, 6), *([7.0] * 12)],
            "failed": np.repeat([True, False, True], [5, 5, 12]),
        }
    )
    found = mixture_fits(lives, "k").set_index("k")
    assert found["status"].to_dict() == {
        "few": "too few failures",
        "none": "no failures",
        "same": "equal ages",
    }
    assert (found["finding"] == "not known").all()
    assert found["reason"]["few"] == "fewer than 10 failures cannot carry two laws"
    assert found["share_early"].isna().all()
