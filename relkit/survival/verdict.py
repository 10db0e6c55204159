"""What kind of failures a stratum has, by limits of its shape, and how good the evidence is.

Layer: survival. Arrays in, one frozen result out; numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import share, within
from relkit.survival.observed import ObservedLives
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_result import FEWEST_OWN, aged_lives

__all__ = [
    "GRADES",
    "GRADE_RULE",
    "VERDICTS",
    "VERDICT_RULE",
    "EvidenceGrades",
    "Verdicts",
    "evidence_grades",
    "stratum_verdicts",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Shapes so near 1 that age hardly matters: between them the failures are called random.
RANDOM_LOWER, RANDOM_UPPER = 0.67, 1.5
#: Shares of the failures below which an early phase may end.
_CUTS = (0.25, 0.4, 0.6)
#: Failures, and ratio of the upper to the lower limit of the B10 life, of each grade.
_STRONG, _FAIR = (20, 2.5), (10, 5.0)
#: Share of failures of unknown cause or estimated age from which a grade falls by one.
DOUBTFUL = 0.25

VERDICTS = ("early-life", "random", "wearing out", "mixed", "too few to tell")
GRADES = ("strong", "fair", "weak", "none")

#: How the verdict is found.
VERDICT_RULE = (
    f"With fewer than {FEWEST_OWN} failures of its own a stratum is too few to tell. Else, with "
    "the limits of the Weibull shape at the confidence level: mixed where the failures before "
    "some age have a shape wholly below 1 and those after it a shape wholly above 1 (three ages "
    "are tried, each at a level raised for that); early-life where the upper limit is below 1; "
    f"wearing out where the lower limit is above 1; random where both limits lie from "
    f"{RANDOM_LOWER} to {RANDOM_UPPER}; and too few to tell in all other cases."
)

#: How the grade is found.
GRADE_RULE = (
    f"Strong: at least {_STRONG[0]} failures of its own, and the upper limit of the B10 life at "
    f"most {_STRONG[1]:g} times the lower. Fair: at least {_FAIR[0]} and at most {_FAIR[1]:g} "
    f"times. Weak: at least one failure, or a shape that is borrowed. None: no failure. One grade "
    f"less where more than {DOUBTFUL:.0%} of the failures are shared out among several candidates "
    "or have an estimated age."
)


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """One verdict per stratum; all arrays (n_strata,)."""

    failures: Floats  #: failures of an age above 0, shares added up [1]
    shape: Floats  #: [1]
    shape_lower: Floats  #: [1]
    shape_upper: Floats  #: [1]
    turning_age: Floats  #: age that parts early failures from wear; NaN unless mixed [clock]
    verdict: NDArray[np.str_]  #: one of ``VERDICTS``
    reason: NDArray[np.object_]  #: the verdict's grounds, a sentence
    confidence_level: float  #: of the limits behind the verdict [1]


@dataclass(frozen=True, slots=True, eq=False)
class EvidenceGrades:
    """One grade per stratum; all arrays (n_strata,)."""

    grade: NDArray[np.str_]  #: one of ``GRADES``
    reason: NDArray[np.object_]  #: the grade's grounds, a sentence


def stratum_verdicts(lives: ObservedLives, *, confidence_level: float = 0.95) -> Verdicts:
    """Early-life, random, wearing out, mixed, or too few to tell, for each stratum.

    ``VERDICT_RULE`` is the rule in words. Limits are by likelihood ratio. For the search for a
    mixture a failure found at a check counts at the age it was found.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    confidence_level : float
        Level of the two-sided limits of the shape, between 0 and 1. [1]

    Raises
    ------
    ValueError
        ``confidence_level`` is not between 0 and 1.

    Notes
    -----
    Where failures are random (shape 1), "early-life" and "wearing out" are said in error in
    (1 - confidence_level) of strata together. Rule and bounds: common practice and own choice.

    Examples
    --------
    >>> from relkit.survival.observed import observed_lives
    >>> ages = [70.0, 82.0, 90.0, 95.0, 99.0, 104.0]
    >>> str(stratum_verdicts(observed_lives([0] * 6, ages, [True] * 6)).verdict[0])
    'wearing out'
    """
    share("confidence_level", confidence_level)
    fits = own_fits(lives, confidence_level=confidence_level, limits="profile")
    turning = _turning_ages(lives, confidence_level)
    enough = fits.failures >= FEWEST_OWN
    lower, upper = fits.shape_lower, fits.shape_upper
    with np.errstate(invalid="ignore"):  # limits that do not exist are NaN: no verdict from them
        cases: list[Flags] = [
            ~enough,
            np.isfinite(turning),
            upper < 1,
            lower > 1,
            (lower >= RANDOM_LOWER) & (upper <= RANDOM_UPPER),
        ]
    words = ["too few to tell", "mixed", "early-life", "wearing out", "random"]
    verdict = np.select(cases, words, "too few to tell").astype("<U15")
    return Verdicts(
        failures=fits.failures,
        shape=fits.shape,
        shape_lower=lower,
        shape_upper=upper,
        turning_age=np.where(verdict == "mixed", turning, np.nan),
        verdict=verdict,
        reason=_reasons(verdict, fits.failures, lower, upper, turning),
        confidence_level=confidence_level,
    )


def evidence_grades(
    failures: ArrayLike,
    b10_lower: ArrayLike,
    b10_upper: ArrayLike,
    *,
    own_shape: ArrayLike = True,
    masked_share: ArrayLike = 0.0,
    estimated_share: ArrayLike = 0.0,
) -> EvidenceGrades:
    """Strong, fair, weak or none, for each stratum; ``GRADE_RULE`` is the rule in words.

    Parameters
    ----------
    failures : array_like, shape (n_strata,)
        Failures of the stratum, at least 0. [1]
    b10_lower, b10_upper : array_like
        Limits of the B10 life; NaN or infinite where there are none. [clock]
    own_shape : array_like of bool
        False where the shape is borrowed or given.
    masked_share, estimated_share : array_like
        Share of the failures of unknown cause, and of those of an estimated age, 0 to 1. [1]

    Raises
    ------
    ValueError
        ``failures`` or a share is out of its bounds.

    Examples
    --------
    >>> evidence_grades([30, 12, 3, 0], 100.0, [180.0, 400.0, 900.0, float("inf")]).grade.tolist()
    ['strong', 'fair', 'weak', 'none']
    """
    count = np.atleast_1d(within("failures", failures, 0.0))
    masked = np.broadcast_to(within("masked_share", masked_share, 0.0, 1.0), count.shape)
    estimated = np.broadcast_to(within("estimated_share", estimated_share, 0.0, 1.0), count.shape)
    own = np.broadcast_to(np.asarray(own_shape, np.bool_), count.shape)
    lower, upper = np.asarray(b10_lower, np.float64), np.asarray(b10_upper, np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.broadcast_to(np.where(lower > 0, upper / lower, np.inf), count.shape)
        strong = own & (count >= _STRONG[0]) & (ratio <= _STRONG[1])
        fair = own & (count >= _FAIR[0]) & (ratio <= _FAIR[1])
    first = np.select([strong, fair, count > 0], [0, 1, 2], 3)
    doubtful = (masked > DOUBTFUL) | (estimated > DOUBTFUL)
    # a stratum with failures stays above "none": something was seen
    place = np.where((first < 2) & doubtful, first + 1, first)
    reasons = np.empty(len(count), dtype=object)
    for i in range(len(count)):
        reasons[i] = _grade_reason(
            count[i], ratio[i], bool(own[i]), masked[i] > DOUBTFUL, estimated[i] > DOUBTFUL
        )
    return EvidenceGrades(grade=np.array(GRADES)[place], reason=reasons)


def _turning_ages(lives: ObservedLives, confidence_level: float) -> Floats:
    """Return the first age that parts early failures from wear by limits; NaN if none does."""
    aged = aged_lives(lives)
    level = 1 - (1 - confidence_level) / len(_CUTS)  # Bonferroni over the ages tried
    turning = np.full(lives.strata.n_strata, np.nan)
    for cut in _CUTS:
        age, able = _failure_quantiles(aged, cut)
        able &= np.isnan(turning)
        if not able.any():
            continue
        part, at = aged.of_strata(able), age[able]
        early = own_fits(_cut(part, at, before=True), confidence_level=level, limits="profile")
        late = own_fits(_cut(part, at, before=False), confidence_level=level, limits="profile")
        enough = np.minimum(early.failures, late.failures) >= FEWEST_OWN
        with np.errstate(invalid="ignore"):
            turned = enough & (early.shape_upper < 1) & (late.shape_lower > 1)
        turning[np.flatnonzero(able)[turned]] = at[turned]
    return turning


def _failure_quantiles(lives: ObservedLives, cut: float) -> tuple[Floats, Flags]:
    """Return the age of the failure at this share of each stratum's failures, where it can part."""
    failed = lives.failures > 0
    codes, ages = lives.strata.codes()[failed], lives.age[failed]
    order = np.lexsort((ages, codes))
    number = np.bincount(codes, minlength=lives.strata.n_strata)
    able = number >= 2 * FEWEST_OWN
    place = np.cumsum(number) - number + np.ceil(cut * number).astype(np.int64) - 1
    age = np.ones(len(number))
    age[able] = ages[order][place[able]]
    return age, able


