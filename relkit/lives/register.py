"""The register as positions: what is fitted where since when, and where each job row belongs.

Layer: lives. The repair log has blanked default dates; double entries are set aside here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from relkit.errors import InputError
from relkit.lives.changes import change_lines
from relkit.lives.instants import DAY, NOT_KNOWN, Instants, as_dates, instants
from relkit.lives.set_aside import rows_set_aside
from relkit.logbook.findings import Finding, finding
from relkit.logbook.register import LEAST_VEHICLES
from relkit.study.settings import Treatments

__all__ = ["Places", "Register", "checked_register", "job_places", "refuse_without_register"]

Flags = NDArray[np.bool_]

_KEYS = ["vehicle", "component", "location"]
_OWN = [*_KEYS, "source", "fitted_on", "serial", "type", "removed_on", "vehicle_left_on"]

#: An import date lies within so many days of the log's first day [d].
IMPORT_DAYS = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Register:
    """Positions of the fleet; codes are row numbers of the frames."""

    #: one row per position, sorted by vehicle, component, location: these, ``vehicle_code``,
    #: ``fitted_at`` (instant of the first item), ``source``, ``serial``, ``type``,
    #: ``starts_empty`` (a job fitted the first item), covariates
    positions: pd.DataFrame
    #: what the register says happened later: ``position``, ``time``, ``effect`` ("fitted" or
    #: "removed"), ``source``, ``serial``, ``type``
    changes: pd.DataFrame
    vehicles: pd.DataFrame  #: ``vehicle``, ``left_at`` (instant), ``left_source``
    covariates: tuple[str, ...]  #: names of the covariate columns of ``positions``
    set_aside: pd.DataFrame
    findings: tuple[Finding, ...]
    changes_noted: tuple[pd.DataFrame, ...]  #: lines of the change list


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where each job row belongs; arrays of the length of the jobs."""

    position: NDArray[np.int64]  #: position code; -1 where there is none
    reason: NDArray[np.object_]  #: why there is none; blank otherwise
    filled: NDArray[np.bool_]  #: the location was taken from the register


def refuse_without_register(fitments: pd.DataFrame) -> None:
    """Raise InputError where nothing says what is fitted: no life can be known."""
    if len(fitments):
        return
    raise InputError(
        "there is no register of fitted items, so no lives can be built from this log: it cannot "
        "be known which items are fitted and since when; items that never failed would be "
        "missing, and the gaps between the rows of a repair log are not lives",
        mend=(
            "Give [[files.register]] in the study file: a list of vehicle, component, location "
            "and date fitted (blank where unknown), or a list of vehicles with what each carries"
        ),
    )


def checked_register(
    fitments: pd.DataFrame, jobs: pd.DataFrame, treatments: Treatments, *, first_day: int
) -> Register:
    """Register with import dates blanked, double entries set aside, and what jobs fitted later.

    Parameters
    ----------
    fitments : DataFrame
        The repair log's ``fitments``, at least one row.
    jobs : DataFrame
        The repair log's ``jobs``: a position at which a job fits an item need not be listed.
    treatments : Treatments
        Which actions fit an item.
    first_day : int
        Instant at which the observation window starts.
    """
    found: list[Finding] = []
    fitted_at, lines = _with_known_dates(fitments, treatments, first_day, found)
    table = fitments.assign(fitted_at=fitted_at, order=np.arange(len(fitments)))
    table = table.sort_values([*_KEYS, "fitted_at", "order"], kind="stable")
    doubled = table.duplicated([*_KEYS, "fitted_at"]).to_numpy()
    set_aside = _double_rows(table, doubled)
    table = table[~doubled].reset_index(drop=True)
    rank = np.asarray(table.groupby(_KEYS, sort=False).cumcount(), dtype=np.int64)
    position = np.cumsum(rank == 0, dtype=np.int64) - 1
    vehicles = _vehicles(table, found)
    covariates = tuple(str(name) for name in fitments.columns if name not in _OWN)
    names = [*_KEYS, "fitted_at", "source", "serial", "type", *covariates]
    positions = table.loc[rank == 0, names].reset_index(drop=True)
    codes = pd.Index(vehicles["vehicle"]).get_indexer(positions["vehicle"])
    register = Register(
        positions=positions.assign(vehicle_code=codes, starts_empty=False),
        changes=_changes(table, rank, position, found),
        vehicles=vehicles,
        covariates=covariates,
        set_aside=set_aside,
        findings=tuple(found),
        changes_noted=lines,
    )
    fits = {name for name, action in treatments.actions.items() if action.effect == "fitted"}
    return _with_new_positions(register, jobs[jobs["action"].isin(fits)])


