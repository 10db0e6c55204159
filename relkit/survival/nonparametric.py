"""Kaplan-Meier and Nelson-Aalen estimates of all strata at once, with late entry.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from relkit.checks import share
from relkit.survival.observed import ObservedLives
from relkit.survival.strata import Strata, strata_of_sizes

__all__ = ["CumulativeHazards", "SurvivalCurves", "cumulative_hazard_steps", "survival_steps"]

#: Weights left at risk below this share of the stratum's are rounding: the risk set is empty.
_EMPTY = 1e-10


@dataclass(frozen=True, slots=True, eq=False)
class SurvivalCurves:
    """Kaplan-Meier steps, one row per stratum and age of failure; all fields (n_rows,)."""

    stratum: NDArray[np.intp]  #: code of the stratum
    age: NDArray[np.float64]  #: age at which something failed [clock]
    at_risk: NDArray[np.float64]  #: lives under observation just before [1]
    failures: NDArray[np.float64]  #: failures at this age [1]
    survival: NDArray[np.float64]  #: share that survives this age [1]
    std_error: NDArray[np.float64]  #: Greenwood's, NaN once survival is 0 [1]
    lower: NDArray[np.float64]  #: lower limit, log-log form, NaN once survival is 0 [1]
    upper: NDArray[np.float64]  #: upper limit, log-log form, NaN once survival is 0 [1]
    starts_at: NDArray[np.float64]  #: survival is given survival of this age; 0: from new [clock]
    left_out: NDArray[np.float64]  #: failures of the stratum outside the curve [1]
    stops_at: NDArray[np.float64]  #: after this age too few are at risk; NaN: no cut [clock]
    confidence_level: float  #: of the two-sided limits [1]


@dataclass(frozen=True, slots=True, eq=False)
class CumulativeHazards:
    """Nelson-Aalen steps, one row per stratum and age of failure; all fields (n_rows,)."""

    stratum: NDArray[np.intp]  #: code of the stratum
    age: NDArray[np.float64]  #: age at which something failed [clock]
    at_risk: NDArray[np.float64]  #: lives under observation just before [1]
    failures: NDArray[np.float64]  #: failures at this age [1]
    cumulative_hazard: NDArray[np.float64]  #: sum of failures over at risk [1]
    std_error: NDArray[np.float64]  #: root of the sum of failures over at risk squared [1]
    lower: NDArray[np.float64]  #: lower limit on the log scale [1]
    upper: NDArray[np.float64]  #: upper limit on the log scale [1]
    confidence_level: float  #: of the two-sided limits [1]


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    strata: Strata
    age: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    failures: NDArray[np.float64]
    empties: NDArray[np.bool_]  # nobody is left at risk after this age

    def where(self, keep: NDArray[np.bool_]) -> _Steps:
        return _Steps(
            self.strata.of_rows(keep),
            self.age[keep],
            self.at_risk[keep],
            self.failures[keep],
            self.empties[keep],
        )


def survival_steps(
    lives: ObservedLives, *, confidence_level: float = 0.95, fewest_at_risk: float = 0.0
) -> SurvivalCurves:
    """Kaplan-Meier estimate of every stratum, with Greenwood errors and log-log limits.

    A life is at risk at age t if entry < t <= age, and from 0 if its entry is 0: one that is
    removed at the age of a failure was still at risk. Failures that were only found later
    count at the age at which they were found, which overstates survival a little.

    Where late entry lets the risk set run empty before others enter, the estimate from new
    would be 0 for ever after. The curve then is the stretch between such ages that holds most
    failures, and its survival is given survival of ``starts_at``.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]
    fewest_at_risk : float
        In strata with late entry, failures before so many lives are at risk are left out and
        the curve starts after them. Every curve ends with the last failure at which so many
        are at risk. Strata that never have as many start and end as usual. [1]

    Raises
    ------
    ValueError
        ``confidence_level`` is not between 0 and 1.

    References
    ----------
    .. [1] J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed., Springer, 2003,
       sections 4.2 and 4.3 (estimate, Greenwood, log-log limits) and 4.6 (late entry, curve
       given survival of a later age); section numbers from memory.
    """
    z = float(ndtri(0.5 + share("confidence_level", confidence_level) / 2))
    steps, starts_at, stops_at, left_out = _stretch(_steps(lives), lives, fewest_at_risk)
    ends = steps.empties
    staying = np.where(ends, 1.0, steps.at_risk - steps.failures)
    log_survival = _running(np.where(ends, 0.0, np.log(staying / steps.at_risk)), steps.strata)
    spread = _running(np.where(ends, 0.0, steps.failures / (steps.at_risk * staying)), steps.strata)
    survival = np.where(ends, 0.0, np.exp(log_survival))
    log_survival[ends] = np.nan  # limits and error do not exist there
    sigma = np.sqrt(spread)
    width = z * sigma / -log_survival
    with np.errstate(over="ignore"):  # after a tiny share of a failure: 0 is the right limit
        lower = np.exp(log_survival * np.exp(width))
    return SurvivalCurves(
        stratum=steps.strata.codes(),
        age=steps.age,
        at_risk=steps.at_risk,
        failures=steps.failures,
        survival=survival,
        std_error=np.where(ends, np.nan, survival * sigma),
        lower=lower,
        upper=np.exp(log_survival * np.exp(-width)),
        starts_at=steps.strata.spread(starts_at),
        left_out=steps.strata.spread(left_out),
        stops_at=steps.strata.spread(stops_at),
        confidence_level=confidence_level,
    )


def cumulative_hazard_steps(
    lives: ObservedLives, *, confidence_level: float = 0.95
) -> CumulativeHazards:
    """Nelson-Aalen estimate of every stratum, variance sum of d / n^2, limits on the log scale.

    The risk set is that of :func:`survival_steps`; an empty one does no harm here.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    confidence_level : float
        Level of the two-sided limits, between 0 and 1. [1]

    Raises
    ------
    ValueError
        ``confidence_level`` is not between 0 and 1.

    References
    ----------
    .. [1] J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed., Springer, 2003,
       eq. 4.2.3 and 4.2.4 and section 4.3 (numbers from memory).
    """
    z = float(ndtri(0.5 + share("confidence_level", confidence_level) / 2))
    steps = _steps(lives)
    hazard = _running(steps.failures / steps.at_risk, steps.strata)
    std_error = np.sqrt(_running(steps.failures / steps.at_risk**2, steps.strata))
    factor = np.exp(z * std_error / hazard)
    return CumulativeHazards(
        stratum=steps.strata.codes(),
        age=steps.age,
        at_risk=steps.at_risk,
        failures=steps.failures,
        cumulative_hazard=hazard,
        std_error=std_error,
        lower=hazard / factor,
        upper=hazard * factor,
        confidence_level=confidence_level,
    )


def _steps(lives: ObservedLives) -> _Steps:
    """Return ages at which something failed, with the numbers at risk and failed."""
    whole = lives.failures[lives.failures > 0]
    if lives.strata.n_strata == 1 and lives.count is None and (whole == 1).all():
        return _steps_of_one(lives)
    codes = lives.strata.codes()
    order = _order(codes, lives.age, lives.strata.n_strata)
    age = lives.age if order is None else lives.age[order]
    failures = lives.failures if order is None else lives.failures[order]
    first = np.ones(len(age), dtype=np.bool_)  # first row of each age in each stratum
    first[1:] = (age[1:] != age[:-1]) | (codes[1:] != codes[:-1])
    rows = np.flatnonzero(first)
    failed = np.add.reduceat(failures, rows) if len(rows) else failures
    rows, failed = rows[failed > 0], failed[failed > 0]
    strata = strata_of_sizes(np.bincount(codes[rows], minlength=lives.strata.n_strata))
    ages = age[rows]
    count = None
    if lives.count is not None:
        count = lives.count if order is None else lives.count[order]
    at_risk = _from_row_on(count, rows, codes[rows], lives.strata)
    if lives.late.any():
        at_risk -= _not_entered(lives, codes, ages, codes[rows])
    total = strata.spread(lives.strata.sums(lives.counts()))
    empties = at_risk - failed <= _EMPTY * total
    return _Steps(strata, ages, np.where(empties, failed, at_risk), failed, empties)


def _steps_of_one(lives: ObservedLives) -> _Steps:
    """Return the same for one stratum of whole lives, where sorting values is all it takes.

    Ages of failures and of survivors are sorted apart: sorting values is faster than sorting
    their places, and nothing has to be put in order after it.
    """
    failed = lives.failures > 0
    ages, others = np.sort(lives.age[failed]), np.sort(lives.age[~failed])
    first = np.ones(len(ages), dtype=np.bool_)
    first[1:] = ages[1:] != ages[:-1]
    place = np.flatnonzero(first)
    number = np.diff(place, append=len(ages)).astype(np.float64)
    ages = ages[place]
    behind = len(others) - np.searchsorted(others, ages)
    at_risk = (number.sum() - place + behind).astype(np.float64)
    one = np.zeros(len(ages), dtype=np.intp)
    if lives.late.any():
        at_risk -= _not_entered(lives, np.zeros(len(failed), dtype=np.intp), ages, one)
    strata = strata_of_sizes(np.array([len(ages)], dtype=np.intp))
    return _Steps(strata, ages, at_risk, number, at_risk <= number)


def _order(
    codes: NDArray[np.intp], values: NDArray[np.float64], n_strata: int, *, keep_ties: bool = False
) -> NDArray[np.intp] | None:
    """Return the rows in order of stratum and value (ties as given, if kept); None if they are."""
    if len(values) < 2:
        return None
    if ((values[1:] >= values[:-1]) | (codes[1:] != codes[:-1])).all() and (
        codes[1:] >= codes[:-1]
    ).all():
        return None
    order = np.argsort(values, kind="stable" if keep_ties else "quicksort")
    if n_strata < 2:
        return order
    narrow = codes.astype(np.uint16) if n_strata <= np.iinfo(np.uint16).max else codes
    return order[np.argsort(narrow[order], kind="stable")]


def _from_row_on(
    count: NDArray[np.float64] | None,
    rows: NDArray[np.intp],
    codes: NDArray[np.intp],
    strata: Strata,
) -> NDArray[np.float64]:
    """Return the lives from each of these rows to the end of its stratum."""
    end = (strata.starts + strata.sizes)[codes]
    if count is None:
        return (end - rows).astype(np.float64)
    running = np.concatenate([[0.0], np.cumsum(count)])
    behind: NDArray[np.float64] = running[end] - running[rows]
    return behind


def _not_entered(
    lives: ObservedLives,
    codes: NDArray[np.intp],
    ages: NDArray[np.float64],
    age_codes: NDArray[np.intp],
) -> NDArray[np.float64]:
    """Return the lives whose entry is at or after each age: these are not yet at risk."""
    late = lives.late
    entry = lives.age[:0] if lives.entry is None else lives.entry[late]
    both = np.concatenate([age_codes, codes[late]])
    # at ties the ages come first, so that equal entries count as not yet at risk
    order = _order(both, np.concatenate([ages, entry]), lives.strata.n_strata, keep_ties=True)
    weight = np.concatenate([np.zeros(len(ages)), lives.counts()[late]])
    order = np.arange(len(weight)) if order is None else order
    running = np.cumsum(weight[order])
    upto = np.empty_like(running)
    upto[order] = running
    totals = np.bincount(codes[late], lives.counts()[late], minlength=lives.strata.n_strata)
    waiting: NDArray[np.float64] = np.cumsum(totals)[age_codes] - upto[: len(ages)]
    return waiting


def _stretch(
    steps: _Steps, lives: ObservedLives, fewest_at_risk: float
) -> tuple[_Steps, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the stretch of each curve to show, where it starts and stops, failures left out."""
    all_failures = steps.strata.sums(steps.failures)
    starts_at = np.zeros(steps.strata.n_strata)
    late = lives.strata.sums(lives.late.astype(np.float64)) > 0
    leading = steps.strata.spread(late) & _leading(steps, fewest_at_risk)
    if leading.any():
        starts_at = np.maximum(starts_at, steps.strata.maxima(np.where(leading, steps.age, 0.0)))
        steps = steps.where(~leading)
    codes = steps.strata.codes()
    opens = np.ones(len(codes), dtype=np.bool_)  # first step after the start or an empty set
    opens[1:] = (codes[1:] != codes[:-1]) | steps.empties[:-1]
    first = np.flatnonzero(opens)
    if len(first) > np.count_nonzero(steps.strata.sizes):
        held = np.add.reduceat(steps.failures, first)
        order = np.lexsort((np.arange(len(first)), held, codes[first]))
        last_of_stratum = np.append(np.diff(codes[first][order]) != 0, True)
        chosen = np.zeros(len(first), dtype=np.bool_)
        chosen[order[last_of_stratum]] = True
        restarted = first[chosen & (first > steps.strata.starts[codes[first]])]
        starts_at[codes[restarted]] = steps.age[restarted - 1]
        steps = steps.where(chosen[np.cumsum(opens) - 1])
    steps, stops_at = _cut_off(steps, fewest_at_risk)
    left_out = all_failures - steps.strata.sums(steps.failures)
    return steps, starts_at, stops_at, left_out


