"""Counts, exposure and reasons of a result that is put together from parts."""

from __future__ import annotations

import numpy as np

from relkit.survival.observed import observed_lives
from relkit.survival.weibull_result import FitColumns, aged_lives


def test_counts_and_exposure_are_sums_of_what_was_given() -> None:
    # Source: own algebra.
    lives = observed_lives(
        [0, 0, 0, 1],
        [10.0, 20.0, 0.0, 0.0],
        [1, 0, 1, 0],
        entry=[4.0, 0.0, 0.0, 0.0],
        count=[2, 3, 1, 5],
    )
    fits = FitColumns(lives).result(0.9)
    assert fits.lives.tolist() == [5.0, 0.0]
    assert fits.failures.tolist() == [2.0, 0.0]
    assert fits.zero_ages.tolist() == [1.0, 0.0]
    assert fits.exposure.tolist() == [2 * 6.0 + 3 * 20.0, 0.0]
    assert fits.status.tolist() == ["ok", "no exposure"]
    assert fits.shape_source.tolist() == ["none", "none"]
    assert np.isnan(fits.shape).all()


def test_sentences_are_joined() -> None:
    columns = FitColumns(observed_lives([0, 1], [5.0, 6.0], [0, 0]))
    columns.note(np.array([False, True]), "one thing")
    columns.note(np.array([False, True]), "another")
    reason = columns.result(0.9).reason
    assert reason[1] == f"{reason[0]}; one thing; another"


def test_lives_of_age_zero_and_rows_of_count_zero_are_left_out() -> None:
    lives = observed_lives([0, 0], [0.0, 5.0], [1, 1])
    assert aged_lives(lives).age.tolist() == [5.0]
    nobody = observed_lives([0, 0], [9.0, 5.0], [1, 1], count=[0, 2])
    assert aged_lives(nobody).age.tolist() == [5.0]
    whole = observed_lives([0], [5.0], [1])
    assert aged_lives(whole) is whole
