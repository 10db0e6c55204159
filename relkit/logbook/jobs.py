"""The log of jobs: typed, in the words of the study, at known positions, without duplicates.

Layer: logbook. The stages in their order; each sets rows aside with its own reason.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd

from relkit.errors import InputError, StudyError
from relkit.logbook.changes import Stage, in_turn_noting
from relkit.logbook.columns import COUNTER, OUR_COLUMNS
from relkit.logbook.date_checks import sift_late_dates
from relkit.logbook.events import with_events, with_position_of_job
from relkit.logbook.exports import as_in_newest_exports
from relkit.logbook.job_problems import (
    expanded_quantities,
    in_event_dates,
    in_sides,
    renamed_words,
    sift_migrated,
    with_verdicts,
)
from relkit.logbook.kind_texts import read_texts
from relkit.logbook.kinds import KindRead, accounted, joined
from relkit.logbook.overlaps import sift_duplicates
from relkit.logbook.positions import (
    KnownPositions,
    sift_positions,
    sift_unfitted,
    sift_vehicles_of,
)
from relkit.logbook.readings import reading_counter
from relkit.logbook.set_aside import Sifted, with_columns
from relkit.logbook.text_rows import sift_notes
from relkit.logbook.typed_rows import typed_rows
from relkit.logbook.words import known_words, sift_words
from relkit.study.settings import Study

__all__ = ["JOB_COLUMNS", "read_jobs"]

#: Columns of the jobs frame, in order.
JOB_COLUMNS = (
    *("source", "event", "job", "date", "date_is_day", "vehicle", "component", "location"),
    *("finding", "action", "reading", "reading_counter", "serial_out", "serial_in"),
    *("downtime_hours", "labour_hours", "cost", "note", "closed", "quantity", "verdict"),
)

_NUMBERS = ("reading", "quantity", "downtime_hours", "labour_hours", "cost")


def read_jobs(
    study: Study,
    known: KnownPositions | None,
    progress: Callable[[str], None] | None = None,
) -> KindRead:
    """Jobs of the study's log; the meter columns of the files follow those of ours.

    Parameters
    ----------
    study : Study
        Names the files and words.
    known : KnownPositions or None
        What the register has; None: there is none, and positions are not checked.
    progress : callable, optional
        Called with a sentence before each file.

    Raises
    ------
    InputError
        A file cannot be used, or the log has no row at all.
    StudyError
        A setting of the log or of the words is wrong.
    """
    read = read_texts("log", study.files.log, study, progress)
    if not sum(len(one.texts) for one in read):
        files = [file for one in read for file in one.files["file"]]
        mend = "Export the log again, or correct the path"
        raise InputError("the log has no rows", file=", ".join(files), mend=mend)
    whole = joined(as_in_newest_exports(one, typed_rows(one, "log", study), study) for one in read)
    if progress is not None:
        progress("comparing words, positions and duplicates")
    sifted = in_turn_noting(_complete(whole.rows, reading_counter(study)), _stages(study, known))
    return accounted(
        "log",
        read,
        Sifted(
            sifted.rows,
            (*whole.set_aside, *sifted.set_aside),
            (*whole.findings, *sifted.findings),
            (*whole.changes, *sifted.changes),
        ),
    )


def _stages(study: Study, known: KnownPositions | None) -> list[tuple[str, Stage]]:
    """Stages in their order, each with the rule under which its changes are noted."""
    duplicate_days = study.treatments.duplicate_days
    split = study.treatments.problems.split_jobs == "join"
    return [
        ("late dates", sift_late_dates),
        ("event dates", partial(in_event_dates, study=study)),
        ("data migration", partial(sift_migrated, study=study)),
        ("renamed", partial(renamed_words, study=study)),
        ("vehicle spellings", partial(sift_vehicles_of, known=known, study=study)),
        ("side words", partial(in_sides, known=known, study=study)),
        ("words", partial(sift_positions, known=known, study=study)),
        ("words", partial(sift_words, column="finding", known=_known(study, "finding"))),
        ("words", partial(sift_words, column="action", known=_known(study, "action"))),
        ("verdicts", partial(with_verdicts, study=study)),
        ("read from the note", partial(sift_notes, known=known, study=study)),
        ("location from the register", partial(_at_known_positions, known=known, study=study)),
        ("filled from a duplicate", partial(sift_duplicates, duplicate_days=duplicate_days)),
        ("position from the job", with_position_of_job),
        ("quantity", partial(expanded_quantities, known=known, study=study)),
        ("split jobs", partial(with_events, by_job=split)),
    ]


def _complete(rows: pd.DataFrame, counter: str) -> pd.DataFrame:
    """Rows with all columns of ours, those that no file gives blank or NaN."""
    lacking = [name for name in OUR_COLUMNS["log"] if name not in rows]
    added: dict[str, object] = {name: np.nan if name in _NUMBERS else "" for name in lacking}
    if "closed" in lacking:
        added["closed"] = np.full(len(rows), np.datetime64("NaT"), dtype="datetime64[ns]")
    complete = with_columns(rows, {**added, "reading_counter": counter})
    if COUNTER + counter not in rows:
        return complete
    reading = rows[COUNTER + counter].fillna(complete["reading"])
    return with_columns(complete, {"reading": reading})


def _known(study: Study, name: str) -> dict[str, str]:
    """Known findings or actions: those with a treatment, and their variants."""
    treated = study.treatments.findings if name == "finding" else study.treatments.actions
    variants = getattr(study.words, name)
    for word in variants:
        if word not in treated:
            raise StudyError(
                f'words.{name} has "{word}", which no treatment says the meaning of',
                path=str(study.path),
                mend=f"Add it to treatments.{name}s, or use one of: {', '.join(treated)}",
            )
    return known_words(variants, treated, kind=name, path=str(study.path))


def _at_known_positions(rows: pd.DataFrame, known: KnownPositions | None, study: Study) -> Sifted:
    actions = study.treatments.actions
    fitting = [name for name, treatment in actions.items() if treatment.effect == "fitted"]
    return sift_unfitted(rows, known, exempt=rows["action"].isin(fitting).to_numpy())