def _with_new_positions(register: Register, fitting: pd.DataFrame) -> Register:
    """Register with the positions at which jobs fitted an item and which it does not list."""
    new = fitting[job_places(register, fitting).reason == "position not fitted"]
    new = new.drop_duplicates(_KEYS)
    if new.empty:
        return register
    of_vehicle = register.positions.drop_duplicates("vehicle").set_index("vehicle")
    covariates = of_vehicle[["vehicle_code", *register.covariates]].loc[new["vehicle"]]
    added = new[[*_KEYS, "source"]].reset_index(drop=True)
    added = added.assign(fitted_at=NOT_KNOWN, serial="", type="", starts_empty=True)
    added[covariates.columns] = covariates.reset_index(drop=True)
    note = finding(
        "position fitted later",
        "A job fitted an item at a position that the register does not list",
        sources=new["source"],
        done="Added to the positions from that job on",
    )
    return replace(
        register,
        positions=pd.concat([register.positions, added], ignore_index=True),
        findings=(*register.findings, note),
    )


def _with_known_dates(
    fitments: pd.DataFrame, treatments: Treatments, first_day: int, found: list[Finding]
) -> tuple[Instants, tuple[pd.DataFrame, ...]]:
    """Instants of fitting as the study wants unknown ones taken, and the lines of what changed."""
    problems = treatments.problems
    fitted_at = instants(fitments["fitted_on"])
    if problems.import_dates == "unknown":
        fitted_at = _without_import_date(fitments, first_day, found)
    lost = fitted_at != instants(fitments["fitted_on"])
    old = fitments.loc[lost, "fitted_on"].dt.strftime("%Y-%m-%d")
    blank = [""] * len(old)
    source = fitments["source"]
    lines = [change_lines("import date", source[lost], "fitted_on", old, blank)]
    unknown = fitted_at == NOT_KNOWN
    if problems.unknown_start == "drop" or not unknown.any():
        return fitted_at, tuple(lines)
    taken = np.full(len(fitments), first_day, dtype=np.int64)
    if problems.unknown_start == "earliest on the vehicle":
        table = pd.DataFrame({"vehicle": fitments["vehicle"].to_numpy(), "at": fitted_at})
        earliest = table[~unknown].groupby("vehicle")["at"].min()
        taken = earliest.reindex(table["vehicle"], fill_value=first_day).to_numpy(dtype=np.int64)
    filled = np.where(unknown, taken, fitted_at)
    new = pd.Series(as_dates(filled[unknown])).dt.strftime("%Y-%m-%d")
    found.append(
        finding(
            "start assumed",
            "The date fitted is not known",
            sources=source[unknown],
            done=f"Taken as the {problems.unknown_start} (treatments.problems.unknown_start): "
            "lives that began earlier come out too short",
            severity="look",
        )
    )
    blank = [""] * int(unknown.sum())
    lines.append(change_lines("start assumed", source[unknown], "fitted_on", blank, new))
    return filled, tuple(lines)


def _without_import_date(fitments: pd.DataFrame, first_day: int, found: list[Finding]) -> Instants:
    """Instants of fitting; the date on which the log was set up is blanked and reported."""
    fitted_at = instants(fitments["fitted_on"])
    imported = _import_dates(fitments, fitted_at, first_day)
    if imported.any():
        dates = fitments.loc[imported, "fitted_on"].dt.strftime("%Y-%m-%d")
        found.append(
            finding(
                "import date",
                f"Items are dated when the log begins ({', '.join(sorted(set(dates)))}), on many "
                "vehicles that also carry older items",
                sources=fitments.loc[imported, "source"],
                done="Taken as not known: it looks like the date on which the log was set up. If "
                "it is true, state the start of the window a week earlier",
                severity="look",
            )
        )
    return np.where(imported, NOT_KNOWN, fitted_at)


def _import_dates(fitments: pd.DataFrame, fitted_at: Instants, first_day: int) -> Flags:
    """Dates at the log's beginning on vehicles with older items, shared by many vehicles."""
    days = np.abs(fitted_at.astype(np.float64) - first_day) / DAY
    near = (fitted_at != NOT_KNOWN) & (days <= IMPORT_DAYS)
    if not near.any():
        return np.zeros(len(near), dtype=bool)
    table = pd.DataFrame({"at": fitted_at, "vehicle": fitments["vehicle"].to_numpy()})
    known = table["at"].where(table["at"] != NOT_KNOWN)
    older = known.groupby(table["vehicle"]).transform("min") < table["at"]
    chosen = near & older.to_numpy(dtype=bool)
    shared = table[chosen].groupby("at")["vehicle"].nunique()
    piles = shared.index[shared >= LEAST_VEHICLES].to_numpy()
    imported: Flags = chosen & np.isin(fitted_at, piles)
    return imported


def _double_rows(table: pd.DataFrame, doubled: NDArray[np.bool_]) -> pd.DataFrame:
    """Second entries of one position with one date, as rows set aside."""
    rows = table[doubled]
    first = table.groupby([*_KEYS, "fitted_at"], sort=False)["serial"].transform("first")
    same = (table["serial"] == first).to_numpy()[doubled]
    reason = np.where(same, "duplicate", "same position twice").astype(object)
    mend = np.where(same, "", "Give each item at a position its own date fitted").astype(object)
    shown = rows[[name for name in _OWN if name in rows]]
    return rows_set_aside(shown, reason, kind="register", column="fitted_on", mend=mend)


