"""The result of Weibull fits, and the columns from which it is put together.

Layer: survival. numpy only.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields

import numpy as np
from numpy.typing import NDArray

from relkit.survival.limits import B10_HAZARD, Limits, LogErrors
from relkit.survival.observed import ObservedLives
from relkit.survival.status import REASONS, Status, status_array
from relkit.survival.weibull_likelihood import Slopes, WeibullLikelihood
from relkit.survival.weibull_solve import Maximum

__all__ = ["FEWEST_OWN", "FitColumns", "WeibullFits", "aged_lives"]

#: Failures from which a stratum carries its own shape.
FEWEST_OWN = 5

_FEW = (
    f"fewer than {FEWEST_OWN} failures: they hardly tell the shape, which is better borrowed "
    "from similar strata"
)
_NO_LIMITS = "too many refits had no maximum: no bootstrap limits"


@dataclass(frozen=True, slots=True, eq=False)
class WeibullFits:
    """One fit per stratum, R(t) = exp(-(t / scale)^shape); all arrays (n_strata,)."""

    lives: NDArray[np.float64]  #: lives of age above 0 [1]
    failures: NDArray[np.float64]  #: failures among them, shares added up [1]
    zero_ages: NDArray[np.float64]  #: failures at age 0, dead on arrival: not in the fit [1]
    exposure: NDArray[np.float64]  #: sum of age - entry [clock]
    shape: NDArray[np.float64]  #: [1]
    shape_lower: NDArray[np.float64]  #: [1]
    shape_upper: NDArray[np.float64]  #: [1]
    scale: NDArray[np.float64]  #: [clock]
    scale_lower: NDArray[np.float64]  #: one-sided bound where nothing failed [clock]
    scale_upper: NDArray[np.float64]  #: infinite where nothing failed [clock]
    b10: NDArray[np.float64]  #: age by which 10 % have failed [clock]
    b10_lower: NDArray[np.float64]  #: one-sided bound where nothing failed [clock]
    b10_upper: NDArray[np.float64]  #: infinite where nothing failed [clock]
    log_likelihood: NDArray[np.float64]  #: at the estimate [1]
    log_shape_std_error: NDArray[np.float64]  #: 0 where the shape was given [1]
    log_scale_std_error: NDArray[np.float64]  #: [1]
    log_correlation: NDArray[np.float64]  #: of the two logs [1]
    probability_of_wear: NDArray[np.float64]  #: that the shape is above 1 [1]
    shape_source: NDArray[np.object_]  #: "own data", "given", "none" or whence it was borrowed
    status: NDArray[np.str_]  #: a :class:`~relkit.survival.status.Status`
    reason: NDArray[np.object_]  #: what the status means, and what else to know; may be empty
    confidence_level: float  #: of the two-sided limits [1]


class FitColumns:
    """Columns of a result while it is put together; NaN until something is known."""

    __slots__ = ("notes", "numbers", "sources", "status")

    def __init__(self, lives: ObservedLives) -> None:
        n = lives.strata.n_strata
        total = lives.strata.sums
        aged = lives.age > 0
        entry = 0.0 if lives.entry is None else lives.entry
        numbers = (field.name for field in fields(WeibullFits)[:-4])
        self.numbers = {name: np.full(n, np.nan) for name in numbers}
        counts = lives.counts()
        self.numbers["lives"] = total(np.where(aged, counts, 0.0))
        self.numbers["failures"] = total(np.where(aged, lives.failures, 0.0))
        self.numbers["zero_ages"] = total(np.where(aged, 0.0, lives.failures))
        self.numbers["exposure"] = total(counts * (lives.age - entry))
        self.status = status_array(n)
        self.status[self.numbers["failures"] == 0] = Status.NO_FAILURES
        self.status[self.numbers["exposure"] == 0] = Status.NO_EXPOSURE
        self.sources = np.full(n, "none", dtype=object)
        self.notes: list[tuple[NDArray[np.bool_], str]] = []

    def put(self, where: NDArray[np.bool_], values: dict[str, NDArray[np.float64]]) -> None:
        """Fill columns of the strata where something is known."""
        for name, numbers in values.items():
            self.numbers[name][where] = numbers

    def put_peak(
        self,
        where: NDArray[np.bool_],
        likelihood: WeibullLikelihood,
        peak: Maximum,
        at: Slopes,
        errors: LogErrors,
    ) -> None:
        """Fill the estimates of the strata whose maximum was found."""
        shape = np.exp(peak.u)
        log_scale = likelihood.log_reference - peak.y / shape
        self.put(
            where,
            {
                "shape": shape,
                "scale": np.exp(log_scale),
                "b10": np.exp(log_scale + np.log(B10_HAZARD) / shape),
                "log_likelihood": at.value,
                "log_shape_std_error": errors.shape,
                "log_scale_std_error": errors.scale,
                "log_correlation": errors.correlation,
            },
        )
        self.sources[where] = "own data"

    def put_limits(self, where: NDArray[np.bool_], limits: Limits) -> None:
        """Fill the limits of these strata."""
        self.put(where, asdict(limits))

    def note(self, where: NDArray[np.bool_], sentence: str) -> None:
        """Add a sentence to the reason of these strata."""
        self.notes.append((where, sentence))

    def result(self, confidence_level: float) -> WeibullFits:
        """Return the fits, each stratum with its reason."""
        numbers = self.numbers
        reason = np.full(len(self.status), "", dtype=object)
        for status in np.unique(self.status):
            reason[self.status == status] = REASONS[Status(str(status))]
        few = (self.status == Status.OK) & (numbers["failures"] < FEWEST_OWN)
        self.note(few & (self.sources == "own data"), _FEW)
        self.note(~np.isnan(numbers["scale"]) & np.isnan(numbers["scale_lower"]), _NO_LIMITS)
        zero = numbers["zero_ages"] > 0
        self.note(zero, "failures at age 0 (dead on arrival) are counted apart, not in the fit")
        for where, sentence in self.notes:
            for i in np.flatnonzero(where):
                reason[i] = f"{reason[i]}; {sentence}" if reason[i] else sentence
        return WeibullFits(
            **numbers,
            shape_source=self.sources,
            status=self.status,
            reason=reason,
            confidence_level=confidence_level,
        )


def aged_lives(lives: ObservedLives) -> ObservedLives:
    """Return the rows that stand for lives of an age above 0.

    At age 0 the Weibull density has no use; a row of count 0 stands for nobody.
    """
    aged = lives.age > 0
    if lives.count is not None:
        aged &= lives.count > 0
    return lives if aged.all() else lives.of_rows(aged)
