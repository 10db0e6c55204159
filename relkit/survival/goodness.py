"""Does a family of life distributions fit: Anderson-Darling distance with a bootstrap p-value.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import generator
from relkit.survival.competing import CumulativeIncidences, cumulative_incidences
from relkit.survival.families import FAMILIES, Family, FamilyName
from relkit.survival.family_fits import family_fit
from relkit.survival.observed import observed_lives
from relkit.survival.risk_sets import Spans, spans, sums_by
from relkit.survival.status import Status

__all__ = [
    "GoodnessOfFit",
    "anderson_darling_distances",
    "goodness_of_fit_test",
    "samples_like",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: At risk from which, under late entry, the step curve is taken as worth comparing [1].
_ENOUGH_AT_RISK = 5.0
#: Share of the bootstrap samples that must be fitted for a p-value to be given [1].
_LEAST_FITTED = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class GoodnessOfFit:
    """Test of one family on one stratum."""

    family: FamilyName
    statistic: float  #: Anderson-Darling distance; NaN without a fit [1]
    p_value: float  #: share of samples of the fitted family at least as far from it [1]
    samples: int  #: samples that could be fitted [1]
    lives: float  #: [1]
    failures: float  #: [1]
    status: str  #: "ok", the fit's status, or "too few samples fitted"


def goodness_of_fit_test(
    age: ArrayLike,
    failed: ArrayLike,
    *,
    family: FamilyName = "Weibull",
    entry: ArrayLike | None = None,
    samples: int = 499,
    rng: np.random.Generator | int = 0,
) -> GoodnessOfFit:
    """Anderson-Darling test of a family, its p-value by samples drawn like the data.

    Each sample keeps every life's entry and, where it was censored, its age at censoring; a
    failed life gets an age at censoring from the step curve of censoring beyond its failure.
    Lives are drawn from the fitted family given entry, and the family is fitted anew.

    Parameters
    ----------
    age : array_like, shape (n_lives,)
        Age at failure or end of observation, at least 0; failures at their exact age. [clock]
    failed : array_like of bool
        Whether the life ended by failure.
    family : str
        A name in ``FAMILIES``, but not the one with a threshold.
    entry : array_like, optional
        Age at which observation began. [clock]
    samples : int
        Samples to draw, at least 19. [1]
    rng : Generator or int
        Source of randomness.

    Returns
    -------
    GoodnessOfFit

    Raises
    ------
    ValueError
        A value is out of its bounds, or the family is unknown or has a threshold.

    Notes
    -----
    The distance is n times the integral of (step curve - F)^2 / (F (1 - F)) over F, up to the
    largest age: for complete samples the usual statistic. Under late entry both curves are
    conditional on the age from which 5 are at risk. A large p-value is no proof: few failures
    cannot tell families apart.

    References
    ----------
    .. [1] R. B. D'Agostino and M. A. Stephens (eds.), Goodness-of-Fit Techniques, Dekker,
       1986, ch. 4 (chapter from memory).
    .. [2] N. L. Hjort, Bootstrapping Cox's regression model, technical report, Stanford, 1985
       (conditional bootstrap of censoring; from memory).

    Examples
    --------
    >>> test = goodness_of_fit_test([10.0, 20.0, 30.0, 45.0], [True] * 4, samples=99)
    >>> 0 < test.p_value <= 1
    True
    """
    if family not in FAMILIES or FAMILIES[family].threshold:
        plain = ", ".join(name for name, kind in FAMILIES.items() if not kind.threshold)
        raise ValueError(f"family is {family!r}: give one of {plain}")
    if samples < 19:
        raise ValueError(f"samples is {samples}: give at least 19")
    lives, ended = spans(age, entry=entry), np.asarray(failed, bool)
    if ended.shape != lives.age.shape:
        raise ValueError(f"failed has shape {ended.shape}: give one value for each age")
    kind = FAMILIES[family]
    status, theta, statistic = _distance(kind, lives, ended, 1)
    n, failures = float(len(lives.age)), float(ended.sum())
    if status[0] != Status.OK:
        return GoodnessOfFit(family, np.nan, np.nan, 0, n, failures, str(status[0]))
    drawn, drawn_failed = samples_like(kind, theta, lives, ended, samples, generator(rng))
    fitted, _, distances = _distance(kind, drawn, drawn_failed, samples)
    held = (fitted == Status.OK) & ~np.isnan(distances)
    number = int(held.sum())
    if number < _LEAST_FITTED * samples:
        return GoodnessOfFit(
            family, float(statistic[0]), np.nan, number, n, failures, "too few samples fitted"
        )
    above = int((distances[held] >= statistic[0]).sum())
    return GoodnessOfFit(
        family, float(statistic[0]), (1 + above) / (1 + number), number, n, failures, "ok"
    )


def _distance(
    kind: Family, lives: Spans, failed: Bools, n_strata: int
) -> tuple[NDArray[np.str_], Floats, Floats]:
    """Status, parameters and distance of each stratum's own fit."""
    entry = np.maximum(lives.entry, 0.0)
    fit = family_fit(
        observed_lives(lives.stratum, lives.age, failed, entry=entry, n_strata=n_strata), kind.name
    )
    aged = lives.age > 0
    distances = anderson_darling_distances(
        kind.name,
        fit.theta,
        lives.age[aged],
        failed[aged],
        entry=entry[aged],
        stratum=lives.stratum[aged],
    )
    return fit.status, fit.theta, distances


