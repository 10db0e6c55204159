"""Problems of job rows that other columns or other rows solve: dates, quantities, sides, renames.

Layer: logbook. Stages of the log of jobs; each notes what it changed.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.logbook.changes import change_lines
from relkit.logbook.findings import finding
from relkit.logbook.positions import KnownPositions
from relkit.logbook.set_aside import Sifted, sift, with_columns
from relkit.logbook.words import known_words, match_words, word_key
from relkit.study.settings import Study

__all__ = [
    "expanded_quantities",
    "in_event_dates",
    "in_sides",
    "renamed_words",
    "sift_migrated",
    "with_verdicts",
]

#: A pile of rows is a migration only from so many rows, on so many vehicles, on one day.
LEAST_ROWS, LEAST_VEHICLES = 20, 5
#: It has at least this many times the rows of the busiest other day.
_TIMES_OTHER_DAYS = 3.0

#: Words for the sides of a vehicle as the driver sits (English; common practice).
_NEAR = re.compile(r"\b(near ?side|n/?s|passenger(?:'?s)? side)\b", re.IGNORECASE)
_OFF = re.compile(r"\b(off ?side|o/?s|driver(?:'?s)? side)\b", re.IGNORECASE)
_LEFT = re.compile(r"\b(left(?: hand)?(?: side)?|l/?h(?:/?s)?)\b", re.IGNORECASE)
_RIGHT = re.compile(r"\b(right(?: hand)?(?: side)?|r/?h(?:/?s)?)\b", re.IGNORECASE)
_SIDES = ("kerb side", "road side")


def in_event_dates(rows: pd.DataFrame, study: Study) -> Sifted:
    """Rows dated by their opening, or by their closing where the study asks for that."""
    given = rows["closed"].notna().to_numpy()
    if not given.any():
        return Sifted(rows)
    opened, closed = rows["date"], rows["closed"]
    days = (closed - opened).dt.total_seconds().to_numpy()[given] / 86_400.0
    problems = study.treatments.problems
    before = given & (closed.dt.normalize() < opened.dt.normalize()).to_numpy()
    days_waited = (closed - opened).dt.days.to_numpy(dtype=float)
    late = given & (days_waited > problems.deferred_days)
    by_closing = problems.event_date == "closed"
    found = [
        finding(
            "opening and closing dates",
            f"Jobs give both dates; the median job closed {np.median(days):.0f} days after it "
            "opened",
            sources=rows["source"][given],
            done=f"The date {'closed' if by_closing else 'opened'} is the date of the event "
            "(treatments.problems.event_date)",
        )
    ]
    if late.any():
        waited = (closed - opened)[late].dt.days.sum()
        found.append(
            finding(
                "deferred jobs",
                f"Jobs were done more than {problems.deferred_days:g} days after the report: "
                f"{waited:,} days with an open fault",
                sources=rows["source"][late],
                done="The failure counts at the report, the new item from when the job was closed",
                severity="look",
            )
        )
    if before.any():
        found.append(
            finding(
                "closed before opened",
                "Jobs are dated as closed before they were opened",
                sources=rows["source"][before],
                done="The closing date was not used",
                severity="look",
            )
        )
    kept_closed = closed.mask(before)
    if not by_closing:
        blanked = ("closed before opened", before, "closed", closed, closed.mask(before))
        return Sifted(
            with_columns(rows, {"closed": kept_closed}), (), tuple(found), _of(blanked, rows)
        )
    chosen = given & ~before
    date = opened.mask(chosen, closed)
    moved = ("opening and closing dates", chosen, "date", opened, date)
    kept = with_columns(rows, {"closed": kept_closed, "date": date})
    return Sifted(kept, (), tuple(found), _of(moved, rows))


def _of(
    change: tuple[str, NDArray[np.bool_], str, pd.Series, pd.Series], rows: pd.DataFrame
) -> tuple[pd.DataFrame, ...]:
    """Return changed dates as lines of the change list."""
    rule, chosen, column, old, new = change
    chosen = chosen & (old.ne(new) & ~(old.isna() & new.isna())).to_numpy()
    texts = [part[chosen].dt.strftime("%Y-%m-%d").fillna("") for part in (old, new)]
    return (change_lines(rule, rows["source"][chosen], column, *texts),)


def renamed_words(rows: pd.DataFrame, study: Study) -> Sifted:
    """Rows with words that were another thing's name during a time, by the study's table."""
    columns: dict[str, NDArray[np.object_]] = {}
    found = []
    for one in study.words.renamed:
        texts = columns.get(one.column, rows[one.column].to_numpy(dtype=object))
        codes, unique = pd.factorize(texts)
        named = np.array([word_key(str(text)) == word_key(one.old) for text in unique])[codes]
        if one.since is not None:
            named &= (rows["date"] >= pd.Timestamp(one.since)).to_numpy()
        if one.until is not None:
            named &= (rows["date"] < pd.Timestamp(one.until) + pd.Timedelta(days=1)).to_numpy()
        if not named.any():
            continue
        source = rows["source"][named]
        columns[one.column] = np.where(named, one.new, texts)
        span = f"from {one.since or 'the beginning'} to {one.until or 'the end'}"
        found.append(
            finding(
                "renamed",
                f'"{one.old}" means "{one.new}" {span} (words.renamed)',
                sources=source,
                done=f'Read as "{one.new}"',
            )
        )
    return Sifted(with_columns(rows, columns), (), tuple(found))


def in_sides(rows: pd.DataFrame, known: KnownPositions | None, study: Study) -> Sifted:
    """Rows with words for left and right, near side and off side, made kerb side and road side.

    Only words that the study and the register do not know are looked at, and only where they know
    a kerb side or a road side. Left and right depend on the side of the road on which the country
    drives; where the study does not state it, the side is not clear.
    """
    words = {*study.words.location, *(() if known is None else known.table["location"])}
    if not any(side in word for word in words for side in _SIDES):
        return Sifted(rows)
    declared = known_words(study.words.location, words, kind="location", path=str(study.path))
    codes, unique = pd.factorize(rows["location"])
    traffic = study.treatments.problems.side_words
    read = [_side(str(text), traffic) if word_key(str(text)) not in declared else str(text)
            for text in unique]  # fmt: skip
    new = np.array([text or "" for text in read], dtype=object)[codes]
    unclear = np.array([text is None for text in read], dtype=bool)[codes]
    old = rows["location"].to_numpy(dtype=object)
    changed = (new != old) & ~unclear
    found = []
    if changed.any():
        source = rows["source"][changed]
        found.append(
            finding(
                "side words",
                "Locations are named by near side and off side, or left and right",
                sources=source,
                done=f"Read as kerb side and road side ({traffic})",
            )
        )
    sifted = sift(
        with_columns(rows, {"location": np.where(unclear, old, new)}),
        unclear,
        reason="side not clear",
        column="location",
        value=rows["location"],
        mend="State treatments.problems.side_words: left-hand traffic or right-hand traffic; or "
        "give the word under words.location",
    )
    return Sifted(sifted.rows, sifted.set_aside, tuple(found))


def _side(text: str, traffic: str) -> str | None:
    """Location with its side named by the traffic; None where the side is not clear."""
    near, off = _SIDES
    by_kerb = _OFF.sub(off, _NEAR.sub(near, text))
    if by_kerb != text:
        return by_kerb
    if not (_LEFT.search(text) or _RIGHT.search(text)):
        return text
    if traffic == "not stated":
        return None
    left, right = (near, off) if traffic == "left-hand traffic" else (off, near)
    return _RIGHT.sub(right, _LEFT.sub(left, text))


def expanded_quantities(rows: pd.DataFrame, known: KnownPositions | None, study: Study) -> Sifted:
    """Rows that replaced several items, one row for each position where the register explains it.

    A row explains itself where the vehicle has the component at exactly as many positions as the
    quantity says, and the row names none of them. The row ids repeat. Others are kept as one item.
    """
    quantity = rows["quantity"].to_numpy(dtype=np.float64)
    many = quantity > 1
    if not many.any():
        return Sifted(rows)
    one = finding(
        "quantity",
        "Rows replaced more than one item",
        sources=rows["source"][many],
        done="One item each" if study.treatments.problems.quantities == "one" or known is None
        else "One row for each position where the vehicle has exactly so many; else one item",
        severity="look",
    )  # fmt: skip
    if known is None or study.treatments.problems.quantities == "one":
        return Sifted(rows, (), (one,))
    count = known.table.groupby(["vehicle", "component"]).size()
    keys = pd.MultiIndex.from_frame(rows[["vehicle", "component"]])
    fitted = count.reindex(keys).to_numpy(dtype=np.float64)
    blank = (rows["location"] == "").to_numpy()
    chosen = many & blank & (fitted == quantity)
    if not chosen.any():
        return Sifted(rows, (), (one,))
    place = rows.loc[chosen, ["vehicle", "component"]].reset_index(names="row")
    place = place.merge(known.table, on=["vehicle", "component"])
    added = rows.loc[place["row"]].assign(location=place["location"].to_numpy())
    kept = pd.concat([rows[~chosen], added]).sort_index(kind="stable")
    return Sifted(kept, (), (one,))


def with_verdicts(rows: pd.DataFrame, study: Study) -> Sifted:
    """Rows with the supplier's verdicts in the study's words; others become blank, and counted."""
    texts = rows["verdict"].to_numpy(dtype=object)
    if not (texts != "").any():
        return Sifted(rows)
    words = known_words({}, study.treatments.verdicts, kind="verdict", path=str(study.path))
    matched = match_words(texts, words)
    verdict = np.where(matched.unknown, "", matched.words)
    found = []
    waiting = np.isin(
        verdict,
        [name for name, what in study.treatments.verdicts.items() if what == "cause unknown"],
    )
    if waiting.any():
        found.append(
            finding(
                "waiting for the supplier",
                "Items that were sent back have no verdict yet",
                sources=rows["source"][waiting],
                done="Candidates for the cause until it is known",
                severity="look",
            )
        )
    if matched.unknown.any():
        source = rows["source"][matched.unknown]
        found.append(
            finding(
                "unknown verdict",
                "Verdicts of the supplier are in words that the study does not know",
                sources=source,
                done=f"Taken as none; known are {', '.join(study.treatments.verdicts)}",
                severity="look",
            )
        )
    return Sifted(with_columns(rows, {"verdict": verdict}), (), tuple(found))


def sift_migrated(rows: pd.DataFrame, study: Study) -> Sifted:
    """Rows without the pile on the log's first day that a data migration left.

    A pile is a migration where nothing, or next to nothing, stands before it, where it has several
    times the rows of any other day, on many vehicles, and a stated share of all rows.
    """
    problems = study.treatments.problems
    if problems.migrated_rows == "keep" or study.window.start is not None or len(rows) == 0:
        return Sifted(rows)
    day = rows["date"].dt.normalize()
    counts = day.value_counts()
    pile = counts.index[0]
    others = int(counts.iloc[1]) if len(counts) > 1 else 0
    here = (day == pile).to_numpy()
    enough = len(counts) > 1 and counts.iloc[0] >= max(
        LEAST_ROWS, _TIMES_OTHER_DAYS * others, problems.migration_share * len(rows)
    )
    earlier = float((day < pile).mean())
    many = rows["vehicle"][here].nunique() >= LEAST_VEHICLES
    if not (enough and many and earlier <= 0.01):
        return Sifted(rows)
    gone = here | (day < pile).to_numpy()
    return sift(
        rows,
        gone,
        reason="data migration",
        column="date",
        value=day.dt.strftime("%Y-%m-%d"),
        mend="None if the log was filled from an older one on that day; if the jobs are real, "
        "state the start of the window or treatments.problems.migrated_rows = 'keep'",
    )
