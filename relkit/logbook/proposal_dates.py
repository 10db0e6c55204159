"""The order of day, month and year of one source, decided by evidence over all its dates.

Layer: logbook. Never row by row; where the evidence does not decide, nothing is decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.dates import FORMS, ORDERS, parse_dates

__all__ = ["DateEvidence", "date_order", "date_share"]

Texts = NDArray[np.object_]
Dates = NDArray[np.datetime64]

#: From so many telling pairs of rows on, and with such a share for one order, it is decided.
LEAST_PAIRS, LEAST_SHARE = 10, 0.8

#: Among the dates that fit one order only, so few of another are slips of the pen.
SLIPS = 0.02

#: So many dates must be read before their spread over months says something.
LEAST_SPREAD = 24


@dataclass(frozen=True, slots=True, eq=False)
class DateEvidence:
    """What speaks for one order of a source's dates."""

    order: str  #: blank where it is not decided
    reasons: tuple[str, ...]  #: plain sentences, whatever the outcome
    candidates: tuple[str, ...]  #: orders that are left where it is not decided
    plain: bool  #: the dates cannot be meant otherwise: nothing to confirm


def date_share(texts: Texts) -> float:
    """Share of the filled cells that are dates under the order that fits most of them.

    Cells that hold only a whole number are none, though a spreadsheet would take them for days.
    """
    filled = texts[texts != ""]
    if not len(filled):
        return 0.0
    words = pd.Series(filled[:5000], dtype=object)
    bare = words.str.fullmatch(r"[+-]?\d+([.,]\d+)?").to_numpy(dtype=bool)
    if bare.mean() > 0.5:
        return 0.0
    found = max(_parsed(words.to_numpy(dtype=object), order)[1] for order in ORDERS)
    return float(found)


def date_order(
    columns: Sequence[Texts],
    *,
    jobs: Texts | None = None,
    vehicles: Texts | None = None,
    meters: NDArray[np.float64] | None = None,
) -> DateEvidence:
    """Order of day, month and year, and what speaks for it.

    Parameters
    ----------
    columns : sequence of arrays of str
        The date columns of one source, the main one first.
    jobs : array of str, optional
        Job numbers: they rise with time.
    vehicles : array of str, optional
        With ``meters``: the readings of one vehicle rise with time.
    meters : array of float, optional
        Meter readings, NaN where blank.

    Returns
    -------
    DateEvidence
        Decided where dates fit one order only; else by the order of job numbers, the order of
        meter readings, the order of the rows, or dates that stay within one month or one day of
        the month; not decided where these are silent or do not agree.
    """
    whole = np.concatenate(columns)
    whole = whole[whole != ""]
    if not len(whole):
        return DateEvidence("year first", ("no cell is filled",), (), True)
    dates = {order: _parsed(whole, order)[0] for order in ORDERS}
    fits = {order: ~np.isnat(found) for order, found in dates.items()}
    best = max(ORDERS, key=lambda order: int(fits[order].sum()))
    if not fits[best].any():
        return DateEvidence("", ("no cell is a date",), tuple(ORDERS), False)
    if _four_digit_years(whole, fits["year first"]):
        reason = "every date begins with a year of four digits"
        return DateEvidence("year first", (reason,), (), True)
    same = [order for order in ORDERS if _alike(dates[order], dates[best])]
    if "day first" in same and "month first" in same:
        reason = "the month is written as a word, or day and month are the same, in every date"
        return DateEvidence("day first", (reason,), (), True)
    only = _fitting_only_one(fits)
    reasons = [
        f"{count:,} of {len(whole):,} dates can only be {order}"
        for order, count in only.items()
        if count
    ]
    winner, other = _first_two(only)
    if only[winner] and only[other] <= SLIPS * only[winner]:
        return DateEvidence(winner, tuple(reasons), (), False)
    left = tuple(order for order in ORDERS if fits[order].mean() > 0.5)
    if only[winner]:
        return DateEvidence("", (*reasons, "the two contradict each other"), left, False)
    return _by_other_evidence(columns[0], left, jobs, vehicles, meters)


def _by_other_evidence(
    texts: Texts,
    left: tuple[str, ...],
    jobs: Texts | None,
    vehicles: Texts | None,
    meters: NDArray[np.float64] | None,
) -> DateEvidence:
    """Decide between orders that all fit, by what should rise with time."""
    dates = {order: _parsed(texts, order)[0] for order in left}
    votes: list[tuple[str, str]] = []
    if jobs is not None:
        votes.append(_vote(dates, _by_number(jobs), "job numbers"))
    if meters is not None and vehicles is not None:
        votes.append(_vote(dates, _by_meter(vehicles, meters), "meter readings of each vehicle"))
    votes.append(_vote(dates, [np.arange(len(texts))], "rows of the file"))
    votes += [_spread_vote(dates), _years_vote(dates)]
    reasons = [f"no date tells by itself whether it is {' or '.join(left)}"]
    reasons += [reason for _, reason in votes if reason]
    named = {order for order, _ in votes if order}
    if len(named) == 1:
        return DateEvidence(named.pop(), tuple(reasons), (), False)
    if len(named) > 1:
        reasons.append("these contradict each other")
    return DateEvidence("", tuple(reasons), left, False)


