"""Trend tests of repeated events: Laplace, Lewis-Robinson, military handbook, reversals.

Layer: survival. Arrays in, one frozen result out; numpy and scipy.special only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtr, chdtrc, ndtr

from relkit.checks import share
from relkit.survival.event_histories import EventHistories, Truncation, failure_truncated
from relkit.survival.reversals import reversal_tests
from relkit.survival.risk_sets import sums_by

__all__ = ["TrendTests", "trend_test_results"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Events that a trend must rest on before a verdict is given (common practice).
LEAST_EVENTS = 5


@dataclass(frozen=True, slots=True, eq=False)
class TrendTests:
    """One row per stratum; p-values are two-sided unless the name says a side."""

    systems: Ints  #: systems under observation [1]
    events: Ints  #: [1]
    laplace: Floats  #: standard normal without trend; above 0: more and more often [1]
    laplace_p_value: Floats  #: [1]
    lewis_robinson: Floats  #: Laplace over the coefficient of variation of the gaps [1]
    lewis_robinson_p_value: Floats  #: [1]
    military_handbook: Floats  #: chi-square without trend; large: less and less often [1]
    military_handbook_degrees_of_freedom: Ints  #: [1]
    military_handbook_p_value: Floats  #: [1]
    military_handbook_p_improving: Floats  #: as large by chance: one-sided [1]
    military_handbook_p_worsening: Floats  #: as small by chance: one-sided [1]
    gap_trend: Floats  #: Lewis-Robinson on whole gaps only; above 0: gaps grow shorter [1]
    gap_trend_p_value: Floats  #: [1]
    reversals: Ints  #: pairs of gaps of a window of which the later is longer [1]
    reversals_expected: Floats  #: their mean number without trend [1]
    reversals_p_value: Floats  #: equal gaps taken as half a reversal [1]
    gap_variation: Floats  #: coefficient of variation of the gaps, 1 if purely random [1]
    truncation: NDArray[np.str_]  #: "time", "failure" or "mixed"
    verdict: NDArray[np.str_]  #: "no trend shown", "worsening", "improving", "tests disagree",
    #: "too few events to tell"
    reason: NDArray[np.str_]  #: the verdict's grounds and what follows, a sentence
    confidence_level: float


def trend_test_results(
    histories: EventHistories,
    *,
    truncation: Truncation = "from data",
    confidence_level: float = 0.95,
) -> TrendTests:
    """Trend tests of all strata, the systems of a stratum taken together.

    Time counts from the start of each window. The Laplace and military handbook tests ask
    whether events come at a constant rate by chance alone; Lewis-Robinson and the reversals
    ask whether the gaps are alike whatever their distribution, and so decide whether gaps may
    be taken as lives.

    Parameters
    ----------
    histories : EventHistories
        Windows of observation and events.
    truncation : {"from data", "time", "failure"}
        Whether observation ended at a set age or at an event; "from data" takes a window
        whose end is the age of its last event as ended by it.
    confidence_level : float
        The verdict takes p-values below 1 less this as a trend.

    Returns
    -------
    TrendTests
        A statistic that the data cannot give is NaN and the reason says why.

    Raises
    ------
    ValueError
        An option is not among its choices.

    Notes
    -----
    Gaps of a window are those between its events; one that begins at age 0 also gives the
    gap to its first event. The coefficient of variation is that of gaps over their system's
    mean gap. Where observation ends at a set age, regular gaps lift Lewis-Robinson: of 4,000
    untrended renewal processes (shape 1.6, some 10 events) it called 6.2 % worsening and 1.5 %
    improving at 0.95. ``gap_trend`` leaves the unfinished gap out and takes the variance over
    all orders of the gaps: it calls 5 % of these, and 2 % where gaps are irregular (shape
    0.8), rather than too many. Verdict (own rule): by ``gap_trend``
    where it can be worked out, else by Laplace; "tests disagree" where only the tests of a
    constant rate find a trend; no verdict below 5 events.

    References
    ----------
    .. [1] H. Ascher and H. Feingold, Repairable Systems Reliability, Dekker, 1984, ch. 5
       (chapter from memory).
    .. [2] P. A. W. Lewis and D. W. Robinson, in Reliability and Biometry, SIAM, 1974, 163-182.
    .. [3] MIL-HDBK-189, Reliability Growth Management, 1981.

    Examples
    --------
    >>> from relkit.survival.event_histories import event_histories
    >>> ages = [100.0, 180.0, 240.0, 280.0, 300.0, 310.0]
    >>> h = event_histories(ages, [0] * 6, start=[0.0], end=[315.0], end_system=[0])
    >>> trend_test_results(h).verdict.tolist()
    ['worsening']
    """
    level = share("confidence_level", confidence_level)
    at_event = failure_truncated(histories, truncation)
    h = histories
    counted = _without_last(h, at_event)
    laplace = _laplace(h, counted)
    handbook, freedom = _handbook(h, counted)
    gap, gap_window = _gaps(h)
    variation = _variation(gap, h.system[gap_window], h.stratum[gap_window], h.n_strata)
    lewis = laplace / np.where(variation > 0, variation, np.nan)
    reversed_ = reversal_tests(gap, gap_window, h.stratum, h.n_strata)
    below, above = chdtr(np.maximum(freedom, 1), handbook), chdtrc(np.maximum(freedom, 1), handbook)
    events = np.bincount(h.event_stratum, minlength=h.n_strata)
    along = _gap_trend(gap, gap_window, h)
    verdict, reason = _verdicts(events, laplace, along, (below, above), variation, level)
    held = h.per_window > 0
    windows = np.bincount(h.stratum[held], minlength=h.n_strata)
    ended = np.bincount(h.stratum[at_event], minlength=h.n_strata)
    owner = np.unique(h.stratum * (int(h.system.max(initial=0)) + 1) + h.system, return_index=True)
    return TrendTests(
        systems=np.bincount(h.stratum[owner[1]], minlength=h.n_strata),
        events=events,
        laplace=laplace,
        laplace_p_value=2 * ndtr(-np.abs(laplace)),
        lewis_robinson=lewis,
        lewis_robinson_p_value=2 * ndtr(-np.abs(lewis)),
        military_handbook=handbook,
        military_handbook_degrees_of_freedom=freedom,
        military_handbook_p_value=np.minimum(2 * np.minimum(below, above), 1.0),
        military_handbook_p_improving=above,
        military_handbook_p_worsening=below,
        gap_trend=along,
        gap_trend_p_value=2 * ndtr(-np.abs(along)),
        reversals=reversed_.reversals,
        reversals_expected=reversed_.expected,
        reversals_p_value=reversed_.p_value,
        gap_variation=variation,
        truncation=np.select([ended == 0, ended == windows], ["time", "failure"], "mixed"),
        verdict=verdict,
        reason=reason,
        confidence_level=level,
    )


def _without_last(histories: EventHistories, at_event: Bools) -> Bools:
    """Events that count: all but the one that set the end of its window."""
    window = histories.window
    last = np.append(np.flatnonzero(np.diff(window)), len(window) - 1)[: len(window)]
    counted = np.ones(len(window), bool)
    counted[last[at_event[window[last]]]] = False
    return counted


def _laplace(histories: EventHistories, counted: Bools) -> Floats:
    """Sum of event times about their windows' middles, over its standard error ([1])."""
    h = histories
    window = h.window[counted]
    length = (h.end - h.start)[window]
    middle = (h.end + h.start)[window] / 2
    code = h.stratum[window]
    total = sums_by(code, h.age[counted] - middle, h.n_strata)
    variance = sums_by(code, length**2 / 12, h.n_strata)
    return total / np.sqrt(np.where(variance > 0, variance, np.nan))


