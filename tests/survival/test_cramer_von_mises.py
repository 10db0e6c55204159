"""Critical values of the Cramer-von Mises distance against the published table."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.survival.cramer_von_mises import cramer_von_mises_critical, cramer_von_mises_p_values


def test_critical_values_as_published() -> None:
    # Source: L. H. Crow, AMSAA Technical Report 138, 1974, Table 2 (15,000 samples a row, so
    # the third decimal wobbles; its 1 % column is good to about 0.01).
    table = {
        5: [0.123, 0.138, 0.160, 0.202, 0.305],
        20: [0.127, 0.145, 0.169, 0.217, 0.342],
        36: [0.126, 0.144, 0.169, 0.213, 0.331],
        50: [0.127, 0.145, 0.172, 0.219, 0.345],
    }
    for column, level in enumerate([0.2, 0.15, 0.1, 0.05, 0.01]):
        ours = cramer_von_mises_critical(list(table), level)
        theirs = [row[column] for row in table.values()]
        np.testing.assert_allclose(ours, theirs, atol=0.013 if level == 0.01 else 0.008)


@pytest.mark.slow
@pytest.mark.parametrize("events", [3, 7, 25, 400])
def test_p_values_are_uniform_in_a_fresh_simulation(events: int) -> None:
    # Simulation with another seed than the table's, 20,000 samples: log(end / age) times the
    # shape is exponential. Binomial standard error at p = 0.05 is 0.15 %, at 0.5 0.35 %.
    rng = np.random.default_rng(77)
    gaps = rng.standard_exponential((20_000, events))
    place = np.sort(np.exp(-gaps * (events - 1) / gaps.sum(axis=1, keepdims=True)), axis=1)
    middle = (2 * np.arange(events) + 1) / (2 * events)
    distance = 1 / (12 * events) + ((place - middle) ** 2).sum(axis=1)
    p = cramer_von_mises_p_values(distance, events)
    for level, error in [(0.05, 0.0015), (0.2, 0.0028), (0.5, 0.0035)]:
        assert abs((p <= level).mean() - level) < 4 * error + 0.02 * level


def test_p_values_and_critical_values_are_inverse() -> None:
    for level in (0.3, 0.1, 0.02, 0.002):
        at = cramer_von_mises_critical([4, 12, 80], level)
        np.testing.assert_allclose(cramer_von_mises_p_values(at, [4, 12, 80]), level, rtol=1e-9)


def test_ends_of_the_table_are_bounds() -> None:
    assert cramer_von_mises_p_values([0.0, 9.0], 10).tolist() == pytest.approx([0.9, 0.001])
    assert np.isnan(cramer_von_mises_p_values([0.1, np.nan], [2, 20])).all()
    with pytest.raises(ValueError, match=r"level is 0\.95: the table runs from"):
        cramer_von_mises_critical([10], 0.95)
