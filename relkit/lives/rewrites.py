"""Events whose outcome other rows correct: verdicts, test swaps, chains of guesses, repeats.

Layer: lives. Works on the events of the log before histories are built; every change is noted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.changes import change_lines
from relkit.lives.events import EFFECTS, OUTCOMES
from relkit.lives.instants import DAY, NOT_KNOWN, Instants
from relkit.lives.masking import job_keys
from relkit.lives.register import Register
from relkit.logbook.findings import Finding, finding
from relkit.logbook.set_aside import with_columns
from relkit.study.settings import Study

__all__ = ["Rewritten", "rewritten_events"]

Flags = NDArray[np.bool_]

_NONE, _UNFAILED, _UNKNOWN, _DAMAGE, _FOUND, _FAILURE = range(len(OUTCOMES))
_CONTINUES, _FITTED, _REMOVED, _NEW = range(len(EFFECTS))

_FAULT = r"\b(?:fault|flt|problem|defect|trouble)\b"
_STAYED = (
    _FAULT + r".{0,20}?\b(?:stayed|remained|(?:did|has) ?n[o']?t (?:follow|move|go)|not follow)"
)
_FOLLOWED = _FAULT + r".{0,20}?\b(?:followed|follows|moved|went with|travelled)\b"


@dataclass(frozen=True, slots=True, eq=False)
class Rewritten:
    """Events of the log as other rows correct them."""

    table: pd.DataFrame  #: as given, with ``no_evidence``: it does not show that the item was good
    changes: pd.DataFrame  #: rule, source, column, old, new
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Context:
    """What the rules look at beside the events; arrays by event."""

    study: Study
    vehicle: NDArray[np.int64]
    component: NDArray[np.object_]
    location: NDArray[np.object_]
    view: NDArray[np.int64]  #: vehicle and location; -1 where no location is stated
    left_at: Instants  #: when the vehicle left
    note: NDArray[np.object_]


_Rule = Callable[[pd.DataFrame, _Context], tuple[pd.DataFrame, Flags]]


def rewritten_events(
    events: pd.DataFrame,
    notes: NDArray[np.object_],
    register: Register,
    left_at: Instants,
    study: Study,
) -> Rewritten:
    """Events with the outcomes that other rows or columns correct.

    Parameters
    ----------
    events : DataFrame
        ``table`` of the log's events.
    notes : array of str
        What the rows of each event say, joined.
    register : Register
        Its positions are those of the events.
    left_at : array by vehicle
        When each vehicle left the fleet.
    study : Study
        ``treatments.problems`` and ``functions`` are used.
    """
    table = _with(events, no_evidence=False)
    if table.empty:
        return Rewritten(table, change_lines("", (), "", (), ()), ())
    context = _context(table, notes, register, left_at, study)
    changes, found = [], []
    for rule, (apply, what, done) in _RULES.items():
        after, chosen = apply(table, context)
        if chosen.any():
            source = table["event"][chosen]
            found.append(finding(rule, what, sources=source, done=done(study), severity="look"))
            changes.extend(_lines(rule, table, after))
        table = after
    return Rewritten(table, pd.concat(changes) if changes else _no_lines(), tuple(found))


def _no_lines() -> pd.DataFrame:
    return change_lines("", (), "", (), ())


def _context(
    table: pd.DataFrame,
    notes: NDArray[np.object_],
    register: Register,
    left_at: Instants,
    study: Study,
) -> _Context:
    at = table["position"].to_numpy()
    positions = register.positions
    vehicle = positions["vehicle_code"].to_numpy()[at]
    location = positions["location"].to_numpy(dtype=object)[at]
    place, names = pd.factorize(location)
    view = np.where(location == "", -1, vehicle * (len(names) + 1) + place)
    return _Context(
        study=study,
        vehicle=vehicle,
        component=positions["component"].to_numpy(dtype=object)[at],
        location=location,
        view=view,
        left_at=left_at[vehicle],
        note=notes,
    )


def _lines(rule: str, before: pd.DataFrame, after: pd.DataFrame) -> list[pd.DataFrame]:
    """Return a line for each event and column that a rule changed."""
    lines = []
    for column, words in (("outcome", OUTCOMES), ("effect", EFFECTS)):
        names = np.array(words, dtype=object)
        old, new = before[column].to_numpy(), after[column].to_numpy()
        if np.may_share_memory(old, new):
            continue  # the rule left the column alone
        at = np.flatnonzero(old != new)
        source = before["event"].to_numpy(dtype=object)[at]
        lines.append(change_lines(rule, source, column, names[old[at]], names[new[at]]))
    old, new = (table["job"].to_numpy(dtype=object) for table in (before, after))
    if np.may_share_memory(old, new):
        return lines
    at = np.flatnonzero(old != new)
    source = before["event"].to_numpy(dtype=object)[at]
    lines.append(change_lines(rule, source, "job", old[at], new[at]))
    return lines


def _with(table: pd.DataFrame, **columns: Any) -> pd.DataFrame:
    """Events with columns in the place of their own; no other column is copied."""
    return with_columns(table, columns)


def _nothing(table: pd.DataFrame) -> Flags:
    return np.zeros(len(table), dtype=bool)


def _verdicts(table: pd.DataFrame, context: _Context) -> tuple[pd.DataFrame, Flags]:
    """Let what the supplier found of a returned item count for it."""
    treatments = context.study.treatments
    if treatments.problems.verdicts == "ignore":
        return table, _nothing(table)
    meant = table["verdict"].map(dict(treatments.verdicts))
    code = meant.map({name: place for place, name in enumerate(OUTCOMES)})
    chosen = code.notna().to_numpy() & (table["effect"] >= _REMOVED).to_numpy()
    outcome = np.where(chosen, code.fillna(0), table["outcome"]).astype(np.int64)
    return _with(table, outcome=outcome), chosen


def _test_swaps(table: pd.DataFrame, context: _Context) -> tuple[pd.DataFrame, Flags]:
    """Items moved to test: the fault followed the item, or it stayed with the rest of the view."""
    if context.study.treatments.problems.test_swaps == "as written":
        return table, _nothing(table)
    unclear = (table["outcome"] == _UNKNOWN).to_numpy() & (table["effect"] >= _REMOVED).to_numpy()
    at = np.flatnonzero(unclear)
    codes, notes = pd.factorize(context.note[at])
    text = pd.Series(notes, dtype=object).str.lower()
    stays = text.str.contains(_STAYED, regex=True).to_numpy(dtype=bool)[codes]
    follows = ~stays & text.str.contains(_FOLLOWED, regex=True).to_numpy(dtype=bool)[codes]
    outcome = table["outcome"].to_numpy().copy()
    outcome[at[stays]], outcome[at[follows]] = _UNFAILED, _FAILURE
    chosen = _nothing(table)
    chosen[at[stays | follows]] = True
    return _with(table, outcome=outcome), chosen


def _guess_chains(table: pd.DataFrame, context: _Context) -> tuple[pd.DataFrame, Flags]:
    """One part of a view replaced on a symptom, another soon after: the last one cured it."""
    settings = context.study.treatments.problems
    chosen = _nothing(table)
    if settings.guess_chains == "as written":
        return table, chosen
    first, second = _links(table, context, settings.chain_days)
    chosen[first], chosen[second] = True, True
    if settings.guess_chains == "masked":
        job = table["job"].to_numpy(dtype=object).copy()
        event = table["event"].to_numpy(dtype=object)
        for one, other in zip(first, second, strict=True):  # in order of time: chains run on
            job[one] = job[one] if str(job[one]).startswith("chain ") else "chain " + event[one]
            job[other] = job[one]
        return _with(table, job=job), chosen
    outcome = table["outcome"].to_numpy().copy()
    outcome[second] = np.where(outcome[second] == _UNKNOWN, _FAILURE, outcome[second])
    outcome[first] = _UNFAILED
    return _with(table, outcome=outcome), chosen


def _links(
    table: pd.DataFrame, context: _Context, days: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of replacements at one view, of different components, with one symptom."""
    outcome = table["outcome"].to_numpy()
    asked = (table["effect"] == _NEW).to_numpy() & (context.view >= 0)
    asked &= (outcome == _UNKNOWN) | (outcome == _FAILURE)
    rows = np.flatnonzero(asked)
    key = job_keys(table, rows, context.vehicle)
    view, time = context.view[rows], table["time"].to_numpy()[rows]
    several = pd.DataFrame({"key": key, "view": view}).groupby(["key", "view"])["key"]
    alone = (several.transform("size") == 1).to_numpy()  # a job of several parts is one guess
    order = np.lexsort((time, view))
    order = order[alone[order]]
    one, two = rows[order[:-1]], rows[order[1:]]
    gap = table["time"].to_numpy()[two] - table["time"].to_numpy()[one]
    linked = (context.view[one] == context.view[two]) & (gap > 0) & (gap <= days * DAY)
    linked &= (context.component[one] != context.component[two]) & (outcome[one] == _UNKNOWN)
    word = table["finding"].to_numpy(dtype=object)
    linked &= (
        (word[one] == word[two])
        | (word[two] == "")
        | (word[one] == "")
        | (outcome[two] == _FAILURE)
    )
    return one[linked], two[linked]


