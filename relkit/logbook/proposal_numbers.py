"""Decimal and thousands signs of a source, and what its meters count, by evidence.

Layer: logbook. Where the evidence does not decide, nothing is decided.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.numbers import parse_numbers
from relkit.logbook.proposal_headers import counter_of_header

__all__ = ["MeterEvidence", "SignEvidence", "meter_evidence", "number_share", "number_signs"]

Texts = NDArray[np.object_]

#: (decimal, thousands), the plainest first.
SIGNS = ((".", ""), (",", ""), (".", ","), (",", "."), (".", " "), (",", " "))

#: Share of the cells of a column of numbers that are numbers.
LEAST_NUMBERS = 0.8

#: So many different numbers, all with three digits behind each sign, are thousands: of as many
#: with decimals some would have one or two (common practice).
LEAST_GROUPED = 20

#: More than this in a day is no running time [h].
HOURS_A_DAY = 24.0

#: Steps of one vehicle's meter, in order of time, that may fall before it is no meter.
FALLING = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class SignEvidence:
    """What speaks for the signs of a source."""

    decimal: str
    thousands: str
    reasons: tuple[str, ...]
    decided: bool  #: False: a person has to say
    plain: bool  #: whole numbers, or points before other than three digits: nothing to confirm


@dataclass(frozen=True, slots=True, eq=False)
class MeterEvidence:
    """What a column of meter readings seems to count."""

    counter: str  #: name for the study; blank where it is no meter
    reasons: tuple[str, ...]
    sure: bool  #: header and rates agree


def number_share(texts: Texts) -> float:
    """Share of the filled cells that are numbers under the signs that fit most of them."""
    filled = texts[texts != ""][:5000]
    if not len(filled):
        return 0.0
    shares = [
        1.0 - float(parse_numbers(filled, decimal=sign, thousands=group, unit=unit).unusable.mean())
        for sign, group in SIGNS
        for unit in ("", "hours", "km", "money")
    ]
    return max(shares)


def number_signs(columns: Sequence[Texts], *, typed: bool = False) -> SignEvidence:
    """Return the decimal and thousands signs of the number columns of one source.

    Parameters
    ----------
    columns : sequence of arrays of str
        Cells of the columns of numbers.
    typed : bool
        The numbers come from typed cells of a workbook, not from text.
    """
    whole = pd.Series(np.concatenate([*columns, np.array([], dtype=object)]), dtype=object)
    whole = whole[whole != ""]
    if typed or whole.empty:
        return SignEvidence(".", "", (), True, True)
    marked = whole[whole.str.contains(r"\d[.,]\d|\d \d{3}\b", regex=True)]
    if marked.empty:
        return SignEvidence(".", "", ("all numbers are whole",), True, True)
    comma = int(marked.str.contains(r",(?!\d{3}\b)\d+\D*$", regex=True).sum())
    point = int(marked.str.contains(r"\.(?!\d{3}\b)\d+\D*$", regex=True).sum())
    both_comma = int(marked.str.contains(r"\d\.\d{3},", regex=True).sum())
    both_point = int(marked.str.contains(r"\d,\d{3}\.", regex=True).sum())
    blank = bool(marked.str.contains(r"\d \d{3}\b", regex=True).any())
    for_comma, for_point = comma + both_comma, point + both_point
    reasons = tuple(
        f"{count:,} of {len(whole):,} numbers have a decimal {name}"
        for name, count in (("comma", for_comma), ("point", for_point))
        if count
    )
    if for_comma and not for_point:
        dotted = both_comma or bool(marked.str.contains(r"\d\.\d{3}\b", regex=True).any())
        return SignEvidence(",", "." if dotted else " " if blank else "", reasons, True, False)
    if for_point and not for_comma:
        grouped = both_point or bool(marked.str.contains(r"\d,\d{3}\b", regex=True).any())
        group = "," if grouped else " " if blank else ""
        return SignEvidence(".", group, reasons, True, not group)
    if blank and not for_point:
        return SignEvidence(".", " ", ("blanks part the thousands",), True, False)
    if for_comma and for_point:
        return SignEvidence(".", "", (*reasons, "a file should have one of them"), False, False)
    sign = "," if marked.str.contains(",", regex=False).all() else "."
    form = rf"\D*\d{{1,3}}(?:{re.escape(sign)}\d{{3}})+\D*"
    in_threes = bool(marked.str.fullmatch(form).all())
    if in_threes and marked.nunique() >= LEAST_GROUPED and not for_point and not for_comma:
        said = f'each "{sign}" stands before three digits, in {len(marked):,} numbers: no decimals'
        return SignEvidence("." if sign == "," else ",", sign, (said,), True, False)
    example = str(marked.iloc[0])
    why = (
        f'"{example}" may be a number of thousands or one with three decimals',
        *reasons,
    )
    return SignEvidence(".", "", why, False, False)


def meter_evidence(
    header: str,
    readings: NDArray[np.float64],
    vehicles: Texts | None,
    dates: NDArray[np.datetime64] | None,
) -> MeterEvidence:
    """Return what a column counts, by its header and by how much a vehicle adds to it in a day.

    Parameters
    ----------
    header : str
        What the file calls the column.
    readings : array of float
        NaN where blank.
    vehicles : array of str, optional
        Vehicle of each row.
    dates : array of datetime64, optional
        Date of each row, NaT where unknown.
    """
    named = counter_of_header(header)
    rate, steps, falling = _daily_use(readings, vehicles, dates)
    if steps < 10:
        reason = "too few readings of one vehicle at known dates to see how fast it rises"
        return MeterEvidence(named, (reason,), False)
    if falling > FALLING:
        reason = f"falls in {falling:.0%} of {steps:,} steps of a vehicle: no meter"
        return MeterEvidence("", (reason,), False)
    said = f"a vehicle adds {rate:,.3g} in a day (middle of {steps:,} steps)"
    if named == "engine_hours" and rate > HOURS_A_DAY:
        return MeterEvidence("", (f"{said}: more than 24 hours, whatever the header says",), False)
    if named:
        return MeterEvidence(named, (said,), named == "engine_hours" or rate > 1.0)
    if rate <= HOURS_A_DAY:
        return MeterEvidence("engine_hours", (f"{said}: can be hours, not many km",), False)
    return MeterEvidence("km", (f"{said}: no hours; km or miles",), False)


def _daily_use(
    readings: NDArray[np.float64],
    vehicles: Texts | None,
    dates: NDArray[np.datetime64] | None,
) -> tuple[float, int, float]:
    """Middle rise in a day, number of steps, and share of steps in which the reading falls."""
    if vehicles is None or dates is None:
        return 0.0, 0, 0.0
    table = pd.DataFrame({"vehicle": vehicles, "date": dates, "reading": readings})
    table = table.dropna().sort_values(["vehicle", "date"], kind="stable")
    step = table[["date", "reading"]].diff()
    days = step["date"].dt.total_seconds().to_numpy() / 86400.0
    same = (table["vehicle"] == table["vehicle"].shift()).to_numpy()
    used = same & (days >= 1.0)
    if not used.any():
        return 0.0, 0, 0.0
    rise = step["reading"].to_numpy()[used]
    falling = float((rise < 0).mean())
    rates = rise[rise >= 0] / days[used][rise >= 0]
    return (float(np.median(rates)) if len(rates) else 0.0), int(used.sum()), falling