def _handbook(histories: EventHistories, counted: Bools) -> tuple[Floats, Ints]:
    """Twice the sum of log(end / time) with two degrees of freedom an event ([3])."""
    h = histories
    window = h.window[counted]
    elapsed, length = h.age[counted] - h.start[window], (h.end - h.start)[window]
    at_start = elapsed <= 0  # an event at once: the statistic has no value
    logs = np.where(at_start, np.nan, np.log(length / np.where(at_start, 1.0, elapsed)))
    n = np.bincount(h.stratum[window], minlength=h.n_strata)
    sums = 2 * sums_by(h.stratum[window], logs, h.n_strata)
    return np.where(n > 0, sums, np.nan), 2 * n


def _gaps(histories: EventHistories) -> tuple[Floats, Ints]:
    """Gaps between events within a window, in order, and the window of each."""
    h = histories
    opens = np.append(True, np.diff(h.window) > 0)[: len(h.window)]
    before = np.where(opens, h.start[h.window], np.append(0.0, h.age[:-1])[: len(h.age)])
    whole = ~opens | (h.start[h.window] == 0)
    return (h.age - before)[whole], h.window[whole]


def _variation(gap: Floats, system: Ints, stratum: Ints, n_strata: int) -> Floats:
    """Coefficient of variation of gaps about their system's mean, by stratum."""
    number = np.bincount(system)
    mean = sums_by(system, gap, 0) / np.maximum(number, 1)
    relative = gap / np.where(mean[system] > 0, mean[system], 1.0)
    square = sums_by(stratum, (relative - 1) ** 2, n_strata)
    owners = np.zeros(len(number), np.int64)
    owners[system] = stratum
    freedom = np.bincount(stratum, minlength=n_strata) - np.bincount(
        owners[number > 0], minlength=n_strata
    )
    enough = freedom >= 2
    return np.where(enough, np.sqrt(square / np.where(enough, freedom, 1)), np.nan)


