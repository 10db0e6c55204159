"""Verdicts: published fits, their error rate where failures are random, and the rule's edges."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from relkit.survival.finding_tables import failure_verdicts
from relkit.survival.observed import ObservedLives, observed_lives
from relkit.survival.tables import weibull_fits
from relkit.survival.verdict import GRADES, VERDICTS, evidence_grades, stratum_verdicts

Floats = NDArray[np.float64]


def batch(ages: Floats, end: float) -> ObservedLives:
    """Rows are strata; what outlives ``end`` is unfailed then."""
    strata = np.repeat(np.arange(len(ages)), ages.shape[1])
    return observed_lives(strata, np.minimum(ages, end).ravel(), (ages <= end).ravel())


def test_ball_bearings_wear_out() -> None:
    # Source: J. F. Lawless, Statistical Models and Methods for Lifetime Data, 1982, p. 228
    # (Lieblein and Zelen 1956): Weibull shape 2.10, scale 81.9; 23 complete lives.
    ages = [
        17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.48, 51.84, 51.96, 54.12, 55.56, 67.80,
        68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40,
    ]  # fmt: skip
    found = failure_verdicts(pd.DataFrame({"age": ages, "failed": True})).iloc[0]
    assert found["verdict"] == "wearing out"
    assert round(found["shape"], 2) == 2.10
    assert found["grade"] == "fair"  # 23 failures, yet B10 only known within a factor above 2.5
    assert "rises" in found["verdict_reason"]


def test_aircraft_air_conditioning_is_not_called_wear() -> None:
    # Source: F. Proschan, Technometrics 5, 1963, 375-383, plane 7910 (15 intervals between
    # failures of the air conditioning, hours; numbers from memory): exponential fits.
    ages = [74.0, 57, 48, 29, 502, 12, 70, 21, 29, 386, 59, 27, 153, 26, 326]
    found = stratum_verdicts(observed_lives([0] * 15, ages, [True] * 15))
    assert str(found.verdict[0]) in ("random", "too few to tell")


def test_random_failures_are_called_otherwise_as_often_as_the_level_says() -> None:
    # Closed form: at shape 1 the 95 % limits leave 1 out in 5 % of strata; 2,000 strata have
    # a standard error of 0.49 %, likelihood ratio at about 30 failures adds some 0.5 %.
    rng = np.random.default_rng(1)
    found = stratum_verdicts(batch(rng.exponential(1.0, (2000, 40)), 1.4)).verdict
    wrong = np.isin(found, ["early-life", "wearing out", "mixed"]).mean()
    assert 0.035 < wrong < 0.07


def test_early_failures_followed_by_wear_are_mixed() -> None:
    # Source: own construction, 30 % weak items that fail early, the rest wear out at shape 3.
    rng = np.random.default_rng(2)
    weak, strong = 0.2 * rng.weibull(0.5, (60, 200)), rng.weibull(3.0, (60, 200))
    lives = batch(np.where(rng.random((60, 200)) < 0.3, weak, strong), 1.0)
    found = stratum_verdicts(lives)
    assert (found.verdict == "mixed").sum() >= 54
    mixed = found.turning_age[found.verdict == "mixed"]
    assert ((mixed > 0) & (mixed < 1)).all()


def test_mixed_is_what_separate_fits_of_the_parts_say() -> None:
    # Source: second implementation: each stratum cut by hand at three of its failures, both
    # parts fitted on their own, limits at 1 - 0.05 / 3.
    rng = np.random.default_rng(6)
    weak, strong = 0.2 * rng.weibull(0.6, (80, 70)), rng.weibull(3.0, (80, 70))
    ages = np.where(rng.random((80, 70)) < 0.3, weak, strong)
    found = stratum_verdicts(batch(ages, 1.0)).verdict == "mixed"
    for row in range(80):
        lives = pd.DataFrame({"age": np.minimum(ages[row], 1.0), "failed": ages[row] <= 1.0})
        failures = np.sort(lives.loc[lives["failed"], "age"])
        mixed = False
        for share in (0.25, 0.4, 0.6):
            at = failures[int(np.ceil(share * len(failures))) - 1]
            first = lives.assign(
                age=lives["age"].clip(upper=at), failed=lives["failed"] & (lives["age"] <= at)
            )
            second = lives[lives["age"] > at].assign(entry=at)
            early, late = (
                weibull_fits(part, None, None, 1 - 0.05 / 3, "profile").iloc[0]
                for part in (first, second)
            )
            enough = min(early["failures"], late["failures"]) >= 5
            mixed |= bool(enough and early["shape_upper"] < 1 < late["shape_lower"])
        assert found[row] == mixed
    assert 10 < found.sum() < 75


def test_clear_shapes_are_found() -> None:
    # Source: own construction; at shapes 0.5 and 2 with about 40 failures 1 is 5 errors away.
    rng = np.random.default_rng(3)
    falling = stratum_verdicts(batch(rng.weibull(0.5, (100, 60)), 1.0)).verdict
    rising = stratum_verdicts(batch(rng.weibull(2.0, (100, 60)), 1.0)).verdict
    assert (falling == "early-life").mean() > 0.95
    assert (rising == "wearing out").mean() > 0.95
    steady = stratum_verdicts(batch(rng.exponential(1.0, (100, 200)), 1.0)).verdict
    assert (steady == "random").mean() > 0.9


def test_four_failures_are_too_few_whatever_their_ages() -> None:
    # Source: the project's own rule.
    found = stratum_verdicts(observed_lives([0] * 4, [9.0, 9.1, 9.2, 9.3], [True] * 4))
    assert found.verdict.tolist() == ["too few to tell"]
    assert "fewer than 5" in found.reason[0]


def test_few_random_failures_are_not_called_random() -> None:
    # Closed form: the log shape has a standard error of 0.78 / sqrt(n) (Meeker and Escobar
    # 1998, complete sample), so 6 failures at shape 1 leave 0.67 to 1.5 far behind.
    ages = -np.log1p(-(np.arange(6) + 0.5) / 6)
    found = stratum_verdicts(observed_lives([0] * 6, ages, [True] * 6))
    assert found.verdict.tolist() == ["too few to tell"]


def test_degenerate_strata_get_a_verdict_and_a_reason() -> None:
    # Source: the project's own rule: a stratum never stops the others.
    strata = np.repeat(np.arange(5), [6, 1, 6, 6, 12])
    age = np.concatenate([[5.0] * 6, [3.0], [0.0] * 6, [1e9] * 6, np.arange(1.0, 13.0)])
    failed = np.concatenate([[True] * 6, [False], [True] * 6, [False] * 6, [True] * 12])
    found = stratum_verdicts(observed_lives(strata, age, failed))
    assert found.verdict.tolist()[:4] == ["too few to tell"] * 4
    assert all(found.reason)
    assert set(found.verdict) <= set(VERDICTS)


def test_one_stratum_alone_has_the_verdict_it_has_in_a_batch() -> None:
    # Invariant, with a change of the unit of time as well.
    rng = np.random.default_rng(4)
    ages = np.concatenate([rng.weibull(0.6, (5, 30)), rng.weibull(2.0, (5, 30))])
    together = stratum_verdicts(batch(ages, 1.5))
    for i in range(10):
        alone = stratum_verdicts(batch(3600.0 * ages[i : i + 1], 5400.0))
        assert alone.verdict[0] == together.verdict[i]
        assert alone.shape_lower[0] == pytest.approx(together.shape_lower[i], rel=1e-6)


def test_grades_follow_their_rule() -> None:
    # Source: the project's own rule, each bound from both sides.
    failures = [20, 19, 20, 10, 9, 10, 30, 1, 0]
    upper = [2.5, 2.5, 2.6, 5.0, 5.0, 5.1, np.nan, np.inf, np.inf]
    found = evidence_grades(failures, 1.0, upper)
    assert found.grade.tolist() == [
        "strong", "fair", "fair", "fair", "weak", "weak", "weak", "weak", "none",
    ]  # fmt: skip
    assert evidence_grades([30], 1.0, [2.0], own_shape=False).grade.tolist() == ["weak"]


def test_doubtful_failures_lower_the_grade_by_one() -> None:
    # Source: the project's own rule.
    assert evidence_grades([30], 1.0, [2.0], masked_share=0.3).grade.tolist() == ["fair"]
    assert evidence_grades([12], 1.0, [4.0], estimated_share=0.3).grade.tolist() == ["weak"]
    assert evidence_grades([3], 1.0, [4.0], estimated_share=0.3).grade.tolist() == ["weak"]
    assert evidence_grades([0], 1.0, [np.inf], masked_share=0.3).grade.tolist() == ["none"]
    assert set(GRADES) == {"strong", "fair", "weak", "none"}


def test_frame_counts_masked_and_estimated_failures() -> None:
    # Source: counted by hand: 8 of 24 failures have an estimated age, which is above a quarter.
    rng = np.random.default_rng(5)
    lives = pd.DataFrame({"age": rng.weibull(4.0, 24), "failed": True})
    assert failure_verdicts(lives)["grade"].tolist() == ["strong"]
    guessed = lives.assign(age_estimated=np.arange(24) < 8)
    assert failure_verdicts(guessed)["grade"].tolist() == ["fair"]
    named = lives.assign(masked_job=np.where(np.arange(24) < 8, "job 1", ""))
    assert failure_verdicts(named)["grade_reason"].str.contains("causes unknown").all()


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="confidence_level is 2"):
        stratum_verdicts(observed_lives([0], [1.0], [True]), confidence_level=2.0)
    with pytest.raises(ValueError, match="masked_share at position"):
        evidence_grades([1], 1.0, 2.0, masked_share=2.0)
    with pytest.raises(ValueError, match="no column age"):
        failure_verdicts(pd.DataFrame({"failed": [True]}))
