"""Symptoms and the components they point to: candidates for what a job leaves open.

Layer: lives. Works on the events of the log before histories are built.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.changes import change_lines, joined_changes
from relkit.lives.events import EFFECTS, OUTCOMES
from relkit.lives.instants import instants
from relkit.lives.masking import job_keys
from relkit.lives.register import Register
from relkit.lives.rewrites import Rewritten
from relkit.logbook.findings import Finding, finding
from relkit.study.note_settings import default_symptoms
from relkit.study.settings import Study

__all__ = ["pointed_events", "symptom_candidates", "with_candidates"]

Flags = NDArray[np.bool_]

_UNKNOWN, _UNFAILED = OUTCOMES.index("cause unknown"), OUTCOMES.index("unfailed")
_TAKEN_OUT = (EFFECTS.index("removed"), EFFECTS.index("new item"))

RULE = "symptom and item"


def symptom_candidates(study: Study, register: Register) -> dict[str, tuple[str, ...]]:
    """Return the fitted components that each symptom points to.

    The study's own symptoms take the place of relkit's of the same finding. A symptom all whose
    candidates are foreign to the register is left out: it says nothing of this fleet.
    """
    fitted = {str(word).casefold(): str(word) for word in register.positions["component"].unique()}
    given = {one.finding: one.candidates for one in (*default_symptoms(), *study.symptoms)}
    found = {
        symptom: tuple(
            dict.fromkeys(fitted[word.casefold()] for word in words if word.casefold() in fitted)
        )
        for symptom, words in given.items()
    }
    return {symptom: words for symptom, words in found.items() if words}


def pointed_events(
    rewritten: Rewritten, jobs: pd.DataFrame, register: Register, study: Study
) -> Rewritten:
    """Events of unknown cause, with what the symptom of their job tells.

    Where a job states only a symptom and replaced several items, those that the symptom does not
    point to went out unfailed, if it replaced at least one to which it points; what is left are
    the candidates. A job that replaced only items to which its symptom does not point is left as
    it is. Both are pointed out.

    Parameters
    ----------
    rewritten : Rewritten
        Events of the log.
    jobs : DataFrame
        The repair log's ``jobs``: rows without a component may state the symptom of their job.
    register : Register
        Its positions are those of the events.
    study : Study
        ``symptoms`` are used, beside those that relkit takes for granted.
    """
    table, candidates = rewritten.table, symptom_candidates(study, register)
    rewritten = replace(
        rewritten, findings=(*rewritten.findings, *_foreign_candidates(study, register))
    )
    if table.empty or not candidates:
        return rewritten
    open_events = (table["outcome"] == _UNKNOWN) & table["effect"].isin(_TAKEN_OUT)
    symptom = _symptoms(table, jobs, register, candidates)
    rows = np.flatnonzero(open_events.to_numpy() & (symptom != ""))
    if not len(rows):
        return rewritten
    positions = register.positions
    place = table["position"].to_numpy()
    component = positions["component"].to_numpy(dtype=object)[place[rows]]
    inside = _pairs_in(symptom[rows], component, candidates)
    vehicle = positions["vehicle_code"].to_numpy()[place]
    group = pd.factorize(
        pd.Series(list(zip(job_keys(table, rows, vehicle), symptom[rows], strict=True)))
    )[0]
    explained = np.zeros(int(group.max()) + 1, dtype=bool)
    explained[group[inside]] = True
    cleared = rows[~inside & explained[group]]
    alone = rows[~inside & ~explained[group]]
    outcome = table["outcome"].to_numpy().copy()
    outcome[cleared] = _UNFAILED
    source = table["event"].to_numpy(dtype=object)[cleared]
    lines = change_lines(
        RULE,
        source,
        "outcome",
        [OUTCOMES[_UNKNOWN]] * len(cleared),
        [OUTCOMES[_UNFAILED]] * len(cleared),
    )
    return replace(
        rewritten,
        table=table.assign(outcome=outcome),
        changes=joined_changes([rewritten.changes, lines]),
        findings=(*rewritten.findings, *_findings(table, cleared, alone)),
    )


def with_candidates(
    classes: pd.DataFrame, jobs: pd.DataFrame, register: Register, study: Study
) -> pd.DataFrame:
    """Classes of job rows, with the candidates of a symptom for which nothing was replaced.

    Parameters
    ----------
    classes : DataFrame
        One row per job row, with ``row_class`` and ``detail``.
    jobs : DataFrame
        The repair log's ``jobs``.
    register : Register
        What is fitted.
    study : Study
        ``symptoms`` are used.
    """
    candidates = symptom_candidates(study, register)
    told = {name: "candidates: " + ", ".join(words) for name, words in candidates.items()}
    words = jobs["finding"].map(told).fillna("").to_numpy(dtype=object)
    kept = (classes["row_class"] == "recurrence").to_numpy() & (words != "")
    if not kept.any():
        return classes
    detail = classes["detail"].to_numpy(dtype=object).copy()
    own = detail[kept]
    detail[kept] = np.where(own == "", words[kept], own + "; " + words[kept])
    return classes.assign(detail=detail)


def _symptoms(
    table: pd.DataFrame,
    jobs: pd.DataFrame,
    register: Register,
    candidates: Mapping[str, tuple[str, ...]],
) -> NDArray[np.object_]:
    """Symptom of each event: its own; where it states no finding, the only one of its job."""
    own = table["finding"].to_numpy(dtype=object)
    symptom = np.where(pd.Series(own).isin(list(candidates)).to_numpy(), own, "").astype(object)
    silent = own == ""
    rows = jobs[jobs["finding"].isin(list(candidates)).to_numpy()]
    if not silent.any() or rows.empty:
        return symptom
    vehicles = pd.Index(register.vehicles["vehicle"])
    stated = pd.DataFrame(
        {
            "vehicle": vehicles.get_indexer(pd.Index(rows["vehicle"])),
            "job": rows["job"].to_numpy(dtype=object),
            "time": np.where(rows["job"] == "", instants(rows["date"]), 0),
            "symptom": rows["finding"].to_numpy(dtype=object),
        }
    ).drop_duplicates()
    keys = ["vehicle", "job", "time"]
    stated = stated[~stated.duplicated(keys, keep=False)]
    place = table["position"].to_numpy()
    asked = pd.DataFrame(
        {
            "vehicle": register.positions["vehicle_code"].to_numpy()[place],
            "job": table["job"].to_numpy(dtype=object),
            "time": np.where(table["job"] == "", table["time"], 0),
        }
    )
    found = asked.merge(stated, on=keys, how="left")["symptom"].fillna("").to_numpy(dtype=object)
    return np.where(silent, found, symptom)


def _pairs_in(
    symptom: NDArray[np.object_],
    component: NDArray[np.object_],
    candidates: Mapping[str, tuple[str, ...]],
) -> Flags:
    """Whether each symptom points to each component."""
    pairs = pd.MultiIndex.from_tuples(
        [(name, word) for name, words in candidates.items() for word in words]
    )
    inside: Flags = pd.MultiIndex.from_arrays([symptom, component]).isin(pairs)
    return inside


def _foreign_candidates(study: Study, register: Register) -> tuple[Finding, ...]:
    """Return what the study's own symptoms name that the register does not have."""
    fitted = {str(word).casefold() for word in register.positions["component"].unique()}
    foreign = {
        f'"{word}"'
        for one in study.symptoms
        for word in one.candidates
        if word.casefold() not in fitted
    }
    if not foreign:
        return ()
    return (
        finding(
            "symptom candidates",
            f"Symptoms of the study point to components that the register does not have: "
            f"{', '.join(sorted(foreign))}",
            sources=[study.path.name],
            rows=len(foreign),
            done="They are no candidates: compare them with the register's words",
            severity="look",
        ),
    )


def _findings(
    table: pd.DataFrame, cleared: NDArray[np.int64], alone: NDArray[np.int64]
) -> tuple[Finding, ...]:
    source = table["event"].to_numpy(dtype=object)
    found = []
    if len(cleared):
        found.append(
            finding(
                RULE,
                "Jobs that state only a symptom replaced items to which it does not point, beside "
                "one to which it does",
                sources=source[cleared],
                done="Taken as removed unfailed; what the symptom points to are the candidates. "
                "Other candidates can be given under [[symptoms]]",
                severity="look",
            )
        )
    if len(alone):
        found.append(
            finding(
                RULE,
                "Jobs that state only a symptom replaced nothing to which it points",
                sources=source[alone],
                done="Left as they are: the item that was replaced counts as failed, or as one of "
                "several candidates",
                severity="look",
            )
        )
    return tuple(found)
