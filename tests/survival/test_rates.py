"""Failure rates against a handbook's factors and the Poisson law itself."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import pdtr, pdtrc

from relkit.survival.rates import failure_rates


def test_limits_are_the_handbook_factors() -> None:
    # Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1: factors for the mean time
    # between failures, 90 % two-sided, 1 to 5 failures (formula read, table recomputed). The
    # rate's limits are the failures over factor and exposure.
    failures = np.arange(1.0, 6.0)
    found = failure_rates(failures, 1.0, confidence_level=0.9)
    np.testing.assert_allclose(
        failures / found.upper, [0.2108, 0.3177, 0.3869, 0.4370, 0.4756], atol=5e-5
    )
    np.testing.assert_allclose(
        failures / found.lower, [19.496, 5.6281, 3.6689, 2.9276, 2.5379], rtol=5e-5
    )


def test_no_failure_gives_the_rule_of_three() -> None:
    # Source: NIST/SEMATECH e-Handbook, 8.4.5.1: -ln(0.05) = 2.9957 at 95 % one-sided.
    found = failure_rates(0, 2000.0, confidence_level=0.9)
    assert found.lower == 0
    assert found.upper == pytest.approx(2.9957 / 2000, rel=2e-5)


def test_limits_leave_the_stated_tails() -> None:
    # Source: definition of exact Poisson limits (Garwood 1936).
    failures = np.array([1.0, 3.0, 17.0, 120.0])
    found = failure_rates(failures, 50.0)
    np.testing.assert_allclose(pdtr(failures, found.upper * 50), 0.025, rtol=1e-9)
    np.testing.assert_allclose(pdtrc(failures - 1, found.lower * 50), 0.025, rtol=1e-9)


@pytest.mark.parametrize(
    ("failures", "exposure", "message"),
    [
        (-1, 5.0, r"failures at position \(\) is -1"),
        (1, 0.0, r"exposure at position \(\) is 0"),
        (float("nan"), 5.0, "failures at position"),
    ],
)
def test_bad_values_are_named(failures: float, exposure: float, message: str) -> None:
    # Source: the project's own rule.
    with pytest.raises(ValueError, match=message):
        failure_rates(failures, exposure)
