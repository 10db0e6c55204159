"""How far repairs restore a system: virtual ages after Kijima, with the profile of the factor.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, chdtri

from relkit.checks import share
from relkit.survival.event_histories import EventHistories
from relkit.survival.observed import ObservedLives
from relkit.survival.strata import sorted_strata
from relkit.survival.weibull import own_fits

__all__ = ["FACTORS", "Reach", "RestorationFits", "restoration_fits"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: What a repair reaches: the wear since the last one (Kijima's first model) or all (his second).
Reach = Literal["last gap", "whole age"]
#: Factors tried: 0 as new after each repair, 1 as old as before it.
FACTORS: Floats = np.linspace(0.0, 1.0, 51)
#: Events below which a stratum has no factor.
_FEWEST = 3


@dataclass(frozen=True, slots=True, eq=False)
class RestorationFits:
    """Restoration factor of each stratum; arrays (n_strata,) unless stated."""

    systems: Ints  #: systems seen from age 0 [1]
    events: Ints  #: their events, those at one instant counted once [1]
    left_out: Ints  #: windows that start later, so that earlier repairs are unknown [1]
    factor: Floats  #: most likely factor, 0: as new, 1: as old [1]
    factor_lower: Floats  #: by likelihood ratio, 0 where the profile does not fall so far [1]
    factor_upper: Floats  #: likewise 1 [1]
    shape: Floats  #: Weibull shape of the first failure at that factor [1]
    scale: Floats  #: and scale [clock]
    p_as_new: Floats  #: likelihood-ratio p-value of factor 0, chi-square with one degree [1]
    p_as_old: Floats  #: the same of factor 1 [1]
    profile: Floats  #: greatest log-likelihood for each of ``FACTORS``, (n_strata, n) [1]
    status: NDArray[np.object_]  #: "ok", or why there is no factor
    confidence_level: float


def restoration_fits(
    histories: EventHistories, *, reach: Reach = "last gap", confidence_level: float = 0.95
) -> RestorationFits:
    """Restoration factor of the systems of each stratum, with its profile.

    A repair leaves a virtual age: ``factor`` times the gap before it, added to what was left
    before ("last gap"), or ``factor`` times the whole virtual age reached ("whole age"). The next
    failure follows a Weibull law from that virtual age on. Assumes that all repairs of a
    stratum restore by one factor and that all systems are alike.

    Parameters
    ----------
    histories : EventHistories
        Events of systems; only windows from age 0 are used, since virtual age needs all repairs.
    reach : {"last gap", "whole age"}
        What a repair works on.
    confidence_level : float
        Two-sided, between 0 and 1. [1]

    Raises
    ------
    ValueError
        ``reach`` is neither of the two, or ``confidence_level`` not between 0 and 1.

    Notes
    -----
    For a given factor the virtual ages are ages at entry and at end of a Weibull fit, so that
    the profile is a batch of such fits, for factors in steps of 0.02; between them a parabola.
    The estimate is fragile: it needs dozens of events, wear (with a shape of 1 nothing tells the
    factor) and like systems; unlike systems look like repairs that restore little.

    References
    ----------
    .. [1] M. Kijima, Some results for repairable systems with general repair, Journal of Applied
       Probability 26, 1989, 89-102 (models I and II; from memory).
    """
    level = share("confidence_level", confidence_level)
    if reach not in get_args(Reach):
        raise ValueError(f"reach is {reach!r}: give one of {', '.join(get_args(Reach))}")
    n = histories.n_strata
    used = histories.start == 0
    gaps = _gaps(histories, used)
    systems = np.bincount(histories.stratum[used], minlength=n)
    left_out = np.bincount(histories.stratum[~used], minlength=n)
    events = np.bincount(gaps.stratum[gaps.failed], minlength=n)
    profile = np.full((n, len(FACTORS)), np.nan)
    shape, scale = np.full_like(profile, np.nan), np.full_like(profile, np.nan)
    for column, factor in enumerate(FACTORS):
        fits = own_fits(_lives(gaps, _virtual_ages(gaps, float(factor), reach), n))
        good = fits.status == "ok"
        profile[good, column] = fits.log_likelihood[good]
        shape[:, column], scale[:, column] = fits.shape, fits.scale
    status = np.full(n, "ok", dtype=object)
    status[np.isnan(profile).all(axis=1)] = "no fit"
    status[events < _FEWEST] = "too few events"
    status[systems == 0] = "no system seen from age 0"
    profile[status != "ok"] = np.nan
    return _result(profile, (shape, scale), (systems, events, left_out), status, level)


@dataclass(frozen=True, slots=True, eq=False)
class _Gaps:
    """Times between events, one row each, by window and in order of age."""

    stratum: Ints
    order: Ints  # place in its window, from 0
    before: Floats  # age of the system when it began
    length: Floats
    failed: NDArray[np.bool_]


def _gaps(histories: EventHistories, used: NDArray[np.bool_]) -> _Gaps:
    kept = used[histories.window] & (histories.age > 0)
    window = np.concatenate([histories.window[kept], np.flatnonzero(used)])
    age = np.concatenate([histories.age[kept], histories.end[used]])
    failed = np.repeat([True, False], [int(kept.sum()), int(used.sum())])
    order = np.lexsort((~failed, age, window))  # an event at the end comes before the end
    window, age, failed = window[order], age[order], failed[order]
    opens = np.append(True, window[1:] != window[:-1])[: len(window)]
    before = np.where(opens, 0.0, np.append(0.0, age[:-1])[: len(age)])
    real = age > before  # repairs at one instant are one; nothing is left after an event at the end
    window, age, failed, before = window[real], age[real], failed[real], before[real]
    opens = np.append(True, window[1:] != window[:-1])[: len(window)]
    place = np.arange(len(window)) - np.maximum.accumulate(
        np.where(opens, np.arange(len(window)), 0)
    )
    return _Gaps(histories.stratum[window], place, before, age - before, failed)


def _virtual_ages(gaps: _Gaps, factor: float, reach: Reach) -> Floats:
    """Virtual age at the beginning of each gap."""
    if reach == "last gap":
        return factor * gaps.before
    virtual = np.zeros(len(gaps.before))
    for place in range(1, int(gaps.order.max(initial=0)) + 1):
        rows = np.flatnonzero(gaps.order == place)
        virtual[rows] = factor * (virtual[rows - 1] + gaps.length[rows - 1])
    return virtual


def _lives(gaps: _Gaps, virtual: Floats, n_strata: int) -> ObservedLives:
    strata = sorted_strata(gaps.stratum, n_strata)
    return ObservedLives(
        strata=strata,
        age=strata.arranged(virtual + gaps.length),
        failures=strata.arranged(gaps.failed.astype(np.float64)),
        entry=strata.arranged(virtual),
        count=None,
        age_lower=None,
    )


def _result(
    profile: Floats,
    parameters: tuple[Floats, Floats],
    counts: tuple[Ints, Ints, Ints],
    status: NDArray[np.object_],
    level: float,
) -> RestorationFits:
    n = len(profile)
    columns = {name: np.full(n, np.nan) for name in ("factor", "lower", "upper", "new", "old")}
    at = np.zeros(n, dtype=np.intp)
    half = float(chdtri(1, 1 - level)) / 2
    for i in np.flatnonzero(status == "ok"):
        row = profile[i]
        at[i] = int(np.nanargmax(row))
        place, top = _top(row, at[i])
        columns["factor"][i] = place
        columns["lower"][i], columns["upper"][i] = _ends(row, at[i], top - half)
        columns["new"][i] = chdtrc(1, max(0.0, 2 * (top - row[0])))
        columns["old"][i] = chdtrc(1, max(0.0, 2 * (top - row[-1])))
    rows = np.arange(n)
    held = status == "ok"
    systems, events, left_out = counts
    return RestorationFits(
        systems=systems,
        events=events,
        left_out=left_out,
        factor=columns["factor"],
        factor_lower=columns["lower"],
        factor_upper=columns["upper"],
        shape=np.where(held, parameters[0][rows, at], np.nan),
        scale=np.where(held, parameters[1][rows, at], np.nan),
        p_as_new=columns["new"],
        p_as_old=columns["old"],
        profile=profile,
        status=status,
        confidence_level=level,
    )


def _top(row: Floats, at: int) -> tuple[float, float]:
    """Return place and height of the greatest value, by a parabola where it has neighbours."""
    if not 0 < at < len(row) - 1 or np.isnan(row[[at - 1, at + 1]]).any():
        return float(FACTORS[at]), float(row[at])
    left, here, right = row[at - 1 : at + 2]
    bend = left - 2 * here + right
    off = (left - right) / (2 * bend) if bend < 0 else 0.0
    step = FACTORS[1] - FACTORS[0]
    return float(FACTORS[at] + off * step), float(here + off * (right - left) / 4)


def _ends(row: Floats, at: int, level: float) -> tuple[float, float]:
    """Return the factors next to the best at which the profile crosses the level."""
    ends = []
    for step in (-1, 1):
        i = at
        while 0 <= i + step < len(row) and row[i + step] >= level:
            i += step
        j = i + step
        if not 0 <= j < len(row) or np.isnan(row[j]):
            ends.append(FACTORS[i])
            continue
        share_of_step = (row[i] - level) / (row[i] - row[j]) if row[i] > row[j] else 0.0
        ends.append(FACTORS[i] + share_of_step * (FACTORS[j] - FACTORS[i]))
    return float(ends[0]), float(ends[1])
