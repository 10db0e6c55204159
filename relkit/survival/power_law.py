"""Power-law process: does a repaired system fail more or less often as it ages.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from relkit.checks import positive, share
from relkit.survival.cramer_von_mises import cramer_von_mises_p_values
from relkit.survival.event_histories import EventHistories, Truncation, failure_truncated
from relkit.survival.power_law_limits import (
    normal_limits,
    rate_limits,
    shape_limits,
    time_between,
)
from relkit.survival.power_law_sums import (
    SHAPE_RANGE,
    PowerLawSums,
    power_law_shapes,
    power_law_sums,
)
from relkit.survival.risk_sets import sums_by

__all__ = ["PowerLawFits", "power_law_processes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class PowerLawFits:
    """One fit per stratum: mean number of events of a system by age t is (t / scale)^shape."""

    systems: Ints  #: systems under observation [1]
    events: Ints  #: [1]
    exposure: Floats  #: time under observation, all systems together [clock]
    shape: Floats  #: maximum likelihood; above 1: more and more often [1]
    shape_lower: Floats  #: [1]
    shape_upper: Floats  #: [1]
    shape_unbiased: Floats  #: given the number of events; systems seen from age 0 only [1]
    shape_conditional: Floats  #: maximum likelihood given each system's number of events [1]
    scale: Floats  #: age at which one event is expected [clock]
    scale_lower: Floats  #: [clock]
    scale_upper: Floats  #: [clock]
    multiplier: Floats  #: expected number of events by age t is multiplier t^shape [clock^-shape]
    multiplier_lower: Floats  #: with a given shape only: exact; else NaN
    multiplier_upper: Floats  #: likewise
    time_between_at_end: Floats  #: 1 / intensity of one system at the latest end [clock]
    time_between_lower: Floats  #: [clock]
    time_between_upper: Floats  #: [clock]
    log_likelihood: Floats  #: [1]
    cramer_von_mises: Floats  #: distance of the data from the model [1]
    cramer_von_mises_p_value: Floats  #: small: the power law does not hold [1]
    truncation: NDArray[np.str_]  #: "time", "failure" or "mixed"
    limits: NDArray[np.str_]  #: "exact", "fisher", "given" or "" of the shape's limits
    status: NDArray[np.str_]  #: "ok", or why there is no fit
    confidence_level: float


def power_law_processes(
    histories: EventHistories,
    *,
    shape: ArrayLike | None = None,
    truncation: Truncation = "from data",
    limits: Literal["exact", "fisher"] = "exact",
    confidence_level: float = 0.95,
) -> PowerLawFits:
    """Power-law fits of all strata, one or several like systems in each.

    Assumes minimal repair: an event leaves its system as it was just before, and all systems
    of a stratum follow one intensity in their age.

    Parameters
    ----------
    histories : EventHistories
        Windows of observation may start late; ages are those of the system.
    shape : array_like, shape (n_strata,) or scalar, optional
        Shape taken as known, above 0: then only the multiplier is fitted. [1]
    truncation : {"from data", "time", "failure"}
        Whether observation ended at a set age or at an event, of all systems; "from data"
        takes a system whose end is the age of its last event as failure-truncated.
    limits : {"exact", "fisher"}
        Of the shape. Exact limits are conditional on the numbers of events; they exist where
        systems are seen from age 0. Elsewhere, and for "fisher", normal on the log scale.
    confidence_level : float
        Two-sided, between 0 and 1.

    Returns
    -------
    PowerLawFits
        A stratum without a fit holds NaN and says why in ``status``.

    Raises
    ------
    ValueError
        ``shape`` is not above 0, or an option is not among its choices.

    Notes
    -----
    ``time_between_at_end`` uses the unbiased shape and the approximate limits of [2]_ where
    all systems are seen from 0 to one age; elsewhere the maximum likelihood intensity with
    normal limits on the log scale. Limits of the scale are normal on the log scale: at some 25
    events those of 95 % cover 92 % (simulated).

    References
    ----------
    .. [1] L. H. Crow, Reliability Analysis for Complex, Repairable Systems, AMSAA Technical
       Report 138, 1975 (issued 1974).
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.5.2.

    Examples
    --------
    >>> from relkit.survival.event_histories import event_histories
    >>> h = event_histories([1.0, 4.0], [0, 0], start=[0.0], end=[16.0], end_system=[0])
    >>> power_law_processes(h).shape.round(4).tolist()
    [0.4809]
    """
    level = share("confidence_level", confidence_level)
    if limits not in ("exact", "fisher"):
        raise ValueError(f"limits is {limits!r}: give 'exact' or 'fisher'")
    at_event = failure_truncated(histories, truncation)
    sums = power_law_sums(histories, at_event)
    status = _status(histories, sums)
    fitted = status == "ok"
    if shape is None:
        beta = power_law_shapes(sums, fitted)
        at_bound = (beta <= SHAPE_RANGE[0] * 1.01) | (beta >= SHAPE_RANGE[1] * 0.99)
        status = np.where(at_bound, "no finite maximum", status)
        beta = np.where(at_bound, np.nan, beta)
    else:
        beta = np.broadcast_to(positive("shape", shape), fitted.shape).astype(np.float64)
        status = np.where(status == "all at the end", "ok", status)
    return _result(histories, sums, at_event, beta, status, (shape is not None, limits, level))


def _status(histories: EventHistories, sums: PowerLawSums) -> NDArray[np.str_]:
    h, n_strata = histories, histories.n_strata
    at_end = np.bincount(
        h.event_stratum[h.age == h.end[h.window]], minlength=n_strata
    )  # such events say nothing of the shape
    none_at_risk = sums_by(h.stratum, h.end - h.start, n_strata) <= 0
    return np.select(
        [none_at_risk, sums.n == 0, ~np.isfinite(sums.log_age), at_end == sums.n],
        ["no exposure", "no failures", "event at age 0", "all at the end"],
        default="ok",
    )


def _result(
    histories: EventHistories,
    sums: PowerLawSums,
    at_event: Bools,
    beta: Floats,
    status: NDArray[np.str_],
    choice: tuple[bool, str, float],
) -> PowerLawFits:
    given, _, level = choice
    h, n_strata = histories, histories.n_strata
    held = np.isfinite(beta) & (status != "no exposure") & (status != "event at age 0")
    safe = np.where(held, beta, 1.0)
    normal = normal_limits(sums, safe, level)
    kind, shape_low, shape_high = shape_limits(sums, normal, held, choice)
    rate = rate_limits(sums, safe, level)
    with np.errstate(over="ignore", under="ignore", divide="ignore"):  # 0 and inf are the limits
        multiplier = [part * sums.unit**-safe for part in rate]
        if given:
            at_low, at_high = rate[2] ** (-1 / safe), rate[1] ** (-1 / safe)
            scale = (sums.unit * rate[0] ** (-1 / safe), sums.unit * at_low, sums.unit * at_high)
        else:
            scale = normal.scale
    between = time_between(sums, h, normal, given, level)
    none = np.full(n_strata, np.nan)
    distance, p_value = _distance(h, sums, at_event, np.where(held, beta, np.nan))
    pivot = np.where(sums.pivot > 0, sums.pivot, np.nan)
    system = h.stratum * (int(h.system.max(initial=0)) + 1) + h.system
    first = np.unique(system, return_index=True)[1]

    def shown(values: Floats) -> Floats:
        return np.where(held, values, np.nan)

    return PowerLawFits(
        systems=np.bincount(h.stratum[first], minlength=n_strata),
        events=sums.n,
        exposure=sums_by(h.stratum, h.end - h.start, n_strata),
        shape=shown(beta),
        shape_lower=shape_low,
        shape_upper=shape_high,
        shape_unbiased=np.where(sums.pivot_events > 1, (sums.pivot_events - 1) / pivot, np.nan),
        shape_conditional=np.where(sums.pivot_events > 0, sums.pivot_events / pivot, np.nan),
        scale=shown(scale[0]),
        scale_lower=shown(scale[1]),
        scale_upper=shown(scale[2]),
        multiplier=shown(multiplier[0]),
        multiplier_lower=shown(multiplier[1]) if given else none,
        multiplier_upper=shown(multiplier[2]) if given else none,
        time_between_at_end=shown(between[0]),
        time_between_lower=shown(between[1]),
        time_between_upper=shown(between[2]),
        log_likelihood=shown(_log_likelihood(sums, safe, rate[0])),
        cramer_von_mises=distance,
        cramer_von_mises_p_value=p_value,
        truncation=_truncation_words(h, at_event),
        limits=kind,
        status=status,
        confidence_level=level,
    )


def _log_likelihood(sums: PowerLawSums, beta: Floats, rate: Floats) -> Floats:
    """Log-likelihood of the intensity rate beta t^(beta - 1), in the clock's unit."""
    n = sums.n
    with np.errstate(divide="ignore", invalid="ignore"):  # no events: told by the status
        log_intensity = np.log(rate * beta) - np.log(sums.unit)
        whole = n * log_intensity + (beta - 1) * sums.log_age - rate * sums.spent(beta)
    return np.where(n > 0, whole, -rate * sums.spent(beta))