def _dark_at_disposal(table: pd.DataFrame, context: _Context) -> tuple[pd.DataFrame, Flags]:
    """End items with a fault reported shortly before the vehicle left and never mended."""
    settings = context.study.treatments.problems
    outcome, effect = table["outcome"].to_numpy(), table["effect"].to_numpy()
    days = (context.left_at - table["time"].to_numpy()) / DAY
    last = ~table["position"].duplicated(keep="last").to_numpy()
    chosen = last & (effect == _CONTINUES) & (outcome >= _UNKNOWN) & table["stated"].to_numpy()
    chosen &= (outcome != _DAMAGE) & (context.left_at != NOT_KNOWN)
    chosen &= (days >= 0) & (days <= settings.dark_days)
    if settings.dark_at_disposal == "as written":
        chosen = _nothing(table)
    return _with(table, effect=np.where(chosen, _REMOVED, effect)), chosen


def _hidden_failures(table: pd.DataFrame, context: _Context) -> tuple[pd.DataFrame, Flags]:
    """Failures of functions that nobody notices at once: dark since some time before the report."""
    chosen = _nothing(table)
    if context.study.treatments.problems.hidden_failures == "as stated":
        return table, chosen
    groups = {group.name: group.locations for group in context.study.location_groups}
    for function in context.study.functions:
        if function.evident is not False:
            continue
        here = np.ones(len(table), dtype=bool)
        if function.component is not None:
            here &= context.component == function.component
        if function.location is not None:
            names = (function.location, *groups.get(function.location, ()))
            here &= np.isin(context.location, names)
        chosen |= here
    chosen &= (table["outcome"] == _FAILURE).to_numpy() & (table["effect"] >= _REMOVED).to_numpy()
    return _with(table, outcome=np.where(chosen, _FOUND, table["outcome"])), chosen


