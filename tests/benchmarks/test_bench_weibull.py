"""Speed of fits and curves beside that of general libraries, in one run; ratios are printed.

Results are compared, speed is not: a busy machine must not fail the tests.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import lifelines
import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from statsmodels.duration.survfunc import SurvfuncRight

from relkit.survival.nonparametric import survival_steps
from relkit.survival.observed import observed_lives
from relkit.survival.tables import weibull_fits
from relkit.survival.weibull import own_fits

STRATA, PER = 10_000, 50


def seconds(call: Callable[[], object], times: int = 3) -> float:
    """Return the least of a few runs, which is the one least disturbed."""
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


def say(capsys: pytest.CaptureFixture[str], text: str) -> None:
    with capsys.disabled():
        sys.stdout.write(f"\n  {text}")


def lives() -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.bool_]]:
    rng = np.random.default_rng(1)
    codes = np.repeat(np.arange(STRATA), PER)
    scale = rng.uniform(100, 9000, STRATA)[codes]
    life = scale * rng.weibull(rng.uniform(0.6, 4, STRATA)[codes])
    end = scale * rng.uniform(0.2, 2, len(codes))
    return codes, np.minimum(life, end), life <= end


def passes(age: NDArray[np.float64]) -> float:
    """Return the time of 8 passes of exp and log over the ages: the measure of an array fit."""
    x = np.log(age)

    def eight() -> None:
        for _ in range(8):
            np.exp(x)
            np.log(age)

    return seconds(eight)


def test_ten_thousand_strata_beside_lifelines(capsys: pytest.CaptureFixture[str]) -> None:
    codes, age, failed = lives()
    unit = passes(age)
    fisher = seconds(lambda: own_fits(observed_lives(codes, age, failed)))
    ratio = seconds(lambda: own_fits(observed_lives(codes, age, failed), limits="profile"))
    some = range(20)
    fits = own_fits(observed_lives(codes, age, failed))
    shapes = []

    def peer() -> None:
        shapes.clear()
        for code in some:
            mine = slice(code * PER, (code + 1) * PER)
            shapes.append(lifelines.WeibullFitter().fit(age[mine], failed[mine]).rho_)

    each = seconds(peer) / len(some)
    np.testing.assert_allclose(shapes, fits.shape[: len(some)], rtol=1e-4)
    say(capsys, f"{STRATA} x {PER} lives, Fisher limits: {fisher:.3f} s, {fisher / unit:.1f} x")
    say(capsys, "  the time of 8 passes of exp and log; a stratum is fitted ")
    say(capsys, f"  {each / (fisher / STRATA):,.0f} times faster than by lifelines")
    say(capsys, f"likelihood-ratio limits: {ratio:.3f} s, {ratio / unit:.1f} x the passes\n")


def test_frames_with_text_keys(capsys: pytest.CaptureFixture[str]) -> None:
    codes, age, failed = lives()
    component = np.array([f"component {k:03d}" for k in range(100)], dtype=object)
    frame = pd.DataFrame(
        {
            "component": component[codes // 100],
            "location": component[codes % 100],
            "age": age,
            "failed": failed,
        }
    )
    by, unit = ["component", "location"], passes(age)
    mixed = frame.sample(frac=1, random_state=1).reset_index(drop=True)
    for name, table in (("in order", frame), ("in any order", mixed)):
        fisher = seconds(lambda table=table: weibull_fits(table, by))
        ratio = seconds(lambda table=table: weibull_fits(table, by, limits="profile"))
        say(
            capsys,
            f"frame {name}: Fisher {fisher:.3f} s ({fisher / unit:.0f} x the passes), "
            f"likelihood ratio {ratio:.3f} s ({ratio / unit:.0f} x)",
        )
    first, second = weibull_fits(frame, by), weibull_fits(mixed, by)
    np.testing.assert_allclose(first["scale"], second["scale"], rtol=1e-9)


def test_a_million_lives_beside_statsmodels(capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(2)
    age, failed = rng.weibull(2, 1_000_000) * 1000, rng.random(1_000_000) < 0.3
    zeros = np.zeros(len(age), dtype=int)
    theirs = SurvfuncRight(age, failed.astype(int))
    ours = survival_steps(observed_lives(zeros, age, failed))
    np.testing.assert_allclose(ours.survival, theirs.surv_prob, rtol=1e-9)
    peer = seconds(lambda: SurvfuncRight(age, failed.astype(int)))
    mine = seconds(lambda: survival_steps(observed_lives(zeros, age, failed)))
    codes = rng.integers(0, 10_000, len(age))
    split = seconds(lambda: survival_steps(observed_lives(codes, age, failed)))
    say(capsys, f"Kaplan-Meier of 1,000,000 lives with limits: {mine:.3f} s, statsmodels without")
    say(
        capsys, f"  limits {peer:.3f} s (ratio {mine / peer:.2f}); in 10,000 strata {split:.3f} s\n"
    )


def test_a_thousand_refits(capsys: pytest.CaptureFixture[str]) -> None:
    codes, age, failed = (column[:PER] for column in lives())
    one = observed_lives(codes, age, failed)
    time_taken = seconds(lambda: own_fits(one, limits="bootstrap", replicates=1000))
    fits = own_fits(one, limits="bootstrap", replicates=1000)
    assert fits.shape_lower[0] < fits.shape[0] < fits.shape_upper[0]
    say(capsys, f"1,000 refits of {PER} lives for bootstrap limits: {time_taken:.3f} s\n")
