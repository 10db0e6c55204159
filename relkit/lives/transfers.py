"""Items that moved: a life follows the serial number from one position to the next.

Layer: lives. Numbers that cannot be true are not followed; an item that came back after it had
failed is no new one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.lives.events import OUTCOMES
from relkit.lives.instants import NOT_KNOWN
from relkit.lives.register import Register
from relkit.logbook.findings import Finding, finding
from relkit.study.settings import ProblemSettings

__all__ = ["RETURNED", "Transfers", "carried_ages", "taken_without_a_row", "transfers"]

Flags = NDArray[np.bool_]

_UNFAILED, _UNKNOWN = (OUTCOMES.index(name) for name in ("unfailed", "cause unknown"))
#: An item seen at more places than this without leaving any has a number that says nothing.
_TWO = 2
#: Type of an item that failed, was repaired and came back.
RETURNED = "repaired"


@dataclass(frozen=True, slots=True, eq=False)
class Transfers:
    """Stays of items that came from another position or came back."""

    stays: pd.DataFrame  #: as given, with ``previous``: the stay before, -1; ``type`` of returned
    findings: tuple[Finding, ...]


def usable_serials(serial: pd.Series, settings: ProblemSettings) -> Flags:
    """Whether each serial number can tell one item from another."""
    codes, names = pd.factorize(serial.to_numpy(dtype=object))
    nothing = {word.casefold() for word in settings.no_serials}
    usable = [
        bool(name) and name.casefold() not in nothing and len(set(_digits(name))) > 1
        for name in (str(name).strip() for name in names)
    ]
    return np.array([*usable, False], dtype=bool)[codes]


def _digits(name: str) -> str:
    """Letters and digits of a number; those of one kind only tell nothing apart."""
    return "".join(letter for letter in name.casefold() if letter.isalnum())


def taken_without_a_row(
    stays: pd.DataFrame, register: Register, settings: ProblemSettings
) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """Events that end a stay whose item a job fitted elsewhere, though no row tells of its removal.

    Returns
    -------
    DataFrame
        ``position``, ``time``, ``sources`` of the events to add: something else went in then.
    tuple of Finding
    """
    lines = _by_serial(stays, register, settings)
    none = pd.DataFrame({"position": [], "time": [], "sources": []})
    if settings.transfers != "follow serial" or lines.empty:
        return none, ()
    later = lines["same"].to_numpy()
    before = lines.iloc[:-1].reset_index(drop=True)
    after = lines.iloc[1:].reset_index(drop=True)
    chosen = later[1:] & (before["end"] > after["start"]).to_numpy()
    chosen &= (after["opener"] >= 0).to_numpy() & (before["start"] < after["start"]).to_numpy()
    chosen &= (before["position"] != after["position"]).to_numpy()
    # at three places at once the number says nothing
    places = lines.groupby(["component", "serial"])["end"].transform("size").to_numpy()
    chosen &= places[1:] == _TWO
    if not chosen.any():
        return none, ()
    events = pd.DataFrame(
        {
            "position": before.loc[chosen, "position"].to_numpy(dtype=np.int64),
            "time": after.loc[chosen, "start"].to_numpy(dtype=np.int64),
            "sources": after.loc[chosen, "opened_by"].to_numpy(dtype=object),
        }
    )
    note = finding(
        "taken without a row",
        "An item was fitted elsewhere while, by the log, it was still in its old place",
        sources=events["sources"],
        done="Taken out unfailed there on that day, and something else put in; enter that job "
        "(treatments.problems.transfers)",
        severity="look",
    )
    return events, (note,)


def transfers(
    stays: pd.DataFrame,
    outcome: NDArray[np.int64],
    register: Register,
    settings: ProblemSettings,
) -> Transfers:
    """Stays linked by their serial numbers.

    An item that was taken out unfailed, or of which only a symptom was known, and is fitted again
    goes on with the age it had. One that had failed was repaired: it is of a type of its own.

    Parameters
    ----------
    stays : DataFrame
        Stays of items, sorted by position and start.
    outcome : array of int
        By event: place in ``OUTCOMES``.
    register : Register
        Its positions are those of the stays.
    settings : ProblemSettings
        ``transfers``, ``returned_items`` and ``no_serials`` are used.
    """
    stays, batches = _with_batches(stays, settings)
    previous = np.full(len(stays), -1, dtype=np.int64)
    none = stays.assign(previous=previous)
    found = [*batches, *_doubtful(stays, settings)]
    lines = _by_serial(stays, register, settings)
    if settings.transfers != "follow serial" or lines.empty:
        return Transfers(none, tuple(found))
    before, after = lines.iloc[:-1].reset_index(drop=True), lines.iloc[1:].reset_index(drop=True)
    linked = lines["same"].to_numpy()[1:] & (before["end"] <= after["start"]).to_numpy()
    linked &= (after["opener"] >= 0).to_numpy() & (before["end"] != NOT_KNOWN).to_numpy()
    overlap = lines["same"].to_numpy()[1:] & (before["end"] > after["start"]).to_numpy()
    overlap &= (after["start"] != NOT_KNOWN).to_numpy()
    if overlap.any():
        found.append(_impossible(after[overlap]))
    closer = before["closer"].to_numpy()
    ended = np.append(outcome, _UNFAILED)[closer]  # the last for -1: it left with its vehicle
    good = linked & np.isin(ended, (0, _UNFAILED, _UNKNOWN))
    stay, source = after["stay"].to_numpy(), before["stay"].to_numpy()
    previous[stay[good]] = source[good]
    kind = stays["type"].to_numpy(dtype=object).copy()
    repaired = linked & ~good
    if repaired.any() and settings.returned_items == "own stratum":
        at = stay[repaired]
        kind[at] = np.where(kind[at] == "", RETURNED, kind[at])
    found.extend(_moved(after, good, repaired, settings))
    return Transfers(stays.assign(previous=previous, type=kind), tuple(found))


def _with_batches(
    stays: pd.DataFrame, settings: ProblemSettings
) -> tuple[pd.DataFrame, list[Finding]]:
    """Stays with the batches that the study names as types of their own."""
    serial, kind = stays["serial"].str.casefold(), stays["type"].to_numpy(dtype=object).copy()
    found = []
    for batch in settings.batches:
        own = serial.str.startswith(batch.casefold()).to_numpy(dtype=bool) & (kind == "")
        kind[own] = f"batch {batch}"
        if own.any():
            done = "A type of their own (treatments.problems.batches)"
            what = f'Items have serial numbers that begin with "{batch}"'
            found.append(finding("batch", what, sources=stays.loc[own, "opened_by"], done=done))
    return stays.assign(type=kind), found


def _by_serial(stays: pd.DataFrame, register: Register, settings: ProblemSettings) -> pd.DataFrame:
    """Return stays with a usable serial number, by component, number and time."""
    rows = np.flatnonzero(usable_serials(stays["serial"], settings))
    own = stays.iloc[rows]
    twice = own["serial"].duplicated(keep=False).to_numpy()
    own, rows = own[twice], rows[twice]
    component = register.positions["component"].to_numpy(dtype=object)[own["position"]]
    names = ["position", "start", "end", "opener", "closer", "serial", "opened_by"]
    lines = own[names].assign(stay=rows, component=component)
    lines = lines.sort_values(["component", "serial", "start", "end"], kind="stable")
    lines = lines.reset_index(drop=True)
    keys = lines[["component", "serial"]]
    same = np.append(False, (keys.iloc[1:].to_numpy() == keys.iloc[:-1].to_numpy()).all(axis=1))
    return lines.assign(same=same[: len(lines)])


def _doubtful(stays: pd.DataFrame, settings: ProblemSettings) -> list[Finding]:
    serial = stays["serial"]
    useless = (serial != "").to_numpy() & ~usable_serials(serial, settings)
    if not useless.any():
        return []
    return [
        finding(
            "serial says nothing",
            "Serial numbers stand for a number that was not known, such as "
            f'"{serial[useless].iloc[0]}"',
            sources=stays.loc[useless, "opened_by"],
            done="Not followed; the position's history counts (treatments.problems.no_serials)",
        )
    ]


def _impossible(lines: pd.DataFrame) -> Finding:
    return finding(
        "serial at two places",
        "One serial number is at two places at one time",
        sources=lines["opened_by"],
        done="Not followed between them; the history of each position counts",
        severity="look",
    )


def _moved(
    after: pd.DataFrame, good: Flags, repaired: Flags, settings: ProblemSettings
) -> list[Finding]:
    found = []
    if good.any():
        found.append(
            finding(
                "item moved",
                "Items that had been taken out elsewhere were fitted again",
                sources=after.loc[good, "opened_by"],
                done="The life follows the serial number: it goes on at the age reached before "
                "(treatments.problems.transfers)",
                severity="look",
            )
        )
    if repaired.any():
        done = {
            "own stratum": f'Not new: of the type "{RETURNED}", apart from new items',
            "as new": "Counted as new items",
        }[settings.returned_items]
        found.append(
            finding(
                "repaired and put back",
                "Items that had failed were fitted again",
                sources=after.loc[repaired, "opened_by"],
                done=f"{done} (treatments.problems.returned_items)",
                severity="look",
            )
        )
    return found


def carried_ages(
    stays: pd.DataFrame, age_at: NDArray[np.float64]
) -> tuple[NDArray[np.float64], Flags]:
    """Age at which each stay begins, and whether it is known.

    Parameters
    ----------
    stays : DataFrame
        With ``previous``.
    age_at : array of float
        Length of each stay in the study's clock; NaN where its start is not known.
    """
    previous = stays["previous"].to_numpy()
    carried = np.zeros(len(stays))
    moved = np.flatnonzero(previous >= 0)
    for _ in range(len(moved) + 1):
        before = carried[moved].copy()
        carried[moved] = carried[previous[moved]] + age_at[previous[moved]]
        if np.array_equal(before, carried[moved], equal_nan=True):
            break
    known: Flags = np.isfinite(carried)
    return np.nan_to_num(carried), known
