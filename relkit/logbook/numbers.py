"""Numbers as people write them, read by the declared decimal and thousands signs.

Layer: logbook. Texts in, numbers out; a text that is no number is marked, never guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from relkit.errors import InputError
from relkit.logbook.findings import Finding, finding

__all__ = ["ParsedNumbers", "judge_signs", "parse_numbers"]

#: From so many cells on, other signs that fit them are evidence, not a slip of the pen.
LEAST_EVIDENCE = 3

#: What may stand before or behind a number of each unit.
_AROUND = {
    "": r"^$",
    "hours": r"(?i)\s*(?:h|hr|hrs|hours?)\.?$",
    "km": r"(?i)\s*km$",
    "money": r"^[€£$]\s*|\s*[€£$]$",
}
_CLOCK = r"^\d{1,4}:[0-5]\d(:[0-5]\d)?$"


@dataclass(frozen=True, slots=True, eq=False)
class ParsedNumbers:
    """Numbers of one column; both fields have one entry per text."""

    numbers: NDArray[np.float64]  #: NaN where blank or unusable
    unusable: NDArray[np.bool_]  #: a text stands there that is no number


def parse_numbers(
    texts: NDArray[np.object_], *, decimal: str = ".", thousands: str = "", unit: str = ""
) -> ParsedNumbers:
    """Numbers under the declared signs.

    The unit behind (h, km) or a currency sign is taken off; hours may be written 2:30.

    Parameters
    ----------
    texts : array of str
        What stands in the column.
    decimal, thousands : str
        The declared signs; a thousands sign must stand before each group of three digits.
    unit : {"", "hours", "km", "money"}
        What the numbers count: another unit behind a number makes it unusable.

    Examples
    --------
    >>> texts = np.array(["1.250,5 h", "2:30", "n/a"])
    >>> parsed = parse_numbers(texts, decimal=",", thousands=".", unit="hours")
    >>> parsed.numbers.tolist(), parsed.unusable.tolist()
    ([1250.5, 2.5, nan], [False, False, True])
    """
    codes, unique = pd.factorize(np.asarray(texts, dtype=object))
    words = np.asarray(unique, dtype=object)
    numbers = np.full(len(words), np.nan)
    if len(words):
        array = pc.replace_substring_regex(pa.array(words, type=pa.string()), _AROUND[unit], "")
        _fill(numbers, array, _plain(decimal, thousands), decimal, thousands)
        if unit == "hours":
            _fill_clock(numbers, array)
    unusable = np.isnan(numbers) & np.array([bool(word) for word in words], dtype=bool)
    return ParsedNumbers(numbers[codes], unusable[codes])


def _plain(decimal: str, thousands: str) -> str:
    """Pattern of a whole number text under the declared signs."""
    sign, group = re.escape(decimal), re.escape(thousands)
    whole = rf"(\d+|\d{{1,3}}({group}\d{{3}})+)" if thousands else r"\d+"
    return rf"^[+-]?({whole}({sign}\d*)?|{sign}\d+)([eE][+-]?\d{{1,3}})?$"


def _fill(
    numbers: NDArray[np.float64], array: pa.Array, pattern: str, decimal: str, thousands: str
) -> None:
    places = _fitting(array, pattern)
    texts = array.take(pa.array(places))
    if thousands:
        texts = pc.replace_substring(texts, thousands, "")
    if decimal != ".":
        texts = pc.replace_substring(texts, decimal, ".")
    texts = pc.replace_substring_regex(texts, r"^\+", "")
    found = pc.cast(texts, pa.float64()).to_numpy(zero_copy_only=False)
    numbers[places] = np.where(np.isfinite(found), found, np.nan)


def _fill_clock(numbers: NDArray[np.float64], array: pa.Array) -> None:
    """Hours and minutes as hours."""
    places = _fitting(array, _CLOCK)
    for place, text in zip(places, array.take(pa.array(places)).to_pylist(), strict=True):
        parts = [float(part) for part in str(text).split(":")]
        numbers[place] = sum(part / 60**power for power, part in enumerate(parts))


def _fitting(array: pa.Array, pattern: str) -> NDArray[np.int64]:
    fits = pc.match_substring_regex(array, pattern).to_numpy(zero_copy_only=False)
    return np.flatnonzero(fits)


def judge_signs(
    texts: pd.Series[str],
    parsed: ParsedNumbers,
    *,
    decimal: str,
    thousands: str,
    sources: pd.Series[str],
    column: str,
) -> tuple[Finding, ...]:
    """Return findings about the declared signs; refuse them where others fit better.

    Raises
    ------
    InputError
        Many cells are no numbers under the declared signs and are under others: the message
        has the count, the first such row, its value, and what to write.
    """
    unusable = texts[parsed.unusable]
    filled = int((texts != "").sum())
    if len(unusable) >= LEAST_EVIDENCE and len(unusable) > filled / 10:
        _refuse_other_signs(unusable, sources, decimal, thousands, column, filled)
    findings = []
    if len(unusable):
        findings.append(
            finding(
                "unusable number",
                f'Column "{column}" holds texts that are no numbers, such as '
                f'"{str(unusable.iloc[0])[:40]}"',
                sources=sources[parsed.unusable],
                done="Taken as blank",
                severity="look",
            )
        )
    findings.extend(_thousands_suspected(texts, decimal, thousands, sources, column))
    return tuple(findings)


def _refuse_other_signs(
    unusable: pd.Series[str],
    sources: pd.Series[str],
    decimal: str,
    thousands: str,
    column: str,
    filled: int,
) -> None:
    values = unusable.to_numpy(dtype=object)
    choices = [(".", ""), (",", ""), (".", ","), (",", "."), (".", " "), (",", " ")]
    for sign, group in choices:
        if (sign, group) == (decimal, thousands):
            continue
        if parse_numbers(values, decimal=sign, thousands=group).unusable.mean() < 0.1:
            place = str(sources[unusable.index[0]])
            raise InputError(
                f'"{unusable.iloc[0]}" is no number with decimal sign "{decimal}" and thousands '
                f'sign "{thousands}": {len(unusable):,} of {filled:,} cells are not',
                file=place.rsplit(":", 1)[0],
                row=int(place.rsplit(":", 1)[1]),
                column=column,
                mend=f'Write decimal = "{sign}" and thousands = "{group}" for this source',
            )


def _thousands_suspected(
    texts: pd.Series[str], decimal: str, thousands: str, sources: pd.Series[str], column: str
) -> tuple[Finding, ...]:
    """Cells that all look like 1.250 where the point is declared as decimal sign."""
    pattern = rf"\d{{1,3}}({re.escape(decimal)}\d{{3}})+"
    for part in (texts.iloc[:1000], texts):  # most columns are cleared by their first cells
        with_sign = part[part.str.contains(decimal, regex=False)]
        if thousands or not with_sign.str.fullmatch(pattern).all():
            return ()
    if len(with_sign) < 5:
        return ()
    what = (
        f'Each "{decimal}" in column "{column}" stands before three digits, such as '
        f'"{with_sign.iloc[0]}": it may part thousands'
    )
    done = "Read as decimal sign, as declared; if wrong, set decimal and thousands of the source"
    places = sources[with_sign.index]
    return (finding("thousands or decimals", what, sources=places, done=done, severity="look"),)