def _cut_off(steps: _Steps, fewest: float) -> tuple[_Steps, NDArray[np.float64]]:
    """Return each curve up to the last step with enough at risk, and the age of that step."""
    stops_at = np.full(steps.strata.n_strata, np.nan)
    enough = steps.at_risk >= fewest
    if enough.all():
        return steps, stops_at
    last = steps.strata.maxima(np.where(enough, steps.age, -np.inf))
    late = (steps.age > steps.strata.spread(last)) & steps.strata.spread(last > -np.inf)
    codes = np.unique(steps.strata.codes()[late])
    stops_at[codes] = last[codes]
    return steps.where(~late), stops_at


def _leading(steps: _Steps, fewest: float) -> NDArray[np.bool_]:
    """Return True for steps before the first with enough at risk, where there is one."""
    enough = (steps.at_risk >= fewest).astype(np.float64)
    before_enough = _running(enough, steps.strata) == 0
    leading: NDArray[np.bool_] = before_enough & steps.strata.spread(steps.strata.sums(enough) > 0)
    return leading


def _running(values: NDArray[np.float64], strata: Strata) -> NDArray[np.float64]:
    """Return the running sum of arranged values within each stratum."""
    total = np.cumsum(values)
    before = np.concatenate([[0.0], total])[strata.starts]
    running: NDArray[np.float64] = total - strata.spread(before)
    return running
