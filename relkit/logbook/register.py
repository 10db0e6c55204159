"""The register of fitted items: which vehicle carries what, where and since when.

Layer: logbook. A date that stands for "not known" becomes blank, and is counted.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd

from relkit.logbook.changes import change_lines, in_turn_noting
from relkit.logbook.findings import Finding, finding
from relkit.logbook.kind_texts import SourceTexts, read_texts
from relkit.logbook.kinds import KindRead, accounted, joined
from relkit.logbook.set_aside import Sifted, sift
from relkit.logbook.typed_rows import typed_rows
from relkit.logbook.vehicles import merge_vehicles
from relkit.logbook.words import known_words, match_words, merge_spellings
from relkit.study.settings import Study

__all__ = ["FITMENT_COLUMNS", "read_register"]

#: Columns of the fitments frame before the covariates.
FITMENT_COLUMNS = (
    *("source", "vehicle", "component", "location", "fitted_on", "serial", "type"),
    *("removed_on", "vehicle_left_on"),
)

#: A date in common is doubted only among so many items on so many vehicles.
LEAST_ITEMS, LEAST_VEHICLES = 20, 5


def read_register(study: Study, progress: Callable[[str], None] | None = None) -> KindRead | None:
    """Fitments of the study's register, None where it names none.

    Raises
    ------
    InputError
        A file cannot be used.
    StudyError
        A setting of the register or of the words is wrong.
    """
    if not study.files.register:
        return None
    read = read_texts("register", study.files.register, study, progress)
    whole = joined(_expanded(one, typed_rows(one, "register", study)) for one in read)
    covariates = [name for source in study.files.register for name in source.covariates]
    merge = partial(merge_vehicles, aliases=study.words.vehicle, path=str(study.path))
    stages: list[tuple[str, Callable[[pd.DataFrame], Sifted]]] = [
        ("", _without_nameless),
        ("vehicle spellings", merge),
        ("spellings", partial(_our_words, study=study)),
        ("spellings", partial(_spelled_covariates, names=list(dict.fromkeys(covariates)))),
        ("duplicate", _without_duplicates),
        ("common date", partial(_common_dates, share=study.treatments.common_date_share)),
    ]
    sifted = in_turn_noting(whole.rows, stages)
    rows = sifted.rows.reindex(columns=[*FITMENT_COLUMNS, *dict.fromkeys(covariates)])
    texts = ["serial", "type", "location", *dict.fromkeys(covariates)]
    rows[texts] = rows[texts].astype(object).fillna("")
    for name in ("fitted_on", "removed_on", "vehicle_left_on"):
        rows[name] = pd.to_datetime(rows[name]).astype("datetime64[ns]")
    return accounted(
        "register",
        read,
        Sifted(
            rows,
            (*whole.set_aside, *sifted.set_aside),
            (*whole.findings, *sifted.findings),
            (*whole.changes, *sifted.changes),
        ),
    )


def _expanded(read: SourceTexts, sifted: Sifted) -> Sifted:
    """Each vehicle of a vehicle list with every item it carries; the row ids repeat."""
    carries = read.source.carries
    if not carries:
        return sifted
    times = len(carries)
    rows = sifted.rows.loc[sifted.rows.index.repeat(times)].copy()
    count = len(sifted.rows)
    rows["component"] = np.tile(np.array([one.component for one in carries], dtype=object), count)
    rows["location"] = np.tile(np.array([one.location for one in carries], dtype=object), count)
    return Sifted(rows, sifted.set_aside, sifted.findings, sifted.changes)


def _without_nameless(rows: pd.DataFrame) -> Sifted:
    mend = "Name the component that is fitted"
    return sift(rows, rows["component"] == "", reason="no component", column="component", mend=mend)


def _our_words(rows: pd.DataFrame, study: Study) -> Sifted:
    """Component and location by the study's variants; others are words of the register's own."""
    findings: list[Finding] = []
    changed_rows = rows.copy()
    for name in ("component", "location"):
        if name not in rows:
            continue
        variants = getattr(study.words, name)
        texts = rows[name].to_numpy(dtype=object)
        known = known_words(variants, (), kind=name, path=str(study.path))
        words, changed = merge_spellings(match_words(texts, known).words, preferred=variants)
        changed_rows[name] = words
        if changed.any():
            what = f"Words of the register ({name}) differ only in case, blanks or dashes"
            done = "Taken as one word, in its most frequent spelling"
            findings.append(finding("spellings", what, sources=rows["source"][changed], done=done))
    return Sifted(changed_rows, (), tuple(findings))


def _spelled_covariates(rows: pd.DataFrame, names: list[str]) -> Sifted:
    findings: list[Finding] = []
    changed_rows = rows.copy()
    for name in names:
        words, changed = merge_spellings(rows[name].to_numpy(dtype=object))
        changed_rows[name] = words
        if changed.any():
            what = f"Values of {name} differ only in case, blanks or dashes"
            done = "Taken as one value, in its most frequent spelling"
            findings.append(finding("spellings", what, sources=rows["source"][changed], done=done))
    return Sifted(changed_rows, (), tuple(findings))


def _without_duplicates(rows: pd.DataFrame) -> Sifted:
    """Rows without those that say in every column what an earlier row says.

    Items that a vehicle list expands to share their row: it is a duplicate as a whole or not.
    """
    same = [name for name in rows.columns if name != "source"]
    double = rows.duplicated(same).groupby(rows.index).transform("all").to_numpy()
    if not double.any():
        return Sifted(rows)
    first = rows.groupby(same, sort=False, dropna=False)["source"].transform("first")
    once = ~rows.index.duplicated()
    sifted = sift(
        rows[once],
        double[once],
        reason="duplicate",
        column="",
        value=first[once],
        mend="None: the other row is used",
    )
    return Sifted(rows.loc[~double], sifted.set_aside)


def _common_dates(rows: pd.DataFrame, share: float) -> Sifted:
    """Rows with the date fitted blanked where too many items of a depot or fleet share it."""
    if "fitted_on" not in rows or share >= 1 or rows.empty:
        return Sifted(rows)
    group = rows["depot"] if "depot" in rows else pd.Series("", index=rows.index)
    table = pd.DataFrame(
        {"group": group, "on": rows["fitted_on"].dt.normalize(), "vehicle": rows["vehicle"]}
    ).reset_index(drop=True)
    cell = table.groupby(["group", "on"])["vehicle"]
    items = cell.transform("size")
    of_group = table.groupby("group")["vehicle"].transform("size")
    common = (
        (items > share * of_group)
        & (items >= LEAST_ITEMS)
        & (cell.transform("nunique") >= LEAST_VEHICLES)
    ).to_numpy()
    if not common.any():
        return Sifted(rows)
    dates = ", ".join(sorted(set(table.loc[common, "on"].dt.strftime("%Y-%m-%d"))))
    one = finding(
        "common date",
        f"More than {share:.0%} of the items of one depot or fleet are dated {dates}: the date of "
        "an import or of the vehicles, not of the items",
        sources=rows["source"][common].unique(),
        rows=int(common.sum()),
        done="Taken as unknown; if the date is true, set common_date_share = 1 under treatments",
        severity="look",
    )
    kept = rows.assign(fitted_on=rows["fitted_on"].mask(common))
    old = rows.loc[common, "fitted_on"].dt.strftime("%Y-%m-%d")
    blank = [""] * len(old)
    lines = change_lines("common date", rows["source"][common], "fitted_on", old, blank)
    return Sifted(kept, (), (one,), (lines,))
