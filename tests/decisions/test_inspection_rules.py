"""Rules of thumb against published figures and brute force."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.decisions.inspection_rules import (
    inspection_interval_by_cost,
    inspections_for_least_downtime,
    warning_rule,
)


def test_inspection_frequency_of_the_textbook() -> None:
    # Source: Jardine and Tsang, ch. 3 (from memory): breakdowns 3/n a month with n
    # inspections, repair 24 h, inspection 8 h: three inspections, 48 h of downtime.
    best = inspections_for_least_downtime(
        failures_at_one=3.0, repair_time=24.0, inspection_time=8.0
    )
    assert float(best) == pytest.approx(3.0, abs=1e-9)
    assert 3 / float(best) * 24 + float(best) * 8 == pytest.approx(48.0, abs=1e-9)


def test_looks_within_the_warning_time() -> None:
    # Source: NAVAIR 00-25-403, n = ln(Pacc) / ln(1 - theta) (formula seen, figures ours):
    # 0.001 at a detection of 0.9 in 60: three looks, every 20.
    rule = warning_rule(60.0, detection=0.9, acceptable_probability=0.001)
    assert int(rule.looks) == 3
    assert float(rule.interval) == pytest.approx(20.0, rel=1e-6)
    assert float(rule.missed_probability) == pytest.approx(0.001)


def test_whole_looks_miss_no_more_than_accepted() -> None:
    # Invariant: enough looks, and one fewer would not be (or two, the least).
    found = np.linspace(0.05, 0.99, 60)
    rule = warning_rule(100.0, detection=found, acceptable_probability=0.01)
    assert (rule.missed_probability <= 0.01 * (1 + 1e-6)).all()
    more = rule.looks > 2
    assert ((1 - found[more]) ** (rule.looks[more] - 1) > 0.01).all()


def test_half_the_warning_time_is_the_longest() -> None:
    # Common practice: two looks at least, even where one would surely find it.
    rule = warning_rule(80.0, detection=1.0)
    assert (int(rule.looks), float(rule.interval)) == (2, 40.0)


def test_services_too_far_apart_say_so() -> None:
    rule = warning_rule(400.0, detection=0.7, service_spacing=[100.0, 250.0])
    assert rule.status.tolist() == [
        "ok",
        "services are too far apart to look within the warning time",
    ]


def test_square_root_rule_by_brute_force() -> None:
    # Source: least value of c_i / tau + c_d tau / (2 MTTF) at 100,000 intervals.
    tau = np.linspace(1, 2000, 100_000)
    curve = 6 / tau + 1.7 * tau / (2 * 8200)
    best = inspection_interval_by_cost(
        mean_life=8200.0, cost_inspection=6.0, cost_per_undetected_hour=1.7
    )
    assert float(best) == pytest.approx(tau[np.argmin(curve)], rel=1e-3)


def test_bad_values_are_named() -> None:
    with pytest.raises(ValueError, match="acceptable_probability at position"):
        warning_rule(1.0, detection=0.5, acceptable_probability=1.0)
    with pytest.raises(ValueError, match="repair_time at position"):
        inspections_for_least_downtime(failures_at_one=1.0, repair_time=0.0, inspection_time=1.0)
