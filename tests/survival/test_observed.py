"""Lives that cannot be are named by row, and the others arranged by stratum."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.survival.observed import observed_lives


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"age": [1.0, np.nan, 3.0]},
            r"age at row 1 is nan: must be finite and at least 0 \(1 of 3",
        ),
        ({"age": [1.0, np.inf, 3.0]}, "age at row 1 is inf"),
        ({"age": [-1.0, 2.0, -3.0]}, r"age at row 0 is -1: .* \(2 of 3 rows are not: 0, 2\)"),
        ({"entry": [0.0, 2.0, 0.0]}, "entry at row 1 is 2: must be below the age"),
        ({"entry": [0.0, 2.5, 0.0]}, "entry at row 1 is 2.5: must be below the age"),
        ({"entry": [-1.0, 0.0, 0.0]}, "entry at row 0 is -1: must be finite and at least 0"),
        ({"count": [1.0, -2.0, 1.0]}, "count at row 1 is -2"),
        ({"failure_share": [0.0, 0.0, 1.5]}, "failure_share at row 2 is 1.5: must be from 0 to 1"),
        ({"failed": [1, 0, 2]}, "failed at row 2 is 2: must be True or False"),
        ({"failed": [True]}, r"failed has shape \(1,\) and age has 3 values"),
        ({"age_lower": [1.5, 2.0, 3.0]}, "age_lower at row 0 is 1.5: must be at most the age"),
        ({"age_lower": [np.nan, 2.0, 3.0]}, "age_lower at row 0 is nan"),
        (
            {"age_lower": [0.2, 2.0, 3.0], "entry": [0.5, 0.0, 0.0]},
            "age_lower at row 0 is 0.2: must be at least the entry",
        ),
        ({"age_lower": [0.5, 2.0]}, "age_lower has 2 values and age has 3"),
        ({"codes": [0, 1]}, "codes has 2 values and age has 3"),
        ({"age": [[1.0], [2.0], [3.0]]}, "age has 2 dimensions: must have one"),
    ],
)
def test_rows_at_fault_are_named(change: dict[str, object], message: str) -> None:
    given: dict[str, object] = {
        "codes": [0, 0, 0],
        "age": [1.0, 2.0, 3.0],
        "failed": [True, False, True],
    } | change
    codes, age, failed = (given.pop(name) for name in ("codes", "age", "failed"))
    with pytest.raises(ValueError, match=message):
        observed_lives(codes, age, failed, **given)  # type: ignore[arg-type]


def test_rows_are_called_by_their_names() -> None:
    # Common practice: a person looks for the row of the file, not for a position.
    names = np.array(["log.csv:2", "log.csv:3"], dtype=object)
    with pytest.raises(ValueError, match=r"age at row log\.csv:3 is -5"):
        observed_lives([0, 0], [1.0, -5.0], [True, True], row_names=names)


def test_age_zero_is_allowed_and_unfailed_lives_need_no_lower_age() -> None:
    # Common practice: dead on arrival is a life of age 0; only failures are found later.
    lives = observed_lives(
        [0, 0, 0],
        [0.0, 4.0, 5.0],
        [True, False, True],
        entry=[0.0, 0.0, 1.0],
        age_lower=[0.0, np.nan, 3.0],
    )
    assert lives.age_lower is not None
    assert lives.age_lower.tolist() == [0.0, 4.0, 3.0]
    assert lives.late.tolist() == [False, False, True]


def test_shares_and_counts_multiply_and_failures_keep_theirs() -> None:
    # Source: own algebra.
    lives = observed_lives(
        [1, 0, 1],
        [1.0, 2.0, 3.0],
        [True, False, False],
        count=[2.0, 3.0, 4.0],
        failure_share=[0.1, 0.5, 0.25],
    )
    assert lives.age.tolist() == [2.0, 1.0, 3.0]
    assert lives.failures.tolist() == [1.5, 2.0, 1.0]
    assert lives.of_strata(np.array([False, True])).age.tolist() == [1.0, 3.0]
