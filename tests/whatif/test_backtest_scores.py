"""Places, intervals and scores of forecasts of counts against their definitions."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.whatif.backtest_scores import (
    LEVELS,
    histories_law,
    inside_share,
    judged,
    poisson_law,
)


def test_laws_of_histories_and_of_poisson_counts() -> None:
    # Source: by hand; scipy.stats.poisson.cdf([0, 1, 2], 2).
    law = histories_law(np.array([[0, 2, 2, 3], [1, 1, 1, 1]]), 3)
    assert law.tolist() == [[0.25, 0.25, 0.75, 1.0], [0.0, 1.0, 1.0, 1.0]]
    poisson = poisson_law(np.array([2.0, 0.0]), 2)
    assert poisson[0] == pytest.approx([0.1353352832, 0.4060058497, 0.6766764162])
    assert poisson[1].tolist() == [1.0, 1.0, 1.0]


def test_score_agrees_with_its_definition_by_pairs() -> None:
    # Source: E|X - y| - E|X - X'| / 2 over all histories: the definition of the score.
    source = np.random.default_rng(1)
    counts, seen = source.poisson(4.0, (30, 60)), source.poisson(4.0, 30)
    law = histories_law(counts, 40)
    score = judged(law, seen, source.random(30)).score
    for row in range(30):
        x = counts[row]
        pairs = np.abs(x[:, None] - x[None, :]).mean()
        assert score[row] == pytest.approx(np.abs(x - seen[row]).mean() - pairs / 2)


def test_intervals_are_quantiles_of_the_histories() -> None:
    # Source: numpy.quantile of the inverted distribution function.
    source = np.random.default_rng(2)
    counts = source.poisson(7.0, (20, 211))
    found = judged(histories_law(counts, 60), np.zeros(20, dtype=np.int64), np.full(20, 0.5))
    for row, level in enumerate(LEVELS):
        ends = ((1 - level) / 2, (1 + level) / 2)
        low, high = np.quantile(counts, ends, axis=1, method="inverted_cdf")
        assert found.low[row].tolist() == low.tolist()
        assert found.high[row].tolist() == high.tolist()
    assert found.mean == pytest.approx(counts.mean(axis=1))


def test_places_of_right_forecasts_are_evenly_spread() -> None:
    # Source: J. E. Smith, 1985 (from memory): exactly uniform. 20,000 outcomes: a share of 0.8
    # has a standard error of 0.0028; counts inside the whole-number ends are more.
    source = np.random.default_rng(3)
    mean = source.choice([0.2, 1.0, 4.0], 20_000)
    seen = source.poisson(mean)
    found = judged(poisson_law(mean, 30), seen, source.random(20_000))
    for row, level in enumerate(LEVELS):
        assert inside_share(found.place, level) == pytest.approx(level, abs=3.5 * 0.0036)
        plain = np.mean((found.low[row] <= seen) & (seen <= found.high[row]))
        assert plain > level
    assert np.mean(found.middle_place) == pytest.approx(0.5, abs=0.01)


def test_no_place_has_no_share() -> None:
    # Source: a share of nothing does not exist.
    assert np.isnan(inside_share(np.zeros(0), 0.8))
