"""The delay from visible defect to failure: known truths recovered, likelihood by brute force."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.delay_time import delay_time, stated_delay


def made_looks(
    rng: np.random.Generator, failures: int, mean: float, detection: float, spacing: float
) -> dict[str, np.ndarray]:
    """Return evenly spaced looks before failures with exponential delays."""
    code, lag, seen, ages = [], [], [], []
    for i in range(failures):
        age = rng.uniform(1500.0, 4000.0)
        delay = rng.exponential(mean)
        while delay > age:  # a defect begins after the fitting
            delay = rng.exponential(mean)
        lags = np.arange(rng.uniform(1.0, spacing), age, spacing)
        code += [i] * len(lags)
        lag += lags.tolist()
        seen += ((lags < delay) & (rng.random(len(lags)) < detection)).tolist()
        ages.append(age)
    return {
        "failure": np.array(code),
        "lag": np.array(lag),
        "seen": np.array(seen),
        "age": np.array(ages),
    }


@pytest.mark.slow
def test_true_delays_and_detection_lie_within_their_limits() -> None:
    # Source: the known truth of simulated looks; 90 % limits over 60 logs: at least 80 % hold it
    # (binomial, three standard errors below 90 %: 78 %).
    held = np.zeros(2)
    for seed in range(60):
        looks = made_looks(np.random.default_rng(seed), 40, 400.0, 0.7, 250.0)
        found = delay_time(**looks)
        held += [
            found.lower <= 400.0 <= found.upper,
            found.detection_lower <= 0.7 <= found.detection_upper,
        ]
    assert (held / 60 >= 0.78).all()


def test_the_likelihood_is_that_of_delays_drawn_one_by_one() -> None:
    # Source: brute force: share of drawn delays that give the looks seen, at two pairs of
    # parameters; the draws' odds between them follow that ratio.
    rng = np.random.default_rng(3)
    looks = made_looks(rng, 12, 400.0, 0.7, 250.0)
    found = delay_time(**looks, draws=200_000, rng=1)
    low, high = np.quantile(found.means, [0.2, 0.8])

    def log_likelihood(mean: float, detection: float) -> float:
        delays = rng.exponential(mean, 200_000)
        total = 0.0
        for i, age in enumerate(looks["age"]):
            mine = looks["failure"] == i
            lag, seen = looks["lag"][mine], looks["seen"][mine]
            order = np.argsort(lag)[:12]
            inside = lag[order][:, None] < delays[delays < age]
            chance = np.where(
                seen[order][:, None],
                inside * detection,
                np.where(inside, 1 - detection, 1.0),
            ).prod(axis=0)
            total += float(np.log(chance.mean()))
        return total

    grid = np.unique(found.means)
    first, second = grid[np.searchsorted(grid, low)], grid[np.searchsorted(grid, high)]
    chance = 0.7051282051282051  # on the grid of detections
    near = np.abs(found.detections - chance) < 1e-6
    counts = [np.sum(near & (found.means == m)) for m in (first, second)]
    assert min(counts) > 50
    wanted = log_likelihood(second, chance) - log_likelihood(first, chance)
    assert np.log(counts[1] / counts[0]) == pytest.approx(wanted, abs=0.5)


def test_too_little_is_refused_in_words() -> None:
    rng = np.random.default_rng(1)
    few = delay_time(**made_looks(rng, 5, 400.0, 0.7, 250.0))
    assert np.isnan(few.mean)
    assert few.status.startswith("too few failures")
    blind = made_looks(rng, 20, 400.0, 0.7, 250.0)
    blind["seen"][:] = False
    assert "a defect was seen before 0 failures only" in delay_time(**blind).status
    none = delay_time([], [], [], age=[])
    assert none.failures == 0


def test_a_stated_delay_has_the_range_that_was_stated() -> None:
    # Source: quantiles of the log-normal law: 5 and 95 % lie at the ends of a range that is
    # symmetric on the log scale.
    draws = stated_delay(400.0, 200.0, 800.0, draws=100_000, rng=1)
    assert np.quantile(draws, [0.05, 0.5, 0.95]) == pytest.approx([200, 400, 800], rel=0.02)
    with pytest.raises(ValueError, match="does not lie within its range"):
        stated_delay(400.0, 500.0, 800.0)


def test_bad_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="lag"):
        delay_time([0], [-1.0], [True], age=[100.0])
    with pytest.raises(ValueError, match="one value per look"):
        delay_time([0, 0], [1.0], [True], age=[100.0])
