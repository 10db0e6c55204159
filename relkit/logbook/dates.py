"""Dates as people write them, read by one declared order for a whole source.

Layer: logbook. Texts in, dates out; a text that fits no form is marked, never guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

__all__ = ["FORMS", "ORDERS", "ParsedDates", "parse_dates"]

#: The declared orders, with an example each.
ORDERS = {"day first": "31/12/2023", "month first": "12/31/2023", "year first": "2023-12-31"}

#: Bit of each form in ``ParsedDates.forms``.
FORMS = {"two-digit year": 1, "spreadsheet serial number": 2, "time zone": 4, "other order": 8}

#: Two-digit years from here on are of the last century (common practice, as in POSIX).
CENTURY_PIVOT = 70

#: Serial day numbers of spreadsheets count from here (1900 system, its leap-year slip included).
_SERIAL_START = np.datetime64("1899-12-30", "D")
_SERIAL = r"^\d{5}([.,]\d+)?$"
_ISO = r"^\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?)?$"
_ZONE = r"\s*(?P<zone>[Zz]|[+-]\d{2}:?\d{2}|[A-Z]{3,4})?"
_CLOCK = (
    r"(?:[Tt ,]+(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?:[:.](?P<second>\d{2})"
    r"(?:[.,](?P<fraction>\d{1,9}))?)?\s*(?P<half>[AaPp])?(?:\.?[Mm]\.?)?" + _ZONE + ")?"
)
_WEEKDAY = r"(?:(?i:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+)?"
_NUMERIC = (
    r"^" + _WEEKDAY + r"(?P<first>\d{1,4})[-/. ]\s?(?P<second_part>\d{1,2}|[A-Za-z]{3,9})\.?"
    r"[-/. ,]\s?(?P<third>\d{1,4})" + _CLOCK + "$"
)
_MONTH_NAME_FIRST = (
    r"^" + _WEEKDAY + r"(?P<second_part>[A-Za-z]{3,9})\.?[- ](?P<first>\d{1,2})(?:st|nd|rd|th)?"
    r"[-, ]\s?(?P<third>\d{4})" + _CLOCK + "$"
)
_COMPACT = (
    r"^(?P<first>\d{4})(?P<second_part>\d{2})(?P<third>\d{2})"
    r"(?:[Tt ](?P<hour>\d{2}):?(?P<minute>\d{2})(?::?(?P<second>\d{2})"
    r"(?:[.,](?P<fraction>\d{1,9}))?)?(?P<half>)" + _ZONE + ")?$"
)
_MONTHS = {
    name[:length]: number
    for number, name in enumerate(
        (
            *("january", "february", "march", "april", "may", "june", "july", "august"),
            *("september", "october", "november", "december"),
        ),
        start=1,
    )
    for length in range(3, len(name) + 1)
} | {"sept": 9}


@dataclass(frozen=True, slots=True, eq=False)
class ParsedDates:
    """Dates of one column; all fields have one entry per text."""

    dates: NDArray[np.datetime64]  #: as written, without time zone; NaT where blank or unusable
    is_day: NDArray[np.bool_]  #: only a day was given
    unusable: NDArray[np.bool_]  #: a text stands there that is no date under the declared order
    forms: NDArray[np.uint8]  #: bits of FORMS: how it was written

    def take(self, codes: NDArray[np.int64]) -> ParsedDates:
        """Return the entries at the given places."""
        return ParsedDates(
            self.dates[codes], self.is_day[codes], self.unusable[codes], self.forms[codes]
        )


def parse_dates(texts: NDArray[np.object_], order: str, *, first_year: int = 1990) -> ParsedDates:
    """Dates under one declared order.

    A year of four digits in front is read as year, month, day under any order, since nobody
    writes it otherwise; a five-digit number is a spreadsheet's serial day. A time zone is
    taken off and the time kept as written.

    Parameters
    ----------
    texts : array of str
        What stands in the column.
    order : str
        "day first", "month first", "year first", or a pattern for strptime with "%" in it.
    first_year : int
        Earlier years are unusable.

    Examples
    --------
    >>> parsed = parse_dates(np.array(["1/2/2023", "01.02.23 14:30", "0/1/00"]), "day first")
    >>> parsed.dates.astype("datetime64[m]").astype(str).tolist()
    ['2023-02-01T00:00', '2023-02-01T14:30', 'NaT']
    >>> parsed.unusable.tolist()
    [False, False, True]
    """
    codes, unique = pd.factorize(np.asarray(texts, dtype=object))
    words = np.asarray(unique, dtype=object)
    parsed = _parse_unique(words, order)
    year = parsed.dates.astype("datetime64[Y]").astype(np.int64) + 1970
    outside = ~np.isnat(parsed.dates) & ((year < first_year) | (year > 2099))
    parsed.dates[outside] = np.datetime64("NaT")
    unusable = np.isnat(parsed.dates) & np.array([bool(word) for word in words], dtype=bool)
    whole = ParsedDates(parsed.dates, parsed.is_day, unusable, parsed.forms)
    return whole.take(codes.astype(np.int64))


def _parse_unique(words: NDArray[np.object_], order: str) -> ParsedDates:
    """Distinct texts to dates; the commonest form first, the rest by patterns."""
    count = len(words)
    out = ParsedDates(
        np.full(count, np.datetime64("NaT"), dtype="datetime64[ns]"),
        np.zeros(count, dtype=bool),
        np.zeros(count, dtype=bool),
        np.zeros(count, dtype=np.uint8),
    )
    if count == 0:
        return out
    array = pa.array(words, type=pa.string())
    _fill_iso(out, array, words, declared=order == "year first")
    if "%" in order:
        _fill_pattern(out, words, order)
        return out
    _fill_serial(out, array)
    for pattern in (_NUMERIC, _MONTH_NAME_FIRST, _COMPACT):
        _fill_parts(out, array, pattern, order)
    return out


def _left(out: ParsedDates, array: pa.Array, pattern: str) -> NDArray[np.int64]:
    """Places that have no date yet and whose text fits the pattern."""
    open_places = np.flatnonzero(np.isnat(out.dates))
    fits = pc.match_substring_regex(array.take(pa.array(open_places)), pattern)
    chosen: NDArray[np.int64] = open_places[fits.to_numpy(zero_copy_only=False)]
    return chosen


def _fill_iso(
    out: ParsedDates, array: pa.Array, words: NDArray[np.object_], *, declared: bool
) -> None:
    places = _left(out, array, _ISO)
    dates = pd.to_datetime(pd.Series(words[places]), format="ISO8601", errors="coerce")
    out.dates[places] = dates.to_numpy(dtype="datetime64[ns]")
    out.is_day[places] = np.array([len(word) == 10 for word in words[places]], dtype=bool)
    if not declared:
        out.forms[places] |= np.uint8(FORMS["other order"])


def _fill_pattern(out: ParsedDates, words: NDArray[np.object_], pattern: str) -> None:
    """Texts by a strptime pattern, a time zone at the end taken off both."""
    places = np.flatnonzero(np.isnat(out.dates))
    texts = pd.Series(words[places], dtype=object)
    if re.search(r"%[zZ]", pattern):
        zone = texts.str.extract(r"\s*([Zz]|[+-]\d{2}:?\d{2}|[A-Z]{3,4})$", expand=False)
        out.forms[places[zone.notna().to_numpy()]] |= np.uint8(FORMS["time zone"])
        texts = texts.str.replace(r"\s*([Zz]|[+-]\d{2}:?\d{2}|[A-Z]{3,4})$", "", regex=True)
        pattern = re.sub(r"\s*%[zZ]", "", pattern)
    dates = pd.to_datetime(texts, format=pattern, errors="coerce")
    out.dates[places] = dates.to_numpy(dtype="datetime64[ns]")
    out.is_day[places] = not re.search(r"%[HIMScXfT]", pattern)
    if "%y" in pattern:
        out.forms[places] |= np.uint8(FORMS["two-digit year"])


def _fill_serial(out: ParsedDates, array: pa.Array) -> None:
    """Spreadsheet serial day numbers; the fraction is the time of day, to the second."""
    places = _left(out, array, _SERIAL)
    texts = pc.replace_substring(array.take(pa.array(places)), ",", ".")
    serial = pc.cast(texts, pa.float64()).to_numpy(zero_copy_only=False)
    seconds = np.round(serial * 86400.0).astype(np.int64).astype("timedelta64[s]")
    out.dates[places] = (_SERIAL_START.astype("datetime64[s]") + seconds).astype("datetime64[ns]")
    out.is_day[places] = serial == np.floor(serial)
    out.forms[places] |= np.uint8(FORMS["spreadsheet serial number"])


def _fill_parts(out: ParsedDates, array: pa.Array, pattern: str, order: str) -> None:
    places = _left(out, array, pattern)
    if len(places) == 0:
        return
    parts = pc.extract_regex(array.take(pa.array(places)), pattern=pattern)
    year, month, day, two_digit = _calendar_parts(parts, order)
    dates = _assemble(year, month, day)
    clock, has_clock = _time_of_day(parts)
    out.dates[places] = dates.astype("datetime64[ns]") + clock
    out.is_day[places] = ~has_clock
    forms = np.where(two_digit, FORMS["two-digit year"], 0).astype(np.uint8)
    forms |= np.where(_text(parts, "zone") != "", FORMS["time zone"], 0).astype(np.uint8)
    if order != "year first":
        forms |= np.where(_lengths(parts, "first") == 4, FORMS["other order"], 0).astype(np.uint8)
    out.forms[places] |= forms


def _calendar_parts(
    parts: pa.StructArray, order: str
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Year, month, day by the declared order, and where the year had two digits.

    A part that stands in the wrong place gives year -1, which makes no date.
    """
    first, third = _number(parts, "first"), _number(parts, "third")
    first_length, third_length = _lengths(parts, "first"), _lengths(parts, "third")
    second_text = _text(parts, "second_part")
    named = np.array([text[:1].isalpha() for text in second_text], dtype=bool)
    second = _months(second_text)
    year_in_front = (first_length == 4) | ((order == "year first") & (third_length <= 2) & ~named)
    month_in_front = ~year_in_front & ~named & (order == "month first")
    year = np.where(year_in_front, first, third)
    year_length = np.where(year_in_front, first_length, third_length)
    month = np.where(month_in_front, first, second)
    day = np.where(year_in_front, third, np.where(month_in_front, second, first))
    two_digit = year_length <= 2
    year = np.where(two_digit, np.where(year >= CENTURY_PIVOT, 1900, 2000) + year, year)
    # day or month in front although the year was declared to stand there
    misplaced = ~year_in_front & ~named & (order == "year first")
    odd = misplaced | (year_length == 3) | (year_length == 1)
    return np.where(odd, -1, year), month, day, two_digit