def _parsed(texts: Texts, order: str) -> tuple[Dates, float]:
    """Dates under an order, and the share of the texts that are dates."""
    parsed = parse_dates(texts, order, first_year=1900)
    serial = (parsed.forms & FORMS["spreadsheet serial number"]) > 0
    dates = np.where(serial, np.datetime64("NaT", "ns"), parsed.dates)
    return dates, float((~np.isnat(dates)).mean()) if len(dates) else 0.0


def _four_digit_years(texts: Texts, fits: NDArray[np.bool_]) -> bool:
    """Whether all dates that can be read at all begin with a year of four digits."""
    words = pd.Series(texts, dtype=object)
    leading = words.str.match(r"\d{4}").to_numpy(dtype=bool)
    return bool(leading[fits].all()) and bool(fits[leading].any()) and leading.mean() > 0.5


def _alike(first: Dates, second: Dates) -> bool:
    return bool(((first == second) | (np.isnat(first) & np.isnat(second))).all())


def _fitting_only_one(fits: dict[str, NDArray[np.bool_]]) -> dict[str, int]:
    """How many dates fit each order and no other one."""
    count = sum(found.astype(np.int64) for found in fits.values())
    return {order: int((found & (count == 1)).sum()) for order, found in fits.items()}


def _first_two(counts: dict[str, int]) -> tuple[str, str]:
    ranked = sorted(counts, key=lambda order: -counts[order])
    return ranked[0], ranked[1]


def _by_number(jobs: Texts) -> list[NDArray[np.int64]]:
    """Rows in the order of the job numbers of each form ("J", "WO-"), one list for each form."""
    words = pd.Series(jobs, dtype=object)
    parts = words.str.extract(r"^(?P<form>\D*)(?P<number>\d+)$")
    known = parts.dropna()
    number = pd.to_numeric(known["number"])
    return [
        number[rows].sort_values(kind="stable").index.to_numpy()
        for _, rows in known.groupby("form").groups.items()
    ]


def _by_meter(vehicles: Texts, meters: NDArray[np.float64]) -> list[NDArray[np.int64]]:
    """Rows of each vehicle in the order of its readings."""
    table = pd.DataFrame({"vehicle": vehicles, "meter": meters}).dropna()
    table = table[table["vehicle"] != ""].sort_values(["vehicle", "meter"], kind="stable")
    return [rows.to_numpy() for rows in table.groupby("vehicle").groups.values()]


def _vote(
    dates: dict[str, Dates], lists: Sequence[NDArray[np.int64]], what: str
) -> tuple[str, str]:
    """Order under which dates rise along the lists where another one would make them fall."""
    rises: dict[str, NDArray[np.bool_]] = {}
    known = np.ones(sum(max(len(rows) - 1, 0) for rows in lists), dtype=bool)
    for order, found in dates.items():
        steps = [np.diff(found[rows]).astype("timedelta64[s]").astype(np.int64) for rows in lists]
        good = [~np.isnat(found[rows][1:]) & ~np.isnat(found[rows][:-1]) for rows in lists]
        rises[order] = np.concatenate([step >= 0 for step in steps] or [known[:0]])
        known &= np.concatenate([*good, known[:0]])
    if len(rises) < 2:
        return "", ""
    count = sum(found.astype(np.int64) for found in rises.values())
    telling = known & (count > 0) & (count < len(rises))
    pairs = int(telling.sum())
    if pairs < LEAST_PAIRS:
        return "", f"the {what} do not tell ({pairs} telling pairs, {LEAST_PAIRS} are needed)"
    share = {order: float(found[telling].mean()) for order, found in rises.items()}
    best = max(share, key=lambda order: share[order])
    said = f"along the {what} dates rise in {share[best]:.0%} of {pairs:,} telling pairs"
    if share[best] < LEAST_SHARE:
        return "", f"{said} as {best}: too few to tell"
    return best, f"{said} if they are {best}"


def _spread_vote(dates: dict[str, Dates]) -> tuple[str, str]:
    """Order under which one day of the month comes again and again, through several months."""
    monthly = []
    for order, found in dates.items():
        known = found[~np.isnat(found)]
        months = len(np.unique(known.astype("datetime64[M]")))
        days = known.astype("datetime64[D]") - known.astype("datetime64[M]").astype("datetime64[D]")
        if len(known) >= LEAST_SPREAD and len(np.unique(days)) == 1 and months > 1:
            monthly.append(order)
    if len(monthly) != 1:
        return "", ""
    return monthly[0], f"as {monthly[0]} all dates are the same day of the month, month by month"


def _years_vote(dates: dict[str, Dates]) -> tuple[str, str]:
    """Order under which the dates fall into far fewer years: two-digit years tell so."""
    years = {
        order: len(np.unique(found[~np.isnat(found)].astype("datetime64[Y]")))
        for order, found in dates.items()
    }
    ranked = sorted(years, key=lambda order: years[order])
    if len(ranked) < 2 or years[ranked[0]] * 3 > years[ranked[1]]:
        return "", ""
    best, other = ranked[0], ranked[1]
    return best, (
        f"as {best} the dates lie in {years[best]} years, as {other} they would in {years[other]}"
    )
