"""Statuses of strata that were fitted, each with a sentence that says what it means.

Layer: survival. Standard library and numpy only.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["REASONS", "Status", "status_array"]


class Status(StrEnum):
    """What became of one stratum; an estimate is missing only where the status is not ``ok``."""

    OK = "ok"
    NO_FAILURES = "no failures"
    ONE_FAILURE = "one failure"
    EQUAL_AGES = "equal ages"
    NO_MAXIMUM = "no finite maximum"
    NOT_CONVERGED = "not converged"
    NO_EXPOSURE = "no exposure"


#: What each status means, in a sentence for a person.
REASONS: dict[Status, str] = {
    Status.OK: "",
    Status.NO_FAILURES: (
        "nothing failed: only a lower bound of the scale exists, one-sided at the confidence "
        "level; the upper limit is infinite"
    ),
    Status.ONE_FAILURE: (
        "one failure cannot carry a shape: limits are by likelihood ratio whatever was asked, "
        "and estimates are missing where no life outlasted the failure"
    ),
    Status.EQUAL_AGES: (
        "all failures have the same age: the shape rests on the survivors alone, and estimates "
        "are missing where no life outlasted the failures"
    ),
    Status.NO_MAXIMUM: (
        "the likelihood keeps rising towards a shape of 0 or of infinity: no estimate exists"
    ),
    Status.NOT_CONVERGED: "the iteration ended before the estimate was found",
    Status.NO_EXPOSURE: "no life was observed at any age above 0",
}


def status_array(n_strata: int) -> NDArray[np.str_]:
    """Return one status ``ok`` per stratum, wide enough for any other."""
    width = max(len(status) for status in Status)
    return np.full(n_strata, Status.OK.value, dtype=f"<U{width}")