def _undiagnosed(table: pd.DataFrame, context: _Context) -> tuple[pd.DataFrame, Flags]:
    """No fault found, and a failure soon after: the look does not show that the item was good."""
    settings = context.study.treatments.problems
    position, time = table["position"].to_numpy(), table["time"].to_numpy()
    outcome, effect = table["outcome"].to_numpy().copy(), table["effect"].to_numpy()
    looked = (effect == _CONTINUES) & (outcome == _NONE) & table["stated"].to_numpy(dtype=bool)
    failing = (effect >= _REMOVED) & np.isin(outcome, (_UNKNOWN, _FAILURE, _FOUND))
    following = _next_where(failing, position)
    near = looked & (following >= 0)
    near &= (time[following] - time) <= settings.undiagnosed_days * DAY
    if settings.undiagnosed == "as written":
        return table, _nothing(table)
    if settings.undiagnosed == "interval":
        late = np.unique(following[near])
        outcome[late] = np.where(outcome[late] == _FAILURE, _FOUND, outcome[late])
    no_evidence = table["no_evidence"].to_numpy(dtype=bool) | near
    return _with(table, outcome=outcome, no_evidence=no_evidence), near


def _next_where(wanted: Flags, position: NDArray[np.int64]) -> NDArray[np.int64]:
    """Row of the next wanted event at the position of each event; -1 where there is none."""
    count = len(wanted)
    rows = np.flatnonzero(wanted)
    place = np.searchsorted(rows, np.arange(count), side="right")
    found = np.append(rows, -1)[np.minimum(place, len(rows))]
    same = (found >= 0) & (position[found] == position)
    return np.where(same, found, -1)


