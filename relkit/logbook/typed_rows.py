"""Texts of one source to dates and numbers, by the forms that the source declares.

Layer: logbook. A date that a row cannot do without sets it aside; other cells become blank.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.columns import COUNTER, REQUIRED
from relkit.logbook.date_checks import form_findings, judge_order
from relkit.logbook.dates import parse_dates
from relkit.logbook.findings import Finding, finding
from relkit.logbook.kind_texts import SourceTexts
from relkit.logbook.not_jobs import fill_down, sift_not_jobs, sift_without_required
from relkit.logbook.numbers import judge_signs, parse_numbers
from relkit.logbook.set_aside import Sifted, in_turn, sift, with_columns
from relkit.study.settings import Study

__all__ = ["typed_rows"]

#: Earlier dates are unusable, unless the study's window begins before.
FIRST_YEAR = 1990

#: Dates that a row can do without: blank where unusable.
_OPTIONAL_DATES = ("fitted_on", "removed_on", "vehicle_left_on")

_NUMBERS = {
    "reading": "",
    "downtime_hours": "hours",
    "labour_hours": "hours",
    "cost": "money",
}


def typed_rows(read: SourceTexts, kind: str, study: Study) -> Sifted:
    """Rows of one source with dates and numbers, those that cannot be used set aside.

    Raises
    ------
    InputError
        The declared date order or number signs cannot be right for the source.
    """
    source = read.source
    required = tuple(name for name in REQUIRED[kind] if name != "date" or "date" in read.texts)

    def filled(rows: pd.DataFrame) -> Sifted:
        pieces = read.readable.set_aside
        broken = pieces[0]["source"] if pieces else pd.Series(dtype=object)
        return Sifted(*_swapped(fill_down(rows, source.fill_down, broken=broken)))

    stages: list[Callable[[pd.DataFrame], Sifted]] = [
        partial(
            sift_not_jobs,
            kind=kind,
            fill_down=source.fill_down,
            fixed=source.fixed,
            called=read.called,
        ),
        filled,
        partial(sift_without_required, names=required),
    ]
    if "date" in read.texts:
        stages.append(partial(_with_date, read=read, study=study))
    stages.append(partial(_with_optional_dates, read=read, study=study))
    stages.append(partial(_with_numbers, read=read))
    sifted = in_turn(read.readable.rows, stages)
    return Sifted(
        sifted.rows,
        (*read.readable.set_aside, *sifted.set_aside),
        (*read.readable.findings, *sifted.findings),
    )


def _swapped(
    filled: tuple[pd.DataFrame, tuple[Finding, ...]],
) -> tuple[pd.DataFrame, tuple[pd.DataFrame, ...], tuple[Finding, ...]]:
    return filled[0], (), filled[1]


def _first_year(study: Study) -> int:
    start = study.window.start
    return FIRST_YEAR if start is None else min(FIRST_YEAR, start.year)


def _called(read: SourceTexts, name: str) -> str:
    """Return what the source's first file calls a column of ours."""
    return next((columns[name] for columns in read.called.values() if name in columns), name)


def _with_date(rows: pd.DataFrame, read: SourceTexts, study: Study) -> Sifted:
    """Rows with their date, those with an unusable one set aside."""
    order = read.source.date_format
    texts = rows["date"]
    parsed = parse_dates(texts.to_numpy(dtype=object), order, first_year=_first_year(study))
    column = _called(read, "date")
    findings = (
        *judge_order(texts, parsed, order, sources=rows["source"], column=column),
        *form_findings(parsed, order, sources=rows["source"], name="date"),
    )
    # a time of 00:00 in every row is no time of day
    usable = parsed.dates[~np.isnat(parsed.dates)]
    only_days = bool((usable == usable.astype("datetime64[D]")).all())
    typed = with_columns(rows, {"date": parsed.dates, "date_is_day": parsed.is_day | only_days})
    mend = f'Correct the date: the source is declared as "{order}", from {_first_year(study)} on'
    sifted = sift(
        typed, parsed.unusable, reason="unusable date", column="date", value=texts, mend=mend
    )
    return Sifted(sifted.rows, sifted.set_aside, findings)


def _with_optional_dates(rows: pd.DataFrame, read: SourceTexts, study: Study) -> Sifted:
    """Rows with the other dates; default dates become blank, unusable ones too, both counted."""
    order, first = read.source.date_format, _first_year(study)
    findings: list[Finding] = []
    typed: dict[str, pd.Series[pd.Timestamp]] = {}
    for name in (name for name in _OPTIONAL_DATES if name in rows):
        texts = rows[name]
        parsed = parse_dates(texts.to_numpy(dtype=object), order, first_year=1800)
        column = _called(read, name)
        findings.extend(judge_order(texts, parsed, order, sources=rows["source"], column=column))
        findings.extend(form_findings(parsed, order, sources=rows["source"], name=name))
        dates = pd.Series(parsed.dates, index=rows.index)
        default = dates.dt.normalize().isin(pd.to_datetime(list(study.treatments.default_dates)))
        unusable = (dates.dt.year < first) & ~default | parsed.unusable
        for mask, rule, what, severity in (
            (default, "default date", "is a default that stands for an unknown date", "look"),
            (unusable, "unusable date", f'is no date under "{order}" from {first} on', "look"),
        ):
            if mask.any():
                findings.append(
                    finding(
                        rule,
                        f"Column {name} {what}",
                        sources=rows["source"][mask],
                        done="Taken as unknown",
                        severity=severity,  # type: ignore[arg-type]
                    )
                )
        typed[name] = dates.mask(default | unusable)
    return Sifted(with_columns(rows, typed), (), tuple(findings))


def _with_numbers(rows: pd.DataFrame, read: SourceTexts) -> Sifted:
    """Rows with their numbers; a text that is no number becomes blank and is counted."""
    source = read.source
    findings: list[Finding] = []
    typed: dict[str, NDArray[np.float64]] = {}
    for name in rows.columns:
        unit = _unit(name)
        if unit is None:
            continue
        texts = rows[name]
        parsed = parse_numbers(
            texts.to_numpy(dtype=object),
            decimal=source.decimal,
            thousands=source.thousands,
            unit=unit,
        )
        findings.extend(
            judge_signs(
                texts,
                parsed,
                decimal=source.decimal,
                thousands=source.thousands,
                sources=rows["source"],
                column=_called(read, name),
            )
        )
        numbers = parsed.numbers
        if name != "cost" and (numbers < 0).any():
            what = f'Column "{_called(read, name)}" is below 0'
            sources = rows["source"][numbers < 0]
            findings.append(
                finding(
                    "negative number", what, sources=sources, done="Taken as blank", severity="look"
                )
            )
            numbers = np.where(numbers < 0, np.nan, numbers)
        typed[name] = numbers
    return Sifted(with_columns(rows, typed), (), tuple(findings))


def _unit(name: str) -> str | None:
    """Return the unit of a number column of ours, None for others."""
    if name.startswith(COUNTER):
        counter = name.removeprefix(COUNTER)
        return "hours" if "hour" in counter else "km" if "km" in counter else ""
    return _NUMBERS.get(name)
