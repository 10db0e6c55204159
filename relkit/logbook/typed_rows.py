"""Texts of one source to dates and numbers, by the forms that the source declares.

Layer: logbook. A date that a row cannot do without sets it aside; other cells become blank.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.changes import change_lines, noted
from relkit.logbook.columns import COUNTER, REQUIRED
from relkit.logbook.date_checks import form_findings, judge_order
from relkit.logbook.dates import parse_dates
from relkit.logbook.findings import Finding, finding
from relkit.logbook.kind_texts import SourceTexts
from relkit.logbook.not_jobs import fill_down, sift_not_jobs, sift_without_required
from relkit.logbook.numbers import judge_signs, parse_numbers
from relkit.logbook.set_aside import Sifted, in_turn, sift, with_columns
from relkit.logbook.time_zones import in_study_zone
from relkit.study.settings import Study

__all__ = ["typed_rows"]

#: Earlier dates are unusable, unless the study's window begins before.
FIRST_YEAR = 1990

#: Dates that a row can do without: blank where unusable.
_OPTIONAL_DATES = ("closed", "fitted_on", "removed_on", "vehicle_left_on")

_NUMBERS = {
    "reading": "",
    "quantity": "",
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
        done, findings = fill_down(rows, source.fill_down, broken=broken)
        return Sifted(done, (), findings, tuple(noted(rows, done, "filled down")))

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
        sifted.changes,
    )


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
    dates, moved, lines = in_study_zone(rows, parsed.dates, parsed.is_day, read.source, study)
    # a time of 00:00 in every row is no time of day
    usable = parsed.dates[~np.isnat(parsed.dates)]
    only_days = bool((usable == usable.astype("datetime64[D]")).all())
    typed = with_columns(rows, {"date": dates, "date_is_day": parsed.is_day | only_days})
    mend = f'Correct the date: the source is declared as "{order}", from {_first_year(study)} on'
    sifted = sift(
        typed, parsed.unusable, reason="unusable date", column="date", value=texts, mend=mend
    )
    return Sifted(sifted.rows, sifted.set_aside, (*findings, *moved), lines)


def _with_optional_dates(rows: pd.DataFrame, read: SourceTexts, study: Study) -> Sifted:
    """Rows with the other dates; default dates become blank, unusable ones too, both counted."""
    order, first = read.source.date_format, _first_year(study)
    findings: list[Finding] = []
    typed: dict[str, pd.Series[pd.Timestamp]] = {}
    lines: list[pd.DataFrame] = []
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
                blank = [""] * int(mask.sum())
                source = rows["source"][mask]
                lines.append(change_lines(rule, source, name, texts[mask], blank))
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
    return Sifted(with_columns(rows, typed), (), tuple(findings), tuple(lines))


def _with_numbers(rows: pd.DataFrame, read: SourceTexts) -> Sifted:
    """Rows with their numbers; a text that is no number becomes blank and is counted."""
    source = read.source
    findings: list[Finding] = []
    typed: dict[str, NDArray[np.float64]] = {}
    lines: list[pd.DataFrame] = []
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
        lines.append(_blanked("unusable number", rows, name, parsed.unusable))
        if name != "cost" and (numbers < 0).any():
            what = f'Column "{_called(read, name)}" is below 0'
            sources = rows["source"][numbers < 0]
            findings.append(
                finding(
                    "negative number", what, sources=sources, done="Taken as blank", severity="look"
                )
            )
            lines.append(_blanked("negative number", rows, name, numbers < 0))
            numbers = np.where(numbers < 0, np.nan, numbers)
        typed[name] = numbers
    return Sifted(with_columns(rows, typed), (), tuple(findings), tuple(lines))


def _blanked(rule: str, rows: pd.DataFrame, name: str, mask: NDArray[np.bool_]) -> pd.DataFrame:
    """Cells that a rule took as blank, as lines of the change list."""
    texts = rows[name][mask]
    column = name.removeprefix(COUNTER)
    return change_lines(rule, rows["source"][mask], column, texts, [""] * len(texts))


def _unit(name: str) -> str | None:
    """Return the unit of a number column of ours, None for others."""
    if name.startswith(COUNTER):
        counter = name.removeprefix(COUNTER)
        return "hours" if "hour" in counter else "km" if "km" in counter else ""
    return _NUMBERS.get(name)
