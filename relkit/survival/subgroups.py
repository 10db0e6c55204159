"""Do some items fail otherwise than their like: labelled subgroups against the rest, many at once.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import within
from relkit.survival.observed import observed_lives
from relkit.survival.own_law import own_law_test
from relkit.survival.risk_sets import Spans, risk_index, spans, sums_by
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_result import FEWEST_OWN

__all__ = ["SubgroupTests", "benjamini_hochberg", "subgroup_tests"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_STEPS, _TOLERANCE = 60, 1e-9  #: of Newton's method for the mean ratio


@dataclass(frozen=True, slots=True, eq=False)
class SubgroupTests:
    """One test per subgroup; all arrays (n_groups,)."""

    lives: Floats  #: of the subgroup [1]
    observed: Floats  #: its failures while others of its stratum were at risk too [1]
    expected: Floats  #: failures if it were like the rest of its strata at equal age [1]
    ratio: Floats  #: mean hazard ratio to the rest over the strata; 0 without a failure [1]
    statistic: Floats  #: log of the mean likelihood ratio over the laws looked at [1]
    p_value: Floats  #: of failing no worse; NaN where too few failures are expected [1]
    p_value_adjusted: Floats  #: by Benjamini and Hochberg over the subgroups tested [1]


def subgroup_tests(
    age: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    fewest_expected: float = 5.0,
) -> SubgroupTests:
    """Test of each subgroup: does it fail worse than the rest of its strata at equal age.

    At each failure, given who was at risk, the failed item belongs to the subgroup with odds
    n1 r / n0, where n1 and n0 are the numbers at risk in and outside it; r = 1 where it is like
    the rest. A bad batch brings a mechanism of its own wherever it is fitted: it shows in mild
    places and hardly in harsh ones, where items fail of other things first. So r is a Weibull
    hazard of one law for the whole subgroup over that of the stratum at that age (its own fit),
    or 1 and that (the mechanism beside the others). The statistic is the mean of the likelihood
    ratios over a fixed set of such laws (:func:`relkit.survival.own_law.own_law_test`); its
    p-value comes from simulated sets of failures, always the same ones.

    Parameters
    ----------
    age : array_like, shape (n_lives,)
        Age at failure or end of observation, at least 0. [clock]
    failed : array_like of bool
        Whether the life ended by failure; a failure found at a check counts at that age.
    group : array_like of int
        Code of the subgroup, from 0; -1 for lives of none, which belong to every rest.
    entry, count, stratum : array_like, optional
        Age at which observation began [clock], frequency weight [1], code of the stratum.
    fewest_expected : float
        A subgroup is tested if at least so many failures are expected of it, whatever it
        shows: this keeps subgroups that cannot tell anything out of the adjustment. [1]

    Raises
    ------
    ValueError
        A value is not finite or out of its bounds, or lengths differ.

    References
    ----------
    .. [1] D. R. Cox, Partial likelihood, Biometrika 62, 1975, 269-276 (from memory).
    .. [2] Y. Benjamini and Y. Hochberg, Journal of the Royal Statistical Society B 57, 1995,
       289-300.

    Notes
    -----
    Subgroups that fail less are not looked for. The fits of the strata hold the subgroup too,
    which makes the test a little cautious.
    """
    within("fewest_expected", fewest_expected, 0.0)
    lives = spans(age, entry=entry, count=count, stratum=stratum)
    groups, ended = np.asarray(group, np.int64), np.asarray(failed, np.bool_)
    for name, given in (("group", groups), ("failed", ended)):
        if given.shape != lives.age.shape:
            raise ValueError(f"{name} has shape {given.shape}: give one value for each age")
    n_groups = int(groups.max(initial=-1)) + 1
    table = _Failures(lives, ended & lives.seen, groups)
    rows = [_tested(*table.of_group(code), fewest_expected) for code in range(n_groups)]
    numbers = np.array(rows, np.float64).reshape(n_groups, 5)
    observed, expected, ratio, statistic, p_value = numbers.T
    return SubgroupTests(
        lives=sums_by(groups[groups >= 0], lives.count[groups >= 0], n_groups),
        observed=observed,
        expected=expected,
        ratio=ratio,
        statistic=statistic,
        p_value=p_value,
        p_value_adjusted=benjamini_hochberg(p_value),
    )


def benjamini_hochberg(p_values: ArrayLike) -> Floats:
    """P-values adjusted so that those below q hold at most a share q of false discoveries.

    Parameters
    ----------
    p_values : array_like, shape (n,)
        Single p-values; NaN (no test) is passed over and not counted. [1]

    Returns
    -------
    array, shape (n,)

    References
    ----------
    .. [1] Y. Benjamini and Y. Hochberg, Journal of the Royal Statistical Society B 57, 1995,
       289-300; holds for independent tests and for many that go together.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    p = np.asarray(p_values, dtype=np.float64)
    adjusted = np.full(len(p), np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    raised = p[order] * len(order) / np.arange(1, len(order) + 1)
    adjusted[order] = np.minimum(np.minimum.accumulate(raised[::-1])[::-1], 1.0)
    return adjusted


class _Failures:
    """Failures of all strata by age, and the index from which numbers at risk are read."""

    def __init__(self, lives: Spans, failed: NDArray[np.bool_], group: Ints) -> None:
        self.lives, self.group = lives, group
        self.n_strata = int(lives.stratum.max(initial=-1)) + 1
        self.ages = np.unique(lives.age[failed])
        self.failed = failed
        self.rank = np.searchsorted(self.ages, lives.age[failed])
        self.stratum = lives.stratum[failed]
        self.member = group[failed]
        self.weight = lives.count[failed]
        whole = risk_index(self.ages, lives.stratum, lives.entry, lives.age, lives.count)
        self.at_risk = whole.sums(self.stratum, self.rank)
        age = self.ages[self.rank]
        smallest = self.ages[self.ages > 0].min(initial=np.inf)
        # dead on arrival: as if before the first failure of any age
        self.log_age = np.log(np.where(age > 0, age, smallest / 2 if smallest < np.inf else 1.0))
        self.log_hazard = self._log_hazards()

    def _log_hazards(self) -> Floats:
        """Log hazard of each failure's stratum at its age; the mean rate where failures are few."""
        lives = self.lives
        fits = own_fits(
            observed_lives(
                lives.stratum, lives.age, self.failed, entry=np.maximum(lives.entry, 0.0),
                count=lives.count, n_strata=self.n_strata,
            )
        )  # fmt: skip
        known = (fits.failures >= FEWEST_OWN) & np.isfinite(fits.shape)
        shape = np.where(known, fits.shape, 1.0)
        mean = fits.exposure / (fits.failures + 0.5)
        log_scale = np.log(np.where(known, fits.scale, np.maximum(mean, 1e-300)))
        at = self.stratum
        hazard: Floats = (np.log(shape) - log_scale)[at] + (shape - 1)[at] * (
            self.log_age - log_scale[at]
        )
        return hazard

    def of_group(self, code: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Whether each failure is the group's, log odds of that if alike, weight, hazard, age."""
        own = self.group == code
        lives = self.lives
        index = risk_index(
            self.ages, lives.stratum[own], lives.entry[own], lives.age[own], lives.count[own]
        )
        inside = index.sums(self.stratum, self.rank)
        outside = self.at_risk - inside
        useful = (inside > 0.5e-9) & (outside > 0.5e-9)  # rounding of weights aside
        return (
            (self.member[useful] == code).astype(np.float64),
            np.log(inside[useful] / outside[useful]),
            self.weight[useful],
            self.log_hazard[useful],
            self.log_age[useful],
        )


def _tested(
    hit: Floats,
    log_odds: Floats,
    weight: Floats,
    log_hazard: Floats,
    log_age: Floats,
    fewest_expected: float,
) -> tuple[float, ...]:
    """Return observed, expected, ratio, statistic and p-value."""
    chance = 1 / (1 + np.exp(-log_odds))
    observed, expected = float((weight * hit).sum()), float((weight * chance).sum())
    if expected < fewest_expected or expected <= 0:
        return observed, expected, np.nan, np.nan, np.nan
    ratio = float(np.exp(_log_ratio(hit, log_odds, weight))) if observed > 0 else 0.0
    found = own_law_test(hit, log_odds, log_hazard, log_age, weight=weight)
    return observed, expected, ratio, found.statistic, found.p_value


def _log_ratio(hit: Floats, log_odds: Floats, weight: Floats) -> float:
    """One log hazard ratio for all failures, by Newton's method; it runs off if all are hits."""
    ratio = 0.0
    for _ in range(_STEPS):
        chance = 1 / (1 + np.exp(-np.clip(log_odds + ratio, -500, 500)))
        curve = (weight * chance * (1 - chance)).sum()
        step = (weight * (hit - chance)).sum() / max(curve, 1e-12)
        ratio += np.clip(step, -1.0, 1.0)
        if abs(step) < _TOLERANCE:
            break
    return float(ratio)