def _cut(lives: ObservedLives, age: Floats, *, before: bool) -> ObservedLives:
    """Return the same lives as seen before an age of their stratum, or after it."""
    at = lives.strata.spread(age)
    entry = np.zeros(len(at)) if lives.entry is None else lives.entry
    if before:
        end, begin = np.minimum(lives.age, at), entry
        failures = np.where(lives.age <= at, lives.failures, 0.0)
    else:
        end, begin, failures = lives.age, np.maximum(entry, at), lives.failures
    cut = ObservedLives(lives.strata, end, failures, begin, lives.count, None)
    return cut.of_rows(end > begin)


def _reasons(
    verdict: NDArray[np.str_], failures: Floats, lower: Floats, upper: Floats, turning: Floats
) -> NDArray[np.object_]:
    reasons = np.empty(len(verdict), dtype=object)
    for i, word in enumerate(verdict):
        limits = f"the shape lies between {lower[i]:.2g} and {upper[i]:.2g}"
        if failures[i] < FEWEST_OWN:
            text = f"{failures[i]:.3g} failures: fewer than {FEWEST_OWN} do not tell a shape"
        elif word == "mixed":
            text = (
                f"before age {turning[i]:.4g} the failure rate falls and after it rises, "
                "each by its limits"
            )
        elif word == "early-life":
            text = f"{limits}: the failure rate falls with age"
        elif word == "wearing out":
            text = f"{limits}: the failure rate rises with age"
        elif word == "random":
            text = f"{limits}: age hardly matters"
        elif np.isnan(lower[i]) or np.isnan(upper[i]):
            text = "the shape has no limits"
        else:
            text = f"{limits}: falling, steady and rising failure rates are all possible"
            if lower[i] >= RANDOM_LOWER or upper[i] <= RANDOM_UPPER:
                text = f"{limits}: neither 1 nor a shape that matters can be ruled out"
        reasons[i] = text
    return reasons


def _grade_reason(failures: float, ratio: float, own: bool, masked: bool, estimated: bool) -> str:
    if failures == 0:
        return "nothing failed: there are bounds only"
    parts = [f"{failures:.3g} failures"]
    parts.append("own shape" if own else "shape borrowed")
    if np.isfinite(ratio):
        parts.append(f"B10 life known within a factor of {ratio:.2g}")
    else:
        parts.append("B10 life without an upper limit")
    if masked:
        parts.append("many causes unknown")
    if estimated:
        parts.append("many ages estimated")
    return ", ".join(parts)