def _months(texts: NDArray[np.object_]) -> NDArray[np.int64]:
    """Numbers of the middle parts, names of months (English) turned into theirs."""
    codes, unique = pd.factorize(texts)
    numbers = [
        _MONTHS.get(text.lower(), -1) if text[:1].isalpha() else int(text) for text in unique
    ]
    return np.array(numbers, dtype=np.int64)[codes]


def _assemble(
    year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]
) -> NDArray[np.datetime64]:
    """Dates of valid parts, NaT of the others."""
    good = (year >= 1700) & (year <= 2200) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    months = np.where(good, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    dates = months.astype("datetime64[D]") + np.where(good, day - 1, 0)
    good &= dates.astype("datetime64[M]") == months  # the 31st of a shorter month
    return np.where(good, dates, np.datetime64("NaT", "D"))


def _time_of_day(parts: pa.StructArray) -> tuple[NDArray[np.timedelta64], NDArray[np.bool_]]:
    """Time since midnight (NaT where impossible), and where a time was given."""
    given = _text(parts, "hour") != ""
    hour, minute, second = (_number(parts, name) for name in ("hour", "minute", "second"))
    half = _text(parts, "half")
    afternoon = (half == "p") | (half == "P")
    wrong = (half != "") & ((hour < 1) | (hour > 12))
    hour = np.where(half == "", hour, hour % 12 + 12 * afternoon)
    digits = pc.utf8_rpad(pc.struct_field(parts, "fraction"), width=9, padding="0")
    fraction = pc.cast(digits, pa.int64()).to_numpy(zero_copy_only=False)
    wrong |= (hour > 23) | (minute > 59) | (second > 59)
    nanoseconds = ((hour * 60 + minute) * 60 + second) * 1_000_000_000 + fraction
    clock = nanoseconds.astype("timedelta64[ns]")
    clock[wrong] = np.timedelta64("NaT")
    return clock, given


def _text(parts: pa.StructArray, name: str) -> NDArray[np.object_]:
    texts: NDArray[np.object_] = pc.struct_field(parts, name).to_numpy(zero_copy_only=False)
    return texts


def _lengths(parts: pa.StructArray, name: str) -> NDArray[np.int64]:
    lengths = pc.utf8_length(pc.struct_field(parts, name)).to_numpy(zero_copy_only=False)
    return lengths.astype(np.int64)  # type: ignore[no-any-return]


def _number(parts: pa.StructArray, name: str) -> NDArray[np.int64]:
    texts = pc.struct_field(parts, name)
    filled = pc.if_else(pc.equal(texts, ""), "0", texts)
    numbers = pc.cast(filled, pa.int64()).to_numpy(zero_copy_only=False)
    return numbers.astype(np.int64)  # type: ignore[no-any-return]