def _gap_trend(gap: Floats, window: Ints, histories: EventHistories) -> Floats:
    """Shift of gap lengths with their order, over its standard error if all orders are alike.

    Sum of gap times rank about its mean; its variance over all orders of a window's n gaps is
    s^2 n (n^2 - 1) / 12 (own algebra; [2] has n^2 (n - 1) and divides the Laplace sum).
    """
    h = histories
    n = np.bincount(window, minlength=len(h.start))
    first = np.searchsorted(window, window)
    place = np.arange(len(gap)) - first
    mean = sums_by(window, gap, len(n)) / np.maximum(n, 1)
    away = gap - mean[window]
    shift = sums_by(window, -(place - (n[window] - 1) / 2) * away, len(n))
    square = sums_by(window, away**2, len(n)) / np.maximum(n - 1, 1)
    variance = sums_by(h.stratum, square * n * (n.astype(np.float64) ** 2 - 1) / 12, h.n_strata)
    freedom = sums_by(h.stratum, np.maximum(n - 1, 0), h.n_strata)
    told = (variance > 0) & (freedom >= 2)
    total = sums_by(h.stratum, shift, h.n_strata)
    return np.where(told, total / np.sqrt(np.where(told, variance, 1.0)), np.nan)


def _verdicts(
    events: Ints,
    laplace: Floats,
    along: Floats,
    handbook: tuple[Floats, Floats],
    variation: Floats,
    level: float,
) -> tuple[NDArray[np.str_], NDArray[np.str_]]:
    least = 1 - level
    told = np.isfinite(along)
    main = np.where(told, along, laplace)
    shown = 2 * ndtr(-np.abs(main)) < least
    rate_only = (2 * ndtr(-np.abs(laplace)) < least) | (
        2 * np.minimum(handbook[0], handbook[1]) < least
    )
    few = (events < LEAST_EVENTS) | ~np.isfinite(main)
    verdict = np.select(
        [few, shown & (main > 0), shown, rate_only],
        ["too few events to tell", "worsening", "improving", "tests disagree"],
        default="no trend shown",
    )
    return verdict, _reasons(verdict, events, told, main, variation)


def _reasons(
    verdict: NDArray[np.str_], events: Ints, told: Bools, main: Floats, variation: Floats
) -> NDArray[np.str_]:
    """Sentence for each verdict, built once per stratum."""
    follows = {
        "worsening": "Gaps grow shorter with age: do not take them as one life distribution.",
        "improving": "Gaps grow longer with age: do not take them as one life distribution.",
        "no trend shown": "Gaps between events may be taken as lives.",
        "tests disagree": (
            "Events do not come at a constant rate, yet the gaps show no clear trend: look for "
            "events in bursts before taking gaps as lives."
        ),
        "too few events to tell": f"At least {LEAST_EVENTS} events and three gaps are needed.",
    }
    rows = zip(verdict, events, told, main, variation, strict=True)
    return np.array(
        [
            f"{n} events, {'trend of gaps' if by_gaps else 'Laplace'} {value:+.2f}"
            f"{f', variation of gaps {cv:.2f}' if by_gaps else ''}. {follows[str(word)]}"
            if np.isfinite(value)
            else f"{n} events. {follows[str(word)]}"
            for word, n, by_gaps, value, cv in rows
        ],
        dtype=np.str_,
    )