def anderson_darling_distances(
    family: FamilyName,
    theta: Floats,
    age: ArrayLike,
    failed: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
) -> Floats:
    """Anderson-Darling distance of each stratum from given parameters of a family.

    Parameters
    ----------
    family : str
        A name in ``FAMILIES``, without a threshold.
    theta : array, shape (n_strata, k)
        Parameters as :class:`relkit.survival.family_fits.FamilyFits` holds them; a stratum
        with NaN gets NaN.
    age, failed, entry, stratum : array_like
        Lives of an age above 0, as for :func:`goodness_of_fit_test`; code of the stratum.

    Returns
    -------
    array, shape (n_strata,)
    """
    kind, n_strata = FAMILIES[family], len(theta)
    lives, ended = spans(age, entry=entry, stratum=stratum), np.asarray(failed, bool)
    curve = cumulative_incidences(
        lives.age,
        np.where(ended, 0, -1),
        entry=np.maximum(lives.entry, 0.0),
        stratum=lives.stratum,
    )
    late = np.bincount(lives.stratum[lives.entry > 0], minlength=n_strata) > 0
    kept = _worth_comparing(curve.stratum, curve.at_risk, late)
    code, at = curve.stratum[kept], curve.age[kept]
    start, level = _starting_points(curve, kept, n_strata)
    last = np.zeros(n_strata)
    np.maximum.at(last, lives.stratum, lives.age)
    base = _log_survival(kind, start, theta)
    total = _integrals(
        kind, theta[code], base[code], code, at, curve.survival[kept] / level[code], last[code]
    )
    n = np.bincount(lives.stratum, minlength=n_strata)
    none = np.bincount(code, minlength=n_strata) == 0
    distances = n * sums_by(code, total, n_strata)
    return np.where(none | np.isnan(theta).any(axis=1), np.nan, distances)


def _log_survival(kind: Family, ages: Floats, theta: Floats) -> Floats:
    logs = kind.log_survival(theta, np.log(np.where(ages > 0, ages, 1.0)))
    return np.where(ages > 0, logs, 0.0)


def _integrals(
    kind: Family, theta: Floats, base: Floats, code: Ints, age: Floats, step: Floats, last: Floats
) -> Floats:
    """Integral from each failure age to the next, and for a first one also from the start."""
    opens = np.append(True, code[1:] != code[:-1])[: len(code)]
    closes = np.append(code[1:] != code[:-1], True)[: len(code)]
    following = np.where(closes, last, np.append(age[1:], 0.0)[: len(age)])
    low = _log_survival(kind, age, theta) - base
    high = _log_survival(kind, following, theta) - base
    high = np.where(closes & (step <= 1e-12), -np.inf, high)  # all failed: up to F = 1
    nought = np.zeros(len(age))
    return _piece(1 - step, low, high) + np.where(opens, _piece(nought, nought, low), 0.0)


