"""Meter readings and inspections: one row per vehicle, day and counter, or per look.

Layer: logbook. Rollbacks and typing errors of meters are judged later, over a vehicle's history.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd

from relkit.logbook.changes import in_turn_noting
from relkit.logbook.columns import COUNTER
from relkit.logbook.date_checks import sift_late_dates
from relkit.logbook.findings import finding
from relkit.logbook.kind_texts import read_texts
from relkit.logbook.kinds import KindRead, accounted, joined
from relkit.logbook.positions import (
    KnownPositions,
    sift_positions,
    sift_unfitted,
    sift_vehicles_of,
)
from relkit.logbook.set_aside import Sifted, sift, with_columns
from relkit.logbook.typed_rows import typed_rows
from relkit.logbook.words import known_words, match_words, sift_words, word_key
from relkit.study.settings import Study

__all__ = [
    "INSPECTION_COLUMNS",
    "READING_COLUMNS",
    "long_readings",
    "read_inspections",
    "read_readings",
    "reading_counter",
]

#: Columns of the readings frame, in order.
READING_COLUMNS = ("source", "vehicle", "date", "counter", "reading")

#: Columns of the inspections frame, in order.
INSPECTION_COLUMNS = ("source", "vehicle", "date", "location", "component", "result")

#: Words for the two results of a look (English; common practice).
_RESULTS = {
    **dict.fromkeys(("pass", "passed", "ok", "okay", "good", "in order", "yes", "clear"), "pass"),
    **dict.fromkeys(
        ("fail", "failed", "defect", "defective", "not ok", "nok", "bad", "no"), "fail"
    ),
}


def reading_counter(study: Study) -> str:
    """Counter of a column that is only called reading.

    The study's clock if that is a counter, else the first counter that the study names, else
    engine hours.
    """
    if study.clock != "days":
        return study.clock
    named = [name for s in (*study.files.readings, *study.files.log) for name in s.counters]
    return named[0] if named else "engine_hours"


def long_readings(rows: pd.DataFrame, default_counter: str) -> pd.DataFrame:
    """Return readings in long form from rows with a column per counter, blanks left out.

    Parameters
    ----------
    rows : DataFrame
        ``source``, ``vehicle``, ``date`` and one column per counter, or ``reading`` with
        ``counter`` beside it where the rows give one.
    default_counter : str
        Counter of ``reading`` where the row names none.
    """
    shared = rows[["source", "vehicle", "date"]]
    pieces = []
    for name in (name for name in rows.columns if name.startswith(COUNTER)):
        counter = name.removeprefix(COUNTER)
        pieces.append(shared.assign(counter=counter, reading=rows[name]))
    if "reading" in rows:
        counters = rows["counter"] if "counter" in rows else pd.Series("", index=rows.index)
        named = counters.where(counters != "", default_counter)
        pieces.append(shared.assign(counter=named, reading=rows["reading"]))
    if not pieces:
        return shared.assign(counter="", reading=np.nan).iloc[:0]
    long = pd.concat(pieces)
    return long[long["reading"].notna()].sort_index(kind="stable")


def read_readings(
    study: Study,
    known: KnownPositions | None,
    progress: Callable[[str], None] | None = None,
) -> KindRead | None:
    """Meter readings of the study in long form, None where it names none.

    Raises
    ------
    InputError, StudyError
        A file, or a setting about it, cannot be used.
    """
    if not study.files.readings:
        return None
    read = read_texts("readings", study.files.readings, study, progress)
    whole = joined(typed_rows(one, "readings", study) for one in read)
    stages: list[tuple[str, Callable[[pd.DataFrame], Sifted]]] = [
        ("late dates", sift_late_dates),
        ("vehicle spellings", partial(sift_vehicles_of, known=known, study=study)),
        ("no reading", _without_reading),
        ("words", partial(_our_counters, study=study)),
        ("duplicate", _without_duplicates),
    ]
    sifted = in_turn_noting(whole.rows, stages)
    set_aside = (*whole.set_aside, *sifted.set_aside)
    findings = (*whole.findings, *sifted.findings)
    changes = (*whole.changes, *sifted.changes)
    rows = _long(sifted.rows, study)
    return accounted("readings", read, Sifted(rows, set_aside, findings, changes))


def _long(rows: pd.DataFrame, study: Study) -> pd.DataFrame:
    return long_readings(rows, reading_counter(study))[list(READING_COLUMNS)]


def _our_counters(rows: pd.DataFrame, study: Study) -> Sifted:
    """Rows with the counters named as the study names them."""
    if "counter" not in rows:
        return Sifted(rows)
    known = known_words({}, study_counters(study), kind="counter", path=str(study.path))
    matched = match_words(rows["counter"].to_numpy(dtype=object), known)
    kept = with_columns(rows, {"counter": matched.words})
    if not matched.unknown.any():
        return Sifted(kept)
    one = finding(
        "unknown counters",
        "Readings are of a counter that the study does not name",
        sources=rows["source"][matched.unknown],
        done=f"Kept under the counter's own name; the study has {', '.join(known.values())}",
        severity="look",
    )
    return Sifted(kept, (), (one,))


def study_counters(study: Study) -> list[str]:
    """Counters that the study speaks of: its clock, its meters, its services, its usage."""
    sources = (*study.files.readings, *study.files.log)
    texts = [text for service in study.services for text in service.every]
    named = [study.clock, *(name for source in sources for name in source.counters)]
    named += [quantity.unit for quantity in study.quantities(tuple(texts))]
    named += [*study.usage, *study.treatments.largest_daily_use]
    return [name for name in dict.fromkeys(named) if name != "days"]


def _without_reading(rows: pd.DataFrame) -> Sifted:
    counters = [name for name in rows.columns if name == "reading" or name.startswith(COUNTER)]
    blank = rows[counters].isna().all(axis=1)
    mend = "Write the reading in the file"
    return sift(rows, blank, reason="no reading", column=counters[0], mend=mend)


def _without_duplicates(rows: pd.DataFrame) -> Sifted:
    same = [name for name in rows.columns if name not in ("source", "date_is_day")]
    double = rows.duplicated(same).to_numpy()
    if not double.any():
        return Sifted(rows)
    again = rows[rows.duplicated(same, keep=False)]
    first = again.groupby(same, sort=False, dropna=False)["source"].transform("first")
    return sift(
        rows,
        double,
        reason="duplicate",
        column="",
        value=first.reindex(rows.index),
        mend="None: the other row is used",
    )


def read_inspections(
    study: Study,
    known: KnownPositions | None,
    progress: Callable[[str], None] | None = None,
) -> KindRead | None:
    """Return looks at views and items, passes included; None where the study names none.

    Raises
    ------
    InputError, StudyError
        A file, or a setting about it, cannot be used.
    """
    if not study.files.inspections:
        return None
    read = read_texts("inspections", study.files.inspections, study, progress)
    whole = joined(typed_rows(one, "inspections", study) for one in read)
    lacking = [n for n in ("component", "location", "result") if n not in whole.rows]
    rows = with_columns(whole.rows, dict.fromkeys(lacking, ""))
    stages: list[tuple[str, Callable[[pd.DataFrame], Sifted]]] = [
        ("late dates", sift_late_dates),
        ("vehicle spellings", partial(sift_vehicles_of, known=known, study=study)),
        ("words", partial(sift_positions, known=known, study=study)),
        ("location from the register", partial(sift_unfitted, known=known)),
        ("words", _with_result),
        ("duplicate", _without_duplicates),
    ]
    sifted = in_turn_noting(rows, stages)
    return accounted(
        "inspections",
        read,
        Sifted(
            sifted.rows[list(INSPECTION_COLUMNS)],
            (*whole.set_aside, *sifted.set_aside),
            (*whole.findings, *sifted.findings),
            (*whole.changes, *sifted.changes),
        ),
    )


def _with_result(rows: pd.DataFrame) -> Sifted:
    codes, unique = pd.factorize(rows["result"])
    words = np.array([_RESULTS.get(word_key(text), text) for text in unique], dtype=object)
    other = rows["source"][np.isin(words, ("pass", "fail"), invert=True)[codes]]
    kept = sift_words(with_columns(rows, {"result": words[codes]}), "result", None)
    if other.empty:
        return kept
    one = finding(
        "results of looks",
        "Results are neither a pass nor a fail",
        sources=other,
        done="Kept as written; they are no evidence that the item was good",
        severity="look",
    )
    return Sifted(kept.rows, kept.set_aside, (*kept.findings, one))