def _distance(
    histories: EventHistories, sums: PowerLawSums, at_event: Bools, beta: Floats
) -> tuple[Floats, Floats]:
    """Cramer-von Mises distance with the unbiased shape, and its p-value, by stratum."""
    h = histories
    last = np.append(np.flatnonzero(np.diff(h.window)), len(h.window) - 1)[: len(h.window)]
    dropped = last[at_event[h.window[last]]]  # fixed by the end it set: says nothing
    kept = np.ones(len(h.age), bool)
    kept[dropped] = False
    window, age = h.window[kept], h.age[kept]
    code = h.stratum[window]
    n = np.bincount(code, minlength=h.n_strata)
    pivot = np.where(sums.pivot > 0, sums.pivot, np.nan)
    shape = np.where(np.isnan(pivot), beta * (n - 1) / np.maximum(n, 1), (n - 1) / pivot)
    shape = np.where(np.isnan(beta) | (n < 2), np.nan, shape)[code]
    end = h.end[window]
    low = np.where(h.start[window] > 0, (h.start[window] / end) ** shape, 0.0)
    place = ((age / end) ** shape - low) / (1 - low)
    order = np.lexsort((place, code))
    rank = np.arange(len(code)) - np.searchsorted(code[order], code[order])
    size = n[code[order]]
    square = (place[order] - (2 * rank + 1) / (2 * size)) ** 2
    total = sums_by(code[order], square, h.n_strata)
    distance = np.where(n > 1, 1 / (12 * np.maximum(n, 1)) + total, np.nan)
    return distance, cramer_von_mises_p_values(distance, n)


def _truncation_words(histories: EventHistories, at_event: Bools) -> NDArray[np.str_]:
    """How the windows that hold events ended, by stratum; "time" where there are none."""
    held = histories.per_window > 0
    windows = np.bincount(histories.stratum[held], minlength=histories.n_strata)
    ended = np.bincount(histories.stratum[at_event], minlength=histories.n_strata)
    return np.select([ended == 0, ended == windows], ["time", "failure"], default="mixed")