def _vehicles(table: pd.DataFrame, found: list[Finding]) -> pd.DataFrame:
    """One row per vehicle with the instant at which it left the fleet, if it did."""
    left = table.assign(left_at=instants(table["vehicle_left_on"]))
    stated = left[left["left_at"] != NOT_KNOWN].sort_values("left_at", kind="stable")
    several = stated.groupby("vehicle")["left_at"].nunique()
    unclear = several.index[several > 1].tolist()
    if unclear:
        found.append(
            finding(
                "several leaving dates",
                "The register gives more than one date on which a vehicle left the fleet",
                sources=unclear,
                done="The earliest date was used",
                severity="look",
            )
        )
    first = stated.drop_duplicates("vehicle").set_index("vehicle")
    vehicles = pd.Index(table["vehicle"].unique()).sort_values()
    return pd.DataFrame(
        {
            "vehicle": vehicles,
            "left_at": first["left_at"].reindex(vehicles, fill_value=NOT_KNOWN).to_numpy(),
            "left_source": first["source"].reindex(vehicles, fill_value="").to_numpy(),
        }
    )


def _changes(
    table: pd.DataFrame,
    rank: NDArray[np.int64],
    position: NDArray[np.int64],
    found: list[Finding],
) -> pd.DataFrame:
    """Later fittings and removals that only the register knows."""
    removed_at = instants(table["removed_on"])
    wrong = (removed_at != NOT_KNOWN) & (removed_at < table["fitted_at"].to_numpy())
    if wrong.any():
        found.append(
            finding(
                "removed before fitted",
                "The register gives a removal before the fitting",
                sources=table.loc[wrong, "source"],
                done="The removal was ignored",
                severity="look",
            )
        )
    with_vehicle = removed_at == instants(table["vehicle_left_on"])
    removed = (removed_at != NOT_KNOWN) & ~wrong & ~with_vehicle
    facts = pd.DataFrame(
        {
            "position": position,
            "time": table["fitted_at"].to_numpy(),
            "effect": "fitted",
            "source": table["source"].to_numpy(),
            "serial": table["serial"].to_numpy(),
            "type": table["type"].to_numpy(),
        }
    )
    taken_out = facts.assign(time=removed_at, effect="removed", serial="", type="")
    later: pd.DataFrame = pd.concat([taken_out[removed], facts[rank > 0]], ignore_index=True)
    return later


def job_places(register: Register, jobs: pd.DataFrame) -> Places:
    """Position of each job row; a blank location is filled where only one position fits.

    A row without a component gets no position and no reason: it says nothing of an item.
    """
    positions = register.positions
    vehicle = pd.Index(register.vehicles["vehicle"]).get_indexer(_objects(jobs["vehicle"]))
    components = pd.Index(positions["component"].unique())
    locations = pd.Index(positions["location"].unique())
    component = components.get_indexer(pd.Index(_objects(jobs["component"])))
    location = locations.get_indexer(pd.Index(_objects(jobs["location"])))
    pair = vehicle * len(components) + component
    own_pair = positions["vehicle_code"].to_numpy() * len(components) + components.get_indexer(
        pd.Index(positions["component"])
    )
    own = own_pair * len(locations) + locations.get_indexer(pd.Index(positions["location"]))
    place = pair * len(locations) + location
    known = (vehicle >= 0) & (component >= 0)
    position = np.where(known & (location >= 0), pd.Index(own).get_indexer(pd.Index(place)), -1)
    only = _only_position(own_pair, pair)
    blank = (_objects(jobs["location"]) == "") | (
        positions["location"].to_numpy(dtype=object)[only] == ""
    )
    filled = known & (position < 0) & (only >= 0) & blank
    position = np.where(filled, only, position)
    somewhere = known & np.isin(pair, own_pair)
    reason = _reasons(jobs, vehicle, position, somewhere)
    return Places(position.astype(np.int64), reason, filled)


def _only_position(own_pair: NDArray[np.int64], pair: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the one position of a vehicle and component; -1 where there are none or several."""
    pairs, first, count = np.unique(own_pair, return_index=True, return_counts=True)
    at = pd.Index(pairs).get_indexer(pd.Index(pair))
    return np.where((at >= 0) & (count[at] == 1), first[at], -1)


def _reasons(
    jobs: pd.DataFrame,
    vehicle: NDArray[np.int64],
    position: NDArray[np.int64],
    somewhere: NDArray[np.bool_],
) -> NDArray[np.object_]:
    """Why rows have no position; ``somewhere``: the vehicle has the component at some place."""
    lost = (position < 0) & (_objects(jobs["component"]) != "")
    reason = np.full(len(jobs), "", dtype=object)
    reason[lost] = "position not fitted"
    reason[lost & somewhere & (_objects(jobs["location"]) == "")] = "location not named"
    reason[vehicle < 0] = "unknown vehicle"
    return reason


def _objects(values: pd.Series) -> NDArray[np.object_]:
    return values.to_numpy(dtype=object)
