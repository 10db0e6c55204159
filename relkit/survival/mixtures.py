"""Mixtures of two Weibull laws: a part of the items fails by one, the rest by the other.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri

from relkit.checks import share
from relkit.survival.families import FAMILIES, Family
from relkit.survival.family_likelihood import (
    FamilyData,
    climb,
    covariance,
    family_data,
    log_likelihoods,
    slopes,
)
from relkit.survival.observed import ObservedLives
from relkit.survival.risk_sets import sums_by
from relkit.survival.status import Status
from relkit.survival.weibull import own_fits
from relkit.survival.weibull_result import WeibullFits, aged_lives

__all__ = ["FEWEST_FOR_TWO", "MixtureFits", "mixture_fit"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Failures below which five parameters are not sought.
FEWEST_FOR_TWO = 10.0
#: Failures that each population must stand for.
_FEWEST_OF_EACH = 2.0
#: Shapes beyond which a population has shrunk to a single age, where the likelihood is infinite.
_LARGEST_SHAPE = 40.0
#: Shares of the failures at which the early ones are parted from the late ones for a start.
_CUTS = (0.15, 0.3, 0.45, 0.6, 0.75, 0.9)
#: Gain of log-likelihood below which the two laws are one.
_NO_GAIN = 1e-3
#: Standard deviation of log age times shape, and its mean below the log scale, of a Weibull law.
_SPREAD, _BELOW = float(np.pi / np.sqrt(6)), float(np.euler_gamma)


@dataclass(frozen=True, slots=True, eq=False)
class MixtureFits:
    """Two Weibull laws and the share of the first, the one of the lesser scale; (n_strata,)."""

    share: Floats  #: of the items in the first population [1]
    share_lower: Floats  #: normal on the logit scale [1]
    share_upper: Floats  #: [1]
    shape: Floats  #: of both, (2, n_strata) [1]
    shape_lower: Floats  #: normal on the log scale, (2, n_strata) [1]
    shape_upper: Floats  #: (2, n_strata) [1]
    scale: Floats  #: (2, n_strata) [clock]
    scale_lower: Floats  #: (2, n_strata) [clock]
    scale_upper: Floats  #: (2, n_strata) [clock]
    log_likelihood: Floats  #: of the mixture [1]
    log_likelihood_of_one: Floats  #: of one Weibull law for all [1]
    bic_gain: Floats  #: BIC of one law less that of the mixture: above 0 speaks for two [1]
    lives: Floats  #: of an age above 0 [1]
    failures: Floats  #: among them [1]
    status: NDArray[np.object_]  #: "ok", or why there is no estimate
    confidence_level: float


def mixture_fit(lives: ObservedLives, *, confidence_level: float = 0.95) -> MixtureFits:
    """Mixture of two Weibull laws fitted to every stratum, from several starts.

    Assumes that each item belongs to one of two populations, nobody knows which: a batch, a
    make, items fitted badly. Exact, right, left and interval censoring, late entry, weights.

    Parameters
    ----------
    lives : ObservedLives
        The lives.
    confidence_level : float
        Of the two-sided limits. [1]

    Returns
    -------
    MixtureFits
        ``status`` is that of a Weibull fit; "too few failures" (fewer than 10); "not told apart"
        where no start leads to two populations of at least 2 failures each with shapes up to
        40, or where two laws fit no better than one: then the data do not identify a mixture.

    Notes
    -----
    The likelihood is infinite where one law shrinks to a single age: its greatest inner maximum
    is taken, climbed to from six starts that part early failures from late ones. Where hardly
    any survivors outlast the early failures, share and second law trade off against one
    another: the limits are wide then. Limits are normal and too narrow below some 30 failures.

    References
    ----------
    .. [1] G. J. McLachlan and D. Peel, Finite Mixture Models, Wiley, 2000, sections 2.2 and
       3.10 (starts, unbounded likelihood; numbers from memory).
    """
    level = share("confidence_level", confidence_level)
    aged = aged_lives(lives)
    one = own_fits(aged)
    data = family_data(aged)
    status = np.asarray(one.status, dtype=object)
    ok = (status == Status.OK) & (one.failures >= FEWEST_FOR_TWO)
    status[(status == Status.OK) & ~ok] = "too few failures"
    theta = np.full((len(status), 5), np.nan)
    value = np.full(len(status), np.nan)
    errors = np.full(theta.shape, np.nan)
    unit = aged.strata.maxima(aged.age)
    unit = np.where(np.isfinite(unit), unit, 1.0)
    if ok.any():
        part, scale = data.of_strata(ok), unit[ok]
        scaled = _scaled(part, scale)
        found, at = _best(scaled, np.log(one.scale[ok] / scale), np.log(one.shape[ok]))
        exact = (part.failures > 0) & (part.age_lower == part.age)
        weight = sums_by(part.code, np.where(exact, part.failures, 0.0), part.n_strata)
        at -= weight * np.log(scale)
        told = np.isfinite(at) & (at > one.log_likelihood[ok] + _NO_GAIN)
        rows = np.flatnonzero(ok)
        status[rows[~told]] = "not told apart"
        theta[rows[told]], value[rows[told]] = found[told], at[told]
        if told.any():
            errors[rows[told]] = _errors(scaled.of_strata(told), found[told])
    return _result(theta, errors, value, unit, one, status, level)


def _two_log(theta: Floats, first: Floats, second: Floats) -> Floats:
    """Log of the mean of two logs with the share that the fifth parameter stands for."""
    logit = theta[:, 4]
    logs: Floats = np.logaddexp(first - np.logaddexp(0, -logit), second - np.logaddexp(0, logit))
    return logs


def _log_survival(theta: Floats, log_age: Floats) -> Floats:
    of = FAMILIES["Weibull"].log_survival
    return _two_log(theta, of(theta[:, :2], log_age), of(theta[:, 2:4], log_age))


def _log_density(theta: Floats, log_age: Floats) -> Floats:
    of = FAMILIES["Weibull"].log_density
    return _two_log(theta, of(theta[:, :2], log_age), of(theta[:, 2:4], log_age))


def _no_log_age(theta: Floats, log_survival: Floats) -> Floats:
    raise NotImplementedError("lives of a mixture by share are not asked for here")


#: Log scale and minus log shape of the first, of the second, logit of the first one's share.
_MIXTURE = Family("Weibull", 5, _log_survival, _log_density, _no_log_age, ())


def _scaled(data: FamilyData, scale: Floats) -> FamilyData:
    unit = scale[data.code]
    return FamilyData(
        data.n_strata, data.code, data.age / unit, data.age_lower / unit, data.entry / unit,
        data.failures, data.survivors,
    )  # fmt: skip


def _best(data: FamilyData, log_scale: Floats, log_shape: Floats) -> tuple[Floats, Floats]:
    """Return the highest inner maximum of each stratum and its value; -inf where there is none."""
    best = np.full((data.n_strata, 5), np.nan)
    top = np.full(data.n_strata, -np.inf)
    for cut in _CUTS:
        found, at, ended = climb(_MIXTURE, data, _start(data, cut, log_scale, log_shape))
        inner = ended & (np.exp(-found[:, [1, 3]]) < _LARGEST_SHAPE).all(axis=1)
        inner &= _each_has_failures(data, found)
        inner &= np.isfinite(at)
        better = inner & (at > top)
        best[better], top[better] = found[better], at[better]
    turned = best[:, 0] > best[:, 2]
    best[turned] = best[turned][:, [2, 3, 0, 1, 4]] * np.array([1, 1, 1, 1, -1.0])
    return best, top


def _start(data: FamilyData, cut: float, log_scale: Floats, log_shape: Floats) -> Floats:
    """Start from the moments of the log ages of early and of late failures."""
    failed = data.failures > 0
    code, weight = data.code[failed], data.failures[failed]
    log_age = np.log((data.age[failed] + data.age_lower[failed]) / 2)
    order = np.lexsort((log_age, code))
    total = sums_by(code, weight, data.n_strata)
    running = np.cumsum(weight[order])
    before = np.cumsum(total) - total
    place = np.empty(len(order))
    place[order] = (running - weight[order] / 2 - before[code[order]]) / total[code[order]]
    early = place <= cut
    theta = np.empty((data.n_strata, 5))
    for column, rows in ((0, early), (2, ~early)):
        number = np.maximum(sums_by(code[rows], weight[rows], data.n_strata), 1e-9)
        mean = sums_by(code[rows], (weight * log_age)[rows], data.n_strata) / number
        off = log_age[rows] - mean[code[rows]]
        spread = np.sqrt(sums_by(code[rows], weight[rows] * off**2, data.n_strata) / number)
        spread = np.clip(spread, 0.1, 3.0) / _SPREAD
        theta[:, column] = mean + _BELOW * spread
        theta[:, column + 1] = np.log(spread)
    # survivors belong to the late law: at least the scale that one law for all would have
    theta[:, 2] = np.maximum(theta[:, 2], log_scale)
    theta[:, 3] = np.maximum(theta[:, 3], -log_shape - 1.0)
    lives = sums_by(data.code, data.failures + data.survivors, data.n_strata)
    first = np.clip(cut * total / lives, 0.02, 0.98)
    theta[:, 4] = np.log(first / (1 - first))
    return theta


def _each_has_failures(data: FamilyData, theta: Floats) -> Flags:
    """Whether both laws stand for some failures, by the probabilities of each failure."""
    failed = data.failures > 0
    own = theta[data.code[failed]]
    log_age = np.log((data.age[failed] + data.age_lower[failed]) / 2)
    of = FAMILIES["Weibull"].log_density
    with np.errstate(over="ignore", invalid="ignore"):
        odds = own[:, 4] + of(own[:, :2], log_age) - of(own[:, 2:4], log_age)
    first = expit(np.where(np.isnan(odds), 0.0, odds)) * data.failures[failed]
    one = sums_by(data.code[failed], first, data.n_strata)
    other = sums_by(data.code, data.failures, data.n_strata) - one
    held: Flags = np.minimum(one, other) >= _FEWEST_OF_EACH
    return held


def _errors(data: FamilyData, theta: Floats) -> Floats:
    def value(at: Floats) -> Floats:
        return log_likelihoods(_MIXTURE, data, at)

    errors: Floats = np.sqrt(np.einsum("nii->ni", covariance(slopes(value, theta)[1])))
    return errors


def _result(
    theta: Floats,
    errors: Floats,
    value: Floats,
    unit: Floats,
    one: WeibullFits,
    status: NDArray[np.object_],
    level: float,
) -> MixtureFits:
    z = float(ndtri(0.5 + level / 2))
    low, high = theta - z * errors, theta + z * errors

    def scales(at: Floats) -> Floats:
        return np.exp(at[:, [0, 2]].T) * unit

    def shapes(at: Floats) -> Floats:
        return np.exp(-at[:, [1, 3]].T)

    with np.errstate(over="ignore"):  # infinite is the right limit of what is not known
        return MixtureFits(
            share=expit(theta[:, 4]),
            share_lower=expit(low[:, 4]),
            share_upper=expit(high[:, 4]),
            shape=shapes(theta),
            shape_lower=shapes(high),
            shape_upper=shapes(low),
            scale=scales(theta),
            scale_lower=scales(low),
            scale_upper=scales(high),
            log_likelihood=value,
            log_likelihood_of_one=one.log_likelihood,
            bic_gain=2 * (value - one.log_likelihood) - 3 * np.log(np.maximum(one.lives, 1.0)),
            lives=one.lives,
            failures=one.failures,
            status=status,
            confidence_level=level,
        )