def _repeat_visits(table: pd.DataFrame, context: _Context) -> tuple[pd.DataFrame, Flags]:
    """Mark items replaced as failed again within days: not fixed the first time."""
    settings = context.study.treatments.problems
    position, time = table["position"].to_numpy(), table["time"].to_numpy()
    outcome = table["outcome"].to_numpy()
    failing = (table["effect"] == _NEW).to_numpy() & np.isin(outcome, (_UNKNOWN, _FAILURE, _FOUND))
    rows = np.flatnonzero(failing)
    again = (position[rows[1:]] == position[rows[:-1]]) & (
        time[rows[1:]] - time[rows[:-1]] <= settings.repeat_days * DAY
    )
    chosen = _nothing(table)
    chosen[rows[1:][again]] = True
    if settings.repeat_visits == "count":
        return table, chosen
    return _with(table, effect=np.where(chosen, _CONTINUES, table["effect"])), chosen


def _says(sentence: str, key: str, others: dict[str, str] | None = None) -> Callable[[Study], str]:
    """Return what was done, by the study's choice."""

    def said(study: Study) -> str:
        choice = getattr(study.treatments.problems, key)
        return f"{(others or {}).get(choice, sentence)} (treatments.problems.{key})"

    return said


_RULES: dict[str, tuple[_Rule, str, Callable[[Study], str]]] = {
    "supplier's verdict": (
        _verdicts,
        "The supplier tested items that were sent back",
        _says("The verdict counts for the item that was removed", "verdicts"),
    ),
    "test swap": (
        _test_swaps,
        "The note tells how the fault behaved when items were exchanged to test",
        _says("The fault followed: the item failed; it stayed: the item was good", "test_swaps"),
    ),
    "guess chain": (
        _guess_chains,
        "One part of a view was replaced on a symptom, and another part of it within days",
        _says(
            "The last part cured it and had failed; those before it were good",
            "guess_chains",
            {"masked": "One failure, shared by the parts"},
        ),
    ),
    "dark at disposal": (
        _dark_at_disposal,
        "A fault was reported shortly before the vehicle left the fleet and never mended",
        _says("The item ends as failed at the report", "dark_at_disposal"),
    ),
    "hidden failure": (
        _hidden_failures,
        "Failures of functions that the driver does not notice at once",
        _says("Failed at some time since the last good check", "hidden_failures"),
    ),
    "undiagnosed": (
        _undiagnosed,
        "No fault was found shortly before the item was replaced as failed",
        _says(
            "That look is no evidence that the item was good",
            "undiagnosed",
            {"interval": "The item failed at some time since the last good check before that"},
        ),
    ),
    "not fixed the first time": (
        _repeat_visits,
        "An item was replaced as failed again within days of the last replacement",
        _says(
            "Each counts as a failure of a new item",
            "repeat_visits",
            {"recurrence": "No life ended at the second"},
        ),
    ),
}