def _worth_comparing(stratum: Ints, at_risk: Floats, late: Bools) -> Bools:
    """Rows from the first with enough at risk on, in strata with late entry that have one."""
    enough = at_risk >= _ENOUGH_AT_RISK
    place = np.arange(len(stratum))
    first = np.full(len(late), len(stratum))
    np.minimum.at(first, stratum[enough], place[enough])
    first = np.where(late & (first < len(stratum)), first, 0)
    kept: Bools = place >= first[stratum]
    return kept


def _starting_points(
    curve: CumulativeIncidences, kept: Bools, n_strata: int
) -> tuple[Floats, Floats]:
    """Age and step survival from which each stratum is compared: 0 and 1 where nothing is cut."""
    start, level = np.zeros(n_strata), np.ones(n_strata)
    np.maximum.at(start, curve.stratum, curve.starts_at)
    cut = ~kept  # rows rise with age: the last one cut stays
    start[curve.stratum[cut]] = curve.age[cut]
    level[curve.stratum[cut]] = curve.survival[cut]
    return start, level


def _piece(step: Floats, low: Floats, high: Floats) -> Floats:
    """Integral of (step - u)^2 / (u (1 - u)) between two log survivals, low age first.

    The antiderivative step^2 log(u) - (1 - step)^2 log(1 - u) - u, with u = 1 - exp(log
    survival); terms with factor 0 are dropped before their log is infinite (own algebra).
    """

    def anti(log_survival: Floats) -> Floats:
        u = -np.expm1(log_survival)
        log_u = np.log(np.where(u > 0, u, 1.0))
        left = np.where(step >= 1 - 1e-12, 0.0, log_survival)
        return step**2 * log_u - (1 - step) ** 2 * left - u

    difference: Floats = anti(high) - anti(low)
    return difference


def samples_like(
    kind: Family,
    theta: Floats,
    lives: Spans,
    failed: Bools,
    samples: int,
    rng: np.random.Generator,
) -> tuple[Spans, Bools]:
    """Return samples as strata: lives drawn given entry, and censored as the data were."""
    n = len(lives.age)
    entry = np.maximum(lives.entry, 0.0)
    rows = np.tile(theta, (n, 1))
    at_entry = np.where(
        entry > 0, kind.log_survival(rows, np.log(np.where(entry > 0, entry, 1.0))), 0.0
    )
    drawn = np.tile(at_entry, samples) - rng.standard_exponential(n * samples)
    life = np.exp(kind.log_age(np.tile(theta, (n * samples, 1)), drawn))
    life = np.maximum(life, np.nextafter(np.tile(entry, samples), np.inf))  # rounding only
    end = _censoring_ages(lives, failed, samples, rng)
    ended = life <= end
    age = np.minimum(life, end)
    code = np.repeat(np.arange(samples), n)
    return spans(age, entry=np.tile(entry, samples), stratum=code), ended


def _censoring_ages(lives: Spans, failed: Bools, samples: int, rng: np.random.Generator) -> Floats:
    """Age at censoring of each life in each sample, infinite where nothing was ever censored."""
    n = len(lives.age)
    end = np.tile(np.where(failed, np.inf, lives.age), (samples, 1))
    if failed.all():
        return end.ravel()
    curve = cumulative_incidences(
        lives.age, np.where(failed, -1, 0), entry=np.maximum(lives.entry, 0.0)
    )
    place = np.searchsorted(curve.age, lives.age[failed], side="left")
    # censoring at a failure's own age comes after it: the curve just before that age
    left = np.concatenate([[1.0], curve.survival])[place]
    wanted = left * (1 - rng.random((samples, int(failed.sum()))))
    # survival falls: first age at which it is at or below the wanted level
    at = np.searchsorted(-curve.survival, -wanted, side="left")
    ages = np.append(curve.age, np.inf)[at]
    end[:, failed] = np.maximum(ages, lives.age[failed])
    return end.reshape(n * samples)
