"""Whether dates can be right: the declared order over a whole source, and far-off dates.

Layer: logbook. Decided by counting over the source, never row by row.
"""

from __future__ import annotations

import difflib

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import InputError, StudyError
from relkit.logbook.dates import FORMS, ORDERS, ParsedDates, parse_dates
from relkit.logbook.findings import Finding, finding
from relkit.logbook.set_aside import Sifted, sift

__all__ = ["check_date_format", "form_findings", "judge_order", "sift_late_dates"]

#: From so many rows on, another order that fits them is evidence, not a slip of the pen.
LEAST_EVIDENCE = 3

#: Among fewer dates than this none is called far off.
LEAST_DATES = 20


def check_date_format(date_format: str, path: str) -> None:
    """Refuse a date format that is neither a known order nor a pattern.

    Raises
    ------
    StudyError
        Naming the format and the nearest known one.
    """
    if date_format in ORDERS:
        return
    if "%" in date_format:
        try:
            pd.to_datetime(["2001-02-03"], format=date_format, errors="coerce")
        except ValueError as error:
            problem = f'date_format "{date_format}" is no pattern for dates: {error}'
            mend = 'Write a pattern such as "%d.%m.%Y %H:%M"'
            raise StudyError(problem, path=path, mend=mend) from None
        return
    near = difflib.get_close_matches(date_format, ORDERS, n=1, cutoff=0.0)[0]
    raise StudyError(
        f'date_format "{date_format}" is not known',
        path=path,
        mend=f'Write "{near}", another of {", ".join(ORDERS)}, or a pattern such as "%d.%m.%Y"',
    )


def judge_order(
    texts: pd.Series[str], parsed: ParsedDates, order: str, *, sources: pd.Series[str], column: str
) -> tuple[Finding, ...]:
    """Return findings about the declared order; refuse it where another one fits better.

    Parameters
    ----------
    texts : Series of str
        The column as written.
    parsed : ParsedDates
        What the declared order made of it.
    order : str
        The declared order or pattern.
    sources : Series of str
        "FILE:ROW" of each text.
    column : str
        What the file calls the column.

    Raises
    ------
    InputError
        More rows fit only another order than fit only the declared one: the message has the
        counts, the first such row, and what to write.
    """
    unusable = texts[parsed.unusable]
    if len(unusable) < LEAST_EVIDENCE:
        return ()
    values = unusable.to_numpy(dtype=object)
    fits = {
        other: ~np.isnat(parse_dates(values, other).dates) for other in ORDERS if other != order
    }
    best = max(fits, key=lambda other: int(fits[other].sum()))
    only_other = int(fits[best].sum())
    if only_other < LEAST_EVIDENCE:
        return ()
    rows = sources[parsed.unusable][fits[best]]
    only_declared = _only_declared(texts, parsed, best)
    example = str(unusable[fits[best]].iloc[0])
    if only_other > only_declared:
        ties = [other for other in fits if int(fits[other].sum()) == only_other]
        mend = " or ".join(f'date_format = "{other}"' for other in ties)
        raise InputError(
            f'the dates cannot be "{order}" as the study says: {only_other:,} of '
            f'{int((texts != "").sum()):,} dates, such as "{example}", fit only another order, '
            f"{only_declared:,} fit only this one",
            file=str(rows.iloc[0]).rsplit(":", 1)[0],
            row=int(str(rows.iloc[0]).rsplit(":", 1)[1]),
            column=column,
            mend=f"Write {mend} for this source"
            + ("; ask whoever exported it which one" if len(ties) > 1 else ""),
        )
    what = (
        f'Dates declared "{order}" hold some that fit only "{best}": '
        "dates with both parts up to 12 may be in either order"
    )
    done = f'Read as "{order}"; those that do not fit are set aside'
    return (finding("mixed date orders", what, sources=rows, done=done, severity="look"),)


def _only_declared(texts: pd.Series[str], parsed: ParsedDates, other: str) -> int:
    """How many dates fit the declared order and not the other one."""
    good: NDArray[np.bool_] = ~np.isnat(parsed.dates)
    values = texts.to_numpy(dtype=object)[good]
    return int(np.isnat(parse_dates(values, other).dates).sum())


def form_findings(
    parsed: ParsedDates, order: str, *, sources: pd.Series[str], name: str
) -> tuple[Finding, ...]:
    """Return findings that count the dates written in a form that needed a decision."""
    said = {
        "two-digit year": ("have years of two digits", "70 to 99 read as 19.., 00 to 69 as 20.."),
        "spreadsheet serial number": (
            "are serial day numbers of a spreadsheet",
            "Read as days since 1899-12-30, the fraction as time of day",
        ),
        "time zone": ("name a time zone", "The time is kept as written, the zone taken off"),
        "other order": (
            f'begin with a year of four digits although "{order}" is declared',
            "Read as year, month, day, which is the only way they can be meant",
        ),
    }
    used = ~np.isnat(parsed.dates)
    findings = []
    for form, bit in FORMS.items():
        marked = used & ((parsed.forms & bit) > 0)
        if marked.any():
            what, done = said[form]
            findings.append(
                finding(
                    f"dates: {form}", f"Dates ({name}) {what}", sources=sources[marked], done=done
                )
            )
    return tuple(findings)


def sift_late_dates(rows: pd.DataFrame) -> Sifted:
    """Rows without dates that lie far after all others: slips of the pen in the year.

    Far is more than a year, and more than ten usual gaps, after the date that 99 % of the rows do
    not pass (common practice; no clock of this machine is asked, so that a run can be repeated).

    Parameters
    ----------
    rows : DataFrame
        With ``source`` and ``date``, no blank dates.
    """
    if len(rows) < LEAST_DATES:
        return Sifted(rows)
    dates = np.sort(rows["date"].to_numpy(dtype="datetime64[ns]"))
    reference = dates[int(0.99 * (len(dates) - 1))]
    gaps = np.diff(dates).astype(np.int64)
    usual = np.median(gaps[gaps > 0]) if gaps.any() else 0.0
    far = max(np.timedelta64(366, "D").astype("timedelta64[ns]").astype(np.int64), 10 * usual)
    late = rows["date"] > reference + np.timedelta64(int(far), "ns")
    if not late.any():
        return Sifted(rows)
    shown = rows["date"].dt.strftime("%Y-%m-%d")
    mend = f"Correct the year: 99 % of the rows end by {pd.Timestamp(reference):%Y-%m-%d}"
    return sift(rows, late, reason="unusable date", column="date", value=shown, mend=mend)
